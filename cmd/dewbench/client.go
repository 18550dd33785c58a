package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

// Environment variables of the commands that call a server.
const (
	serverVariable     = "DEWBENCH_SERVER"
	tokenVariable      = "DEWBENCH_TOKEN"
	tokenFileVariable  = "DEWBENCH_TOKEN_FILE"
	collectionVariable = "DEWBENCH_COLLECTION"
)

// usualTokenFile is where a token is looked for.
const usualTokenFile = "token"

// callRules are the gRPC service config. A call whose connection breaks is made again:
// each that writes has a requestId, or may be repeated by its nature. Taking an archive in
// may take minutes, sending a photo over a slow line more; pictures of others may be decoded
// first. GetPhotoContent is for what may not be made yet: download waits as long as the server
// says, and trying again before that would only count.
const callRules = `{"methodConfig": [{"name": [{}], "timeout": "60s", "retryPolicy": ` + retryPolicy + `},
	{"name": [{"service": "dewbench.v1.ArchiveService", "method": "ImportArchive"}], "timeout": "660s", "retryPolicy": ` + retryPolicy + `},
	{"name": [{"service": "dewbench.v1.PhotoService", "method": "UploadPhoto"}], "timeout": "1560s", "retryPolicy": ` + retryPolicy + `},
	{"name": [{"service": "dewbench.v1.PhotoService", "method": "GetPhotoContent"}], "timeout": "60s"},
	{"name": [{"service": "dewbench.v1.PhotoService", "method": "MeasureRosette"}, {"service": "dewbench.v1.PhotoService", "method": "GetPhotoStrip"}],
		"timeout": "660s", "retryPolicy": ` + retryPolicy + `}]}`

const retryPolicy = `{"maxAttempts": 5, "initialBackoff": "0.1s", "maxBackoff": "2s", "backoffMultiplier": 2.5,
	"retryableStatusCodes": ["UNAVAILABLE"]}`

// largestAnswer is for the report on a large table, in bytes.
const largestAnswer = 64 << 20

// remote says which server to call, as whom, and about which collection.
type remote struct {
	server, tokenFile, collection string
	plaintext                     bool
}

func (r *remote) add(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&r.server, "server", cmp.Or(os.Getenv(serverVariable), usualGRPCAddress), "gRPC door of the server (environment: "+serverVariable+")")
	f.StringVar(&r.tokenFile, "token-file", "", fmt.Sprintf("file that holds the token (environment: %s, or the token itself in %s; default %q)", tokenFileVariable, tokenVariable, usualTokenFile))
	f.BoolVar(&r.plaintext, "plaintext", false, "call another machine without TLS: the token travels in clear")
}

// addCollection adds the flag for commands that are about a collection.
func (r *remote) addCollection(c *cobra.Command) {
	c.Flags().StringVar(&r.collection, "collection", os.Getenv(collectionVariable), "collection, where you have several: its name or id (environment: "+collectionVariable+")")
}

// token returns the token to call with.
func (r *remote) token() (string, error) {
	if secret := os.Getenv(tokenVariable); secret != "" && r.tokenFile == "" {
		return checkSecret(secret, tokenVariable)
	}
	file := cmp.Or(r.tokenFile, os.Getenv(tokenFileVariable), usualTokenFile)
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) && file == usualTokenFile {
		return "", fmt.Errorf("there is no token: name its file with --token-file, or put it into %s. "+
			"Who runs the server makes one: dewbench grower add \"YOUR NAME\" --token-file %s", tokenVariable, usualTokenFile)
	}
	if err != nil {
		return "", notRead("token-file", file, err)
	}
	return checkSecret(string(text), "--token-file "+file)
}

// webToken is what the access tokens of identity providers look like (RFC 7519): three parts
// in base64url, of which the first is a JSON object.
var webToken = regexp.MustCompile(`^eyJ[\w-]*\.[\w-]+\.[\w-]+$`)

