package store

import (
	"bytes"
	"context"
	"errors"
	"strings"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type tokenRow struct {
	GrowerID    string `gorm:"primaryKey"`
	TokenID     string `gorm:"primaryKey"`
	Hash        []byte
	DisplayName string
	Scopes      string // separated by spaces
	ExpireUs    *int64
	LastUseUs   *int64
	CreateUs    int64
	RevokeUs    *int64
	RotateUs    *int64
	OldHash     []byte // of the secret before the last rotation
	OldUntilUs  *int64 // when that ends
	Version     int64
	Stamp       int32
}

func (tokenRow) TableName() string { return "tokens" }

func (r *tokenRow) message() *pb.Token {
	return &pb.Token{
		Name:                TokenName(r.GrowerID, r.TokenID),
		DisplayName:         r.DisplayName,
		Scopes:              strings.Fields(r.Scopes),
		ExpireTime:          maybe(r.ExpireUs),
		LastUseTime:         maybe(r.LastUseUs),
		CreateTime:          instant(r.CreateUs),
		RevokeTime:          maybe(r.RevokeUs),
		RotateTime:          maybe(r.RotateUs),
		OldSecretExpireTime: maybe(r.OldUntilUs),
		Etag:                etag(r.CreateUs, r.Version),
	}
}

var tokenList = listing{
	orders: map[string][]string{"name": {"token_id"}},
	usual:  "name",
}

// Bearer is whom a token stands for.
type Bearer struct {
	Grower, Token string
	Scopes        []string
	ExpireUs      *int64
	LastUseUs     *int64
	Suspended     bool
	Revoked       bool
}

// secrets are the hashes of a token's, and when the one before the last rotation ends.
type secrets struct {
	hash, old  []byte
	oldUntilUs *int64
}

// ends returns when the secret with a hash ends, of a token that ends at expireUs, or
// ErrNotFound if it is none of the token's.
func (s *secrets) ends(hash []byte, expireUs *int64) (*int64, error) {
	switch {
	case bytes.Equal(hash, s.hash):
		return expireUs, nil
	case len(s.old) == 0 || s.oldUntilUs == nil || !bytes.Equal(hash, s.old):
		return nil, ErrNotFound
	case expireUs != nil && *expireUs < *s.oldUntilUs:
		return expireUs, nil
	}
	return s.oldUntilUs, nil
}

// Bearer returns whom the token with the given hash stands for, and when that secret ends,
// or ErrNotFound. Whether it still may call is for the caller to judge. It is one statement
// without a transaction, as every call begins with it; two for the secret before the last.
func (s *Store) Bearer(ctx context.Context, hash []byte) (*Bearer, error) {
	t := s.newTx(ctx, s.reader)
	b, err := t.bearer(hash, "t.hash = ?", hash)
	if errors.Is(err, ErrNotFound) {
		b, err = t.bearer(hash, "t.old_hash = ?", hash)
	}
	if e := t.watch.violation(); e != nil {
		err = e
	}
	return b, ended(ctx, err)
}

// Bearer is Store.Bearer for a token of the grower by its id, and the hash of the secret
// that was shown.
func (g *Grower) Bearer(id string, hash []byte) (*Bearer, error) {
	return g.tx.bearer(hash, "t.grower_id = ? AND t.token_id = ?", g.id, id)
}

func (t *Tx) bearer(hash []byte, which string, args ...any) (*Bearer, error) {
	var r struct {
		GrowerID, TokenID, Scopes                            string
		Hash, OldHash                                        []byte
		ExpireUs, LastUseUs, RevokeUs, SuspendUs, OldUntilUs *int64
	}
	found := t.q().Raw("SELECT t.grower_id, t.token_id, t.scopes, t.expire_us, t.last_use_us, t.revoke_us, t.hash, t.old_hash, t.old_until_us, g.suspend_us"+
		" FROM tokens t JOIN growers g ON g.grower_id = t.grower_id WHERE "+which, args...).Scan(&r)
	if err := hit(found); err != nil {
		return nil, err
	}
	ends, err := (&secrets{r.Hash, r.OldHash, r.OldUntilUs}).ends(hash, r.ExpireUs)
	if err != nil {
		return nil, err
	}
	return &Bearer{
		Grower: r.GrowerID, Token: r.TokenID, Scopes: strings.Fields(r.Scopes), ExpireUs: ends, LastUseUs: r.LastUseUs,
		Suspended: r.SuspendUs != nil, Revoked: r.RevokeUs != nil,
	}, nil
}

func (g *Grower) token(id string) *gorm.DB { return g.own().Where("token_id = ?", id) }

// CreateToken adds a token with the hash of its secret. The name, the scopes, the
// display name and the end of the message count.
func (g *Grower) CreateToken(m *pb.Token, hash []byte, us int64) (*pb.Token, error) {
	r := tokenRow{
		GrowerID: g.id, TokenID: Segment(m.GetName(), "tokens"), Hash: hash, DisplayName: m.GetDisplayName(),
		Scopes: strings.Join(m.GetScopes(), " "), ExpireUs: maybeMicros(m.GetExpireTime()), CreateUs: us, Version: 1, Stamp: stamp(),
	}
	if err := g.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Token returns a token, or ErrNotFound.
func (g *Grower) Token(id string) (*pb.Token, error) {
	var r tokenRow
	if err := g.token(id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Tokens lists the grower's tokens, those that were revoked only with q.Deleted.
func (g *Grower) Tokens(q List) ([]*pb.Token, []any, error) {
	base := g.own()
	if !q.Deleted {
		base = base.Where("revoke_us IS NULL")
	}
	rows, next, err := list[tokenRow](g.tx, &tokenList, base, q)
	return messages(rows, (*tokenRow).message), next, err
}

// LiveTokens returns how many tokens of the grower are not revoked and end after us
// or never. Lock first, for a number that holds until the transaction ends.
func (g *Grower) LiveTokens(us int64) (int64, error) {
	var n int64
	err := g.own().Model(&tokenRow{}).Where("revoke_us IS NULL AND (expire_us IS NULL OR expire_us > ?)", us).Count(&n).Error
	return n, err
}

// RevokeToken ends a token; f may refuse it after a look at the present one. A
// token that was revoked already stays as it is.
func (g *Grower) RevokeToken(id string, us int64, f func(*pb.Token) error) (*pb.Token, error) {
	if err := g.Lock(); err != nil {
		return nil, err
	}
	var r tokenRow
	if err := g.tx.locked(g.token(id)).Take(&r).Error; err != nil {
		return nil, err
	}
	if err := f(r.message()); err != nil {
		return nil, err
	}
	if r.RevokeUs != nil {
		return r.message(), nil
	}
	read := versioned{r.Version, r.Stamp}
	r.RevokeUs, r.Version, r.Stamp = &us, r.Version+1, stamp()
	if err := g.tx.update(&r, read, g.token(id)); err != nil {
		return nil, err
	}
	return r.message(), nil
}

// RotateToken gives a token another secret, of which it gets the hash. The present one is
// good until untilUs, and one before that no more. f may refuse it after a look at the
// present token.
func (g *Grower) RotateToken(id string, hash []byte, us, untilUs int64, f func(*pb.Token) error) (*pb.Token, error) {
	if err := g.Lock(); err != nil {
		return nil, err
	}
	var r tokenRow
	if err := g.tx.locked(g.token(id)).Take(&r).Error; err != nil {
		return nil, err
	}
	if err := f(r.message()); err != nil {
		return nil, err
	}
	read := versioned{r.Version, r.Stamp}
	r.OldHash, r.OldUntilUs, r.Hash, r.RotateUs = r.Hash, &untilUs, hash, &us
	r.Version, r.Stamp = r.Version+1, stamp()
	if err := g.tx.update(&r, read, g.token(id)); err != nil {
		return nil, err
	}
	return r.message(), nil
}

// UseToken notes when a token was last used, or returns ErrNotFound; also of one that was
// revoked.
func (g *Grower) UseToken(id string, us int64) error {
	return hit(g.token(id).Where("revoke_us IS NULL").Model(&tokenRow{}).UpdateColumn("last_use_us", us))
}

// messages turns rows into messages.
func messages[R, M any](rows []R, message func(*R) M) []M {
	out := make([]M, len(rows))
	for i := range rows {
		out[i] = message(&rows[i])
	}
	return out
}
