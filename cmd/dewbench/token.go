package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

func tokenCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "token",
		Short: "List, add, rotate and revoke tokens of growers: for the operator",
		Long: `List, add, rotate and revoke the tokens of a grower. These commands open the database
themselves and need no token: whoever holds the database is the operator. They work
while a server runs on the same database. Growers can do the same over the API.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(tokenListCommand(), tokenAddCommand(), tokenRotateCommand(), tokenRevokeCommand())
	return c
}

// tokenLine is a token in the JSON of a list, with the fields of the API.
type tokenLine struct {
	Name        string   `json:"name"`
	DisplayName string   `json:"displayName"`
	Scopes      []string `json:"scopes"`
	CreateTime  string   `json:"createTime"`
	LastUseTime string   `json:"lastUseTime,omitempty"`
	RotateTime  string   `json:"rotateTime,omitempty"`
	OldEndTime  string   `json:"oldSecretExpireTime,omitempty"`
	ExpireTime  string   `json:"expireTime,omitempty"`
	RevokeTime  string   `json:"revokeTime,omitempty"`
}

func tokenListCommand() *cobra.Command {
	var asJSON, revoked bool
	c := growerCommandOn(&cobra.Command{
		Use:   "list GROWER",
		Short: "List the tokens of a grower",
		Long: `List the tokens of a grower in the order in which they were made: what they are for,
what they may do, when they were last used (to about ten minutes) and when they end.
Never the token itself: only a hash of it is kept. Instants are those of UTC.

` + howToName,
		Example: "  dewbench token list \"Fern Hollow\"\n  dewbench token list 0199a3 --revoked --json",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		all, err := tokens(ctx, s, g.ID)
		if err != nil {
			return err
		}
		if !revoked {
			all = slices.DeleteFunc(all, func(m *pb.Token) bool { return m.GetRevokeTime() != nil })
		}
		noteSuspended(in.notes, g)
		return listTokens(in.out, all, time.Now(), asJSON)
	})
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&revoked, "revoked", false, "also list tokens that were revoked")
	return c
}

func listTokens(out io.Writer, all []*pb.Token, now time.Time, asJSON bool) error {
	lines := []tokenLine{} // not null in JSON
	rows := [][]string{{"TOKEN", "NAME", "SCOPES", "MADE", "LAST USED", "ENDS", "STATE"}}
	for _, m := range all {
		line := tokenLine{
			m.GetName(), m.GetDisplayName(), m.GetScopes(), timeText(m.GetCreateTime()), timeText(m.GetLastUseTime()),
			timeText(m.GetRotateTime()), timeText(m.GetOldSecretExpireTime()), timeText(m.GetExpireTime()), timeText(m.GetRevokeTime()),
		}
		state := "good"
		switch end := m.GetExpireTime(); {
		case m.GetRevokeTime() != nil:
			state = "revoked " + line.RevokeTime
		case end != nil && !end.AsTime().After(now):
			state = "expired"
		}
		lines = append(lines, line)
		rows = append(rows, []string{
			store.Segment(m.GetName(), "tokens"), printable(m.GetDisplayName()), strings.Join(m.GetScopes(), " "), line.CreateTime,
			cmp.Or(line.LastUseTime, "never"), cmp.Or(line.ExpireTime, "never"), state,
		})
	}
	if asJSON {
		return writeJSON(out, map[string]any{"tokens": lines})
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(out, `There is no token. Make one: dewbench token add GROWER --scope read --name "morning list"`)
		return err
	}
	return writeTable(out, rows)
}

func tokenAddCommand() *cobra.Command {
	var (
		scopes        []string
		name, expires string
		file          tokenFile
		token         *freshToken
	)
	c := growerCommandOn(&cobra.Command{
		Use:   "add GROWER",
		Short: "Make a token for a grower",
		Long: `Make a token for a grower, and print its name and the token itself. The token is
shown this once: only a hash of it is kept.

Scopes say what it may do: read; record (also feedings and observations); manage
(also plants, benches, collections, the grower and tokens); each holds those before
it. stock, for stock systems, stands apart.

