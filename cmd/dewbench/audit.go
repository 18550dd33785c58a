package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
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
organisers of the society. Growers are told by their ids; who was erased is a code, and the
server itself a dash. Instants are those of UTC.`,
		Example: "  dewbench audit\n  dewbench audit --action deleted --since 2026-05-01\n  dewbench audit --society societies/0199a3c4-7e1d-7000-8000-000000000001",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			if w.most < 1 {
				return errors.New("--most: must be at least 1")
			}
			filter, err := w.filter()
			if err != nil {
				return err
			}
			if w.society != "" {
				name := store.SocietyName(strings.TrimPrefix(w.society, store.SocietyName("")))
				return r.connected(c, func(ctx context.Context, conn *client, in inOut) error {
					return conn.audit(ctx, name, filter, w.most, in)
				})
			}
			return r.inHome(c, func(ctx context.Context, h *home, in inOut) error {
				return h.client.audit(ctx, h.GetName(), filter, w.most, in)
			})
		},
	}
	r.add(c)
	r.addCollection(c)
	c.Flags().StringVar(&w.society, "society", "", "a society in place of the collection: societies/ID, or the id")
	c.Flags().StringVar(&w.by, "by", "", "what one grower did: growers/ID, the id, or me")
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

// filter is the filter of the list.
func (w *auditWanted) filter() (string, error) {
	var all []string
	if w.by != "" {
		all = append(all, fmt.Sprintf("grower = %q", store.GrowerName(strings.TrimPrefix(w.by, store.GrowerName("")))))
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

// audit prints the latest entries.
func (c *client) audit(ctx context.Context, parent, filter string, most int, in inOut) error {
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
			rows = append(rows, auditLine(m))
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
func auditLine(m *pb.AuditEntry) []string {
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
		timeText(m.GetCreateTime()), strings.ToLower(m.GetAction().String()), cmp.Or(store.Segment(m.GetGrower(), "growers"), "-"),
		cmp.Or(store.Segment(m.GetToken(), "tokens"), "-"), what,
	}
}
