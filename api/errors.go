package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"dewbench/service"
)

// errorDomain is the domain of every ErrorInfo.
const errorDomain = "dewbench"

// The reasons of errors that arise around a call, not in it.
const (
	malformedRequest service.Reason = "MALFORMED_REQUEST"
	requestTooLarge  service.Reason = "REQUEST_TOO_LARGE"
	unknownQueryKey  service.Reason = "UNKNOWN_QUERY_KEY"
	unknownRoute     service.Reason = "UNKNOWN_ROUTE"
	methodNotAllowed service.Reason = "METHOD_NOT_ALLOWED"
	unknownCall      service.Reason = "UNKNOWN_CALL"
	badRange         service.Reason = "RANGE_NOT_SATISFIABLE"
	deadlineExceeded service.Reason = "DEADLINE_EXCEEDED"
	cancelled        service.Reason = "CANCELLED"
	tooBusy                         = service.TooBusy
	tooManyCalls     service.Reason = "TOO_MANY_CALLS"
	internalError    service.Reason = "INTERNAL"
)

// kind is what an error is to a client.
type kind struct {
	code codes.Code
	http int    // 0: as usual for the code
	help string // what it means and what to do, for the docs
}

// table maps the reasons of all errors to what they are. It is the only such
// place.
var table = map[service.Reason]kind{
	service.InvalidFields:     {codes.InvalidArgument, 0, "Fields break a rule. The details name them, the first where there are many."},
	service.InvalidFilter:     {codes.InvalidArgument, 0, "The filter cannot be read, or compares what the list does not offer."},
	service.InvalidOrder:      {codes.InvalidArgument, 0, "The list cannot be ordered so."},
	service.InvalidTable:      {codes.InvalidArgument, 0, "Rows of the table are wrong, or all of it. Ask with `validateOnly` what is wrong with which row; `goodRowsOnly` brings in the others."},
	service.InvalidArchive:    {codes.InvalidArgument, 0, "The archive is damaged, was changed, or holds what no server gives out. The details name file and line."},
	service.ArchiveTooLarge:   {codes.FailedPrecondition, 0, "The photos are more than an archive takes. Leave them out with photos NONE, and get them one by one."},
	service.InvalidPhoto:      {codes.InvalidArgument, 0, "The file is no JPEG, PNG or WebP, is damaged, or has more pixels than are taken. The message says which."},
	service.InvalidPageToken:  {codes.InvalidArgument, 0, "The page token is not of this list with these arguments. Begin with the first page."},
	service.TaxonNotFound:     {codes.NotFound, 0, "The catalogue has no such taxon. Search with `GET /v1/taxa?filter=`."},
	service.InvalidUpdateMask: {codes.InvalidArgument, 0, "The mask names fields that the resource lacks, or that only the server tells."},

	service.TokenMissing:  {codes.Unauthenticated, 0, "The call needs a token: `Authorization: Bearer dwb_...`, or an access token of an issuer that the server takes."},
	service.TokenInvalid:  {codes.Unauthenticated, 0, "The token is wrong or was revoked, or its grower is suspended. Of an access token of an issuer, the message says what is wrong."},
	service.TokenExpired:  {codes.Unauthenticated, 0, "The token has expired. Make a new one."},
	service.ScopeMissing:  {codes.PermissionDenied, 0, "The token may not do this. Use one with the scope that the message names."},
	service.TooManyTokens: {codes.ResourceExhausted, 0, "A grower has 100 tokens at most. Revoke some."},

	service.IdentityUnknown:   {codes.Unauthenticated, 0, "The access token is good, but its identity is no grower's. Link it while signed in with a token, or accept an invitation with it."},
	service.IdentityNotFound:  {codes.NotFound, 0, "There is no such identity that the caller may see."},
	service.IdentityInUse:     {codes.AlreadyExists, 0, "The identity is another grower's. It can be linked once they have deleted it."},
	service.TooManyIdentities: {codes.ResourceExhausted, 0, "A grower has 20 identities at most. Delete some."},
	service.IssuerUnavailable: {codes.Unavailable, 0, "The issuer of the access token does not tell its keys, so the token cannot be judged. Try again in a moment."},

	service.TooManyCalendars: {codes.ResourceExhausted, 0, "A grower has 100 calendars at most. Revoke some."},

	service.RoleMissing:            {codes.PermissionDenied, 0, "The caller may see this, but not do it. Ask an owner for the role that the message names."},
	service.SocietyNotFound:        {codes.NotFound, 0, "There is no such society that the caller may see."},
	service.MemberNotFound:         {codes.NotFound, 0, "The society has no such member."},
	service.GrantNotFound:          {codes.NotFound, 0, "The collection has no such grant that the caller may see."},
	service.InvitationNotFound:     {codes.NotFound, 0, "There is no such invitation: the secret is wrong, was used or taken back, or has expired."},
	service.GrantExists:            {codes.AlreadyExists, 0, "The collection is shared with them already. Change that grant."},
	service.CollectionPrivate:      {codes.FailedPrecondition, 0, "The collection is PRIVATE. Make its visibility SHARED first."},
	service.CollectionsShared:      {codes.FailedPrecondition, 0, "Others are managers of collections of the grower who is to be erased. Transfer these first, or say `deleteShared`."},
	service.LastOrganiser:          {codes.FailedPrecondition, 0, "A society has an organiser. Make another member one first, or end the society."},
	service.SocietyOwnsCollections: {codes.FailedPrecondition, 0, "The society owns collections, perhaps deleted ones. Transfer them first, or wait until they are purged."},
	service.TooManySocieties:       {codes.ResourceExhausted, 0, "A grower is in 100 societies at most. Leave some."},
	service.TooManyGrants:          {codes.ResourceExhausted, 0, "A collection has 1,000 grants at most. Take some back, or share it with a society."},
	service.TooManyInvitations:     {codes.ResourceExhausted, 0, "100 invitations are open at most. Take some back."},

	service.GrowerNotFound:      {codes.NotFound, 0, "There is no such grower that the caller may see."},
	service.TokenNotFound:       {codes.NotFound, 0, "There is no such token that the caller may see."},
	service.CalendarNotFound:    {codes.NotFound, 0, "There is no such calendar that the caller may see, or none at this address: it is wrong or was revoked."},
	service.CollectionNotFound:  {codes.NotFound, 0, "There is no such collection that the caller may see."},
	service.BenchNotFound:       {codes.NotFound, 0, "The collection has no such bench."},
	service.PlantNotFound:       {codes.NotFound, 0, "The collection has no such plant, or no plant with the tag."},
	service.FeedingNotFound:     {codes.NotFound, 0, "The plant has no such feeding."},
	service.ObservationNotFound: {codes.NotFound, 0, "The plant has no such observation."},
	service.PhotoNotFound:       {codes.NotFound, 0, "The plant has no such photo that the caller may see."},
	service.FoodNotFound:        {codes.NotFound, 0, "The catalogue has no such kind of food."},
	service.ThawNotFound:        {codes.NotFound, 0, "The collection has no such thaw."},
	service.SheetNotFound:       {codes.NotFound, 0, "The collection has no such sheet: it never had, or it is no longer kept."},
	service.RequestNotFound:     {codes.NotFound, 0, "No call of the caller's with this requestId wrote in the collection within 7 days."},

	service.BenchExists:       {codes.AlreadyExists, 0, "The id is taken in the collection, perhaps by a deleted bench."},
	service.PlantExists:       {codes.AlreadyExists, 0, "The id is taken in the collection, perhaps by a deleted plant."},
	service.FeedingExists:     {codes.AlreadyExists, 0, "The id is taken at the plant, perhaps by a voided feeding."},
	service.ObservationExists: {codes.AlreadyExists, 0, "The id is taken at the plant, perhaps by a voided observation."},
	service.PhotoExists:       {codes.AlreadyExists, 0, "The id is taken at the plant, perhaps by a deleted photo."},
	service.TagInUse:          {codes.AlreadyExists, 0, "A living plant of the collection bears the tag."},
	service.RequestIDReused:   {codes.AlreadyExists, 0, "The requestId was used for another request. Give each request its own."},

	service.TagAmbiguous:       {codes.InvalidArgument, 0, "Several plants bore the tag. Name the plant by its id."},
	service.BenchInUse:         {codes.FailedPrecondition, 0, "Living plants stand on the bench. Move them first."},
	service.BenchDeleted:       {codes.FailedPrecondition, 0, "The plant stood on a bench that is deleted. Undelete the bench first."},
	service.LaterMove:          {codes.FailedPrecondition, 0, "A later move is on record. Void it, or record the move as an observation."},
	service.ResourceDeleted:    {codes.FailedPrecondition, 0, "What is deleted or voided does not change. Undelete it first."},
	service.NotGrowing:         {codes.FailedPrecondition, 0, "The plant is dead, sold or given away."},
	service.ChangedSince:       {codes.FailedPrecondition, 0, "Something that the call wrote was changed since. Nothing was undone: change it by hand."},
	service.NotUndoable:        {codes.FailedPrecondition, 0, "The call changed what cannot be undone: change it back by hand."},
	service.TooManyPlants:      {codes.FailedPrecondition, 0, "More plants than one call decides anew (20,000) or prints (2,000). Ask for one collection at a time; after a change that is for all plants, ask again in a few minutes."},
	service.TooManyCollections: {codes.FailedPrecondition, 0, "More collections than one call looks at. Ask for one at a time."},
	service.TooManyEvents:      {codes.ResourceExhausted, 0, "A plant has 10,000 feedings and observations at most. Void some."},
	service.TooManyPhotos:      {codes.ResourceExhausted, 0, "A plant has 1,000 photos at most, with those that were deleted within 30 days: room comes when they are removed for good."},
	service.NothingMeasured:    {codes.FailedPrecondition, 0, "No photo has what is asked for: a scale, and for a measurement a span of a kind that it has. Put them into the photo first."},
	service.RosetteNotFound:    {codes.FailedPrecondition, 0, "Nothing on the photo differs enough from what is behind it by its colour. Point at the rosette yourself."},
	service.RenditionNotReady:  {codes.Unavailable, 0, "The rendition is being made. Ask again in a second."},

	service.EtagMismatch:       {codes.Aborted, 0, "The resource has changed since the caller got it. Get it again. Over HTTP it is 412 where `If-Match` asked."},
	service.WriteConflict:      {codes.Aborted, 0, "Another call changed the same at the same time. Call again."},
	service.StorageFull:        {codes.ResourceExhausted, http.StatusInsufficientStorage, "The disk of the server is full. Nothing was written."},
	service.StorageUnavailable: {codes.Unavailable, 0, "The database or the photos cannot be reached, or the database is too busy. Try again in a moment."},
	service.NewerData:          {codes.FailedPrecondition, 0, "A newer version of the server wrote this. Call that one."},

	service.ShuttingDown: {codes.Unavailable, 0, "The server is stopping. Try again in a moment."},
	malformedRequest:     {codes.InvalidArgument, 0, "The request is not JSON or protobuf of the shape that the call takes. The message says where."},
	requestTooLarge:      {codes.ResourceExhausted, http.StatusRequestEntityTooLarge, "The request is larger than 16 MiB after inflation, the photo than 25 MiB or the archive than 1 GiB, or it holds too many entries. Send less at a time."},
	unknownQueryKey:      {codes.InvalidArgument, 0, "The call takes no such query key."},
	unknownRoute:         {codes.NotFound, 0, "There is no call at this path."},
	methodNotAllowed:     {codes.Unimplemented, http.StatusMethodNotAllowed, "The path takes other methods: see the Allow header."},
	unknownCall:          {codes.Unimplemented, 0, "The server has no such gRPC method."},
	badRange:             {codes.OutOfRange, http.StatusRequestedRangeNotSatisfiable, "The range lies outside of the file."},
	deadlineExceeded:     {codes.DeadlineExceeded, 0, "The call took longer than its deadline, or than 30 seconds. Ask for less at a time."},
	cancelled:            {codes.Canceled, 0, "The caller gave up."},
	tooBusy:              {codes.Unavailable, 0, "The server answers as many calls as it takes at once. Try again in a moment."},
	tooManyCalls:         {codes.ResourceExhausted, 0, "More calls came of the token or the address than are taken in a minute, or too many with wrong tokens. Call again when the RetryInfo says; batches cost less than single calls."},
	internalError:        {codes.Internal, 0, "A defect of the server. The log has the cause under the request id."},
}

