package store

import "fmt"

// What only the operator does, who holds the database.

// RevokeAll ends all tokens and calendars of the grower that are not revoked yet, takes back
// all open invitations that they made and all identities from them, and tells how many
// tokens: who had a token of theirs may have made a calendar or an invitation too, or linked
// an identity. Those of a newer writer too: what it knows of them beside their end no longer
// matters. Of a grower who is not there it returns ErrNotFound.
func (g *Grower) RevokeAll(us int64) (int64, error) {
	if err := g.Lock(); err != nil {
		return 0, err
	}
	result := g.tx.q().Exec("UPDATE tokens SET revoke_us = ?, version = version + 1 WHERE grower_id = ? AND revoke_us IS NULL", us, g.id)
	if result.Error != nil {
		return 0, fmt.Errorf("revoke tokens: %w", result.Error)
	}
	if err := g.tx.q().Exec("UPDATE calendars SET revoke_us = ?, version = version + 1 WHERE grower_id = ? AND revoke_us IS NULL", us, g.id).Error; err != nil {
		return 0, fmt.Errorf("revoke calendars: %w", err)
	}
	// The audit, which is kept longer than invitations are open, tells where they may be.
	for of, acted := range map[string]func(after string, limit int) ([]string, error){"society": g.ActedInSocieties, "collection": g.ActedInCollections} {
		for after := ""; ; {
			ids, err := acted(after, chunk)
			if err == nil && len(ids) > 0 {
				err = g.tx.q().Exec("UPDATE "+of+"_invitations SET revoke_us = ?, version = version + 1 WHERE "+of+"_id IN ?"+
					" AND inviter_id = ? AND accept_us IS NULL AND revoke_us IS NULL", us, ids, g.id).Error
			}
			if err != nil {
				return 0, fmt.Errorf("take back invitations: %w", err)
			}
			if len(ids) < chunk {
				break
			}
			after = ids[len(ids)-1]
		}
	}
	if err := g.tx.q().Exec("DELETE FROM identities WHERE grower_id = ?", g.id).Error; err != nil {
		return 0, fmt.Errorf("delete identities: %w", err)
	}
	return result.RowsAffected, nil
}
