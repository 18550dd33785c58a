package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/table"
	"dewbench/store"
)

func calendarCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "calendar",
		Short: "Make, list and revoke addresses for calendar programs",
		Long: `Make, list and revoke secret addresses from which calendar programs read what is due,
for today and 31 days ahead.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(calendarNewCommand(), calendarListCommand(), calendarRevokeCommand())
	return c
}

func calendarNewCommand() *cobra.Command {
	var (
		all, again bool
		door       string
	)
	c := &cobra.Command{
		Use:   "new NAME",
		Short: "Make a calendar of the collection, or of all, and print its address",
		Long: `Make a calendar of the collection, or with --all one of all your collections, and print
its address, which is shown this once. NAME is what calendar programs call it.

Who has the address reads what is due, without a token: treat it like a password, and
revoke it if it got into wrong hands.`,
		Example: "  dewbench calendar new telephone\n  dewbench calendar new \"Kitchen tablet\" --all --http https://plants.example",
	}
	c.Flags().BoolVar(&all, "all", false, "of all your collections")
	c.Flags().BoolVar(&again, "again", false, "make one more of a name that another calendar has")
	c.Flags().StringVar(&door, "http", "", fmt.Sprintf("HTTP door of the server, as calendar programs reach it (default http://%s for a server at %s; of another it must be told)", usualHTTPAddress, usualGRPCAddress))
	var r remote
	r.add(c)
	r.addCollection(c)
	c.Args = argumentsOf(1, 1)
	c.RunE = func(c *cobra.Command, args []string) error {
		at, err := doorAddress(door, r.server)
		if err != nil {
			return err
		}
		create := func(ctx context.Context, conn *client, parent, of string, in inOut) error {
			if !again {
				if err := conn.refuseSecond(ctx, args[0]); err != nil {
					return err
				}
			}
			return conn.makeCalendar(ctx, parent, args[0], of, at, in)
		}
		if all {
			return r.connected(c, func(ctx context.Context, conn *client, in inOut) error {
				return create(ctx, conn, "growers/me", "all collections", in)
			})
		}
		return r.inHome(c, func(ctx context.Context, h *home, in inOut) error {
			return create(ctx, h.client, h.GetName(), printable(h.Collection.GetDisplayName()), in)
		})
	}
	return c
}

// refuseSecond refuses a name that another calendar has: nobody could tell which address
// is which.
func (c *client) refuseSecond(ctx context.Context, name string) error {
	known, err := c.calendars(ctx)
	if err != nil {
		return err
	}
	for _, m := range known {
		if table.Fold(m.GetDisplayName()) == table.Fold(name) {
			return fmt.Errorf("there is a calendar %s already, of %s (id %s): give another name, revoke that one, or say --again",
				printable(m.GetDisplayName()), printable(m.of), store.Segment(m.GetName(), "calendars"))
		}
	}
	return nil
}

// doorAddress returns what goes before the path of an address, which is shown this once
// and so must be whole.
func doorAddress(door, server string) (string, error) {
	if door == "" {
		if server == usualGRPCAddress {
			return "http://" + usualHTTPAddress, nil
		}
		return "", fmt.Errorf("--http: say how calendar programs reach the HTTP door of the server, such as http://%s or https://plants.example: "+
			"the address is shown once, and this goes before it", usualHTTPAddress)
	}
	u, err := url.Parse(door)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return "", fmt.Errorf("--http %s: give the address of the HTTP door, such as http://%s or https://plants.example", door, usualHTTPAddress)
	}
	return strings.TrimSuffix(door, "/"), nil
}

// makeCalendar makes a calendar and prints its address. One whose address cannot be
// printed is revoked again: none is good that nobody knows.
func (c *client) makeCalendar(ctx context.Context, parent, name, of, door string, in inOut) error {
	calls := pb.NewCalendarServiceClient(c)
	m, err := calls.CreateCalendar(ctx, &pb.CreateCalendarRequest{Parent: parent, Calendar: &pb.Calendar{DisplayName: name}, RequestId: newRequestID()})
	if err != nil {
		return c.said(err, fields(map[string]string{"displayName": "NAME"}))
	}
	signal.Ignore(syscall.SIGPIPE) // a reader who has gone is an error here, not the end of the program
	if m.Path == nil {
		err = errors.New("the connection broke before the address came")
	} else {
		_, err = fmt.Fprintf(in.out, "%s: %s, of %s\naddress: %s%s\n", m.GetName(), printable(m.GetDisplayName()), of, door, m.GetPath())
	}
	if err != nil {
		if _, late := calls.DeleteCalendar(context.WithoutCancel(ctx), &pb.DeleteCalendarRequest{Name: m.GetName(), RequestId: newRequestID()}); late != nil {
			return fmt.Errorf("the address cannot be shown: %w\n%s is good, though nobody knows it: %w", err, m.GetName(), c.said(late, nil))
		}
		return fmt.Errorf("the address cannot be shown: %w\n%s is revoked again: make another one", err, m.GetName())
	}
	fmt.Fprintln(in.notes, "note: keep the address: it is not shown again. Who has it reads the calendar: treat it like a password")
	return nil
}

// shownCalendar is a calendar with what it is of.
type shownCalendar struct {
	*pb.Calendar
	of string
}

// calendars returns all calendars of the caller's: those of all collections, then those
// of each, deleted ones too: they may come back.
func (c *client) calendars(ctx context.Context) ([]shownCalendar, error) {
	parents := []named{{name: "growers/me", display: "all collections"}}
	for token := ""; ; {
		page, err := pb.NewCollectionServiceClient(c).ListCollections(ctx, &pb.ListCollectionsRequest{PageSize: service.MaxPageSize, PageToken: token, ShowDeleted: true})
		if err != nil {
			return nil, c.said(err, nil)
		}
		for _, m := range page.GetCollections() {
			of := m.GetDisplayName()
			if m.GetDeleteTime() != nil {
				of += ", deleted"
			}
			parents = append(parents, named{name: m.GetName(), display: of})
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	var all []shownCalendar
	for _, parent := range parents {
		for token := ""; ; {
			page, err := pb.NewCalendarServiceClient(c).ListCalendars(ctx, &pb.ListCalendarsRequest{Parent: parent.name, PageSize: service.MaxPageSize, PageToken: token})
			if err != nil {
				return nil, c.said(err, nil)
			}
			for _, m := range page.GetCalendars() {
				all = append(all, shownCalendar{m, parent.display})
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
	}
	return all, nil
}

const noCalendars = "There is no calendar. Make one: dewbench calendar new telephone"

func calendarListCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "list",
		Short: "List your calendars",
		Long: `List your calendars of all collections: what they are of, when they were made, and when
