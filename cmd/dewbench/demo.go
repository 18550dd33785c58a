package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"dewbench/api"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// demoRows is how many plants of each status the demo lists.
const demoRows = 6

func demoCommand() *cobra.Command {
	var (
		doors doors
		d     database
		once  bool
	)
	c := &cobra.Command{
		Use:   "demo",
		Short: "Show six invented growers and what is due today for one of them, then answer calls",
		Long: `Make six invented growers, in the north and the south, indoors and outdoors, one of
them a nursery of 1,500 pots, with two years of records. They form a society; one
collection is shared with it, one is public. List what is due today for one of them,
print calls to try, and answer over gRPC and HTTP until stopped.

All of it is in a temporary database, which is thrown away at the end. With
--database-url it is put into a database of your own that has no growers yet, and
stays there: a SQLite file is made if it is not there, and on Postgres run
dewbench migrate first. Photos are then kept where dewbench serve keeps them without
--photos-url. Serve it again with dewbench serve.`,
		Example: "  dewbench demo\n  dewbench demo --once\n  dewbench demo --database-url sqlite:demo.db",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			in := inOut{out: c.OutOrStdout(), notes: c.ErrOrStderr()}
			log := newLog(in.notes, false, slog.LevelWarn)
			if c.Flags().Changed(databaseFlag) {
				return runDemo(c.Context(), in, &doors, &d, once, log)
			}
			return runDemo(c.Context(), in, &doors, nil, once, log)
		},
	}
	doors.flags(c)
	// The environment does not count: it names the database of real records.
	d.command = c
	c.Flags().StringVar(&d.flag, databaseFlag, "", "database without growers to put the records into (default a temporary one)")
	c.Flags().BoolVar(&once, "once", false, "list and exit, without answering calls")
	return c
}

// runDemo shows the society, in database d or, if that is nil, in a temporary one.
func runDemo(ctx context.Context, in inOut, doors *doors, d *database, once bool, log *slog.Logger) (err error) {
	var grpcListener, httpListener net.Listener
	if !once { // before the records, to say at once if it cannot
		if grpcListener, httpListener, err = doors.open(ctx); err != nil {
			return err
		}
		defer grpcListener.Close() // for the second time, if it was served
		defer httpListener.Close()
	}
	s, photos, end, err := demoStore(ctx, d)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	clock := &wound{}
	config := service.Config{Store: s, Blobs: photos, Log: log, Version: ownVersion(), Build: ownBuild(), Now: clock.now}
	var server *api.Server
	if d == nil {
		server, err = api.New(ctx, config)
	} else {
		server, err = d.newServer(ctx, config)
	}
	if err != nil {
		return err
	}
	f := &founding{store: s, stays: d != nil, conn: server.Conn(), clock: clock, now: time.Now(), progress: progress(in.notes, time.Now)}
	residents, err := found(ctx, f, society(nurseryPots))
	if err != nil {
		return err
	}
	clock.release()
	if err := introduce(in.out, residents); err != nil {
		return err
	}
	shown := residents[0]
	if err := listToday(ctx, in.out, api.WithToken(server.Conn(), shown.token), shown); err != nil || once {
		return err
	}
	if err := tryThese(in.out, shown, reachable(httpListener.Addr()), reachable(grpcListener.Addr())); err != nil {
		return err
	}
	return serveStore(ctx, in.out, server, s, log, grpcListener, httpListener)
}

// demoStore opens the database that the demo fills, and the bucket for its photos.
func demoStore(ctx context.Context, d *database) (s *store.Store, photos *store.Blobs, end func() error, err error) {
	if d == nil {
		return temporaryStore(ctx)
	}
	if s, err = d.openToServe(ctx); err != nil {
		return nil, nil, nil, err
	}
	all, err := growers(ctx, s)
	if err == nil && len(all) > 0 {
		flag, note := d.again()
		if note != "" {
			note = ", " + note
		}
		err = fmt.Errorf("--%s: the database has %s already, and the demo only fills one without any: name another, or serve this one with dewbench serve %s%s",
			databaseFlag, count(len(all), "grower"), flag, note)
	}
	if err == nil {
		photos, err = d.openPhotos(ctx)
	}
	if err != nil {
		return nil, nil, nil, errors.Join(err, s.Close())
	}
	return s, photos, func() error { return errors.Join(photos.Close(), s.Close()) }, nil
}

// progress tells once a second how much is written, after the first second.
func progress(notes io.Writer, now func() time.Time) func(records int) {
	last := now()
	return func(records int) {
		if at := now(); at.Sub(last) >= time.Second {
			last = at
			fmt.Fprintf(notes, "writing two years of records: %d so far\n", records)
		}
	}
}

