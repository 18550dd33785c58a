package store

import (
	"fmt"

	pb "dewbench/proto/dewbench/v1"
)

// An erasure removes a grower for good. The first step, one transaction, ends all that lets
// them in and puts their collections out of sight. The others may come later and may be
// repeated: they purge those collections, and put a code in place of the grower in what
// others need. Collections and societies in which the grower ever did something are found
// by the audit.

// erasureRow is a grower who is being erased.
type erasureRow struct {
	GrowerID string `gorm:"primaryKey"`
	Code     string
	CreateUs int64
	Stamp    int32
}

func (erasureRow) TableName() string { return "erasures" }

// ErasedPrefix begins every code that stands for a grower who was erased.
const ErasedPrefix = "erased-"

// personal are the tables with what is a grower's alone, by grower_id. Their rows go.
var personal = []string{"tokens", "calendars", "identities", "requests"}

// Erasure is a grower who is being erased.
type Erasure struct {
	Grower string // id
	Code   string // is put in its place
	Us     int64  // when it began
}

// by is who is said to have done what follows from the erasure.
func (e *Erasure) by(us int64) By { return By{Us: us, Grower: e.Code} }

// Erasures returns the erasures under way of growers after one, in the order of their ids,
// at most limit. It is for the server, which brings them to their end.
func (t *Tx) Erasures(after string, limit int) ([]Erasure, error) {
	var rows []erasureRow
	err := t.q().Where("grower_id > ?", after).Order("grower_id").Limit(limit).Find(&rows).Error
	return messages(rows, func(r *erasureRow) Erasure { return Erasure{r.GrowerID, r.Code, r.CreateUs} }), err
}

// Erasure returns that of the grower which has begun, or nil.
func (g *Grower) Erasure() (*Erasure, error) {
	var rows []erasureRow
	if err := g.own().Find(&rows).Error; err != nil || len(rows) == 0 {
		return nil, err
	}
	return &Erasure{rows[0].GrowerID, rows[0].Code, rows[0].CreateUs}, nil
}

// SharedCollections returns the ids of collections of the grower's, not deleted, of which
// others are managers, in their order.
func (g *Grower) SharedCollections() ([]string, error) {
	var ids []string
	err := g.tx.q().Raw("SELECT DISTINCT c.collection_id FROM collections c JOIN grants g ON g.collection_id = c.collection_id"+
		" WHERE c.owner_id = ? AND c.collection_id = g.collection_id AND c.delete_us IS NULL AND g.role = 3 ORDER BY c.collection_id", g.id).Scan(&ids).Error
	return ids, err
}

// OrganisedSocieties returns the ids of the societies that the grower organises, in their
// order.
func (g *Grower) OrganisedSocieties() ([]string, error) {
	var ids []string
	err := g.own().Where("role = 2").Model(&memberRow{}).Order("society_id").Pluck("society_id", &ids).Error
	return ids, err
}

// BeginErasure takes the first step: nobody calls as this grower from now on, nobody sees
// their name, and their collections are as purged. It locks the societies of the grower and
// the collections shared with them. Errors: ErrNotFound, ErrExists if it has begun.
func (g *Grower) BeginErasure(e *Erasure) error {
	if err := g.Lock(); err != nil {
		return err
	}
	if err := g.tx.q().Create(&erasureRow{g.id, e.Code, e.Us, stamp()}).Error; err != nil {
		return err
	}
	err := g.tx.q().Exec("UPDATE growers SET display_name = '', contact = '', suspend_us = ?, version = version + 1 WHERE grower_id = ?", e.Us, g.id).Error
	if err != nil {
		return fmt.Errorf("erase grower: %w", err)
	}
	return g.Leave(e, e.Us)
}

// Leave takes the grower out of all societies, gives back what was granted to them, puts
// their collections out of sight and removes what is theirs alone.
func (g *Grower) Leave(e *Erasure, us int64) error {
	exec := func(sql string, args ...any) error {
		if err := g.tx.q().Exec(sql, args...).Error; err != nil {
			return fmt.Errorf("erase grower: %w", err)
		}
		return nil
	}
	for _, table := range personal {
		if err := exec("DELETE FROM "+table+" WHERE grower_id = ?", g.id); err != nil {
			return err
		}
	}
	var members []memberRow
	if err := g.own().Order("society_id").Find(&members).Error; err != nil {
		return err
	}
	for _, m := range members {
		s, err := g.tx.Society(m.SocietyID, g.id)
		if err != nil {
			return err
		}
		s.noteMember(e.Code, e.by(us), pb.AuditEntry_DELETED)
	}
	if err := exec("DELETE FROM members WHERE grower_id = ?", g.id); err != nil {
		return err
	}
	var grants []grantRow
	if err := g.own().Order("collection_id").Find(&grants).Error; err != nil {
		return err
	}
	if err := g.tx.ungranted(grants, e.by(us)); err != nil {
		return err
	}
	if err := exec("DELETE FROM grants WHERE grower_id = ?", g.id); err != nil {
		return err
	}
	return exec("UPDATE collections SET delete_us = coalesce(delete_us, ?), purge_us = ? WHERE owner_id = ?", us, us, g.id)
}

