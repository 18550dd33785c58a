package service

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
)

// Pages makes and reads page tokens. A token holds where the next page begins;
// it is sealed, and bound to the caller, the call and its arguments, so that
// it opens nothing else.
type Pages struct {
	seal     cipher.AEAD
	nonceKey []byte
}

// NewPages returns a maker of page tokens. All makers of the same key read each
// other's tokens.
func NewPages(key [32]byte) (*Pages, error) {
	// Nonces are made with a key of their own.
	keys, err := hkdf.Key(sha256.New, key[:], nil, "page tokens", 64)
	if err != nil {
		return nil, fmt.Errorf("page token key: %w", err)
	}
	block, err := aes.NewCipher(keys[:32])
	if err != nil {
		return nil, fmt.Errorf("page token key: %w", err)
	}
	seal, err := cipher.NewGCM(block)
	if err != nil {
		return nil, fmt.Errorf("page token key: %w", err)
	}
	return &Pages{seal: seal, nonceKey: keys[32:]}, nil
}

// nonce returns the nonce of what is sealed: the same for the same, so that the
// same page has the same token, and an answer with a token in it the same ETag.
// Others share one by chance only, once 2^48 were made.
func (p *Pages) nonce(cursor string, bound []byte) []byte {
	mac := hmac.New(sha256.New, p.nonceKey)
	mac.Write(bound) // of fixed length
	mac.Write([]byte(cursor))
	return mac.Sum(nil)[:p.seal.NonceSize()]
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
// given parts: the caller, the call and all its arguments but the size of a page.
func (p *Pages) Token(cursor string, bound ...string) string {
	with := binding(bound)
	nonce := p.nonce(cursor, with)
	return base64.RawURLEncoding.EncodeToString(p.seal.Seal(nonce, nonce, []byte(cursor), with))
}

// Cursor returns the cursor of a token that was bound to the same parts. An
// empty token has an empty cursor: the first page.
func (p *Pages) Cursor(token string, bound ...string) (string, error) {
	if token == "" {
		return "", nil
	}
	sealed, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if size := p.seal.NonceSize(); err == nil && len(sealed) > size {
		if cursor, err := p.seal.Open(nil, sealed[:size], sealed[size:], binding(bound)); err == nil {
			return string(cursor), nil
		}
	}
	return "", badPageToken()
}

func badPageToken() error {
	return Invalid(InvalidPageToken, []Violation{{"pageToken",
		"must be the nextPageToken of the page before, of the same call by the same grower, with the same arguments"}})
}

// What stands before each value of a cursor.
const (
	cursorText   = 't' // then its length as a varint, then its bytes
	cursorNumber = 'n' // then a varint
)

// EncodeCursor writes the values by which a list is ordered, of the last row of a
// page: strings and whole numbers. It is never empty.
func EncodeCursor(values []any) (string, error) {
	if len(values) == 0 {
		return "", errors.New("a cursor without values")
	}
	var out []byte
	for _, value := range values {
		switch v := value.(type) {
		case string:
			out = append(binary.AppendUvarint(append(out, cursorText), uint64(len(v))), v...)
		case int64:
			out = binary.AppendVarint(append(out, cursorNumber), v)
		case int32:
			out = binary.AppendVarint(append(out, cursorNumber), int64(v))
		default:
			return "", fmt.Errorf("a cursor holds no %T", value)
		}
	}
	return string(out), nil
}

// DecodeCursor reads the values of a cursor: string or int64. One that cannot be
// read was made by another version of the server: the error is that of a page
// token.
func DecodeCursor(cursor string) ([]any, error) {
	rest := []byte(cursor)
	var values []any
	for len(rest) > 0 {
		kind := rest[0]
		rest = rest[1:]
		switch kind {
		case cursorText:
			size, n := binary.Uvarint(rest)
			if n <= 0 || size > uint64(len(rest)-n) {
				return nil, badPageToken()
			}
			values = append(values, string(rest[n:n+int(size)]))
			rest = rest[n+int(size):]
		case cursorNumber:
			number, n := binary.Varint(rest)
			if n <= 0 {
				return nil, badPageToken()
			}
			values = append(values, number)
			rest = rest[n:]
		default:
			return nil, badPageToken()
		}
	}
	if values == nil {
		return nil, badPageToken()
	}
	return values, nil
}

// pageSize returns the rows of a page for what was asked.
func pageSize(asked int32) int {
	if asked == 0 {
		return UsualPageSize
	}
	return min(int(asked), MaxPageSize)
}