// introduce tells who the growers are.
func introduce(out io.Writer, residents []*resident) error {
	today := residents[0].today
	if _, err := fmt.Fprintf(out, "Six invented growers, with records from %s to %s:\n\n", today-years, today); err != nil {
		return err
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "GROWER\tPOTS\tFEEDINGS\tOBSERVATIONS\tWHERE\tWHAT")
	for _, r := range residents {
		fmt.Fprintf(table, "%s\t%d\t%d\t%d\t%s\t%s\n", r.name, r.pots, r.feedings, r.observations, r.where(), r.about)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(out, "\nThey form a society, the %s; %s is its organiser.\n", circle, residents[0].name); err != nil {
		return err
	}
	for _, r := range residents {
		text := ""
		switch {
		case r.shared != 0:
			text = fmt.Sprintf("shared with it: its members are %ss", enumWords(r.shared))
		case r.public:
			text = "public: all growers see names, sizes and feedings, but no places or notes"
		default:
			continue
		}
		if _, err := fmt.Fprintf(out, "%s, of %s, is %s.\n", r.collection, r.name, text); err != nil {
			return err
		}
	}
	return nil
}

// where tells where on the globe the grower is.
func (r *resident) where() string {
	switch {
	case r.latitude > 0:
		return fmt.Sprintf("%.0f N", r.latitude)
	case r.latitude < 0:
		return fmt.Sprintf("%.0f S", -r.latitude)
	case r.south:
		return "south"
	}
	return "north"
}

// listToday lists what is due today for a grower.
func listToday(ctx context.Context, out io.Writer, conn grpc.ClientConnInterface, r *resident) error {
	rows, err := dueRows(ctx, conn, r)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(out, "\nFeeding list of %s for %s: %s on %d benches\n", r.name, r.today, count(len(rows), "pot"), len(r.stands)); err != nil {
		return err
	}
	if r.awayFrom != 0 {
		if _, err := fmt.Fprintf(out, "Away from %s and back on %s.\n", r.today+r.awayFrom, r.today+r.awayUntil); err != nil {
			return err
		}
	}
	list := listing{most: demoRows, horizon: service.UsualHorizonDays, shown: func(pb.DueFeeding_Status) bool { return true }}
	written, err := list.write(out, rows)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "\nThe codes above:\n%s", legend(written))
	return err
}

// dueRows asks what is due of all plants of a grower, in the server's order.
func dueRows(ctx context.Context, conn grpc.ClientConnInterface, r *resident) ([]row, error) {
	benches := map[string]string{"": ""}
	for i := range r.stands {
		benches[r.place+"/benches/"+r.stands[i].id()] = r.stands[i].name
	}
	var all []pb.DueFeeding_Status
	for _, s := range statuses {
		all = append(all, s.status)
	}
	var rows []row
	for token := ""; ; {
		page, err := pb.NewDueServiceClient(conn).ListDueFeedings(ctx, &pb.ListDueFeedingsRequest{
			Parent: r.place, Statuses: all, PageSize: service.MaxPageSize, PageToken: token,
		})
		if err != nil {
			return nil, err
		}
		for _, d := range page.GetDueFeedings() {
			rows = append(rows, row{&pot{bench: benches[d.GetBench()], tag: d.GetTag(), name: fullName(d)}, d})
		}
		if token = page.GetNextPageToken(); token == "" {
			return rows, nil
		}
	}
}

// tryThese prints calls that work as they stand.
func tryThese(w io.Writer, r *resident, httpAddress, grpcAddress string) error {
	_, err := fmt.Fprintf(w, `
Try, in another window, as %[5]s:

  curl -s 'http://%[1]s/v1/serverInfo'
  curl -s --get 'http://%[1]s/v1/taxa' -H '%[4]s' --data-urlencode 'filter=trapType = SNAP'
  curl -s 'http://%[1]s/v1/%[3]s/dueFeedings?pageSize=5' -H '%[4]s'
  curl -s 'http://%[1]s/v1/%[3]s/plants/-:explainDue?tag=%[6]s' -H '%[4]s'
  curl -s 'http://%[1]s/v1/%[3]s/dayPlan?benches=%[3]s/benches/%[7]s' -H '%[4]s'
  curl -s 'http://%[1]s/v1/%[3]s/watchList?pageSize=5' -H '%[4]s'
  curl -s 'http://%[1]s/v1/%[3]s/sheets' -H '%[4]s' -d '{"requestId": "sheet-1"}'
  curl -s 'http://%[1]s/v1/%[3]s/calendars' -H '%[4]s' -d '{"displayName": "Telephone"}'
  curl -s 'http://%[1]s/v1/societies' -H '%[4]s'
  curl -s 'http://%[1]s/v1/collections' -H '%[4]s'
  curl -s --get 'http://%[1]s/v1/collections' -H '%[4]s' --data-urlencode 'filter=visibility = PUBLIC'
  curl -s 'http://%[1]s/v1/%[3]s/benches/%[7]s:recordSession' -H '%[4]s' -d '{"food": "foods/bloodworm-frozen"}'

These need grpcurl, a program of its own:

  grpcurl -plaintext %[2]s list
  grpcurl -plaintext -H '%[4]s' -d '{"parent": "%[3]s"}' %[2]s dewbench.v1.DueService/ListDueFeedings

Stop with Ctrl-C.

`, httpAddress, grpcAddress, r.place, "Authorization: Bearer "+r.token, r.name, demoTag, slug(demoBench))
	return err
}
