package main

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"

	"dewbench/service"
)

func TestSignInFlags(t *testing.T) {
	t.Setenv("DEWBENCH_OIDC_ISSUER", " https://id.example=plants,https://plants.example  https://other.example/x=plants ")
	t.Setenv("DEWBENCH_OIDC_CREATE_GROWERS", "true")
	t.Setenv("DEWBENCH_OIDC_SKEW", "30s")
	var f signInFlags
	c := &cobra.Command{}
	f.add(c)
	err := c.ParseFlags([]string{
		"--oidc-party", "https://id.example=a,b", "--oidc-party", "https://id.example=c", "--oidc-untyped=https://other.example/x",
		"--oidc-scopes", "https://id.example=roles,read=looker,manage=a=b",
	})
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.read()
	if err != nil {
		t.Fatal(err)
	}
	want := service.SignIn{
		DefaultScope: "record", Skew: 30 * time.Second, CreateGrowers: true,
		Issuers: []service.Issuer{
			{
				URL: "https://id.example", Audiences: []string{"plants", "https://plants.example"}, Parties: []string{"a", "b", "c"},
				ScopeClaim: "roles", ScopeValues: map[string]string{"read": "looker", "manage": "a=b"},
			},
			{URL: "https://other.example/x", Audiences: []string{"plants"}, Untyped: true},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestCreateGrowersOfWhom(t *testing.T) {
	f := signInFlags{defaultScope: "record", create: true}
	if _, err := f.read(); err == nil || !strings.Contains(err.Error(), "--oidc-create-growers: goes with --oidc-issuer") {
		t.Error(err)
	}
}
