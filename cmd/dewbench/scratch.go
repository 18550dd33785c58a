package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc"

	"dewbench/api"
	"dewbench/service"
	"dewbench/store"
)

// scratch is a server of its own, with one grower, on a database that is thrown
// away.
type scratch struct {
	server *api.Server
	token  string // may do all that its grower may
	grower string // the id
	store  *store.Store
	folder string
}

func newScratch(ctx context.Context, log *slog.Logger) (*scratch, error) {
	folder, err := os.MkdirTemp("", "dewbench-")
	if err != nil {
		return nil, fmt.Errorf("make a folder for a moment: %w", err)
	}
	s := &scratch{folder: folder}
	if err := s.start(ctx, log); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *scratch) start(ctx context.Context, log *slog.Logger) (err error) {
	s.store, err = store.Open(ctx, "sqlite:"+filepath.Join(s.folder, "dewbench.db"), store.Options{RelaxedSync: true})
	if err != nil {
		return err
	}
	if err := s.store.Migrate(ctx); err != nil {
		return err
	}
	if s.grower, err = newID(); err != nil {
		return err
	}
	token, err := newToken("first token", usualScopes)
	if err != nil {
		return err
	}
	s.token = token.secret
	err = s.store.Write(ctx, func(tx *store.Tx) error {
		us := time.Now().UnixMicro()
		if _, err := tx.Grower(s.grower).Create("A grower for a moment", us); err != nil {
			return err
		}
		return token.create(tx, s.grower, us)
	})
	if err != nil {
		return err
	}
	s.server, err = api.New(ctx, service.Config{Store: s.store, Log: log, Version: ownVersion()})
	return err
}

// conn calls the server as its grower.
func (s *scratch) conn() grpc.ClientConnInterface { return api.WithToken(s.server.Conn(), s.token) }

// Close throws the database away.
func (s *scratch) Close() error {
	var err error
	if s.store != nil {
		err = s.store.Close()
	}
	return errors.Join(err, os.RemoveAll(s.folder))
}
