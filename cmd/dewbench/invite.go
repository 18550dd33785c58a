package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// longestInvited is how long an invitation can be open, in days.
const longestInvited = 30

// whereto says what invitations are to: a society, or else the collection.
type whereto struct {
	remote
	society string
}

func (w *whereto) add(c *cobra.Command) {
	w.remote.add(c)
	w.addCollection(c)
	c.Flags().StringVar(&w.society, "society", "", "the society, by its name or id, instead of the collection")
}

// opened is what invitations are to, once it was found.
type opened struct {
	*client
	name, display string
	home          *home // nil for a society
}

// said is that of the client, with names to show for those of resources.
func (o *opened) said(err error, inWords func(string) string) error {
	err = o.client.said(err, inWords)
	if o.home == nil {
		return errors.New(strings.ReplaceAll(err.Error(), o.name, printable(o.display)))
	}
	return err // inHome does
}

// run runs a command on what the flags name.
func (w *whereto) run(c *cobra.Command, do func(context.Context, *opened, inOut) error) error {
	if w.society == "" {
		return w.inHome(c, func(ctx context.Context, h *home, in inOut) error {
			return do(ctx, &opened{h.client, h.GetName(), h.GetDisplayName(), h}, in)
		})
	}
	if c.Flags().Changed("collection") {
		return errors.New("--collection: does not go with --society: an invitation is to one or the other")
	}
	return w.connected(c, func(ctx context.Context, conn *client, in inOut) error {
		s, err := conn.society(ctx, w.society, choose)
		if err != nil {
			return fmt.Errorf("--society: %w", err)
		}
		return do(ctx, &opened{conn, s.GetName(), s.GetDisplayName(), nil}, in)
	})
}

func inviteCommand() *cobra.Command {
	var (
		w          whereto
		role, note string
		organiser  bool
		days       int
	)
	c := &cobra.Command{
		Use:   "invite",
		Short: "Invite somebody to the collection, or to a society",
		Long: `Invite a helper to the collection, or somebody to a society, and print the secret of the
invitation, which is shown this once. Send it to whom it is for: dewbench join takes it,
with a token of theirs on the same server. It lets one grower in, once, until it ends.

  viewer     sees all but where the wild ancestors of plants come from
  keeper     also records feedings and observations, moves and divides plants
  manager    also changes plants, benches and settings, and shares with viewers and keepers
  owner      has the collection instead of you; you become a manager

Who has the secret can use it: treat it like a password.`,
		Example: "  dewbench invite --role keeper --for \"Bram, over the holidays\"\n  dewbench invite --society \"Sundew circle\" --days 2\n" +
			"  dewbench invite list\n  dewbench invite revoke \"Bram, over the holidays\"",
		Args: noArguments,
	}
	w.add(c)
	c.Flags().StringVar(&role, "role", "", "what they become for the collection: viewer, keeper, manager or owner")
	c.Flags().BoolVar(&organiser, "organiser", false, "of a society: let them be an organiser, not a member")
	c.Flags().StringVar(&note, "for", "", "whom it is for, as a note to yourself")
	c.Flags().IntVar(&days, "days", 7, fmt.Sprintf("how many days it is open, 1 to %d", longestInvited))
	c.RunE = func(c *cobra.Command, _ []string) error {
		m := &pb.Invitation{DisplayName: note}
		switch {
		case days < 1 || days > longestInvited:
			return fmt.Errorf("--days %d: must be 1 to %d", days, longestInvited)
		case w.society == "":
			if organiser {
				return errors.New("--organiser: goes with --society; for the collection say --role")
			}
			name, err := roleOf("--role", role, invitationRoles)
			if err != nil {
				return err
			}
			m.Role = pb.Invitation_Role(pb.Invitation_Role_value[name])
		case role != "":
			return errors.New("--role: goes with the collection; to a society they come as a member, or say --organiser")
		case organiser:
			m.Role = pb.Invitation_ORGANISER
		default:
			m.Role = pb.Invitation_MEMBER
		}
		if c.Flags().Changed("days") {
			// A minute less: the clock of the server may be behind.
			m.ExpireTime = timestamppb.New(time.Now().Add(time.Duration(days)*24*time.Hour - time.Minute))
		}
		return w.run(c, func(ctx context.Context, o *opened, in inOut) error { return o.invite(ctx, m, in) })
	}
	c.AddCommand(inviteListCommand(), inviteRevokeCommand())
	return c
}

