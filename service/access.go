package service

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Who may call what is decided here, and nowhere else: Admit judges the token (readmit
// once more, where that counts; identify that of an issuer), bySecret the secret of a calendar, Rules says what each
// call asks, and relation what the caller is to a collection.

// The scopes of a token. Each holds those before it, but stock stands alone.
const (
	ScopeRead   = "read"
	ScopeRecord = "record"
	ScopeManage = "manage"
	ScopeStock  = "stock"
)

// Scopes are all scopes.
var Scopes = []string{ScopeRead, ScopeRecord, ScopeManage, ScopeStock}

// Relation is what a caller is to a collection, a society or a grower.
type Relation uint8

// The relations, each with the rights of those before it. To a society a caller is a
// Viewer as a member, and an Owner as an organiser.
const (
	Stranger Relation = iota
	Visitor           // of a public collection
	Viewer
	Keeper
	Manager
	Owner // of the collection, or an organiser of the society that owns it; or the grower in person
)

var relationNames = [...]string{"a stranger", "a visitor", "a viewer", "a keeper", "a manager", "an owner"}

func (r Relation) String() string { return relationNames[r] }

// Rule is what a call asks of its caller.
type Rule struct {
	Open   bool     // no token is needed
	Secret bool     // no token is needed: the call has a secret, and is one of the grower whose it is (bySecret)
	Scope  string   // what the token must hold
	Least  Relation // what the caller must be to what the call names; Stranger: it names nothing of anyone

	// Recalls tells that the call takes whom its token stood for before, and looks itself,
	// with what it reads, whether it still does.
	Recalls bool

	// Enters tells that the call takes an access token of an identity that is nobody's: it
	// makes a grower for it in its transaction (see visit.enter).
	Enters bool

	// Long tells that the call may take LongCallSeconds.
	Long bool
}

// Rules has every call.
var Rules = map[string]Rule{
	pb.ServerService_GetServerInfo_FullMethodName:      {Open: true},
	pb.ServerService_GetHealth_FullMethodName:          {Open: true},
	pb.ServerService_GetOpenApiDocument_FullMethodName: {Open: true},

	pb.TaxonService_GetTaxon_FullMethodName:      {Scope: ScopeRead},
	pb.TaxonService_ListTaxa_FullMethodName:      {Scope: ScopeRead},
	pb.DueService_ComputeDue_FullMethodName:      {Scope: ScopeRead},
	pb.DueService_ExplainDue_FullMethodName:      {Scope: ScopeRead, Least: Viewer},
	pb.DueService_ListDueFeedings_FullMethodName: {Scope: ScopeRead, Least: Viewer, Recalls: true},
	pb.PlanService_GetDayPlan_FullMethodName:     {Scope: ScopeRead, Least: Viewer},
	pb.WatchService_GetWatchList_FullMethodName:  {Scope: ScopeRead, Least: Viewer},

	pb.GrowerService_GetGrower_FullMethodName:    {Scope: ScopeRead, Least: Owner},
	pb.GrowerService_UpdateGrower_FullMethodName: {Scope: ScopeManage, Least: Owner},
	pb.GrowerService_EraseGrower_FullMethodName:  {Scope: ScopeManage, Least: Owner},
	pb.TokenService_CreateToken_FullMethodName:   {Scope: ScopeManage, Least: Owner},
	pb.TokenService_GetToken_FullMethodName:      {Scope: ScopeManage, Least: Owner},
	pb.TokenService_ListTokens_FullMethodName:    {Scope: ScopeManage, Least: Owner},
	pb.TokenService_RotateToken_FullMethodName:   {Scope: ScopeManage, Least: Owner},
	pb.TokenService_DeleteToken_FullMethodName:   {Scope: ScopeManage, Least: Owner},

	pb.IdentityService_LinkIdentity_FullMethodName:   {Scope: ScopeManage, Least: Owner},
	pb.IdentityService_GetIdentity_FullMethodName:    {Scope: ScopeManage, Least: Owner},
	pb.IdentityService_ListIdentities_FullMethodName: {Scope: ScopeManage, Least: Owner},
	pb.IdentityService_DeleteIdentity_FullMethodName: {Scope: ScopeManage, Least: Owner},

	// An archive tells what the token could read call by call (of tokens and calendars only
	// with the scope that lists them), so it asks for no more. It makes collections.
	pb.ArchiveService_ExportArchive_FullMethodName: {Scope: ScopeRead, Least: Owner},
	pb.ArchiveService_ImportArchive_FullMethodName: {Scope: ScopeManage, Least: Owner, Long: true},

	pb.CalendarService_CreateCalendar_FullMethodName: {Scope: ScopeManage, Least: Viewer},
	pb.CalendarService_GetCalendar_FullMethodName:    {Scope: ScopeManage, Least: Viewer},
	pb.CalendarService_ListCalendars_FullMethodName:  {Scope: ScopeManage, Least: Viewer},
	pb.CalendarService_DeleteCalendar_FullMethodName: {Scope: ScopeManage, Least: Viewer},
	pb.CalendarService_GetDueCalendar_FullMethodName: {Secret: true, Least: Viewer},

	pb.CollectionService_CreateCollection_FullMethodName:   {Scope: ScopeManage},
	pb.CollectionService_GetCollection_FullMethodName:      {Scope: ScopeRead, Least: Visitor},
	pb.CollectionService_ListCollections_FullMethodName:    {Scope: ScopeRead, Least: Viewer},
	pb.CollectionService_UpdateCollection_FullMethodName:   {Scope: ScopeManage, Least: Manager},
	pb.CollectionService_DeleteCollection_FullMethodName:   {Scope: ScopeManage, Least: Owner},
	pb.CollectionService_UndeleteCollection_FullMethodName: {Scope: ScopeManage, Least: Owner},
	pb.CollectionService_TransferCollection_FullMethodName: {Scope: ScopeManage, Least: Owner},

	pb.GrantService_CreateGrant_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.GrantService_GetGrant_FullMethodName:    {Scope: ScopeRead, Least: Manager},
	pb.GrantService_ListGrants_FullMethodName:  {Scope: ScopeRead, Least: Manager},
	pb.GrantService_UpdateGrant_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.GrantService_DeleteGrant_FullMethodName: {Scope: ScopeManage, Least: Viewer}, // a manager, or whose it is

	pb.SocietyService_CreateSociety_FullMethodName: {Scope: ScopeManage},
	pb.SocietyService_GetSociety_FullMethodName:    {Scope: ScopeRead, Least: Viewer},
	pb.SocietyService_ListSocieties_FullMethodName: {Scope: ScopeRead, Least: Viewer},
	pb.SocietyService_UpdateSociety_FullMethodName: {Scope: ScopeManage, Least: Owner},
	pb.SocietyService_DeleteSociety_FullMethodName: {Scope: ScopeManage, Least: Owner},
	pb.SocietyService_GetMember_FullMethodName:     {Scope: ScopeRead, Least: Viewer},
	pb.SocietyService_ListMembers_FullMethodName:   {Scope: ScopeRead, Least: Viewer},
	pb.SocietyService_UpdateMember_FullMethodName:  {Scope: ScopeManage, Least: Owner},
	pb.SocietyService_DeleteMember_FullMethodName:  {Scope: ScopeManage, Least: Viewer}, // an organiser, or who it is

	pb.InvitationService_CreateInvitation_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.InvitationService_GetInvitation_FullMethodName:    {Scope: ScopeRead, Least: Manager},
	pb.InvitationService_ListInvitations_FullMethodName:  {Scope: ScopeRead, Least: Manager},
	pb.InvitationService_DeleteInvitation_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.InvitationService_AcceptInvitation_FullMethodName: {Scope: ScopeManage, Enters: true}, // who has the secret

	pb.BenchService_CreateBench_FullMethodName:   {Scope: ScopeManage, Least: Manager},
	pb.BenchService_GetBench_FullMethodName:      {Scope: ScopeRead, Least: Viewer},
	pb.BenchService_ListBenches_FullMethodName:   {Scope: ScopeRead, Least: Viewer},
	pb.BenchService_UpdateBench_FullMethodName:   {Scope: ScopeManage, Least: Manager},
	pb.BenchService_DeleteBench_FullMethodName:   {Scope: ScopeManage, Least: Manager},
	pb.BenchService_UndeleteBench_FullMethodName: {Scope: ScopeManage, Least: Manager},

	pb.PlantService_CreatePlant_FullMethodName:       {Scope: ScopeManage, Least: Manager},
	pb.PlantService_BatchCreatePlants_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.PlantService_GetPlant_FullMethodName:          {Scope: ScopeRead, Least: Visitor},
	pb.PlantService_ListPlants_FullMethodName:        {Scope: ScopeRead, Least: Visitor},
	pb.PlantService_UpdatePlant_FullMethodName:       {Scope: ScopeManage, Least: Manager},
	pb.PlantService_BatchUpdatePlants_FullMethodName: {Scope: ScopeManage, Least: Manager},
	pb.PlantService_DeletePlant_FullMethodName:       {Scope: ScopeManage, Least: Manager},
	pb.PlantService_UndeletePlant_FullMethodName:     {Scope: ScopeManage, Least: Manager},

	pb.FeedingService_CreateFeeding_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_BatchCreateFeedings_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_GetFeeding_FullMethodName:          {Scope: ScopeRead, Least: Visitor},
	pb.FeedingService_ListFeedings_FullMethodName:        {Scope: ScopeRead, Least: Visitor},
	pb.FeedingService_UpdateFeeding_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_BatchUpdateFeedings_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_DeleteFeeding_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_UndeleteFeeding_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.FeedingService_ReassignFeeding_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},

	pb.ObservationService_CreateObservation_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_BatchCreateObservations_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_GetObservation_FullMethodName:          {Scope: ScopeRead, Least: Visitor},
	pb.ObservationService_ListObservations_FullMethodName:        {Scope: ScopeRead, Least: Visitor},
	pb.ObservationService_UpdateObservation_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_BatchUpdateObservations_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_DeleteObservation_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_UndeleteObservation_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.ObservationService_ReassignObservation_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},

	pb.PhotoService_CreatePhoto_FullMethodName:       {Scope: ScopeRecord, Least: Keeper, Long: true},
	pb.PhotoService_UploadPhoto_FullMethodName:       {Scope: ScopeRecord, Least: Keeper, Long: true},
	pb.PhotoService_GetPhoto_FullMethodName:          {Scope: ScopeRead, Least: Viewer},
	pb.PhotoService_ListPhotos_FullMethodName:        {Scope: ScopeRead, Least: Viewer},
	pb.PhotoService_UpdatePhoto_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.PhotoService_DeletePhoto_FullMethodName:       {Scope: ScopeRecord, Least: Keeper},
	pb.PhotoService_UndeletePhoto_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.PhotoService_GetPhotoContent_FullMethodName:   {Scope: ScopeRead, Least: Viewer}, // and Manager for the original
	pb.PhotoService_MeasureRosette_FullMethodName:    {Scope: ScopeRead, Least: Viewer, Long: true},
	pb.PhotoService_RecordMeasurement_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.PhotoService_GetPhotoStrip_FullMethodName:     {Scope: ScopeRead, Least: Viewer, Long: true},

	pb.SessionService_RecordSession_FullMethodName:  {Scope: ScopeRecord, Least: Keeper},
	pb.SessionService_RecordOutcomes_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.SessionService_DividePlant_FullMethodName:    {Scope: ScopeManage, Least: Keeper},
	pb.SessionService_MovePlants_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.SessionService_HoldPlants_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.SessionService_Undo_FullMethodName:           {Scope: ScopeRecord, Least: Keeper}, // and manage where plants are deleted

	pb.SheetService_CreateSheet_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.SheetService_GetSheet_FullMethodName:    {Scope: ScopeRead, Least: Viewer},
	pb.SheetService_ListSheets_FullMethodName:  {Scope: ScopeRead, Least: Viewer},
	pb.SheetService_PrintSheet_FullMethodName:  {Scope: ScopeRead, Least: Viewer},
	pb.SheetService_PrintLabels_FullMethodName: {Scope: ScopeRead, Least: Viewer},

	pb.ExchangeService_ImportPlants_FullMethodName:       {Scope: ScopeManage, Least: Manager},
	pb.ExchangeService_ImportFeedings_FullMethodName:     {Scope: ScopeRecord, Least: Keeper},
	pb.ExchangeService_ImportObservations_FullMethodName: {Scope: ScopeRecord, Least: Keeper},
	pb.ExchangeService_ExportPlants_FullMethodName:       {Scope: ScopeRead, Least: Viewer},
	pb.ExchangeService_ExportFeedings_FullMethodName:     {Scope: ScopeRead, Least: Viewer},
	pb.ExchangeService_ExportObservations_FullMethodName: {Scope: ScopeRead, Least: Viewer},

	pb.RevisionService_ListRevisions_FullMethodName: {Scope: ScopeRead, Least: Viewer},
	pb.AuditService_ListAuditEntries_FullMethodName: {Scope: ScopeRead, Least: Manager},
}

