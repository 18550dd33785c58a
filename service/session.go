package service

import pb "dewbench/proto/dewbench/v1"

// Sessions are the calls about what a grower does at a bench.
type Sessions struct {
	*Core
	feedings     *Feedings
	observations *Observations
	plants       *Plants
	pb.UnimplementedSessionServiceServer
}