` + howToName,
		Example: "  dewbench token add \"Fern Hollow\" --scope read --name \"morning list\"\n" +
			"  dewbench token add 0199a3 --scope record,stock --name \"scales\" --expires 2027-01-31 --token-file scales",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		noteSuspended(in.notes, g)
		return file.deliver(ctx, s, in, token, func() (string, error) {
			err := s.Write(ctx, func(tx *store.Tx) error { return token.create(tx, g.ID, time.Now().UnixMicro()) })
			return "name: " + store.TokenName(g.ID, token.id) + "\n", err
		})
	})
	c.PreRunE = func(*cobra.Command, []string) (err error) { // before the database is opened
		token, err = askedToken(name, scopes, expires, time.Now())
		return err
	}
	c.Flags().StringSliceVar(&scopes, "scope", nil, "what it may do: some of "+strings.Join(service.Scopes, ", "))
	c.Flags().StringVar(&name, "name", "", "what it is for")
	c.Flags().StringVar(&expires, "expires", "", "last day on which it is good, YYYY-MM-DD, to the end of that day in UTC (default never)")
	file.add(c)
	return c
}

// askedToken returns the token that the flags ask for.
func askedToken(name string, scopes []string, expires string, now time.Time) (*freshToken, error) {
	name, err := cleanText("--name", name, mostName)
	if err != nil {
		return nil, err
	}
	if name == "" {
		return nil, errors.New("--name: say what the token is for, such as --name \"morning list\"")
	}
	if len(scopes) == 0 {
		return nil, fmt.Errorf("--scope: say what the token may do: some of %s", strings.Join(service.Scopes, ", "))
	}
	var kept []string
	for _, scope := range scopes {
		scope = strings.ToLower(strings.TrimSpace(scope))
		if !slices.Contains(service.Scopes, scope) {
			question := ""
			if near := table.Nearest(scope, service.Scopes, 1); len(near) > 0 {
				question = fmt.Sprintf("; did you mean %s?", near[0])
			}
			return nil, fmt.Errorf("--scope %s: must be some of %s%s", scope, strings.Join(service.Scopes, ", "), question)
		}
		if !slices.Contains(kept, scope) {
			kept = append(kept, scope)
		}
	}
	t, err := newToken(name, kept)
	if err != nil || expires == "" {
		return t, err
	}
	day, err := civil.Parse(expires)
	if err != nil {
		return nil, fmt.Errorf("--expires %s: %w; write it as 2027-01-31", expires, err)
	}
	y, m, d := (day + 1).Split()
	end := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	if !end.After(now) {
		return nil, fmt.Errorf("--expires %s: is past: it must be today (%s in UTC) or later", expires, civil.Of(now, time.UTC))
	}
	t.message.ExpireTime = timestamppb.New(end)
	return t, nil
}

func tokenRotateCommand() *cobra.Command {
	var (
		overlap time.Duration
		file    tokenFile
	)
	c := &cobra.Command{
		Use:   "rotate GROWER TOKEN",
		Short: "Give a token of a grower another secret",
		Long: `Give a token of a grower another secret, and print it. It is shown this once. The secret
before it is good until the overlap is over, so that programs can be told the new one
meanwhile; one before that is refused at once. All else of the token stays: its name,
what it may do, when it ends.

` + howToName + `
TOKEN is found likewise: by its full name growers/ID/tokens/ID, its id or the
beginning of that, or by what it is for.`,
		Example: "  dewbench token rotate \"Fern Hollow\" \"morning list\"\n  dewbench token rotate 0199a3 0199b7 --overlap 1h --token-file scales",
	}
	c.Flags().DurationVar(&overlap, "overlap", 24*time.Hour, "how long the present secret is good still, 0 to 168h")
	file.add(c)
	c.PreRunE = func(*cobra.Command, []string) error { // before the database is opened
		if overlap < 0 || overlap > 7*24*time.Hour {
			return fmt.Errorf("--overlap %s: must be 0 to 168h, which is 7 days", overlap)
		}
		return nil
	}
	return growerCommandOn(c, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		found, err := pickToken(ctx, s, g, c.Flags().Arg(1))
		if err != nil {
			return err
		}
		if found.GetRevokeTime() != nil {
			return fmt.Errorf("%s (%s) is revoked since %s: make a new one with dewbench token add", found.GetName(), printable(found.GetDisplayName()), timeText(found.GetRevokeTime()))
		}
		if end := found.GetExpireTime(); end != nil && !end.AsTime().After(time.Now()) {
			return fmt.Errorf("%s (%s) has expired at %s: make a new one with dewbench token add", found.GetName(), printable(found.GetDisplayName()), timeText(end))
		}
		noteSuspended(in.notes, g)
		t := &freshToken{id: store.Segment(found.GetName(), "tokens"), secret: service.NewSecret(), message: found}
		rotate := func() (string, error) {
			var m *pb.Token
			err := s.Write(ctx, func(tx *store.Tx) (err error) {
				m, err = service.RotateToken(tx, found.GetName(), t.secret, time.Now(), overlap, func(*pb.Token) error { return nil })
				return err
			})
			if err != nil {
				return "", fmt.Errorf("rotate token: %w", err)
			}
			return fmt.Sprintf("name: %s\nthe secret before is good until: %s\n", m.GetName(), timeText(m.GetOldSecretExpireTime())), nil
		}
		if file.path != "" {
			return file.deliver(ctx, s, in, t, rotate)
		}
		// First shown, then made good: if it cannot be shown, the present one must stay.
		if _, err := fmt.Fprintf(in.out, "token: %s\n", t.secret); err != nil {
			return fmt.Errorf("the token cannot be shown, so nothing was changed: %w", err)
		}
		lines, err := rotate()
		if err != nil {
			return fmt.Errorf("the token that was shown is not good: %w", err)
		}
		fmt.Fprintln(in.notes, "note: keep the token: it is not shown again")
		_, err = fmt.Fprint(in.out, lines)
		return err
	})
}

func tokenRevokeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "revoke GROWER TOKEN",
		Short: "Revoke a token of a grower",
		Long: `Revoke a token of a grower: it is refused from now on, also by servers that run.
