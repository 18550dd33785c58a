// Package service holds the calls of the API: one file per resource with the
// methods of its generated server interface. It turns messages into plain
// values, asks the topics below it, and turns their results into messages.
package service

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"dewbench/service/table"
)

// Reason is the stable, machine-readable reason of an error.
type Reason string

// The reasons of errors that calls give. The room api has the table from reasons
// to codes, and those of errors that come from the transport.
const (
	InvalidFields     Reason = "INVALID_FIELDS"
	InvalidFilter     Reason = "INVALID_FILTER"
	InvalidOrder      Reason = "INVALID_ORDER"
	InvalidPageToken  Reason = "INVALID_PAGE_TOKEN"
	InvalidUpdateMask Reason = "INVALID_UPDATE_MASK"
	InvalidTable      Reason = "INVALID_TABLE"
	InvalidArchive    Reason = "INVALID_ARCHIVE"
	ArchiveTooLarge   Reason = "ARCHIVE_TOO_LARGE"
	InvalidPhoto      Reason = "INVALID_PHOTO"
	EtagMismatch      Reason = "ETAG_MISMATCH"
	TaxonNotFound     Reason = "TAXON_NOT_FOUND"

	TokenMissing  Reason = "TOKEN_MISSING"
	TokenInvalid  Reason = "TOKEN_INVALID"
	TokenExpired  Reason = "TOKEN_EXPIRED"
	ScopeMissing  Reason = "SCOPE_MISSING"
	TooManyTokens Reason = "TOO_MANY_TOKENS"

	IdentityUnknown   Reason = "IDENTITY_UNKNOWN"
	IdentityNotFound  Reason = "IDENTITY_NOT_FOUND"
	IdentityInUse     Reason = "IDENTITY_IN_USE"
	TooManyIdentities Reason = "TOO_MANY_IDENTITIES"
	IssuerUnavailable Reason = "ISSUER_UNAVAILABLE"

	TooManyCalendars Reason = "TOO_MANY_CALENDARS"

	RoleMissing            Reason = "ROLE_MISSING"
	SocietyNotFound        Reason = "SOCIETY_NOT_FOUND"
	MemberNotFound         Reason = "MEMBER_NOT_FOUND"
	GrantNotFound          Reason = "GRANT_NOT_FOUND"
	InvitationNotFound     Reason = "INVITATION_NOT_FOUND"
	GrantExists            Reason = "GRANT_EXISTS"
	CollectionPrivate      Reason = "COLLECTION_PRIVATE"
	CollectionsShared      Reason = "COLLECTIONS_SHARED"
	LastOrganiser          Reason = "LAST_ORGANISER"
	SocietyOwnsCollections Reason = "SOCIETY_OWNS_COLLECTIONS"
	TooManySocieties       Reason = "TOO_MANY_SOCIETIES"
	TooManyGrants          Reason = "TOO_MANY_GRANTS"
	TooManyInvitations     Reason = "TOO_MANY_INVITATIONS"

	GrowerNotFound      Reason = "GROWER_NOT_FOUND"
	TokenNotFound       Reason = "TOKEN_NOT_FOUND"
	CalendarNotFound    Reason = "CALENDAR_NOT_FOUND"
	CollectionNotFound  Reason = "COLLECTION_NOT_FOUND"
	BenchNotFound       Reason = "BENCH_NOT_FOUND"
	PlantNotFound       Reason = "PLANT_NOT_FOUND"
	FeedingNotFound     Reason = "FEEDING_NOT_FOUND"
	ObservationNotFound Reason = "OBSERVATION_NOT_FOUND"
	PhotoNotFound       Reason = "PHOTO_NOT_FOUND"
	FoodNotFound        Reason = "FOOD_NOT_FOUND"
	ThawNotFound        Reason = "THAW_NOT_FOUND"
	SheetNotFound       Reason = "SHEET_NOT_FOUND"
	RequestNotFound     Reason = "REQUEST_NOT_FOUND"

	BenchExists       Reason = "BENCH_EXISTS"
	PlantExists       Reason = "PLANT_EXISTS"
	FeedingExists     Reason = "FEEDING_EXISTS"
	ObservationExists Reason = "OBSERVATION_EXISTS"
	PhotoExists       Reason = "PHOTO_EXISTS"
	TagInUse          Reason = "TAG_IN_USE"
	RequestIDReused   Reason = "REQUEST_ID_REUSED"

	TagAmbiguous       Reason = "TAG_AMBIGUOUS"
	BenchInUse         Reason = "BENCH_IN_USE"
	BenchDeleted       Reason = "BENCH_DELETED"
	LaterMove          Reason = "LATER_MOVE"
	ResourceDeleted    Reason = "RESOURCE_DELETED"
	NotGrowing         Reason = "NOT_GROWING"
	ChangedSince       Reason = "CHANGED_SINCE"
	NotUndoable        Reason = "NOT_UNDOABLE"
	TooManyPlants      Reason = "TOO_MANY_PLANTS"
	TooManyCollections Reason = "TOO_MANY_COLLECTIONS"
	TooManyEvents      Reason = "TOO_MANY_EVENTS"
	TooManyPhotos      Reason = "TOO_MANY_PHOTOS"
	NothingMeasured    Reason = "NOTHING_MEASURED"
	RosetteNotFound    Reason = "ROSETTE_NOT_FOUND"
	RenditionNotReady  Reason = "RENDITION_NOT_READY"

	WriteConflict      Reason = "WRITE_CONFLICT"
	StorageFull        Reason = "STORAGE_FULL"
	StorageUnavailable Reason = "STORAGE_UNAVAILABLE"
	NewerData          Reason = "NEWER_DATA"

	ShuttingDown Reason = "SHUTTING_DOWN"
	TooBusy      Reason = "TOO_BUSY"
)

