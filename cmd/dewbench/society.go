package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/table"
	"dewbench/store"
)

// howToNameSocieties tells how commands take a society and a member.
const howToNameSocieties = `SOCIETY is its name, its id, or the beginning of either if no other of yours begins so.
MEMBER is found likewise among its members. Case does not matter.`

func societyCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "society",
		Short: "Make and keep societies, clubs of growers",
		Long: `Make and keep societies. A society is a club of growers: collections can be shared with
all of its members at once, and can belong to it. Its organisers invite, take members
out, and own its collections together.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(societyAddCommand(), societyListCommand(), societyShowCommand(), societyRenameCommand(), societyEndCommand(),
		societyMembersCommand(), societyRoleCommand(), societyLeaveCommand(), societyRemoveCommand())
	return c
}

// societies returns all societies of which the caller is a member.
func (c *client) societies(ctx context.Context) ([]*pb.Society, error) {
	var all []*pb.Society
	for token := ""; ; {
		page, err := pb.NewSocietyServiceClient(c).ListSocieties(ctx, &pb.ListSocietiesRequest{PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, c.said(err, nil)
		}
		all = append(all, page.GetSocieties()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// members returns all members of a society.
func (c *client) members(ctx context.Context, society string) ([]*pb.Member, error) {
	var all []*pb.Member
	for token := ""; ; {
		page, err := pb.NewSocietyServiceClient(c).ListMembers(ctx, &pb.ListMembersRequest{Parent: society, PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, c.said(err, nil)
		}
		all = append(all, page.GetMembers()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

const noSocieties = `you are in no society: make one with dewbench society add "Sundew circle", or if you were invited to one type dewbench join SECRET`

// chooser finds one thing of a kind by what was typed.
type chooser func(what, text, ask string, all []named) (int, error)

// society finds the society that text means.
func (c *client) society(ctx context.Context, text string, find chooser) (*club, error) {
	all, err := c.societies(ctx)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, errors.New(noSocieties)
	}
	names := make([]named, len(all))
	for i, m := range all {
		names[i] = named{m.GetName(), store.Segment(m.GetName(), "societies"), m.GetDisplayName()}
	}
	i, err := find("society", text, "say which society", names)
	if err != nil {
		return nil, err
	}
	return &club{c, all[i]}, nil
}

// club is a society that a command is about.
type club struct {
	*client
	*pb.Society
}

// said is that of the client, with the society by its name to show.
func (s *club) said(err error, inWords func(string) string) error {
	err = s.client.said(err, inWords)
	if text := strings.ReplaceAll(err.Error(), s.GetName(), printable(s.GetDisplayName())); text != err.Error() {
		return errors.New(text)
	}
	return err
}

// member finds the member that text means.
func (s *club) member(ctx context.Context, text string, find chooser) (*pb.Member, error) {
	all, err := s.members(ctx, s.GetName())
	if err != nil {
		return nil, err
	}
	names := make([]named, len(all))
	for i, m := range all {
		names[i] = named{m.GetName(), store.Segment(m.GetName(), "members"), m.GetDisplayName()}
	}
	i, err := find("member", text, "say which member", names)
	if err != nil {
		return nil, err
	}
	return all[i], nil
}

// onSociety completes a command whose first argument is a society, which takes from least
// to most arguments.
func onSociety(c *cobra.Command, least, most int, find chooser, run func(context.Context, *club, []string, inOut) error) *cobra.Command {
	c.Args = argumentsOf(least, most)
	c.Long += "\n\n" + howToNameSocieties
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		s, err := conn.society(ctx, args[0], find)
		if err != nil {
			return err
		}
		return run(ctx, s, args[1:], in)
	})
}

func societyAddCommand() *cobra.Command {
	var again bool
	c := &cobra.Command{
		Use:     "add NAME",
		Short:   "Make a society, with you as its first organiser",
		Long:    "Make a society. You are its first organiser.",
		Example: "  dewbench society add \"Sundew circle\"",
		Args:    argumentsOf(1, 1),
	}
	c.Flags().BoolVar(&again, "again", false, "make it although you are in one of that name")
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		all, err := conn.societies(ctx)
		if err != nil {
			return err
		}
		for _, other := range all {
			if table.Fold(other.GetDisplayName()) == table.Fold(args[0]) && !again {
				return fmt.Errorf("you are in a society %q already: to make another of that name add --again", other.GetDisplayName())
			}
		}
		made, err := pb.NewSocietyServiceClient(conn).CreateSociety(ctx, &pb.CreateSocietyRequest{
			Society: &pb.Society{DisplayName: args[0]}, RequestId: newRequestID(),
		})
		if err != nil {
			return conn.said(err, fields(map[string]string{"displayName": "NAME"}))
		}
		_, err = fmt.Fprintf(in.out, "%s: %s, with you as its organiser\nInvite others: dewbench invite --society %q\n",
			made.GetName(), printable(made.GetDisplayName()), made.GetDisplayName())
		return err
	})
}

func societyListCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List your societies",
		Long:    "List the societies of which you are a member, and what you are in each. Instants are\nthose of UTC.",
		Example: "  dewbench society list\n  dewbench society list --json",
		Args:    noArguments,
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers")
	return withoutHome(c, func(ctx context.Context, conn *client, _ []string, in inOut) error {
		all, err := conn.societies(ctx)
		if err != nil {
			return err
		}
		if asJSON {
			return writeAnswer(in.out, &pb.ListSocietiesResponse{Societies: all})
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(in.out, "Y"+noSocieties[1:])
			return err
		}
		rows := [][]string{{"SOCIETY", "NAME", "YOU ARE", "MADE"}}
		for _, m := range all {
			rows = append(rows, []string{store.Segment(m.GetName(), "societies"), printable(m.GetDisplayName()), enumWords(m.GetRole()), timeText(m.GetCreateTime())})
		}
		return writeTable(in.out, rows)
	})
}

func societyShowCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "show SOCIETY",
		Short:   "Show a society: what you are in it, how many are, which collections it owns",
		Long:    "Show a society: what you are in it, how many members it has, and to its organisers\nwhich collections it owns.",
		Example: "  dewbench society show \"Sundew circle\"",
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers about the society")
	return onSociety(c, 1, 1, choose, func(ctx context.Context, s *club, _ []string, in inOut) error {
		if asJSON {
			return writeAnswer(in.out, s.Society)
		}
		all, err := s.members(ctx, s.GetName())
		if err != nil {
			return err
		}
		organisers := 0
		for _, m := range all {
			if m.GetRole() == pb.Member_ORGANISER {
				organisers++
			}
		}
		if _, err := fmt.Fprintf(in.out, "%s: %s, since %s\nyou are: %s\nmembers: %d, of whom %s\n", s.GetName(), printable(s.GetDisplayName()),
			timeText(s.GetCreateTime()), enumWords(s.GetRole()), len(all), count(organisers, "organiser")); err != nil {
			return err
		}
		collections, err := s.collections(ctx)
		if err != nil {
			return err
		}
		for _, m := range collections {
			if m.GetOwner() != s.GetName() {
				continue
			}
			if _, err := fmt.Fprintf(in.out, "owns: %s (%s)\n", printable(m.GetDisplayName()), m.GetName()); err != nil {
				return err
			}
		}
		return nil
	})
}

func societyRenameCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "rename SOCIETY NAME",
		Short:   "Give a society another name: for organisers",
		Long:    "Give a society another name. That is for its organisers.",
		Example: "  dewbench society rename \"Sundew circle\" \"Bog and sill circle\"",
	}
	return onSociety(c, 2, 2, choose, func(ctx context.Context, s *club, args []string, in inOut) error {
		now, err := pb.NewSocietyServiceClient(s).UpdateSociety(ctx, &pb.UpdateSocietyRequest{
			Society:    &pb.Society{Name: s.GetName(), Etag: s.GetEtag(), DisplayName: args[0]},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return s.said(err, fields(map[string]string{"displayName": "NAME"}))
		}
		_, err = fmt.Fprintf(in.out, "%s is called %s now\n", printable(s.GetDisplayName()), printable(now.GetDisplayName()))
		return err
	})
}

func societyEndCommand() *cobra.Command {
	var yes bool
	c := &cobra.Command{
		Use:   "end SOCIETY",
		Short: "End a society, which cannot be undone: for organisers",
		Long: `End a society, with its members, its open invitations and what is shared with it. That