// Caller is who calls.
type Caller struct {
	Grower, Token string // ids
	Scopes        []string
	ExpireUs      *int64 // when the token ends; nil: never

	recalled bool     // known from before: see visit.recheck
	hash     []byte   // of the secret that was shown; nil if it was an access token of an issuer
	identity string   // id, if it was
	lateUs   int64    // then, when it is taken no more: after its end by the skew of clocks
	unknown  *claimed // then, what it says, if its identity is nobody's yet; Grower is "" till visit.enter
}

// end is when the token of the caller ends, as errors tell it.
func (c *Caller) end() string { return time.UnixMicro(*c.ExpireUs).UTC().Format(time.RFC3339) }

// Holds tells whether scopes hold one of them, themselves or in a wider one.
func Holds(scopes []string, scope string) bool {
	if scope == ScopeStock {
		return slices.Contains(scopes, scope)
	}
	at := slices.Index(Scopes, scope)
	return at >= 0 && slices.ContainsFunc(Scopes[at:3], func(wider string) bool { return slices.Contains(scopes, wider) })
}

// relation tells what a grower is to a collection.
func relation(t store.Ties) Relation {
	switch {
	case t.Owns || t.Organises:
		return Owner
	case t.Deleted || t.Visibility != pb.Collection_SHARED && t.Visibility != pb.Collection_PUBLIC:
		return Stranger
	case t.Granted != 0:
		return Viewer + Relation(t.Granted-pb.Grant_VIEWER)
	case t.Visibility == pb.Collection_PUBLIC:
		return Visitor
	}
	return Stranger
}

