package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// auditWanted is what dewbench audit asks for.
type auditWanted struct {
	society, by, action, since string
	most                       int
}

func auditCommand() *cobra.Command {
	var (
		w auditWanted
		r remote
	)
	c := &cobra.Command{
		Use:   "audit",
		Short: "Tell who changed what, when, and by which token",
		Long: `Tell who changed what in the collection, when, and by which token, the latest first; with
--society what was done with a society and its members. For managers of the collection and
organisers of the society. Growers are told by their names if you know them: you, whom the
collection is shared with, who is in a society with you; else by their ids. Who was erased
is a code, and the server itself a dash. Names can change and be alike: ids cannot.
Instants are those of UTC.`,
		Example: "  dewbench audit\n  dewbench audit --action deleted --since 2026-05-01\n  dewbench audit --by \"Bram Dewhollow\"\n  dewbench audit --society \"Sundew circle\"",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			if w.most < 1 {
				return errors.New("--most: must be at least 1")
			}
			if w.society != "" && c.Flags().Changed("collection") {
				return errors.New("--collection: does not go with --society: what changed in one or the other is told")
			}
			if _, err := w.filter(""); err != nil { // before anything is called
				return err
			}
			if w.society != "" {
				return r.connected(c, func(ctx context.Context, conn *client, in inOut) error {
					s, err := conn.society(ctx, w.society, choose)
					if err != nil {
						return fmt.Errorf("--society: %w", err)
					}
					known, err := conn.knownGrowers(ctx)
					if err != nil {
						return err
					}
					return conn.audit(ctx, s.GetName(), &w, known, in)
				})
			}
			return r.inHome(c, func(ctx context.Context, h *home, in inOut) error {
				shared, err := h.grants(ctx)
				if err != nil {
					return err
				}
				known, err := h.knownGrowers(ctx)
				if err != nil {
					return err
				}
				for _, m := range shared {
					if m.GetGrower() != "" {
						known[m.GetGrower()] = m.GetDisplayName()
					}
				}
				return h.client.audit(ctx, h.GetName(), &w, known, in)
			})
		},
	}
	r.add(c)
	r.addCollection(c)
	c.Flags().StringVar(&w.society, "society", "", "the society, by its name or id, instead of the collection")
	c.Flags().StringVar(&w.by, "by", "", "what one grower did: their name as this command tells it, their id, or me")
	c.Flags().StringVar(&w.action, "action", "", "what was done: "+strings.Join(auditActions(), ", "))
	c.Flags().StringVar(&w.since, "since", "", "what was done from a day on, or from an instant: 2026-05-01, 2026-05-01T18:00:00Z")
	c.Flags().IntVar(&w.most, "most", 50, "the most entries to tell")
	return c
}

// auditActions are the actions as they are typed.
func auditActions() (all []string) {
	values := pb.AuditEntry_ACTION_UNSPECIFIED.Descriptor().Values()
	for i := 1; i < values.Len(); i++ {
		all = append(all, strings.ToLower(string(values.Get(i).Name())))
	}
	return all
}

// growerID is what ids of growers look like, and codes of those who were erased.
var growerID = regexp.MustCompile(`^(me|erased-[0-9a-f]+|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12})$`)

// whose returns the name of the grower whom --by means.
func (w *auditWanted) whose(known map[string]string) (string, error) {
	if id := strings.TrimPrefix(w.by, store.GrowerName("")); growerID.MatchString(id) {
		return store.GrowerName(id), nil
	}
	var names []named
	for _, name := range slices.Sorted(maps.Keys(known)) {
		names = append(names, named{name, store.Segment(name, "growers"), known[name]})
	}
	i, err := chooseWhole("grower", w.by, "say whose", names)
	if err != nil {
		return "", fmt.Errorf("--by: %w", err)
	}
	return names[i].name, nil
}