That cannot be undone.

` + howToName + `
TOKEN is found likewise: by its full name growers/ID/tokens/ID, its id or the
beginning of that, or by what it is for. Of a token that got into wrong hands the
token itself will do.`,
		Example: "  dewbench token revoke \"Fern Hollow\" \"morning list\"\n  dewbench token revoke 0199a3 0199b7",
	}
	return growerCommandOn(c, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		found, err := pickToken(ctx, s, g, c.Flags().Arg(1))
		if err != nil {
			return err
		}
		what := fmt.Sprintf("%s (%s)", found.GetName(), printable(found.GetDisplayName()))
		if found.GetRevokeTime() != nil {
			_, err := fmt.Fprintf(in.out, "%s is revoked already, since %s\n", what, timeText(found.GetRevokeTime()))
			return err
		}
		if err := revoke(ctx, s, found.GetName()); err != nil {
			return err
		}
		_, err = fmt.Fprintf(in.out, "%s is revoked\n", what)
		return err
	})
}

// revoke ends the token of a name.
func revoke(ctx context.Context, s *store.Store, name string) error {
	err := s.Write(ctx, func(tx *store.Tx) error {
		agree := func(*pb.Token) error { return nil }
		_, err := tx.Grower(store.Segment(name, "growers")).RevokeToken(store.Segment(name, "tokens"), time.Now().UnixMicro(), agree)
		return err
	})
	if err != nil {
		return fmt.Errorf("revoke %s: %w", name, err)
	}
	return nil
}

// pickToken finds a token of a grower: a live one if there is one, else one that was
// revoked.
func pickToken(ctx context.Context, s *store.Store, g *store.GrowerEntry, text string) (*pb.Token, error) {
	all, err := tokens(ctx, s, g.ID)
	if err != nil {
		return nil, err
	}
	if strings.HasPrefix(text, service.SecretPrefix) {
		return ofSecret(ctx, s, g, all, text)
	}
	among := slices.DeleteFunc(slices.Clone(all), func(m *pb.Token) bool { return m.GetRevokeTime() != nil })
	if len(fitting(text, tokensNamed(among))) == 0 {
		among = all
	}
	i, err := pick("token", text, tokensNamed(among), "dewbench token list "+g.ID)
	if err != nil {
		return nil, err
	}
	return among[i], nil
}

// ofSecret finds the token whose secret was given. No error repeats it.
func ofSecret(ctx context.Context, s *store.Store, g *store.GrowerEntry, all []*pb.Token, secret string) (*pb.Token, error) {
	bearer, err := s.Bearer(ctx, service.HashSecret(secret))
	if errors.Is(err, store.ErrNotFound) {
		return nil, errors.New("there is no such token")
	}
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(m *pb.Token) bool { return m.GetName() == store.TokenName(bearer.Grower, bearer.Token) })
	if i < 0 {
		return nil, fmt.Errorf("the token is not one of %s, but of %s", growerNamed(g), store.GrowerName(bearer.Grower))
	}
	return all[i], nil
}

func tokensNamed(all []*pb.Token) []named {
	out := make([]named, len(all))
	for i, m := range all {
		out[i] = named{m.GetName(), store.Segment(m.GetName(), "tokens"), m.GetDisplayName()}
	}
	return out
}

// tokens reads all tokens of a grower, revoked ones too.
func tokens(ctx context.Context, s *store.Store, grower string) (all []*pb.Token, err error) {
	err = s.Read(ctx, func(tx *store.Tx) error {
		all = nil
		for q := (store.List{Limit: 1000, Deleted: true}); ; {
			some, next, err := tx.Grower(grower).Tokens(q)
			if err != nil {
				return fmt.Errorf("list tokens: %w", err)
			}
			if all = append(all, some...); next == nil {
				return nil
			}
			q.After = next
		}
	})
	return all, err
}

// freshToken is a token that is about to be made.
type freshToken struct {
	id, secret string
	message    *pb.Token // without its name
}

func newToken(displayName string, scopes []string) (*freshToken, error) {
	id, err := newID()
	if err != nil {
		return nil, err
	}
	return &freshToken{id, service.NewSecret(), &pb.Token{DisplayName: displayName, Scopes: scopes}}, nil
}

// create makes the token a grower's.
func (t *freshToken) create(tx *store.Tx, grower string, us int64) error {
	t.message.Name = store.TokenName(grower, t.id)
	if _, err := service.AddToken(tx, t.message, t.secret, us); err != nil {
		return fmt.Errorf("add token: %w", err)
	}
	return nil
}

// tokenFile is where a token is written to instead of being shown.
type tokenFile struct{ path string }

func (f *tokenFile) add(c *cobra.Command) {
	c.Flags().StringVar(&f.path, "token-file", "", "file to write the token to, for its owner only, instead of showing it; it must not be there yet")
}

// deliver makes the token by calling create, which returns lines to print before it,
// and prints the token or writes it to the file. The file is written first, and a token
// that cannot be printed is revoked again: no token is good that nobody knows.
func (f *tokenFile) deliver(ctx context.Context, s *store.Store, in inOut, t *freshToken, create func() (lines string, err error)) error {
	if f.path != "" {
		if err := writeToken(f.path, t.secret); err != nil {
			return err
		}
	}
	lines, err := create()
	if err != nil {
		if f.path != "" {
			err = errors.Join(err, os.Remove(f.path))
		}
		return err
	}
	signal.Ignore(syscall.SIGPIPE) // a reader who has gone is an error here, not the end of the program
	name := t.message.GetName()
	if f.path != "" {
		if _, err := fmt.Fprintf(in.out, "%stoken: written to %s\n", lines, f.path); err != nil {
			return fmt.Errorf("%w\n%s is good and written to %s", err, name, f.path)
		}
		return nil
	}
	if _, err := fmt.Fprintf(in.out, "%stoken: %s\n", lines, t.secret); err != nil {
		if late := revoke(context.WithoutCancel(ctx), s, name); late != nil {
			return fmt.Errorf("the token cannot be shown: %w\n%s is good, though nobody knows it: %w", err, name, late)
		}
		return fmt.Errorf("the token cannot be shown: %w\n%s is revoked again: make another one with dewbench token add %s", err, name, store.Segment(name, "growers"))
	}
	fmt.Fprintln(in.notes, "note: keep the token: it is not shown again")
	return nil
}

// writeToken writes a token to a file that is not there yet.
func writeToken(path, secret string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("--token-file %s: is there already: give another name, or remove it", path)
	}
	if err != nil {
		return notRead("token-file", path, err)
	}
	_, err = fmt.Fprintln(f, secret)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(notRead("token-file", path, err), os.Remove(path))
	}
	return nil
}

// instantText writes microseconds as an instant, to the second; "" for none.
func instantText(us *int64) string {
	if us == nil {
		return ""
	}
	return time.UnixMicro(*us).UTC().Format(time.RFC3339)
}

// timeText writes an instant to the second; "" for none.
func timeText(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	us := store.Micros(t)
	return instantText(&us)
}

// writeTable writes rows of cells, the headings first.
func writeTable(out io.Writer, rows [][]string) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, cells := range rows {
		if _, err := fmt.Fprintln(w, strings.Join(cells, "\t")); err != nil {
			return err
		}
	}
	return w.Flush()
}

func writeJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
