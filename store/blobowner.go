package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"gocloud.dev/blob"
	"gocloud.dev/gcerrors"
)

// ownerKey is what holds the id of the database that a bucket belongs to. It stands beside
// collectionsFolder.
const ownerKey = "database"

// Claim makes the bucket that of a database, which it is from then on: Sweep takes what the
// rows of another do not name for what is to go. One without an owner is taken over, with
// all that is in it. Of several who claim it at once one gets it. Error: ErrOtherDatabase.
func (b *Blobs) Claim(ctx context.Context, database string) error {
	if !isSegment(database) {
		return fmt.Errorf("%q cannot be the id of a database", database)
	}
	owner, found, err := b.owner(ctx)
	if err == nil && !found {
		owner, err = b.own(ctx, database)
	}
	if err != nil {
		return b.trouble(err)
	}
	if owner != database {
		return fmt.Errorf("%s: %w", b.shown, ErrOtherDatabase)
	}
	b.claimed.Store(&database)
	return nil
}

// owner returns the id of the database that the bucket belongs to.
func (b *Blobs) owner(ctx context.Context) (id string, found bool, err error) {
	text, err := b.bucket.ReadAll(ctx, ownerKey)
	if err == nil {
		return strings.TrimSpace(string(text)), true, nil
	}
	if err = b.trouble(err); errors.Is(err, ErrNotFound) {
		return "", false, nil
	}
	return "", false, err
}

// own makes the bucket that of a database if it has no owner, and returns whose it is then.
func (b *Blobs) own(ctx context.Context, database string) (owner string, err error) {
	text := []byte(database + "\n")
	if b.folder == "" {
		err := b.bucket.WriteAll(ctx, ownerKey, text, &blob.WriterOptions{IfNotExist: true, DisableContentTypeDetection: true})
		if err == nil || gcerrors.Code(err) == gcerrors.FailedPrecondition {
			owner, _, err = b.owner(ctx) // another was first in the latter case
		}
		return owner, err
	}
	unlock, err := b.lock(toRemove)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	owner, found, err := b.owner(ctx)
	if err != nil || found {
		return owner, err
	}
	return database, b.placeOwner(text)
}

// placeOwner puts the file of the owner into the folder, whole or not at all. The lock must
// be held.
func (b *Blobs) placeOwner(text []byte) error {
	f, err := os.CreateTemp(b.folder, probeName+"*") // which Sweep removes, if it is left
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), b.path(ownerKey))
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncFolder(b.folder)
}

// checkOwner refuses a bucket that is not that of the database which has claimed it, as it
// may be when somebody removed the id to give the bucket to another.
func (b *Blobs) checkOwner(ctx context.Context) error {
	database := b.claimed.Load()
	if database == nil {
		return errors.New("no database has claimed the bucket")
	}
	owner, found, err := b.owner(ctx)
	switch {
	case err != nil:
		return err
	case !found:
		return fmt.Errorf("%s: the id of the database, %s, is gone: start the server again", b.shown, ownerKey)
	case owner != *database:
		return fmt.Errorf("%s: %w", b.shown, ErrOtherDatabase)
	}
	return nil
}