// relationTo tells what a grower with a role in a society is to the society.
func relationTo(role pb.Member_Role) Relation {
	switch role {
	case pb.Member_ORGANISER:
		return Owner
	case pb.Member_MEMBER:
		return Viewer
	}
	return Stranger
}

// call is a call that was admitted.
type call struct {
	method string
	rule   Rule
	caller *Caller // nil if the call is open, or of a secret that was not judged yet
}

// refuses tells why a call that asks least of its caller does not take one who has a
// relation to what it names, or nil. Who may not see that it is there learns nothing.
func refuses(least, is Relation, reason Reason, name string) error {
	switch {
	case least != Stranger && is >= least:
		return nil
	case is >= Viewer && least > is:
		needs, are := least.String(), is.String()
		if strings.HasPrefix(name, "societies/") {
			needs, are = "an organiser", "a member"
		}
		return &Error{Reason: RoleMissing, Message: fmt.Sprintf("the call needs %s of %s, and you are %s", needs, name, are)}
	}
	return notFound(reason, name)
}

type callKey struct{}

// callOf returns the call that ctx belongs to. A context that Admit did not make
// is a defect.
func callOf(ctx context.Context) *call {
	c, ok := ctx.Value(callKey{}).(*call)
	if !ok {
		panic("a call that was not admitted")
	}
	return c
}

