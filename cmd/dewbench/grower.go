package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// usualScopes are those of a token that the operator makes for a grower to begin
// with.
var usualScopes = []string{service.ScopeRead, service.ScopeRecord, service.ScopeManage}

// The most characters of texts. The proto files say the same.
const (
	mostName    = 200
	mostContact = 1000
)

// howToName tells how commands take a grower.
const howToName = `GROWER is the full name growers/ID, the id, the beginning of the id if no other
begins so, or the exact display name if only one has it.`

func growerCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "grower",
		Short: "List, add, suspend and erase growers: for the operator",
		Long: `List, add, suspend and erase growers, and give them new tokens. These commands open the
database themselves and need no token: whoever holds the database is the operator.
They work while a server runs on the same database.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(growerListCommand(), growerAddCommand(), growerSuspendCommand(), growerResumeCommand(), growerResetTokenCommand(), growerEraseCommand())
	return c
}

func growerAddCommand() *cobra.Command {
	var (
		d       database
		contact string
		file    tokenFile
	)
	c := &cobra.Command{
		Use:   "add NAME",
		Short: "Add a grower with a first token",
		Long: `Add a grower, and print the grower's name and a first token. The token may read,
record and manage. It is shown this once: only a hash of it is kept.

A SQLite file that is not there yet is made. On Postgres run dewbench migrate first.

` + databaseHelp,
		Example: "  dewbench grower add \"Fern Hollow\"\n" +
			"  dewbench grower add \"Fern Hollow\" --contact \"bench 12, mornings\" --token-file token",
		Args: arguments("NAME"),
		RunE: func(c *cobra.Command, args []string) error {
			name, err := cleanText("NAME", args[0], mostName)
			if err != nil {
				return err
			}
			if name == "" {
				return fmt.Errorf("NAME: must be 1 to %d characters", mostName)
			}
			if contact, err = cleanText("--contact", contact, mostContact); err != nil {
				return err
			}
			return d.operate(c.Context(), true, func(s *store.Store) error {
				return addGrower(c.Context(), s, name, contact, &file, inOut{out: c.OutOrStdout(), notes: c.ErrOrStderr()})
			})
		},
	}
	d.add(c)
	c.Flags().StringVar(&contact, "contact", "", "how to reach the grower, as free text")
	file.add(c)
	return c
}

func addGrower(ctx context.Context, s *store.Store, name, contact string, file *tokenFile, in inOut) error {
	all, err := growers(ctx, s)
	if err != nil {
		return err
	}
	for _, g := range all {
		if g.DisplayName == name {
			fmt.Fprintf(in.notes, "note: %s has the same display name\n", store.GrowerName(g.ID))
		}
	}
	id, err := newID()
	if err != nil {
		return err
	}
	token, err := newToken("first token", usualScopes)
	if err != nil {
		return err
	}
	return file.deliver(ctx, s, in, token, func() (string, error) {
		err := s.Write(ctx, func(tx *store.Tx) error {
			us := time.Now().UnixMicro()
			grower := tx.Grower(id)
			if _, err := grower.Create(name, us); err != nil {
				return fmt.Errorf("add grower: %w", err)
			}
			if contact != "" {
				_, err := grower.Update(us, func(m *pb.Grower) error {
					m.Contact = contact
					return nil
				})
				if err != nil {
					return fmt.Errorf("add contact: %w", err)
				}
			}
			return token.create(tx, id, us)
		})
		return "grower: " + store.GrowerName(id) + "\n", err
	})
}

// growerLine is a grower in the JSON of a list, with the fields of the API.
type growerLine struct {
	Name        string `json:"name"`
	DisplayName string `json:"displayName"`
	CreateTime  string `json:"createTime"`
	SuspendTime string `json:"suspendTime,omitempty"`
}

func growerListCommand() *cobra.Command {
	var (
		d      database
		asJSON bool
	)
	c := &cobra.Command{
		Use:   "list",
		Short: "List all growers",
		Long: `List all growers in the order in which they were added, and whether they are
suspended. Instants are those of UTC.