// Violation is one field that breaks a rule.
type Violation struct {
	Field string // path in lowerCamelCase, for instance plants[3].feedings[0].fedDate
	Rule  string // what it must be
}

// Error is an error that a caller can mend or understand.
type Error struct {
	Reason     Reason
	Message    string
	Violations []Violation
	RetryAfter time.Duration // when to call again; 0: not told

	cause error // for the log; nil if the caller's mistake is all there is to say
}

func (e *Error) Error() string { return e.Message }

// Unwrap returns what is behind it, for the log only.
func (e *Error) Unwrap() error { return e.cause }

const (
	// violationsShown is how many violations the message spells out.
	violationsShown = 3
	// violationsKept is how many are kept for the details, as far as they have no
	// more than violationBytes together. gRPC sends details as a trailer, of which
	// some clients take 8 KiB at most.
	violationsKept = 100
	violationBytes = 5000
)

// Invalid returns the error for fields that break rules. The message says how
// many there are.
func Invalid(reason Reason, violations []Violation) *Error {
	return invalid(reason, violations, len(violations))
}

// invalid is Invalid where only the first of count violations were kept.
func invalid(reason Reason, violations []Violation, count int) *Error {
	var text strings.Builder
	for i, v := range violations {
		if i == violationsShown {
			fmt.Fprintf(&text, "; and %d more", count-i)
			break
		}
		if i > 0 {
			text.WriteString("; ")
		}
		if v.Field != "" {
			text.WriteString(v.Field + ": ")
		}
		text.WriteString(v.Rule)
	}
	kept, size := 0, 0
	for kept < min(len(violations), violationsKept) {
		if size += len(violations[kept].Field) + len(violations[kept].Rule); size > violationBytes && kept > 0 {
			break
		}
		kept++
	}
	return &Error{Reason: reason, Message: text.String(), Violations: violations[:kept]}
}

// ReasonOf returns the reason of an error of this package, or "".
func ReasonOf(err error) Reason {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return ""
}

// DidYouMean names the words that could have been meant by another one, as a
// question; "" if none is near.
func DidYouMean(word string, words []string) string {
	near := table.Nearest(word, words, 2)
	switch {
	case len(near) == 0:
		return ""
	case table.Fold(near[0]) == table.Fold(word):
		near = near[:1]
	}
	return "did you mean " + strings.Join(near, " or ") + "?"
}
