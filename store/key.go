package store

import (
	"crypto/rand"
	"fmt"

	"gorm.io/gorm/clause"
)

type keyRow struct {
	KeyName  string `gorm:"primaryKey"`
	Secret   []byte
	CreateUs int64
}

func (keyRow) TableName() string { return "server_keys" }

// Key returns a secret of 256 random bits that all servers of the database share.
// It is made when it is first asked for.
func (t *Tx) Key(name string, us int64) ([32]byte, error) {
	var key [32]byte
	_, _ = rand.Read(key[:]) // it never fails: it ends the program instead
	row := keyRow{KeyName: name, Secret: key[:], CreateUs: us}
	if err := t.q().Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error; err != nil {
		return key, fmt.Errorf("make key %s: %w", name, err)
	}
	var kept keyRow
	if err := t.q().Where("key_name = ?", name).Take(&kept).Error; err != nil {
		return key, fmt.Errorf("read key %s: %w", name, err)
	}
	if copy(key[:], kept.Secret) != len(key) {
		return key, fmt.Errorf("key %s has %d bytes", name, len(kept.Secret))
	}
	return key, nil
}