` + databaseHelp,
		Example: "  dewbench grower list\n  dewbench grower list --json",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			return d.operate(c.Context(), false, func(s *store.Store) error {
				all, err := growers(c.Context(), s)
				if err != nil {
					return err
				}
				return listGrowers(c.OutOrStdout(), all, asJSON)
			})
		},
	}
	d.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func listGrowers(out io.Writer, all []store.GrowerEntry, asJSON bool) error {
	lines := []growerLine{} // not null in JSON
	rows := [][]string{{"GROWER", "NAME", "ADDED", "STATE"}}
	for _, g := range all {
		line := growerLine{Name: store.GrowerName(g.ID), DisplayName: g.DisplayName, CreateTime: instantText(&g.CreateUs), SuspendTime: instantText(g.SuspendUs)}
		state := "active"
		switch {
		case g.DisplayName == "": // names go first
			state = "being erased"
		case g.SuspendUs != nil:
			state = "suspended " + line.SuspendTime
		}
		lines = append(lines, line)
		rows = append(rows, []string{line.Name, printable(g.DisplayName), line.CreateTime, state})
	}
	if asJSON {
		return writeJSON(out, map[string]any{"growers": lines})
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(out, `There is no grower yet. Add one: dewbench grower add "YOUR NAME"`)
		return err
	}
	return writeTable(out, rows)
}

func growerSuspendCommand() *cobra.Command {
	return growerCommandOn(&cobra.Command{
		Use:   "suspend GROWER",
		Short: "Refuse all tokens of a grower",
		Long: `Refuse all tokens of a grower from now on, also on servers that run. Nothing that
the grower recorded is changed. dewbench grower resume ends it.

` + howToName,
		Example: "  dewbench grower suspend \"Fern Hollow\"\n  dewbench grower suspend 0199a3",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		if g.SuspendUs != nil {
			_, err := fmt.Fprintf(in.out, "%s is suspended already, since %s\n", growerNamed(g), instantText(g.SuspendUs))
			return err
		}
		now := time.Now().UnixMicro()
		if err := suspend(ctx, s, g, &now); err != nil {
			return err
		}
		_, err := fmt.Fprintf(in.out, "%s is suspended\n", growerNamed(g))
		return err
	})
}

func growerResumeCommand() *cobra.Command {
	return growerCommandOn(&cobra.Command{
		Use:   "resume GROWER",
		Short: "Take the tokens of a suspended grower again",
		Long: `Take the tokens of a suspended grower again, those that were not revoked.

` + howToName,
		Example: "  dewbench grower resume \"Fern Hollow\"",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		if g.SuspendUs == nil {
			_, err := fmt.Fprintf(in.out, "%s is not suspended\n", growerNamed(g))
			return err
		}
		if err := suspend(ctx, s, g, nil); err != nil {
			return err
		}
		_, err := fmt.Fprintf(in.out, "%s is no longer suspended\n", growerNamed(g))
		return err
	})
}

func suspend(ctx context.Context, s *store.Store, g *store.GrowerEntry, since *int64) error {
	err := s.Write(ctx, func(tx *store.Tx) error { return tx.Grower(g.ID).Suspend(since, time.Now().UnixMicro()) })
	if err != nil {
		return fmt.Errorf("%s: %w", store.GrowerName(g.ID), err)
	}
	return nil
}

func growerResetTokenCommand() *cobra.Command {
	var file tokenFile
	c := growerCommandOn(&cobra.Command{
		Use:   "reset-token GROWER",
		Short: "Revoke all tokens of a grower and make a new one",
		Long: `Revoke all tokens, calendars and open invitations of a grower, which cannot be undone, take
all identities of other issuers from them, and print a new token that may read, record and
manage. It is shown this once: only a hash of it is kept.

` + howToName,
		Example: "  dewbench grower reset-token \"Fern Hollow\"\n  dewbench grower reset-token 0199a3 --token-file new-token",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		token, err := newToken("token after a reset", usualScopes)
		if err != nil {
			return err
		}
		noteSuspended(in.notes, g)
		return file.deliver(ctx, s, in, token, func() (string, error) {
			var revoked int64
			err := s.Write(ctx, func(tx *store.Tx) error {
				us := time.Now().UnixMicro()
				var err error
				if revoked, err = tx.Grower(g.ID).RevokeAll(us); err != nil {
					return err
				}
				return token.create(tx, g.ID, us)
			})
			return fmt.Sprintf("grower: %s\nrevoked: %s\n", store.GrowerName(g.ID), count(int(revoked), "token")), err
		})
	})
	file.add(c)
	return c
}

func growerEraseCommand() *cobra.Command {
	var (
		confirm      string
		deleteShared bool
	)
	c := growerCommandOn(&cobra.Command{
		Use:   "erase GROWER",
		Short: "Erase a grower for good",
		Long: `Erase a grower for good: this cannot be undone. Their name, contact, tokens, calendars,
memberships, grants and invitations go, and their own collections with everything in them.
What they recorded in collections of others stays, with a code in place of the grower.

A last organiser of a society hands over first. If it is stopped on its way, a server goes
on, or the same command: give the id then, as there is no name any more.