// checkSecret refuses what is no token, and does not repeat it.
func checkSecret(text, from string) (string, error) {
	text = strings.TrimSpace(text)
	own := strings.HasPrefix(text, service.SecretPrefix) && !strings.ContainsAny(text, " \t\r\n")
	if !own && !webToken.MatchString(text) {
		return "", fmt.Errorf("%s: holds no token: one begins with %s, or is an access token of an identity provider, and stands there alone", from, service.SecretPrefix)
	}
	return text, nil
}

// transport returns how to talk to the server. To another machine it is TLS, unless
// told otherwise.
func (r *remote) transport(in inOut) (credentials.TransportCredentials, error) {
	host, port, err := net.SplitHostPort(r.server)
	if err != nil || host == "" || port == "" {
		return nil, fmt.Errorf("--server %s: give host and port of the gRPC door, such as %s", r.server, usualGRPCAddress)
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return insecure.NewCredentials(), nil
	}
	if r.plaintext {
		fmt.Fprintf(in.notes, "note: the token travels in clear to %s\n", host)
		return insecure.NewCredentials(), nil
	}
	return credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS12}), nil
}

// client is a connection to a server.
type client struct {
	*grpc.ClientConn
	remote *remote
}

// dial connects to the server. It calls nothing yet.
func (r *remote) dial(in inOut) (*client, error) {
	secret, err := r.token()
	if err != nil {
		return nil, err
	}
	transport, err := r.transport(in)
	if err != nil {
		return nil, err
	}
	authorized := func(ctx context.Context) context.Context {
		return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+secret)
	}
	authorize := func(ctx context.Context, method string, req, answer any, conn *grpc.ClientConn, call grpc.UnaryInvoker, options ...grpc.CallOption) error {
		return call(authorized(ctx), method, req, answer, conn, options...)
	}
	authorizeStream := func(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, options ...grpc.CallOption) (grpc.ClientStream, error) {
		return open(authorized(ctx), desc, conn, method, options...)
	}
	conn, err := grpc.NewClient(r.server, grpc.WithTransportCredentials(transport),
		grpc.WithUnaryInterceptor(authorize), grpc.WithStreamInterceptor(authorizeStream),
		grpc.WithDefaultServiceConfig(callRules), grpc.WithUserAgent("dewbench/"+ownVersion()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largestAnswer)))
	if err != nil {
		return nil, fmt.Errorf("--server %s: %w", r.server, err)
	}
	return &client{conn, r}, nil
}

// home is the collection that a command is about.
type home struct {
	*client
	*pb.Collection
	zone *time.Location
}

// inHome runs a command on the collection that the flags name, and closes the
// connection.
func (r *remote) inHome(c *cobra.Command, do func(context.Context, *home, inOut) error) error {
	return r.connected(c, func(ctx context.Context, conn *client, in inOut) error {
		h, err := conn.home(ctx)
		if err != nil {
			return err
		}
		return h.plain(ctx, do(ctx, h, in))
	})
}

// connected runs a command on a connection, and closes it.
func (r *remote) connected(c *cobra.Command, do func(context.Context, *client, inOut) error) (err error) {
	in := inOut{c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()}
	conn, err := r.dial(in)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	return do(c.Context(), conn, in)
}