they were last read, to about ten minutes. Never the address: only a hash of its secret
is kept. Instants are those of UTC.`,
		Example: "  dewbench calendar list",
		Args:    noArguments,
	}
	return withoutHome(c, func(ctx context.Context, conn *client, _ []string, in inOut) error {
		all, err := conn.calendars(ctx)
		if err != nil {
			return err
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(in.out, noCalendars)
			return err
		}
		rows := [][]string{{"CALENDAR", "NAME", "OF", "MADE", "LAST READ"}}
		for _, m := range all {
			rows = append(rows, []string{
				store.Segment(m.GetName(), "calendars"), printable(m.GetDisplayName()), printable(m.of), timeText(m.GetCreateTime()),
				cmp.Or(timeText(m.GetLastUseTime()), "never"),
			})
		}
		return writeTable(in.out, rows)
	})
}

func calendarRevokeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "revoke CALENDAR",
		Short:   "Revoke a calendar: its address opens nothing any more",
		Long:    "Revoke a calendar, by its whole name or its id: its address opens nothing from now on.\nThat cannot be undone.",
		Example: "  dewbench calendar revoke telephone",
		Args:    argumentsOf(1, 1),
	}
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		all, err := conn.calendars(ctx)
		if err != nil {
			return err
		}
		names := make([]named, len(all))
		for i, m := range all {
			names[i] = named{m.GetName(), store.Segment(m.GetName(), "calendars"), m.GetDisplayName()}
		}
		i, err := chooseWhole("calendar", args[0], "say which calendar", names) // it cannot be undone
		if err != nil {
			return err
		}
		m, err := pb.NewCalendarServiceClient(conn).DeleteCalendar(ctx, &pb.DeleteCalendarRequest{Name: all[i].GetName(), RequestId: newRequestID()})
		if err != nil {
			return conn.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "%s (%s, of %s) is revoked\n", m.GetName(), printable(m.GetDisplayName()), printable(all[i].of))
		return err
	})
}

// withoutHome completes a command that is about no collection.
func withoutHome(c *cobra.Command, run func(context.Context, *client, []string, inOut) error) *cobra.Command {
	var r remote
	r.add(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return r.connected(c, func(ctx context.Context, conn *client, in inOut) error { return run(ctx, conn, args, in) })
	}
	return c
}