` + howToName,
		Example: "  dewbench grower erase \"Fern Hollow\" --confirm \"Fern Hollow\"\n  dewbench grower erase 0199a3 --confirm \"Fern Hollow\" --delete-shared",
	}, func(ctx context.Context, s *store.Store, g *store.GrowerEntry, in inOut) error {
		begun, err := erasureOf(ctx, s, g.ID)
		if err != nil {
			return err
		}
		var code string
		if begun != nil {
			code = begun.Code
		} else {
			if confirm != g.DisplayName {
				return fmt.Errorf("--confirm: give the display name of the grower to the letter, %q: %s is erased for good", printable(g.DisplayName), store.GrowerName(g.ID))
			}
			err := s.Write(ctx, func(tx *store.Tx) (err error) {
				code, err = service.BeginErasure(tx, g.ID, time.Now(), deleteShared)
				return err
			})
			if service.ReasonOf(err) == service.CollectionsShared {
				return fmt.Errorf("%w (--delete-shared)", err)
			}
			if err != nil {
				return err
			}
		}
		if err := service.FinishErasures(ctx, s, time.Now()); err != nil {
			return fmt.Errorf("%s cannot call any more, but is not gone yet; a server goes on, or this command: %w", store.GrowerName(g.ID), err)
		}
		_, err = fmt.Fprintf(in.out, "%s is erased; in what others keep %s stands for them\n", store.GrowerName(g.ID), store.GrowerName(code))
		return err
	})
	c.Flags().StringVar(&confirm, "confirm", "", "the display name of the grower, to the letter")
	c.Flags().BoolVar(&deleteShared, "delete-shared", false, "delete also collections of which others are managers")
	return c
}

// erasureOf returns the erasure of a grower that has begun, or nil.
func erasureOf(ctx context.Context, s *store.Store, id string) (found *store.Erasure, err error) {
	err = s.Read(ctx, func(tx *store.Tx) error {
		found, err = tx.Grower(id).Erasure()
		return err
	})
	return found, err
}

// growerCommandOn completes a command whose first argument is a grower. do gets the
// others, if any, from the arguments of the command.
func growerCommandOn(c *cobra.Command, do func(context.Context, *store.Store, *store.GrowerEntry, inOut) error) *cobra.Command {
	var d database
	_, names, _ := strings.Cut(c.Use, " ")
	c.Args = arguments(strings.Fields(names)...)
	c.Long += "\n\n" + databaseHelp
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		return d.operate(ctx, false, func(s *store.Store) error {
			all, err := growers(ctx, s)
			if err != nil {
				return err
			}
			candidates := make([]named, len(all))
			for i, g := range all {
				candidates[i] = named{store.GrowerName(g.ID), g.ID, g.DisplayName}
			}
			i, err := pick("grower", args[0], candidates, "dewbench grower list")
			if err != nil {
				return err
			}
			return do(ctx, s, &all[i], inOut{c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()})
		})
	}
	d.add(c)
	return c
}

// growers reads all growers.
func growers(ctx context.Context, s *store.Store) (all []store.GrowerEntry, err error) {
	const page = 1000
	err = s.Read(ctx, func(tx *store.Tx) error {
		all = nil
		for after := ""; ; after = all[len(all)-1].ID {
			some, err := tx.Growers(after, page)
			if err != nil {
				return err
			}
			if all = append(all, some...); len(some) < page {
				return nil
			}
		}
	})
	return all, err
}

func growerNamed(g *store.GrowerEntry) string {
	return fmt.Sprintf("%s (%s)", store.GrowerName(g.ID), printable(g.DisplayName))
}

func noteSuspended(notes io.Writer, g *store.GrowerEntry) {
	if g.SuspendUs != nil {
		fmt.Fprintf(notes, "note: %s is suspended: no token is taken before dewbench grower resume\n", growerNamed(g))
	}
}

// arguments wants an argument for each name.
func arguments(names ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) == len(names) {
			return nil
		}
		form := c.CommandPath() + " " + strings.Join(names, " ")
		if len(args) < len(names) {
			return fmt.Errorf("%s is missing: %s", names[len(args)], form)
		}
		return fmt.Errorf("%q is one word too many: %s; put a name of several words in quotes", args[len(names)], form)
	}
}

// cleanText takes a text without the space around it, if it is not too long.
func cleanText(field, text string, most int) (string, error) {
	text = strings.TrimSpace(text)
	switch {
	case !utf8.ValidString(text) || strings.ContainsRune(text, 0):
		return "", fmt.Errorf("%s: must be text in UTF-8", field)
	case utf8.RuneCountInString(text) > most:
		return "", fmt.Errorf("%s: has %d characters, but may have %d", field, utf8.RuneCountInString(text), most)
	}
	return text, nil
}

// newID returns a UUID of version 7 (RFC 9562), which sorts by its time.
func newID() (string, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return "", errors.Join(errors.New("make an id"), err)
	}
	return id.String(), nil
}