cannot be undone, and is for its organisers. Collections that it owns go to somebody
first: dewbench share take. The whole name is needed, and a yes.`,
		Example: "  dewbench society end \"Sundew circle\"",
	}
	c.Flags().BoolVar(&yes, "yes", false, "end it without asking")
	return onSociety(c, 1, 1, chooseWhole, func(ctx context.Context, s *club, _ []string, in inOut) error {
		if err := confirm(in, yes, fmt.Sprintf("This ends %s: its members lose all that is shared with it, and it cannot be undone.", printable(s.GetDisplayName()))); err != nil {
			return err
		}
		if _, err := pb.NewSocietyServiceClient(s).DeleteSociety(ctx, &pb.DeleteSocietyRequest{Name: s.GetName(), RequestId: newRequestID()}); err != nil {
			return s.said(err, nil)
		}
		_, err := fmt.Fprintf(in.out, "%s (%s) has ended\n", s.GetName(), printable(s.GetDisplayName()))
		return err
	})
}

func societyMembersCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "members SOCIETY",
		Short:   "List the members of a society",
		Long:    "List the members of a society of which you are one: what they are in it, and since when.\nInstants are those of UTC.",
		Example: "  dewbench society members \"Sundew circle\"",
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers")
	return onSociety(c, 1, 1, choose, func(ctx context.Context, s *club, _ []string, in inOut) error {
		all, err := s.members(ctx, s.GetName())
		if err != nil {
			return err
		}
		if asJSON {
			return writeAnswer(in.out, &pb.ListMembersResponse{Members: all})
		}
		rows := [][]string{{"MEMBER", "NAME", "ROLE", "SINCE"}}
		for _, m := range all {
			rows = append(rows, []string{store.Segment(m.GetName(), "members"), printable(m.GetDisplayName()), enumWords(m.GetRole()), timeText(m.GetCreateTime())})
		}
		return writeTable(in.out, rows)
	})
}

func societyRoleCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "role SOCIETY MEMBER ROLE",
		Short: "Make a member an organiser, or an organiser a member: for organisers",
		Long: `Change what a member is in a society: ROLE is organiser or member. That is for its
