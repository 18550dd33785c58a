package service

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
)

// Pages makes and reads page tokens. A token holds where the next page begins;
// it is sealed, and bound to the caller, the call and its arguments, so that
// it opens nothing else.
type Pages struct{ seal cipher.AEAD }

// NewPages returns a maker of page tokens with a key of its own. Its tokens end
// with it.
func NewPages() (*Pages, error) {
	var key [32]byte
	_, _ = rand.Read(key[:]) // it never fails: it ends the program instead
	block, err := aes.NewCipher(key[:])
	if err != nil {
		return nil, fmt.Errorf("page token key: %w", err)
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("page token key: %w", err)
	}
	return &Pages{seal: seal}, nil
}

// binding is a digest of the parts, each with its length before it.
func binding(parts []string) []byte {
	digest := sha256.New()
	for _, part := range parts {
		fmt.Fprintf(digest, "%d:%s", len(part), part)
	}
	return digest.Sum(nil)
}

// Token returns the token of the page that begins after cursor, bound to the
// given parts.
func (p *Pages) Token(cursor string, bound ...string) string {
	return base64.RawURLEncoding.EncodeToString(p.seal.Seal(nil, nil, []byte(cursor), binding(bound)))
}

// Cursor returns the cursor of a token that was bound to the same parts. An
// empty token has an empty cursor: the first page.
func (p *Pages) Cursor(token string, bound ...string) (string, error) {
	if token == "" {
		return "", nil
	}
	sealed, err := base64.RawURLEncoding.DecodeString(token)
	if err == nil {
		sealed, err = p.seal.Open(nil, nil, sealed, binding(bound))
	}
	if err != nil {
		return "", Invalid(InvalidPageToken, []Violation{{"pageToken",
			"must be the nextPageToken of the page before, with the same filter and orderBy; tokens end when the server restarts"}})
	}
	return string(sealed), nil
}

// pageSize returns the rows of a page for what was asked.
func pageSize(asked int32) int {
	if asked == 0 {
		return UsualPageSize
	}
	return min(int(asked), MaxPageSize)
}