// filter is the filter of the list, for what a grower did, or for "" all did.
func (w *auditWanted) filter(grower string) (string, error) {
	var all []string
	if grower != "" {
		all = append(all, fmt.Sprintf("grower = %q", grower))
	}
	if w.action != "" {
		name := strings.ToUpper(w.action)
		if pb.AuditEntry_Action_value[name] == 0 {
			return "", fmt.Errorf("--action %s: must be one of %s", w.action, strings.Join(auditActions(), ", "))
		}
		all = append(all, fmt.Sprintf("action = %q", name))
	}
	if w.since != "" {
		at, err := time.Parse(time.DateOnly, w.since)
		if err != nil {
			at, err = time.Parse(time.RFC3339, w.since)
		}
		if err != nil {
			return "", fmt.Errorf("--since %s: give a day or an instant, such as 2026-05-01 or 2026-05-01T18:00:00Z", w.since)
		}
		all = append(all, fmt.Sprintf("createTime >= %q", at.UTC().Format(time.RFC3339Nano)))
	}
	return strings.Join(all, " AND "), nil
}

// knownGrowers returns the display names of the caller and of those who are in a society with
// the caller, by their names.
func (c *client) knownGrowers(ctx context.Context) (map[string]string, error) {
	me, err := pb.NewGrowerServiceClient(c).GetGrower(ctx, &pb.GetGrowerRequest{Name: "growers/me"})
	if err != nil {
		return nil, c.said(err, nil)
	}
	known := map[string]string{me.GetName(): me.GetDisplayName()}
	all, err := c.societies(ctx)
	if err != nil {
		return nil, err
	}
	for _, s := range all {
		members, err := c.members(ctx, s.GetName())
		if err != nil {
			return nil, err
		}
		for _, m := range members {
			known[m.GetGrower()] = m.GetDisplayName()
		}
	}
	return known, nil
}

// audit prints the latest entries.
func (c *client) audit(ctx context.Context, parent string, w *auditWanted, known map[string]string, in inOut) error {
	grower, most := "", w.most
	if w.by != "" {
		var err error
		if grower, err = w.whose(known); err != nil {
			return err
		}
	}
	filter, err := w.filter(grower)
	if err != nil {
		return err
	}
	alike := map[string]int{} // growers of a display name
	for _, display := range known {
		alike[display]++
	}
	who := func(name string) string {
		if display := known[name]; display != "" && alike[display] == 1 {
			return printable(display)
		}
		return cmp.Or(store.Segment(name, "growers"), "-")
	}
	rows := [][]string{{"WHEN", "ACTION", "WHO", "TOKEN", "WHAT"}}
	calls := pb.NewAuditServiceClient(c)
	for token := ""; ; {
		left := most + 1 - (len(rows) - 1) // one more tells whether there are more
		page, err := calls.ListAuditEntries(ctx, &pb.ListAuditEntriesRequest{
			Parent: parent, PageSize: int32(min(left, service.MaxPageSize)), PageToken: token, Filter: filter,
		})
		if err != nil {
			return c.said(err, nil)
		}
		for _, m := range page.GetAuditEntries() {
			rows = append(rows, auditLine(m, who(m.GetGrower())))
		}
		if token = page.GetNextPageToken(); token == "" || len(rows)-1 > most {
			break
		}
	}
	if len(rows) == 1 {
		_, err := fmt.Fprintln(in.out, "There is no such entry.")
		return err
	}
	more := len(rows)-1 > most
	if more {
		rows = rows[:most+1]
	}
	if err := writeTable(in.out, rows); err != nil {
		return err
	}
	if more {
		fmt.Fprintf(in.notes, "note: there are more than %d entries: --most tells more, --since and --action fewer\n", most)
	}
	return nil
}

// auditLine is an entry as it is printed. What changed is told without the name of the
// collection or society.
func auditLine(m *pb.AuditEntry, who string) []string {
	parent, _, _ := strings.Cut(m.GetName(), "/auditEntries/")
	what := "-"
	if names := m.GetResources(); len(names) > 0 {
		what = strings.TrimPrefix(strings.TrimPrefix(names[0], parent), "/")
		if what == "" {
			what = parent
		}
		if more := len(names) - 1; more > 0 {
			what += fmt.Sprintf(" and %d more", more)
		}
	}
	return []string{
		timeText(m.GetCreateTime()), strings.ToLower(m.GetAction().String()), who,
		cmp.Or(store.Segment(m.GetToken(), "tokens"), "-"), what,
	}
}