// CallerOf returns who made the call that ctx belongs to; nil for an open call, and
// for one that was not admitted.
func CallerOf(ctx context.Context) *Caller {
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		return c.caller
	}
	return nil
}

// callerID returns the id of that grower, or "".
func callerID(ctx context.Context) string {
	if c := CallerOf(ctx); c != nil {
		return c.Grower
	}
	return ""
}

// Access judges tokens.
type Access struct {
	store *store.Store
	now   func() time.Time
	log   *slog.Logger
	known *recent // whom tokens stood for, by their hashes
	core  *Core

	createGrowers bool // for every identity that is nobody's
}

// find returns whom a token stands for, by its hash, and whether that is only known from
// before: then the call has to look itself whether it is still so (see visit.recheck).
func (a *Access) find(ctx context.Context, hash []byte, recall bool) (bearer *store.Bearer, recalled bool, err error) {
	if recall {
		if known, ok := a.known.Load(string(hash)); ok && !toNote(known.(*store.Bearer).LastUseUs, a.now().UnixMicro()) {
			return known.(*store.Bearer), true, nil
		}
	}
	bearer, err = a.store.Bearer(ctx, hash)
	return bearer, false, err
}

// SecretPrefix begins every token, calendarPrefix the secret of every calendar.
const (
	SecretPrefix   = "dwb_"
	calendarPrefix = "dwbcal_"
)

