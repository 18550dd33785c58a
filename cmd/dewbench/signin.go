package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dewbench/service"
)

// signInFlags tell whose access tokens the server takes. What is of one issuer begins with
// its address. The environment gives their defaults, several values with spaces between.
type signInFlags struct {
	issuers, parties, scopes, untyped []string
	defaultScope                      string
	skew                              time.Duration
	create                            bool

	wrong error // in the environment
}

const noScope = "none"

func (f *signInFlags) add(c *cobra.Command) {
	several := func(to *[]string, flag, variable, help string) {
		c.Flags().StringArrayVar(to, flag, strings.Fields(os.Getenv(variable)), help+"; may be repeated (environment: "+variable+")")
	}
	several(&f.issuers, "oidc-issuer", "DEWBENCH_OIDC_ISSUER", "take access tokens of this issuer for these audiences: `URL=AUDIENCE[,AUDIENCE...]`")
	several(&f.parties, "oidc-party", "DEWBENCH_OIDC_PARTY", "of this issuer take only tokens that were issued to these clients (azp, client_id): `URL=CLIENT[,CLIENT...]`")
	several(&f.scopes, "oidc-scopes", "DEWBENCH_OIDC_SCOPES", "of this issuer read the scopes from a claim, by its values: `URL=CLAIM[,SCOPE=VALUE...]` (default scope, read=dewbench.read and so on)")
	several(&f.untyped, "oidc-untyped", "DEWBENCH_OIDC_UNTYPED", "of this issuer, `URL`, take tokens whose typ is not at+jwt, if the rest of them tells that they are access tokens")
	scope := os.Getenv("DEWBENCH_OIDC_DEFAULT_SCOPE")
	if scope == "" {
		scope = service.ScopeRecord
	}
	c.Flags().StringVar(&f.defaultScope, "oidc-default-scope", scope, "scope of an access token that tells none of ours, or none (environment: DEWBENCH_OIDC_DEFAULT_SCOPE)")
	skew := time.Minute
	if text := os.Getenv("DEWBENCH_OIDC_SKEW"); text != "" {
		var err error
		if skew, err = time.ParseDuration(text); err != nil {
			f.wrong = fmt.Errorf("DEWBENCH_OIDC_SKEW %s: must be a time such as 30s or 5m", text)
		}
	}
	c.Flags().DurationVar(&f.skew, "oidc-skew", skew, "how far the clocks of issuers may be off, 0 to 5m (environment: DEWBENCH_OIDC_SKEW)")
	create := false
	if text := os.Getenv("DEWBENCH_OIDC_CREATE_GROWERS"); text != "" {
		var err error
		if create, err = strconv.ParseBool(text); err != nil {
			f.wrong = fmt.Errorf("DEWBENCH_OIDC_CREATE_GROWERS %s: must be true or false", text)
		}
	}
	c.Flags().BoolVar(&f.create, "oidc-create-growers", create, "make a grower of everyone who shows a good access token of an issuer (environment: DEWBENCH_OIDC_CREATE_GROWERS)")
}

// read returns what the flags say.
func (f *signInFlags) read() (service.SignIn, error) {
	out := service.SignIn{Skew: f.skew, CreateGrowers: f.create}
	if f.wrong != nil {
		return out, f.wrong
	}
	if f.skew < 0 || f.skew > 5*time.Minute {
		return out, fmt.Errorf("--oidc-skew %s: must be 0 to 5m", f.skew)
	}
	if f.defaultScope != noScope {
		if !slices.Contains(service.Scopes, f.defaultScope) {
			return out, fmt.Errorf("--oidc-default-scope %s: must be some of %s, or none", f.defaultScope, strings.Join(service.Scopes, ", "))
		}
		out.DefaultScope = f.defaultScope
	}
	for _, text := range f.issuers {
		address, audiences, err := ofIssuer("--oidc-issuer", text, "AUDIENCE")
		if err != nil {
			return out, err
		}
		i := service.Issuer{URL: address, Audiences: audiences}
		if err := i.CheckURL(); err != nil {
			return out, fmt.Errorf("--oidc-issuer %s: %w", text, err)
		}
		if slices.ContainsFunc(out.Issuers, func(other service.Issuer) bool { return other.URL == i.URL }) {
			return out, fmt.Errorf("--oidc-issuer %s: is given twice: name all its audiences at once", address)
		}
		out.Issuers = append(out.Issuers, i)
	}
	if f.create && len(out.Issuers) == 0 {
		return out, errors.New("--oidc-create-growers: goes with --oidc-issuer, which tells whose tokens are taken")
	}
	find := func(flag, address string) (*service.Issuer, error) {
		for n := range out.Issuers {
			if out.Issuers[n].URL == address {
				return &out.Issuers[n], nil
			}
		}
		return nil, fmt.Errorf("%s %s: there is no --oidc-issuer of this address", flag, address)
	}
	for _, text := range f.parties {
		address, parties, err := ofIssuer("--oidc-party", text, "CLIENT")
		if err != nil {
			return out, err
		}
		i, err := find("--oidc-party", address)
		if err != nil {
			return out, err
		}
		i.Parties = append(i.Parties, parties...)
	}
	for _, text := range f.scopes {
		address, parts, err := ofIssuer("--oidc-scopes", text, "CLAIM")
		if err != nil {
			return out, err
		}
		i, err := find("--oidc-scopes", address)
		if err != nil {
			return out, err
		}
		i.ScopeClaim, i.ScopeValues = parts[0], map[string]string{}
		for _, part := range parts[1:] {
			scope, value, told := strings.Cut(part, "=")
			if !told || value == "" || !slices.Contains(service.Scopes, scope) {
				return out, fmt.Errorf("--oidc-scopes %s: %s must be one of %s, =, and what the claim holds for it", text, part, strings.Join(service.Scopes, ", "))
			}
			i.ScopeValues[scope] = value
		}
	}
	for _, address := range f.untyped {
		i, err := find("--oidc-untyped", address)
		if err != nil {
			return out, err
		}
		i.Untyped = true
	}
	return out, nil
}

// ofIssuer reads the address of an issuer, =, and what is said of it, with commas between.
func ofIssuer(flag, text, what string) (address string, parts []string, err error) {
	address, list, told := strings.Cut(text, "=")
	parts = strings.Split(list, ",")
	if !told || address == "" || slices.Contains(parts, "") {
		return "", nil, fmt.Errorf("%s %s: must be the address of the issuer, =, and %s, several with commas between", flag, text, what)
	}
	return address, parts, nil
}
