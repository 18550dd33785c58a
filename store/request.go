package store

import (
	"bytes"
	"encoding/json"
	"fmt"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"
)

// requestRow is a call that was made with a request id.
type requestRow struct {
	GrowerID  string `gorm:"primaryKey"`
	Method    string `gorm:"primaryKey"`
	RequestID string `gorm:"primaryKey"`
	Digest    []byte
	Names     string // JSON list
	CreateUs  int64
}

func (requestRow) TableName() string { return "requests" }

// Request is a call that is made with a request id.
type Request struct {
	Method, ID string
	Digest     []byte // of what was asked
	Us         int64
	KeptUs     int64 // how long it is kept
}

// Claim takes the request id for this call. If the same call was made before, it
// returns the names of what that one wrote and true; if another call was made with
// the id, ErrExists. While another transaction holds the id it waits. Whether a call
// failed is not kept: its claim goes with its transaction.
func (g *Grower) Claim(r Request) (names []string, before bool, err error) {
	// Old ones end here, so that they need no sweep over all growers.
	if err := g.own().Where("create_us < ?", r.Us-r.KeptUs).Delete(&requestRow{}).Error; err != nil {
		return nil, false, fmt.Errorf("forget old requests: %w", err)
	}
	row := requestRow{GrowerID: g.id, Method: r.Method, RequestID: r.ID, Digest: r.Digest, Names: "[]", CreateUs: r.Us}
	result := g.tx.q().Clauses(clause.OnConflict{DoNothing: true}).Create(&row)
	if result.Error != nil {
		return nil, false, fmt.Errorf("claim request id: %w", result.Error)
	}
	if result.RowsAffected == 1 {
		return nil, false, nil
	}
	var kept requestRow
	if err := g.request(r).Take(&kept).Error; err != nil {
		return nil, false, fmt.Errorf("read request: %w", err)
	}
	if !bytes.Equal(kept.Digest, r.Digest) {
		return nil, false, ErrExists
	}
	if err := json.Unmarshal([]byte(kept.Names), &names); err != nil {
		return nil, false, fmt.Errorf("read names of request: %w", err)
	}
	return names, true, nil
}

// Kept is a call that is kept under its request id.
type Kept struct {
	Us     int64
	Method string
	Names  []string // of what it wrote
}

// Requests returns the calls, of any method, that were made with a request id since
// us.
func (g *Grower) Requests(id string, us int64) ([]Kept, error) {
	var rows []requestRow
	if err := g.own().Where("request_id = ? AND create_us >= ?", id, us).Find(&rows).Error; err != nil {
		return nil, err
	}
	out := make([]Kept, len(rows))
	for i, r := range rows {
		out[i].Us, out[i].Method = r.CreateUs, r.Method
		if err := json.Unmarshal([]byte(r.Names), &out[i].Names); err != nil {
			return nil, fmt.Errorf("read names of request: %w", err)
		}
	}
	return out, nil
}

// Fulfil keeps the names of what a claimed call wrote. Without a claim it returns
// ErrNotFound.
func (g *Grower) Fulfil(r Request, names []string) error {
	text, err := json.Marshal(names)
	if err != nil {
		return fmt.Errorf("write names of request: %w", err)
	}
	return hit(g.request(r).Model(&requestRow{}).UpdateColumn("names", string(text)))
}

func (g *Grower) request(r Request) *gorm.DB {
	return g.own().Where("method = ? AND request_id = ?", r.Method, r.ID)
}
