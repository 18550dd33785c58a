package service

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/netip"
	"time"

	"github.com/google/uuid"

	"dewbench/service/catalogue"
	"dewbench/store"
)

// Services are the calls of the API, one field for each generated server
// interface, and what judges who may call.
type Services struct {
	Access       *Access
	Audits       *Audits
	Archives     *Archives
	Benches      *Benches
	Calendars    *Calendars
	Collections  *Collections
	Due          *Due
	Exchange     *Exchange
	Feedings     *Feedings
	Grants       *Grants
	Growers      *Growers
	Identities   *Identities
	Invitations  *Invitations
	Jobs         *Jobs
	Observations *Observations
	Photos       *Photos
	Plans        *Plans
	Plants       *Plants
	Revisions    *Revisions
	Server       *Server
	Sessions     *Sessions
	Sheets       *Sheets
	Societies    *Societies
	Taxa         *Taxa
	Tokens       *Tokens
	Watch        *Watch
}

// Config is what the calls are given. Store, Log and Version must be set.
type Config struct {
	Store   *store.Store
	Blobs   *store.Blobs // the bytes of photos
	Log     *slog.Logger
	Version string           // what the server says of itself
	Build   string           // tells programs apart that may decide otherwise; "": Version does
	OpenAPI []byte           // the document of the HTTP calls
	Now     func() time.Time // the clock; nil: the machine's
	SignIn  SignIn           // whose access tokens are taken
	NewID   func() string    // ids that sort as they are made; nil: UUIDs of version 7 (RFC 9562)
	Rates   Rates            // how many calls are taken; the zero value: as many as come
}

// Rates are how many calls are taken in a minute; 0: as many as come. Both doors of all
// that a server listens on count together, but each server by itself.
type Rates struct {
	CallsPerToken      int // heavy calls count for more than one
	CallsPerAddress    int
	FailuresPerAddress int // calls with a wrong token or secret

	// TrustedProxies are the networks of the proxies that are believed for whom they call.
	TrustedProxies []netip.Prefix
}

// New returns all calls. The bucket is that of the database from then on: error
// store.ErrOtherDatabase, if it is that of another.
func New(ctx context.Context, config Config) (*Services, error) {
	c, err := catalogue.Load()
	if err != nil {
		return nil, fmt.Errorf("catalogue: %w", err)
	}
	core := &Core{
		store: config.Store, catalogue: c, version: cmp.Or(config.Build, config.Version) + " " + c.Version(), now: config.Now, newID: config.NewID, untrue: make(chan struct{}, 1),
		blobs: config.Blobs, decodes: newDecodes(),
	}
	if core.now == nil {
		core.now = time.Now
	}
	if core.newID == nil {
		core.newID = newUUID
	}
	var key, own [32]byte
	err = config.Store.Write(ctx, func(tx *store.Tx) error {
		if key, err = tx.Key("page tokens", core.now().UnixMicro()); err == nil {
			own, err = tx.Key("database", core.now().UnixMicro())
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if config.Blobs != nil {
		if err := config.Blobs.Claim(ctx, databaseID(own)); err != nil {
			return nil, err
		}
	}
	if core.pages, err = NewPages(key); err != nil {
		return nil, err
	}
	if core.issuers, err = newIssuers(config.SignIn, core.now, config.Log); err != nil {
		return nil, err
	}
	core.due = NewDue(core)
	feedings, observations := NewFeedings(core), NewObservations(core)
	access := &Access{store: config.Store, now: core.now, log: config.Log, known: &core.tokens, core: core, createGrowers: config.SignIn.CreateGrowers}
	archives, err := NewArchives(core, feedings, observations)
	if err != nil {
		return nil, err
	}
	photos := &Photos{core, observations}
	return &Services{
		Access:       access,
		Audits:       &Audits{core},
		Archives:     archives,
		Benches:      &Benches{core},
		Calendars:    &Calendars{core, access},
		Collections:  &Collections{core},
		Due:          core.due,
		Exchange:     NewExchange(core, feedings, observations),
		Feedings:     feedings,
		Grants:       &Grants{core},
		Growers:      &Growers{core},
		Identities:   &Identities{core},
		Invitations:  &Invitations{core},
		Jobs:         &Jobs{core, photos, config.Log},
		Observations: observations,
		Photos:       photos,
		Plans:        &Plans{core},
		Plants:       &Plants{core},
		Revisions:    &Revisions{core},
		Server:       NewServer(config.Store, config.Version, c, config.OpenAPI),
		Sessions:     &Sessions{Core: core, feedings: feedings, observations: observations},
		Sheets:       &Sheets{core},
		Societies:    &Societies{core},
		Taxa:         NewTaxa(c, core.pages),
		Tokens:       &Tokens{core},
		Watch:        &Watch{core},
	}, nil
}

// databaseID is what others may know of the secret that a database has of its own. Who
// restores a database from a copy has the same.
func databaseID(secret [32]byte) string {
	sum := sha256.Sum256(secret[:])
	return hex.EncodeToString(sum[:8])
}

// newUUID returns a UUID of version 7.
func newUUID() string { return uuid.Must(uuid.NewV7()).String() } // it fails only if the machine has no random bits