organisers. One organiser there always is.`,
		Example: "  dewbench society role \"Sundew circle\" \"Fern Hollow\" organiser",
	}
	return onSociety(c, 3, 3, choose, func(ctx context.Context, s *club, args []string, in inOut) error {
		role, err := roleOf("ROLE", args[1], memberRoles)
		if err != nil {
			return err
		}
		m, err := s.member(ctx, args[0], choose)
		if err != nil {
			return err
		}
		now, err := pb.NewSocietyServiceClient(s).UpdateMember(ctx, &pb.UpdateMemberRequest{
			Member:     &pb.Member{Name: m.GetName(), Etag: m.GetEtag(), Role: pb.Member_Role(pb.Member_Role_value[role])},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"role"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return s.said(err, fields(map[string]string{"role": "ROLE"}))
		}
		_, err = fmt.Fprintf(in.out, "%s is %s of %s now\n", printable(now.GetDisplayName()), aRole(now.GetRole()), printable(s.GetDisplayName()))
		return err
	})
}

func societyLeaveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "leave SOCIETY",
		Short: "Leave a society",
		Long: `Leave a society: what is shared with it is not shared with you any more. The last
organiser makes another member one first, or ends the society. The whole name is
needed: coming back takes an invitation.`,
		Example: "  dewbench society leave \"Sundew circle\"",
	}
	return onSociety(c, 1, 1, chooseWhole, func(ctx context.Context, s *club, _ []string, in inOut) error {
		_, err := pb.NewSocietyServiceClient(s).DeleteMember(ctx, &pb.DeleteMemberRequest{Name: s.GetName() + "/members/me", RequestId: newRequestID()})
		if err != nil {
			return s.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "You have left %s\n", printable(s.GetDisplayName()))
		return err
	})
}

func societyRemoveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "remove SOCIETY MEMBER",
		Short: "Take a member out of a society: for organisers",
		Long: `Take a member out of a society: what is shared with it is not shared with them any more,
