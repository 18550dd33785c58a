package api

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// healthAnswers are what the doors say of the server's health.
type healthAnswers struct {
	code     codes.Code
	reason   service.Reason
	http     int
	standard healthpb.HealthCheckResponse_ServingStatus
}

var healthy = map[bool]healthAnswers{
	true:  {codes.OK, "", http.StatusOK, healthpb.HealthCheckResponse_SERVING},
	false: {codes.Unavailable, service.StorageUnavailable, http.StatusServiceUnavailable, healthpb.HealthCheckResponse_NOT_SERVING},
}

func (d *doors) healthAnswers(t *testing.T) healthAnswers {
	t.Helper()
	_, err := pb.NewServerServiceClient(d.conn).GetHealth(t.Context(), &pb.GetHealthRequest{})
	overHTTP := d.sendRaw(t, http.MethodGet, "/healthz", nil, nil)
	checked, checkErr := healthpb.NewHealthClient(d.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if checkErr != nil {
		t.Errorf("the standard service: %v", checkErr)
	}
	return healthAnswers{status.Code(err), reasonOf(status.Convert(err)), overHTTP.status, checked.GetStatus()}
}

// checkHealth asks all doors whether the server is well.
func (d *doors) checkHealth(t *testing.T, well bool) {
	t.Helper()
	if got := d.healthAnswers(t); got != healthy[well] {
		t.Errorf("got %v, want %v", got, healthy[well])
	}
}

// awaitHealth asks until all doors say so: the connections of a killed server live for
// a moment.
func (d *doors) awaitHealth(t *testing.T, well bool) {
	t.Helper()
	for began := time.Now(); ; {
		got := d.healthAnswers(t)
		if got == healthy[well] {
			return
		}
		if time.Since(began) > patience {
			t.Fatalf("got %v, want %v", got, healthy[well])
		}
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
