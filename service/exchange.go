package service

import pb "dewbench/proto/dewbench/v1"

// Exchange are the calls that bring tables in and give them out.
type Exchange struct {
	*Core
	pb.UnimplementedExchangeServiceServer
}
