package service

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strconv"
)

// Pages makes and reads page tokens. A token holds where the next page begins;
// it is sealed, and bound to the caller, the call and its arguments, so that
// it opens nothing else.
type Pages struct{ seal cipher.AEAD }

// NewPages returns a maker of page tokens with a key. All makers of the same key
// read each other's tokens.
func NewPages(key [32]byte) (*Pages, error) {
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
			"must be the nextPageToken of the page before, of the same call by the same grower, with the same arguments"}})
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

// EncodeCursor writes the sort key of a row: texts and whole numbers.
func EncodeCursor(key []any) (string, error) {
	parts := make([]any, len(key))
	for i, v := range key {
		switch v := v.(type) {
		case string:
			parts[i] = v
		case int64:
			parts[i] = []string{strconv.FormatInt(v, 10)} // JSON numbers of many readers have 53 bits
		case int32:
			parts[i] = []string{strconv.FormatInt(int64(v), 10)}
		default:
			return "", fmt.Errorf("a sort key holds a %T", v)
		}
	}
	b, err := json.Marshal(parts)
	if err != nil {
		return "", fmt.Errorf("write sort key: %w", err)
	}
	return string(b), nil
}

// DecodeCursor reads what EncodeCursor wrote; whole numbers are int64.
func DecodeCursor(cursor string) ([]any, error) {
	var parts []any
	if err := json.Unmarshal([]byte(cursor), &parts); err != nil {
		return nil, fmt.Errorf("read sort key: %w", err)
	}
	for i, part := range parts {
		if _, isText := part.(string); isText {
			continue
		}
		number, ok := part.([]any)
		if !ok || len(number) != 1 {
			return nil, fmt.Errorf("read sort key: %v", part)
		}
		n, err := strconv.ParseInt(fmt.Sprint(number[0]), 10, 64)
		if err != nil {
			return nil, fmt.Errorf("read sort key: %w", err)
		}
		parts[i] = n
	}
	return parts, nil
}