// OwnCollections returns the ids of collections that the grower owns, deleted or not, in
// their order, at most limit.
func (g *Grower) OwnCollections(limit int) ([]string, error) {
	var ids []string
	err := g.tx.q().Where("owner_id = ?", g.id).Model(&collectionRow{}).Order("collection_id").Limit(limit).Pluck("collection_id", &ids).Error
	return ids, err
}

// ActedInCollections returns the ids of collections after one in which the grower ever did
// something, in their order, at most limit.
func (g *Grower) ActedInCollections(after string, limit int) ([]string, error) {
	var ids []string
	err := g.own().Where("collection_id > ?", after).Model(&collectionAuditRow{}).Distinct("collection_id").Order("collection_id").Limit(limit).
		Pluck("collection_id", &ids).Error
	return ids, err
}

// ActedInSocieties is ActedInCollections for societies.
func (g *Grower) ActedInSocieties(after string, limit int) ([]string, error) {
	var ids []string
	err := g.own().Where("society_id > ?", after).Model(&societyAuditRow{}).Distinct("society_id").Order("society_id").Limit(limit).
		Pluck("society_id", &ids).Error
	return ids, err
}

// Erase puts the code in place of the grower in all that is kept in the collection, and
// removes the invitations that they made. Last comes the audit, by which it was found.
func (c *Collection) Erase(e *Erasure) error {
	return c.tx.disown("collection", c.id, []string{
		"UPDATE feedings SET recorder_id = @code WHERE collection_id = @tenant AND recorder_id = @grower",
		"UPDATE observations SET recorder_id = @code WHERE collection_id = @tenant AND recorder_id = @grower",
		"UPDATE photos SET recorder_id = @code WHERE collection_id = @tenant AND recorder_id = @grower",
		"UPDATE revisions SET grower_id = @code, token_id = '' WHERE collection_id = @tenant AND grower_id = @grower",
		"UPDATE revisions SET before = replace(before, @grower, @code) WHERE collection_id = @tenant AND before LIKE @part",
	}, e)
}

// Erase is that of a collection for what is kept of the society. Calls of others about the
// member are kept with the member's name, for as long as they may be repeated.
func (s *Society) Erase(e *Erasure) error {
	var others []string
	if err := s.own().Model(&societyAuditRow{}).Pluck("grower_id", &others).Error; err != nil {
		return fmt.Errorf("erase grower: %w", err)
	}
	for some := range chunks(others) {
		err := s.tx.q().Exec("UPDATE requests SET names = replace(names, ?, ?) WHERE grower_id IN ? AND names LIKE ?", e.Grower, e.Code, some, "%"+e.Grower+"%").Error
		if err != nil {
			return fmt.Errorf("erase grower: %w", err)
		}
	}
	return s.tx.disown("society", s.id, nil, e)
}

// disown runs statements, and those that are the same for collections and societies.
func (t *Tx) disown(tenant, id string, statements []string, e *Erasure) error {
	invitations, audits, own := tenant+"_invitations", tenant+"_audits", " WHERE "+tenant+"_id = @tenant AND "
	statements = append(statements,
		"DELETE FROM "+invitations+own+"inviter_id = @grower",
		"UPDATE "+invitations+" SET accepter_id = @code"+own+"accepter_id = @grower",
		"UPDATE "+audits+" SET names = replace(names, @grower, @code)"+own+"names LIKE @part", // members are named by their ids
		"UPDATE "+audits+" SET grower_id = @code, token_id = ''"+own+"grower_id = @grower",
	)
	args := map[string]any{"tenant": id, "grower": e.Grower, "code": e.Code, "part": "%" + e.Grower + "%"}
	for _, statement := range statements {
		if err := t.q().Exec(statement, args).Error; err != nil {
			return fmt.Errorf("erase grower: %w", err)
		}
	}
	return nil
}

// EndErasure removes the grower, unless a collection of theirs is still there; with last,
// if they are gone, also that there was an erasure, and so which code stands for whom.
// Leave comes before it.
func (g *Grower) EndErasure(last bool) error {
	statements := []string{"DELETE FROM growers WHERE grower_id = ? AND NOT EXISTS (SELECT 1 FROM collections c WHERE c.owner_id = growers.grower_id)"}
	if last {
		statements = append(statements, "DELETE FROM erasures WHERE grower_id = ? AND NOT EXISTS (SELECT 1 FROM growers g WHERE g.grower_id = erasures.grower_id)")
	}
	for _, statement := range statements {
		if err := g.tx.q().Exec(statement, g.id).Error; err != nil {
			return fmt.Errorf("erase grower: %w", err)
		}
	}
	return nil
}