// collections returns all of the caller's.
func (c *client) collections(ctx context.Context) ([]*pb.Collection, error) {
	var all []*pb.Collection
	for token := ""; ; {
		page, err := pb.NewCollectionServiceClient(c).ListCollections(ctx, &pb.ListCollectionsRequest{PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, c.said(err, nil)
		}
		all = append(all, page.GetCollections()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// home finds the collection that the flags name, or the only one.
func (c *client) home(ctx context.Context) (*home, error) {
	all, err := c.collections(ctx)
	if err != nil {
		return nil, err
	}
	if named := c.remote.collection; len(all) == 0 && named != "" {
		return nil, fmt.Errorf("there is no collection %q that is yours or shared with you: if you were invited to it type dewbench join SECRET", named)
	}
	if len(all) == 0 {
		return nil, errors.New(`you have no collection yet: make one with dewbench new "Home" --time-zone Europe/Berlin --latitude 52, ` +
			"or if you were invited to one type dewbench join SECRET")
	}
	found := 0
	if c.remote.collection != "" || len(all) > 1 {
		if found, err = c.which(ctx, all); err != nil {
			return nil, err
		}
	}
	zone, err := time.LoadLocation(all[found].GetTimeZone())
	if err != nil {
		return nil, fmt.Errorf("time zone of the collection: %w", err)
	}
	return &home{c, all[found], zone}, nil
}

// which returns the place of the collection that the flags name. Without a name it is the
// only one that the caller owns in person, so that commands mean the same as before when
// others share theirs.
func (c *client) which(ctx context.Context, all []*pb.Collection) (int, error) {
	me, err := pb.NewGrowerServiceClient(c).GetGrower(ctx, &pb.GetGrowerRequest{Name: "growers/me"})
	if err != nil {
		return 0, c.said(err, nil)
	}
	var own []int
	names, whose := make([]named, len(all)), make([]named, len(all))
	for i, m := range all {
		names[i] = named{m.GetName(), store.Segment(m.GetName(), "collections"), m.GetDisplayName()}
		whose[i] = names[i]
		switch {
		case m.GetOwner() == me.GetName():
			own = append(own, i)
			whose[i].display += ", yours"
		case store.Segment(m.GetOwner(), "societies") != "":
			whose[i].display += ", of a society"
		default:
			whose[i].display += ", shared with you"
		}
	}
	text := c.remote.collection
	if text == "" && len(own) == 1 {
		return own[0], nil
	}
	exact, begin := fits(text, names)
	if len(own) < len(all) && (text == "" || len(exact) > 1 || len(exact) == 0 && len(begin) > 1) {
		names = whose // to tell one from the other
	}
	return choose("collection", text, "say which with --collection", names)
}

// fits returns the places of what text means, without regard to case: those with that
// name, id or display name, and those that begin so.
func fits(text string, all []named) (exact, begin []int) {
	key := table.Fold(text)
	for i, n := range all {
		switch display, id := table.Fold(n.display), table.Fold(n.id); {
		case key == id, key == table.Fold(n.name):
			return []int{i}, nil
		case key == display:
			exact = append(exact, i)
		case key != "" && (strings.HasPrefix(display, key) || strings.HasPrefix(id, key)):
			begin = append(begin, i)
		}
	}
	return exact, begin
}

// choose returns the place of the thing that text means: the one that it names, else
// the only one that begins so. ask says how to name one, where text is empty.
func choose(what, text, ask string, all []named) (int, error) {
	found, begin := fits(text, all)
	if len(found) == 0 {
		found = begin
	}
	if len(found) == 1 {
		return found[0], nil
	}
	shown := all
	var problem string
	switch {
	case text == "":
		problem = ask
	case len(found) > 1:
		problem = fmt.Sprintf("%q may be %d %s: give the id", text, len(found), plural(what))
		shown = nil
		for _, i := range found {
			shown = append(shown, all[i])
		}
	default:
		problem = fmt.Sprintf("there is no %s %q", what, text)
		meant := map[string]string{} // and by their first words
		for _, n := range all {
			first, _, _ := strings.Cut(n.display, " ")
			meant[first], meant[n.display], meant[n.id] = n.display, n.display, n.display
		}
		if near := table.Nearest(text, slices.Sorted(maps.Keys(meant)), 1); len(near) > 0 {
			problem += fmt.Sprintf("; did you mean %q?", meant[near[0]])
		}
	}
	if len(all) == 0 {
		return 0, errors.New(problem)
	}
	var lines strings.Builder
	for _, n := range shown[:min(len(shown), mostShown)] {
		fmt.Fprintf(&lines, "\n  %s  (id %s)", printable(n.display), n.id)
	}
	if more := len(shown) - mostShown; more > 0 {
		fmt.Fprintf(&lines, "\n  and %d more", more)
	}
	if !strings.HasSuffix(problem, "?") {
		problem += "."
	}
	return 0, fmt.Errorf("%s The %s:%s", problem, plural(what), lines.String())
}

// chooseWhole returns the place of the thing that text names by its whole name or id: for
// what cannot be undone.
func chooseWhole(what, text, ask string, all []named) (int, error) {
	if exact, begin := fits(text, all); len(exact) == 0 && len(begin) > 0 {
		return 0, fmt.Errorf("there is no %s %q; did you mean %q? Give its whole name or its id", what, text, all[begin[0]].display)
	}
	return choose(what, text, ask, all)
}

// plural writes the plural of bench, collection, society and the like.
func plural(what string) string {
	if one, other, ok := strings.Cut(what, " or "); ok {
		return plural(one) + " and " + plural(other)
	}
	if strings.HasSuffix(what, "ch") {
		return what + "es"
	}
	if stem, ok := strings.CutSuffix(what, "y"); ok {
		return stem + "ies"
	}
	return what + "s"
}

// benches returns all benches of the collection in the order of the walk.
func (h *home) benches(ctx context.Context) ([]*pb.Bench, error) {
	var all []*pb.Bench
	for token := ""; ; {
		page, err := pb.NewBenchServiceClient(h).ListBenches(ctx, &pb.ListBenchesRequest{
			Parent: h.GetName(), OrderBy: "walkOrder", PageSize: service.MaxPageSize, PageToken: token,
		})
		if err != nil {
			return nil, h.said(err, nil)
		}
		all = append(all, page.GetBenches()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

var errNoBench = errors.New(`the collection has no bench yet: make one with dewbench bench "South window" --exposure windowsill`)

// bench finds the bench that text means.
func (h *home) bench(ctx context.Context, text string) (*pb.Bench, error) {
	all, err := h.benches(ctx)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, errNoBench
	}
	i, err := choose("bench", text, "say which bench", benchNames(all))
	if err != nil {
		return nil, err
	}
	return all[i], nil
}

func benchNames(all []*pb.Bench) []named {
	names := make([]named, len(all))
	for i, b := range all {
		names[i] = named{b.GetName(), store.Segment(b.GetName(), "benches"), b.GetDisplayName()}
	}
	return names
}

// plants are those of a collection, by their names.
type plants struct {
	of    *home
	known map[string]*pb.Plant
}

// on returns the plants of a bench. Others are found when they are asked for.
func (h *home) on(ctx context.Context, b *pb.Bench) (*plants, error) {
	p := &plants{h, map[string]*pb.Plant{}}
	for token := ""; ; {
		page, err := pb.NewPlantServiceClient(h).ListPlants(ctx, &pb.ListPlantsRequest{
			Parent: h.GetName(), Filter: fmt.Sprintf("bench = %q", b.GetName()), PageSize: service.MaxPageSize, PageToken: token,
		})
		if err != nil {
			return nil, h.said(err, nil)
		}
		for _, m := range page.GetPlants() {
			p.known[m.GetName()] = m
		}
		if token = page.GetNextPageToken(); token == "" {
			return p, nil
		}
	}
}

// plant returns a plant by its name.
func (p *plants) plant(ctx context.Context, name string) (*pb.Plant, error) {
	if m := p.known[name]; m != nil {
		return m, nil
	}
	m, err := pb.NewPlantServiceClient(p.of).GetPlant(ctx, &pb.GetPlantRequest{Name: name})
	if err != nil {
		return nil, p.of.said(err, nil)
	}
	p.known[name] = m
	return m, nil
}

// anyPlant is the name of a plant that is named by its tag.
func (h *home) anyPlant() string { return h.GetName() + "/plants/-" }

// day reads a day of a flag or argument: as tables have it, or today, yesterday,
// tomorrow where the collection is.
func (h *home) day(what, text string) (*string, error) {
	if text == "" {
		return nil, nil
	}
	today := civil.Of(time.Now(), h.zone)
	var day civil.Day
	switch strings.ToLower(strings.TrimSpace(text)) {
	case "today":
		day = today
	case "yesterday":
		day = today - 1
	case "tomorrow":
		day = today + 1
	default:
		var err error
		if day, _, err = table.ParseDay(text, table.Unknown); err != nil {
			rule, _, _ := strings.Cut(err.Error(), "; write it as")
			return nil, fmt.Errorf("%s %s: %s; write it as %s, or today, yesterday, tomorrow", what, text, rule, today)
		}
	}
	text = day.String()
	return &text, nil
}

// newRequestID returns an id for a call that writes: short enough to be typed, and
// with 50 random bits unlikely to be had twice among the calls of a week.
func newRequestID() string { return strings.ToLower(rand.Text()[:10]) }

// said turns what a call refused into words of the command line. inWords names fields
// of the request as the grower typed them; "" leaves the name out.
func (c *client) said(err error, inWords func(field string) string) error {
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	switch s.Code() {
	case codes.Unavailable:
		if refusal(s) == "" { // it did not come from the server
			switch m := s.Message(); {
			case strings.Contains(m, "server preface"):
				return fmt.Errorf("--server %s: what answers there does not speak gRPC: it may be the HTTP door; give the gRPC door, such as %s", c.remote.server, grpcBeside(c.remote.server))
			case strings.Contains(m, "does not look like a TLS handshake"):
				return fmt.Errorf("--server %s: what answers there does not speak TLS: it may be the HTTP door; give the gRPC door, such as %s, or say --plaintext", c.remote.server, grpcBeside(c.remote.server))
			case strings.Contains(m, "name resolver error"), strings.Contains(m, "no such host"), strings.Contains(m, "lookup "):
				return fmt.Errorf("--server %s: no machine of that name is known here: look how it is written", c.remote.server)
			}
			why := strings.TrimSuffix(s.Message()[strings.LastIndex(s.Message(), ": ")+1:], `"`)
			return fmt.Errorf("--server %s: no server answers there (%s): start one with dewbench serve, or name another", c.remote.server, strings.TrimSpace(why))
		}
	case codes.Unauthenticated:
		return fmt.Errorf("%s: name the file of a good one with --token-file", s.Message())
	case codes.Unimplemented:
		return fmt.Errorf("the server does not know this call: it is older than this program (%s)", s.Message())
	case codes.DeadlineExceeded:
		return fmt.Errorf("the server did not answer in time: %s", s.Message())
	}
	var lines []string
	for _, d := range s.Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			words := v.GetField()
			if inWords != nil {
				words = inWords(words)
			}
			if words != "" {
				words += ": "
			}
			lines = append(lines, words+v.GetDescription())
		}
	}
	if len(lines) == 0 {
		lines = []string{s.Message()}
	}
	return errors.New(roleWords(strings.Join(lines, "\n")))
}

// missingRole is how the server says that a call is not for the caller.
var missingRole = regexp.MustCompile(`the call needs (an? [a-z]+) of ((?:collections|societies|growers)/[a-z0-9-]+), and you are (an? [a-z]+)`)

// roleWords says in the grower's words whom a call is for.
func roleWords(text string) string {
	return missingRole.ReplaceAllStringFunc(text, func(all string) string {
		parts := missingRole.FindStringSubmatch(all)
		if strings.HasPrefix(parts[2], "societies/") {
			return fmt.Sprintf("that is for organisers of %s, and you are a member: ask one of them", parts[2])
		}
		return fmt.Sprintf("that takes %s of %s, and you are %s: ask who shares it with you", parts[1], parts[2], parts[3])
	})
}

// grpcBeside is where a server's gRPC door usually is.
func grpcBeside(server string) string {
	_, port, usual := strings.Cut(usualGRPCAddress, ":")
	host, _, err := net.SplitHostPort(server)
	if err != nil || !usual {
		return usualGRPCAddress
	}
	return net.JoinHostPort(host, port)
}

// refusal returns the reason of an error of the server; "" of others.
func refusal(s *status.Status) string {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// fields returns how the grower named the fields of a request: by their last part.
func fields(words map[string]string) func(string) string {
	return func(field string) string {
		last := field[strings.LastIndexByte(field, '.')+1:]
		if w, ok := words[last]; ok {
			return w
		}
		return field
	}
}