// panicError is a panic of a call.
type panicError struct {
	value any
	stack []byte
}

func (e *panicError) Error() string { return fmt.Sprintf("panic: %v", e.value) }

// toStatus turns any error of a call into what the client gets. What the client
// must not see goes to the log only.
func toStatus(ctx context.Context, log *slog.Logger, err error) *status.Status {
	id := requestID(ctx)
	var known *service.Error
	switch {
	case errors.As(err, &known):
		if cause := errors.Unwrap(known); cause != nil {
			log.WarnContext(ctx, "call failed", append(logFields(ctx), "reason", string(known.Reason), "cause", cause.Error())...)
		}
		return statusOf(id, known)
	case errors.Is(err, context.DeadlineExceeded):
		return newStatus(id, deadlineExceeded, "the call took longer than its deadline", nil)
	case errors.Is(err, context.Canceled):
		return newStatus(id, cancelled, "the caller gave up", nil)
	}
	attributes := append(logFields(ctx), "cause", err.Error())
	var panicked *panicError
	if errors.As(err, &panicked) {
		attributes = append(attributes, "stack", string(panicked.stack))
	}
	log.ErrorContext(ctx, "call failed", attributes...)
	return newStatus(id, internalError, "the server failed; its log has the cause under request id "+id, nil)
}

