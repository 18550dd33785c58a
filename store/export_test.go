package store

import (
	"context"
	"database/sql"

	"gorm.io/gorm"
)

// What tests of this package, which use storetest and so stand outside, see of it.

// Q begins a statement.
func (t *Tx) Q() *gorm.DB { return t.q() }

// SQL is the transaction without the guard.
func (t *Tx) SQL() *sql.Tx {
	if w, ok := t.db.Statement.ConnPool.(*watch); ok {
		return w.ConnPool.(*sql.Tx)
	}
	return t.db.Statement.ConnPool.(*sql.Tx)
}

// Writer is the pool that writes.
func (s *Store) Writer() *sql.DB { return s.writer }

// Record makes f see every statement that is sent from now on, until it is nil.
func (s *Store) Record(f func(statement string, args []any)) { s.record = f }

// Translate gives an error its kind.
func Translate(err error) error { return translate(err) }

// ErrUnscoped is what the guard returns.
var ErrUnscoped = errUnscoped

// Guard judges a statement.
func Guard(statement string) error { return guard(context.Background(), statement) }

// Rows has one of each.
var Rows = []any{
	keyRow{}, growerRow{}, tokenRow{}, calendarRow{}, requestRow{}, collectionRow{}, benchRow{}, plantRow{}, plantTagRow{}, dueRow{},
	feedingRow{}, observationRow{}, photoRow{}, revisionRow{}, sheetRow{},
	societyRow{}, memberRow{}, grantRow{}, societyInvitationRow{}, collectionInvitationRow{}, identityRow{},
	collectionAuditRow{}, societyAuditRow{}, erasureRow{},
}

// Settings returns the revision of what decisions depend on beside a plant's own record.
func (c *Collection) Settings() int64 { return c.row.SettingsRev }

// Personal are the tables of what is a grower's alone.
var Personal = personal

// BlobInfo tells of what is under a key.
type BlobInfo = keyInfo

// List calls each for all that is in the bucket.
func (b *Blobs) List(ctx context.Context, each func(BlobInfo) error) error {
	return b.list(ctx, each, nil)
}

// Stat tells of a blob without reading it.
func (c *CollectionBlobs) Stat(ctx context.Context, name string) (BlobInfo, error) {
	key, err := c.key(name)
	if err != nil {
		return BlobInfo{}, err
	}
	of, err := c.all.bucket.Attributes(ctx, key)
	if err != nil {
		return BlobInfo{}, c.all.trouble(err)
	}
	return blobInfo(key, of.Size, of.ModTime), nil
}

// OnMoment makes f see what a call of the blobs is about to do.
func (b *Blobs) OnMoment(f func(moment string)) { b.moment = f }

// Moments of the blobs.
const (
	BeforeLook  = beforeLook
	Looked      = looked
	FileSynced  = fileSynced
	BeforePlace = beforePlace
	Placing     = placing
	Placed      = placed
	BeforeJudge = beforeJudge
	FoundOld    = foundOld
	BeforeEmpty = beforeEmpty
)
