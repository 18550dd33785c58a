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

// temporaryStore opens a database, and a bucket for its photos, which end closes and
// throws away.
func temporaryStore(ctx context.Context) (s *store.Store, photos *store.Blobs, end func() error, err error) {
	folder, err := os.MkdirTemp("", "dewbench-")
	if err != nil {
		return nil, nil, nil, fmt.Errorf("make a folder for a moment: %w", err)
	}
	file := "sqlite:" + filepath.Join(folder, "dewbench.db")
	s, err = store.Open(ctx, file, store.Options{RelaxedSync: true})
	if err != nil {
		return nil, nil, nil, errors.Join(err, os.RemoveAll(folder))
	}
	if err := s.Migrate(ctx); err != nil {
		return nil, nil, nil, errors.Join(err, s.Close(), os.RemoveAll(folder))
	}
	if photos, err = store.OpenBlobs(ctx, photosBeside(file)); err != nil {
		return nil, nil, nil, errors.Join(err, s.Close(), os.RemoveAll(folder))
	}
	return s, photos, func() error { return errors.Join(photos.Close(), s.Close(), os.RemoveAll(folder)) }, nil
}

// moveIn adds a grower with a token that may do all that the grower may.
func moveIn(ctx context.Context, s *store.Store, name string, at time.Time) (secret string, err error) {
	id, err := newID()
	if err != nil {
		return "", err
	}
	token, err := newToken("first token", usualScopes)
	if err != nil {
		return "", err
	}
	return token.secret, s.Write(ctx, func(tx *store.Tx) error {
		if _, err := tx.Grower(id).Create(name, at.UnixMicro()); err != nil {
			return fmt.Errorf("add grower: %w", err)
		}
		return token.create(tx, id, at.UnixMicro())
	})
}

// scratch is a server with one grower, on a temporary database.
type scratch struct {
	server *api.Server
	token  string
	end    func() error
}

func newScratch(ctx context.Context, log *slog.Logger) (*scratch, error) {
	st, photos, end, err := temporaryStore(ctx)
	if err != nil {
		return nil, err
	}
	s := &scratch{end: end}
	if s.token, err = moveIn(ctx, st, "A grower for a moment", time.Now()); err == nil {
		s.server, err = api.New(ctx, service.Config{Store: st, Blobs: photos, Log: log, Version: ownVersion(), Build: ownBuild()})
	}
	if err != nil {
		return nil, errors.Join(err, end())
	}
	return s, nil
}

// conn calls the server as its grower.
func (s *scratch) conn() grpc.ClientConnInterface { return api.WithToken(s.server.Conn(), s.token) }

// Close throws the database away.
func (s *scratch) Close() error { return s.end() }