// errTooLarge is the error of a request over the limit.
var errTooLarge = &service.Error{Reason: requestTooLarge,
	Message: fmt.Sprintf("the request is larger than %d bytes", service.MaxRequestBytes)}

// retryDelay is when to call a server again that takes no calls for now.
const retryDelay = 2 * time.Second

// newStatus returns the status of an error of a reason.
func newStatus(id string, reason service.Reason, message string, violations []service.Violation) *status.Status {
	return statusOf(id, &service.Error{Reason: reason, Message: message, Violations: violations})
}

// statusOf returns the status of an error. Unknown reasons do not occur.
func statusOf(id string, e *service.Error) *status.Status {
	reason, message, violations, delay := e.Reason, e.Message, e.Violations, e.RetryAfter
	k, known := table[reason]
	if !known {
		k = table[internalError]
	}
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Domain: errorDomain, Reason: string(reason)}}
	if len(violations) > 0 {
		bad := &errdetails.BadRequest{}
		for _, v := range violations {
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field, Description: v.Rule})
		}
		details = append(details, bad)
	}
	if k.code == codes.FailedPrecondition {
		details = append(details, &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
			{Type: string(reason), Subject: resourceName.FindString(message), Description: message},
		}})
	}
	if k.code == codes.Unavailable && delay == 0 {
		delay = retryDelay
	}
	if delay > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(delay)})
	}
	if id != "" {
		details = append(details, &errdetails.RequestInfo{RequestId: id})
	}
	s, err := status.New(k.code, message).WithDetails(details...)
	if err != nil { // cannot be: the code is not OK and the details are messages
		return status.New(k.code, message)
	}
	return s
}

// reasonOf returns the reason of an answered error, or "".
func reasonOf(s *status.Status) service.Reason {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == errorDomain {
			return service.Reason(info.GetReason())
		}
	}
	return ""
}

// retryAfter returns after how many seconds an answered error says to call again; 0: it
// does not say.
func retryAfter(s *status.Status) int {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok {
			return seconds(info.GetRetryDelay().AsDuration())
		}
	}
	return 0
}

// httpStatus returns the HTTP status of an answered error.
func httpStatus(s *status.Status, usual func(codes.Code) int) int {
	if k, ok := table[reasonOf(s)]; ok && k.http != 0 {
		return k.http
	}
	return usual(s.Code())
}