// HashSecret returns what is kept of a token, or of the secret of a calendar. Its 256
// random bits need no salt and no slow hash.
func HashSecret(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

const (
	// lastUseStep is how often the last use of a token or calendar is noted.
	lastUseStep = 10 * time.Minute
	// lastUseWait is how long a call waits for that.
	lastUseWait = time.Second
)

// Admit lets a call in, or tells why not. authorization holds the values of the
// header of that name.
func (a *Access) Admit(ctx context.Context, method string, authorization []string) (context.Context, error) {
	rule, known := Rules[method]
	if !known {
		return nil, fmt.Errorf("%s has no rule of access", method)
	}
	c := &call{method: method, rule: rule}
	if rule.Open || rule.Secret {
		return context.WithValue(ctx, callKey{}, c), nil
	}
	caller, err := a.authenticate(ctx, rule, authorization)
	if err != nil {
		return nil, err
	}
	if !Holds(caller.Scopes, rule.Scope) {
		return nil, &Error{Reason: ScopeMissing, Message: fmt.Sprintf("the token has not the scope %s that this call needs", rule.Scope)}
	}
	c.caller = caller
	return context.WithValue(ctx, callKey{}, c), nil
}

func (a *Access) authenticate(ctx context.Context, rule Rule, authorization []string) (*Caller, error) {
	if len(authorization) == 0 {
		return nil, &Error{Reason: TokenMissing, Message: "this call needs a token: send the header Authorization: Bearer dwb_..."}
	}
	scheme, secret, _ := strings.Cut(authorization[0], " ")
	secret = strings.TrimSpace(secret)
	once := len(authorization) == 1 && strings.EqualFold(scheme, "Bearer")
	if once && !strings.HasPrefix(secret, SecretPrefix) && a.core.issuers.any() && strings.Count(secret, ".") == 2 {
		return a.identify(ctx, rule, secret)
	}
	if !once || !strings.HasPrefix(secret, SecretPrefix) {
		return nil, &Error{Reason: TokenInvalid, Message: "the header Authorization must be given once, as Bearer dwb_..."}
	}
	hash := HashSecret(secret)
	bearer, recalled, err := a.find(ctx, hash, rule.Recalls && a.store.Engine() == store.Postgres)
	now := a.now().UnixMicro()
	if err := judge(bearer, err, now); err != nil {
		return nil, fromStore(err)
	}
	noted := a.noteUse(ctx, bearer.LastUseUs, now, "token", bearer.Token, func(tx *store.Tx) error {
		return tx.Grower(bearer.Grower).UseToken(bearer.Token, now)
	})
	if noted {
		used := *bearer
		used.LastUseUs, bearer = &now, &used
	}
	if rule.Recalls && (noted || !recalled) {
		a.known.Store(string(hash), bearer)
	}
	return &Caller{Grower: bearer.Grower, Token: bearer.Token, Scopes: bearer.Scopes, ExpireUs: bearer.ExpireUs, recalled: recalled, hash: hash}, nil
}

// identify judges an access token of an issuer, and finds the grower whose identity it
// shows. That is read each time, never recalled.
func (a *Access) identify(ctx context.Context, rule Rule, token string) (*Caller, error) {
	says, err := a.core.issuers.judge(ctx, token)
	if err != nil {
		return nil, err
	}
	caller := &Caller{
		Token: says.id, Scopes: says.scopes, ExpireUs: &says.expireUs, lateUs: says.lateUs,
	}
	found, err := a.store.Identified(ctx, says.issuer, says.subject)
	if errors.Is(err, store.ErrNotFound) && Holds(says.scopes, rule.Scope) { // else nothing is made
		switch {
		case rule.Enters:
			caller.unknown = says
			return caller, nil
		case a.createGrowers:
			found, err = a.create(ctx, says)
		}
	}
	now := a.now().UnixMicro()
	if err := judgeIdentity(found, err, says.lateUs, now); err != nil {
		return nil, fromStore(err)
	}
	a.noteUse(ctx, found.LastUseUs, now, "identity", found.Identity, func(tx *store.Tx) error {
		return tx.Grower(found.Grower).UseIdentity(found.Identity, now)
	})
	caller.Grower, caller.identity = found.Grower, found.Identity
	return caller, nil
}

// create makes a grower of an identity that is nobody's.
func (a *Access) create(ctx context.Context, says *claimed) (found *store.Identified, err error) {
	err = a.store.Write(ctx, func(tx *store.Tx) error {
		found, err = a.core.newcomer(tx, says)
		return err
	})
	if errors.Is(err, store.ErrExists) { // another call was first
		return a.store.Identified(ctx, says.issuer, says.subject)
	}
	return found, err
}

// newcomer returns the grower of an identity, who is made if it is nobody's.
func (c *Core) newcomer(tx *store.Tx, says *claimed) (*store.Identified, error) {
	found, err := tx.Identified(says.issuer, says.subject)
	if !errors.Is(err, store.ErrNotFound) {
		return found, err
	}
	us := c.now().UnixMicro()
	grower := c.newID()
	if _, err := tx.Grower(grower).Create(says.displayName(), us); err != nil {
		return nil, err
	}
	made, err := tx.Grower(grower).CreateIdentity(&pb.Identity{
		Name: store.IdentityName(grower, c.newID()), Issuer: says.issuer, Subject: says.subject,
	}, us)
	if err != nil {
		return nil, err
	}
	return &store.Identified{Grower: grower, Identity: store.Segment(made.GetName(), "identities")}, nil
}

// enter makes the caller a grower whose identity was nobody's when the call was let in. If
// the call fails, nobody was made.
func (v *visit) enter() error {
	caller := v.call.caller
	if caller == nil || caller.unknown == nil {
		return nil
	}
	found, err := v.newcomer(v.tx, caller.unknown)
	if err := judgeIdentity(found, err, caller.lateUs, v.at.UnixMicro()); err != nil {
		return err
	}
	entered := *caller // the transaction may be run again
	entered.Grower, entered.identity, entered.unknown = found.Grower, found.Identity, nil
	v.call = &call{method: v.call.method, rule: v.call.rule, caller: &entered}
	return nil
}

// judgeIdentity tells why the identity of an access token may not call, if so. err is that
// of the search. The token itself was judged before, but may have ended since.
func judgeIdentity(found *store.Identified, err error, lateUs, us int64) error {
	switch {
	case lateUs <= us:
		return &Error{Reason: TokenExpired, Message: "the access token has expired: get a new one from its issuer"}
	case errors.Is(err, store.ErrNotFound):
		return &Error{Reason: IdentityUnknown, Message: "the access token is good, but its identity is no grower's: while signed in with a token dwb_..., " +
			"link it by POST /v1/growers/me/identities:link, or accept an invitation with it"}
	case err != nil:
		return fmt.Errorf("find identity: %w", err)
	case found.Suspended:
		return &Error{Reason: TokenInvalid, Message: "the grower of this identity is suspended"}
	}
	return nil
}

// toNote tells whether a use is to be noted: the last was not noted lately.
func toNote(last *int64, now int64) bool {
	return last == nil || now-*last >= lastUseStep.Microseconds() || now < *last
}

// noteUse notes the use of a token or calendar by note, unless the last was noted lately,
// and tells whether it did. Where that fails the call can do without.
func (a *Access) noteUse(ctx context.Context, last *int64, now int64, what, id string, note func(*store.Tx) error) (noted bool) {
	if !toNote(last, now) {
		return false
	}
	short, cancel := context.WithTimeout(ctx, lastUseWait)
	defer cancel()
	if err := a.store.Write(short, note); err != nil {
		a.log.WarnContext(ctx, "cannot note the use of a "+what, what, id, "error", err)
		return false
	}
	return true
}

// judge tells why a token that was looked for may not call, if so. err is that of the
// search.
func judge(b *store.Bearer, err error, us int64) error {
	switch {
	case errors.Is(err, store.ErrNotFound), err == nil && (b.Revoked || b.Suspended):
		return &Error{Reason: TokenInvalid, Message: "the token is not one that this server takes: it is wrong or was revoked, or its grower is suspended"}
	case err != nil:
		return fmt.Errorf("find token: %w", err)
	case b.ExpireUs != nil && *b.ExpireUs <= us:
		return &Error{Reason: TokenExpired, Message: "the token has expired: make a new one"}
	}
	return nil
}

// recheck judges the token of a call that recalled whom it stands for.
func (v *visit) recheck() error {
	caller := v.call.caller
	if !caller.recalled {
		return nil
	}
	bearer, err := v.tx.Grower(caller.Grower).Bearer(caller.Token, caller.hash)
	return judge(bearer, err, v.at.UnixMicro())
}

// readmit judges the token of a call once more: it may have ended since the call was
// let in. From now on it does not, until the transaction ends.
func (v *visit) readmit() error {
	caller := v.call.caller
	grower := v.tx.Grower(caller.Grower)
	err := grower.Lock()
	if caller.identity != "" {
		var found *store.Identified
		if err == nil {
			found, err = grower.Identified(caller.identity)
		}
		return judgeIdentity(found, err, caller.lateUs, v.at.UnixMicro())
	}
	var bearer *store.Bearer
	if err == nil {
		bearer, err = grower.Bearer(caller.Token, caller.hash)
	}
	return judge(bearer, err, v.at.UnixMicro())
}

// bySecret judges the secret of a calendar. The call is one of the grower who made it
// from then on, and reaches what that grower does.
func (v *visit) bySecret(secret string) (*store.Subscription, error) {
	if !v.call.rule.Secret {
		return nil, fmt.Errorf("%s is no call of a secret", v.call.method)
	}
	found, err := v.tx.Subscription(HashSecret(secret))
	switch {
	case errors.Is(err, store.ErrNotFound), err == nil && (found.Revoked || found.Suspended):
		return nil, noCalendar()
	case err != nil:
		return nil, fmt.Errorf("find calendar: %w", err)
	}
	v.call = &call{method: v.call.method, rule: v.call.rule, caller: &Caller{Grower: found.Grower}}
	return found, nil
}

// noCalendar is the error for an address that opens nothing, whatever the cause.
func noCalendar() *Error {
	return &Error{Reason: CalendarNotFound, Message: "there is no calendar at this address: it is wrong or was revoked"}
}