from their next call on. That is for its organisers. The whole name of the member is
needed: coming back takes an invitation.`,
		Example: "  dewbench society remove \"Sundew circle\" \"Fern Hollow\"",
	}
	return onSociety(c, 2, 2, choose, func(ctx context.Context, s *club, args []string, in inOut) error {
		m, err := s.member(ctx, args[0], chooseWhole)
		if err != nil {
			return err
		}
		if _, err := pb.NewSocietyServiceClient(s).DeleteMember(ctx, &pb.DeleteMemberRequest{Name: m.GetName(), RequestId: newRequestID()}); err != nil {
			return s.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "%s is not in %s any more\n", printable(m.GetDisplayName()), printable(s.GetDisplayName()))
		return err
	})
}

// The roles that commands take.
var (
	memberRoles     = []string{"member", "organiser"}
	grantRoles      = []string{"viewer", "keeper", "manager"}
	invitationRoles = []string{"viewer", "keeper", "manager", "owner"}
)

// roleOf reads a role, and returns it as the API has it.
func roleOf(what, text string, allowed []string) (string, error) {
	among := strings.Join(allowed[:len(allowed)-1], ", ") + " or " + allowed[len(allowed)-1]
	if text == "" {
		return "", fmt.Errorf("%s: say which: %s", what, among)
	}
	role := table.Fold(text)
	if !slices.Contains(allowed, role) {
		question := ""
		if near := table.Nearest(role, allowed, 1); len(near) > 0 {
			question = fmt.Sprintf("; did you mean %s?", near[0])
		}
		return "", fmt.Errorf("%s %s: must be %s%s", what, text, among, question)
	}
	return strings.ToUpper(role), nil
}

// aRole writes a role with its article.
func aRole(role fmt.Stringer) string {
	text := enumWords(role)
	if strings.ContainsRune("aeiou", rune(text[0])) {
		return "an " + text
	}
	return "a " + text
}

// confirm tells what is about to happen, and goes on if whoever sits at a terminal says
// yes. Where nobody can be asked only the flag --yes does.
func confirm(in inOut, yes bool, what string) error {
	if yes {
		return nil
	}
	terminal := false
	if f, ok := in.stdin.(*os.File); ok {
		info, err := f.Stat()
		terminal = err == nil && info.Mode()&os.ModeCharDevice != 0
	}
	fmt.Fprintln(in.notes, what)
	answer, err := "", io.EOF
	if terminal {
		fmt.Fprint(in.notes, "Type yes to go on: ")
		answer, err = bufio.NewReader(in.stdin).ReadString('\n')
	}
	switch {
	case errors.Is(err, io.EOF):
		if terminal {
			fmt.Fprintln(in.notes)
		}
		return errors.New("nothing was changed: say --yes if that is meant")
	case err != nil:
		return err
	case table.Fold(answer) != "yes":
		return errors.New("nothing was changed")
	}
	return nil
}
