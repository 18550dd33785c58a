package api

import (
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// checkHealth asks both doors and the standard service how the server is: healthy, or
// without its database.
func (d *doors) checkHealth(t *testing.T, healthy bool) {
	t.Helper()
	type answers struct {
		code     codes.Code
		reason   service.Reason
		http     int
		standard healthpb.HealthCheckResponse_ServingStatus
	}
	want := answers{codes.Unavailable, service.StorageUnavailable, http.StatusServiceUnavailable, healthpb.HealthCheckResponse_NOT_SERVING}
	if healthy {
		want = answers{codes.OK, "", http.StatusOK, healthpb.HealthCheckResponse_SERVING}
	}
	_, err := pb.NewServerServiceClient(d.conn).GetHealth(t.Context(), &pb.GetHealthRequest{})
	overHTTP := d.sendRaw(t, http.MethodGet, "/healthz", nil, nil)
	checked, checkErr := healthpb.NewHealthClient(d.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if checkErr != nil {
		t.Errorf("the standard service: %v", checkErr)
	}
	if got := (answers{status.Code(err), reasonOf(status.Convert(err)), overHTTP.status, checked.GetStatus()}); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

// A server whose database is closed says so at every door, and its log says why.
func TestHealthWithoutDatabase(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		d := openStore(t, s, service.Config{})
		d.checkHealth(t, true)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		d.checkHealth(t, false)
		if log := d.log.String(); strings.Count(log, "database is closed") != 3 {
			t.Errorf("the log says %s", log)
		}
	})
}