// invite makes an invitation and prints its secret. One whose secret cannot be printed is
// taken back: none is good that nobody knows.
func (o *opened) invite(ctx context.Context, m *pb.Invitation, in inOut) error {
	calls := pb.NewInvitationServiceClient(o)
	made, err := calls.CreateInvitation(ctx, &pb.CreateInvitationRequest{Parent: o.name, Invitation: m, RequestId: newRequestID()})
	if err != nil {
		return o.said(err, fields(map[string]string{"displayName": "--for", "role": "--role", "expireTime": "--days"}))
	}
	signal.Ignore(syscall.SIGPIPE) // a reader who has gone is an error here, not the end of the program
	what := fmt.Sprintf("%s of %s", aRole(made.GetRole()), printable(o.display))
	if made.Secret == nil {
		err = errors.New("the connection broke before the secret came")
	} else {
		_, err = fmt.Fprintf(in.out, "%s: to become %s, until %s\ninvitation: %s\nto accept it: dewbench join %[4]s\n",
			made.GetName(), what, timeText(made.GetExpireTime()), made.GetSecret())
	}
	if err != nil {
		if _, late := calls.DeleteInvitation(context.WithoutCancel(ctx), &pb.DeleteInvitationRequest{Name: made.GetName(), RequestId: newRequestID()}); late != nil {
			return fmt.Errorf("the invitation cannot be shown: %w\n%s is open, though nobody knows it: %w", err, made.GetName(), o.said(late, nil))
		}
		return fmt.Errorf("the invitation cannot be shown: %w\n%s is taken back: make another one", err, made.GetName())
	}
	fmt.Fprintf(in.notes, "note: send it to nobody but whom it is for: who has it becomes %s. Treat it like a password. It works once, and is not shown again\n", what)
	return nil
}

// invitations returns all invitations to a society or collection that are open, or all.
func (o *opened) invitations(ctx context.Context, ended bool) ([]*pb.Invitation, error) {
	var all []*pb.Invitation
	for token := ""; ; {
		page, err := pb.NewInvitationServiceClient(o).ListInvitations(ctx, &pb.ListInvitationsRequest{
			Parent: o.name, PageSize: service.MaxPageSize, PageToken: token, ShowDeleted: ended,
		})
		if err != nil {
			return nil, o.said(err, nil)
		}
		all = append(all, page.GetInvitations()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

func inviteListCommand() *cobra.Command {
	var (
		w            whereto
		asJSON, more bool
	)
	c := &cobra.Command{
		Use:   "list",
		Short: "List open invitations to the collection, or to a society",
		Long: `List the open invitations to the collection, or with --society to a society, without
their secrets. That is for those who may invite. Instants are those of UTC.`,
		Example: "  dewbench invite list\n  dewbench invite list --society \"Sundew circle\" --ended",
		Args:    noArguments,
	}
	w.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers")
	c.Flags().BoolVar(&more, "ended", false, "also list those that were accepted or taken back, or have expired")
	c.RunE = func(c *cobra.Command, _ []string) error {
		return w.run(c, func(ctx context.Context, o *opened, in inOut) error {
			all, err := o.invitations(ctx, more)
			if err != nil {
				return err
			}
			if asJSON {
				return writeAnswer(in.out, &pb.ListInvitationsResponse{Invitations: all})
			}
			if len(all) == 0 {
				_, err := fmt.Fprintf(in.out, "There is no invitation to %s\n", printable(o.display))
				return err
			}
			return listInvitations(in.out, all, time.Now())
		})
	}
	return c
}

func listInvitations(out io.Writer, all []*pb.Invitation, now time.Time) error {
	rows := [][]string{{"INVITATION", "FOR", "TO BECOME", "MADE", "ENDS", "STATE"}}
	for _, m := range all {
		state := "open"
		switch {
		case m.GetAcceptTime() != nil:
			state = "accepted " + timeText(m.GetAcceptTime())
		case m.GetRevokeTime() != nil:
			state = "taken back " + timeText(m.GetRevokeTime())
		case !m.GetExpireTime().AsTime().After(now):
			state = "expired"
		}
		rows = append(rows, []string{
			store.Segment(m.GetName(), "invitations"), cmp.Or(printable(m.GetDisplayName()), "-"), enumWords(m.GetRole()),
			timeText(m.GetCreateTime()), timeText(m.GetExpireTime()), state,
		})
	}
	return writeTable(out, rows)
}

func inviteRevokeCommand() *cobra.Command {
	var w whereto
	c := &cobra.Command{
		Use:   "revoke INVITATION",
		Short: "Take an invitation back",
		Long: `Take an invitation back, by its whole note or its id: it opens nothing from now on. What
it opened before stays: dewbench share stop and dewbench society remove end that.`,
		Example: "  dewbench invite revoke \"Bram, over the holidays\"",
		Args:    argumentsOf(1, 1),
	}
	w.add(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return w.run(c, func(ctx context.Context, o *opened, in inOut) error {
			all, err := o.invitations(ctx, false)
			if err != nil {
				return err
			}
			names := make([]named, len(all))
			for i, m := range all {
				names[i] = named{m.GetName(), store.Segment(m.GetName(), "invitations"), m.GetDisplayName()}
			}
			i, err := chooseWhole("invitation", args[0], "say which invitation", names)
			if err != nil {
				return err
			}
			if _, err := pb.NewInvitationServiceClient(o).DeleteInvitation(ctx, &pb.DeleteInvitationRequest{Name: all[i].GetName(), RequestId: newRequestID()}); err != nil {
				return o.said(err, nil)
			}
			_, err = fmt.Fprintf(in.out, "The invitation %s is taken back\n", cmp.Or(printable(all[i].GetDisplayName()), names[i].id))
			return err
		})
	}
	return c
}

func joinCommand() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use:   "join [SECRET]",
		Short: "Accept an invitation to a collection or a society",
		Long: `Accept an invitation, by its secret: it begins with dwbinv_. What is typed stays in the
history of many shells; a file, or - for standard input, does not.`,
		Example: "  dewbench join dwbinv_...\n  dewbench join --secret-file invitation\n  dewbench join --secret-file - < invitation",
		Args:    argumentsOf(0, 1),
	}
	c.Flags().StringVar(&file, "secret-file", "", "file that holds the secret, - for standard input")
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		secret, err := invitationSecret(args, file, in.stdin)
		if err != nil {
			return err
		}
		answer, err := pb.NewInvitationServiceClient(conn).AcceptInvitation(ctx, &pb.AcceptInvitationRequest{Secret: secret, RequestId: newRequestID()})
		if err != nil {
			return conn.said(err, func(string) string { return "SECRET" })
		}
		return conn.writeJoined(ctx, in.out, answer)
	})
}

// invitationSecret reads the secret of an invitation from an argument or a file. No error
// repeats it.
func invitationSecret(args []string, file string, stdin io.Reader) (string, error) {
	text, from := "", "SECRET"
	switch {
	case len(args) > 0 && file != "":
		return "", errors.New("give SECRET or --secret-file, not both")
	case len(args) > 0:
		text = args[0]
	case file == "":
		return "", errors.New("write dewbench join SECRET, with what you were sent: it begins with " + service.InvitationPrefix)
	default:
		from = "--secret-file " + file
		var all []byte
		var err error
		if file == "-" {
			all, err = io.ReadAll(io.LimitReader(stdin, 1<<16))
		} else {
			all, err = os.ReadFile(file)
		}
		if err != nil {
			return "", notRead("secret-file", file, err)
		}
		text = string(all)
	}
	text = strings.TrimSpace(text)
	if !strings.HasPrefix(text, service.InvitationPrefix) || strings.ContainsAny(text, " \t\r\n") {
		return "", fmt.Errorf("%s: is no invitation: one begins with %s and stands there alone", from, service.InvitationPrefix)
	}
	return text, nil
}

// writeJoined tells what an accepted invitation opened.
func (c *client) writeJoined(ctx context.Context, out io.Writer, answer *pb.AcceptInvitationResponse) error {
	if m := answer.GetMember(); m != nil {
		s, err := pb.NewSocietyServiceClient(c).GetSociety(ctx, &pb.GetSocietyRequest{Name: store.SocietyName(store.Segment(m.GetName(), "societies"))})
		if err != nil {
			return c.said(err, nil)
		}
		_, err = fmt.Fprintf(out, "You are %s of %s\nSee who else is: dewbench society members %q\n", aRole(m.GetRole()), printable(s.GetDisplayName()), s.GetDisplayName())
		return err
	}
	name, role := answer.GetCollection(), "the owner"
	if g := answer.GetGrant(); g != nil {
		name, role = store.CollectionName(store.Segment(g.GetName(), "collections")), aRole(g.GetRole())
	}
	m, err := pb.NewCollectionServiceClient(c).GetCollection(ctx, &pb.GetCollectionRequest{Name: name})
	if err != nil {
		return c.said(err, nil)
	}
	_, err = fmt.Fprintf(out, "You are %s of %s (%s)\nSee what is due: dewbench today --collection %q\n", role, printable(m.GetDisplayName()), m.GetName(), m.GetDisplayName())
	return err
}
