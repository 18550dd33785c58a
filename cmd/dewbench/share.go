package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/table"
	"dewbench/store"
)

func shareCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "share",
		Short: "Share the collection with growers, societies or all, or give it to a society",
		Long: `Share the collection with growers and societies, open it to all, or give it to a society.
Whom you share no society with is invited instead: see dewbench invite, which also tells
what a viewer, a keeper and a manager may do.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(shareWithCommand(), shareListCommand(), shareRoleCommand(), shareStopCommand(), shareLeaveCommand(), shareVisibilityCommand(),
		shareGiveCommand(), shareTakeCommand())
	return c
}

// grantee is what the collection can be shared with.
const grantee = "grower or society"

// granteeWords name the fields of a grant as they are typed.
var granteeWords = fields(map[string]string{"role": "--role", "grower": "WHO", "society": "WHO"})

func shareWithCommand() *cobra.Command {
	var role string
	c := &cobra.Command{
		Use:   "with WHO",
		Short: "Share the collection with a society, or a grower who is in one with you",
		Long: `Share the collection with a society of yours, or with a grower who is in one with you:
WHO is a name or an id. To anybody else send an invitation: dewbench invite. They see
it from their next call on.`,
		Example: "  dewbench share with \"Sundew circle\" --role viewer\n  dewbench share with \"Fern Hollow\" --role keeper",
	}
	c.Flags().StringVar(&role, "role", "", "what they become: viewer, keeper or manager")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		name, err := roleOf("--role", role, grantRoles)
		if err != nil {
			return err
		}
		found, err := h.acquainted(ctx, args[0])
		if err != nil {
			return err
		}
		m := &pb.Grant{Role: pb.Grant_Role(pb.Grant_Role_value[name])}
		if store.Segment(found.name, "societies") != "" {
			m.Grantee = &pb.Grant_Society{Society: found.name}
		} else {
			m.Grantee = &pb.Grant_Grower{Grower: found.name}
		}
		made, err := pb.NewGrantServiceClient(h).CreateGrant(ctx, &pb.CreateGrantRequest{Parent: h.GetName(), Grant: m, RequestId: newRequestID()})
		if status.Code(err) == codes.AlreadyExists {
			return fmt.Errorf("it is shared with %s already: dewbench share list tells as what, dewbench share role changes that", printable(found.display))
		}
		if err != nil {
			return h.said(err, granteeWords)
		}
		return h.writeGrant(in, made)
	})
}

// writeGrant tells as what a grower or the members of a society see the collection.
func (h *home) writeGrant(in inOut, m *pb.Grant) error {
	who := printable(m.GetDisplayName())
	if m.GetSociety() != "" {
		who = "Whoever is in " + who
	}
	_, err := fmt.Fprintf(in.out, "%s is %s of %s now\n", who, aRole(m.GetRole()), printable(h.GetDisplayName()))
	return err
}

// acquainted finds the society of the caller's, or the grower who is in one of them, that
// text means.
func (h *home) acquainted(ctx context.Context, text string) (named, error) {
	all, err := h.societies(ctx)
	if err != nil {
		return named{}, err
	}
	me, err := pb.NewGrowerServiceClient(h).GetGrower(ctx, &pb.GetGrowerRequest{Name: "growers/me"})
	if err != nil {
		return named{}, h.said(err, nil)
	}
	var names []named
	for _, s := range all {
		names = append(names, named{s.GetName(), store.Segment(s.GetName(), "societies"), s.GetDisplayName()})
		members, err := h.members(ctx, s.GetName())
		if err != nil {
			return named{}, err
		}
		for _, m := range members {
			known := slices.ContainsFunc(names, func(n named) bool { return n.name == m.GetGrower() })
			if !known && m.GetGrower() != me.GetName() {
				names = append(names, named{m.GetGrower(), store.Segment(m.GetGrower(), "growers"), m.GetDisplayName()})
			}
		}
	}
	if exact, begin := fits(text, names); len(exact) == 0 && len(begin) == 0 {
		hint := "to share with somebody else send an invitation: dewbench invite --role viewer"
		if len(names) == 0 {
			return named{}, fmt.Errorf("you are in no society, and share only with those who are in one with you; %s", hint)
		}
		_, err := choose(grantee, text, "", names)
		return named{}, fmt.Errorf("%w\n%s", err, hint)
	}
	// Of whom one sees the collection by mistake may have seen too much: no beginnings.
	i, err := chooseWhole(grantee, text, "say with whom", names)
	if err != nil {
		return named{}, err
	}
	return names[i], nil
}

// grants returns all grants of the collection.
func (h *home) grants(ctx context.Context) ([]*pb.Grant, error) {
	var all []*pb.Grant
	for token := ""; ; {
		page, err := pb.NewGrantServiceClient(h).ListGrants(ctx, &pb.ListGrantsRequest{Parent: h.GetName(), PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, h.said(err, nil)
		}
		all = append(all, page.GetGrants()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// granted finds the grant to whom text means.
func (h *home) granted(ctx context.Context, text string) (*pb.Grant, error) {
	all, err := h.grants(ctx)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s is shared with nobody", printable(h.GetDisplayName()))
	}
	names := make([]named, len(all))
	for i, m := range all {
		names[i] = named{m.GetName(), store.Segment(m.GetName(), "grants"), m.GetDisplayName()}
	}
	i, err := chooseWhole(grantee, text, "say whose", names)
	if err != nil {
		return nil, err
	}
	return all[i], nil
}

func shareListCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List with whom the collection is shared",
		Long:    "List with whom the collection is shared, and as what. That is for its managers. Instants\nare those of UTC.",
		Example: "  dewbench share list",
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers")
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		all, err := h.grants(ctx)
		if err != nil {
			return err
		}
		if asJSON {
			return writeAnswer(in.out, &pb.ListGrantsResponse{Grants: all})
		}
		if _, err := fmt.Fprintf(in.out, "%s is %s\n", printable(h.GetDisplayName()), visibilityWords(h.GetVisibility(), len(all))); err != nil || len(all) == 0 {
			return err
		}
		rows := [][]string{{"GRANT", "WHO", "ROLE", "SINCE"}}
		for _, m := range all {
			who := printable(m.GetDisplayName())
			if m.GetSociety() != "" {
				who += " (society)"
			}
			rows = append(rows, []string{store.Segment(m.GetName(), "grants"), who, enumWords(m.GetRole()), timeText(m.GetCreateTime())})
		}
		return writeTable(in.out, rows)
	})
}

// visibilityWords tell who sees a collection that has some grants.
func visibilityWords(v pb.Collection_Visibility, grants int) string {
	switch {
	case v == pb.Collection_PUBLIC:
		return "public: all who may call this server see its names, sizes and feedings; those whom you share it with see more"
	case v == pb.Collection_SHARED && grants == 0:
		return "shared, but with nobody yet: dewbench share with, or dewbench invite"
	case v == pb.Collection_SHARED:
		return "shared: only those whom you share it with see it"
	case grants > 0:
		return "private: only its owners see it; those whom you shared it with do not until dewbench share visibility shared"
	}
	return "private: only its owners see it"
}

func shareRoleCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "role WHO ROLE",
		Short: "Change what somebody may do who shares the collection",
		Long: `Change what a grower or a society may do with the collection: ROLE is viewer, keeper or
manager. WHO is as dewbench share list has it.`,
		Example: "  dewbench share role \"Fern Hollow\" viewer",
	}
	return onServer(c, 2, 2, func(ctx context.Context, h *home, args []string, in inOut) error {
		role, err := roleOf("ROLE", args[1], grantRoles)
		if table.Fold(args[1]) == "owner" {
			return fmt.Errorf("%w; to give it to somebody: dewbench invite --role owner", err)
		}
		if err != nil {
			return err
		}
		m, err := h.granted(ctx, args[0])
		if err != nil {
			return err
		}
		now, err := pb.NewGrantServiceClient(h).UpdateGrant(ctx, &pb.UpdateGrantRequest{
			Grant:      &pb.Grant{Name: m.GetName(), Etag: m.GetEtag(), Role: pb.Grant_Role(pb.Grant_Role_value[role])},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"role"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return h.said(err, fields(map[string]string{"role": "ROLE"}))
		}
		return h.writeGrant(in, now)
	})
}

func shareStopCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "stop WHO",
		Short: "Share the collection with somebody no longer",
		Long: `Share the collection with a grower or a society no longer, from their next call on. WHO
is as dewbench share list has it. Who is in a society that it is shared with still sees
it; and what they saw or copied, they have.`,
		Example: "  dewbench share stop \"Fern Hollow\"",
	}
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		m, err := h.granted(ctx, args[0])
		if err != nil {
			return err
		}
		if _, err := pb.NewGrantServiceClient(h).DeleteGrant(ctx, &pb.DeleteGrantRequest{Name: m.GetName(), RequestId: newRequestID()}); err != nil {
			return h.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "%s is not shared with %s any more\n", printable(h.GetDisplayName()), printable(m.GetDisplayName()))
		return err
	})
}

func shareLeaveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "leave",
		Short: "Give back what others share with you",
		Long: `Give back a collection that others share with you, which --collection names. What you
see of it as a member of a society you keep.`,
		Example: "  dewbench share leave --collection \"The glasshouse\"",
	}
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		_, err := pb.NewGrantServiceClient(h).DeleteGrant(ctx, &pb.DeleteGrantRequest{Name: h.GetName() + "/grants/me", RequestId: newRequestID()})
		if status.Code(err) == codes.NotFound {
			return fmt.Errorf("%s is not shared with you yourself: it is yours, or you see it as a member of a society", printable(h.GetDisplayName()))
		}
		if err != nil {
			return h.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "%s is not shared with you any more\n", printable(h.GetDisplayName()))
		return err
	})
}

// publicWords tell what everybody sees of a public collection.
const publicWords = `Of a public collection every grower on this server sees: its name; of each plant the
scientific name as the catalogue has it, trap and habit, how many, whether it grows, its
last sizes and its id; feedings with their days, traps, food and outcome; measurements,
stalks, surveys, counts and repottings with their days.
They do not see: tags, cultivars, names that the catalogue lacks, benches, places and
localities, sources and parents, notes and other free text, who did what, what is due.
Rare plants get stolen: do not let the name of the collection tell where it is.`

func shareVisibilityCommand() *cobra.Command {
	var yes bool
	c := &cobra.Command{
		Use:   "visibility private|shared|public",
		Short: "Say who sees the collection: only its owners, whom you share it with, or all",
		Long: `Say who sees the collection beside its owners. private: nobody, whatever you shared
before; that comes back with shared. shared: whom you share it with. public: all growers
on this server, which takes a yes. That is for its owners.

` + publicWords,
		Example: "  dewbench share visibility shared\n  dewbench share visibility public",
	}
	c.Flags().BoolVar(&yes, "yes", false, "make it public without asking")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		text, err := roleOf("VISIBILITY", args[0], []string{"private", "shared", "public"})
		if err != nil {
			return err
		}
		to := pb.Collection_Visibility(pb.Collection_Visibility_value[text])
		if to == pb.Collection_PUBLIC && h.GetVisibility() != to {
			if err := confirm(in, yes, publicWords); err != nil {
				return err
			}
		}
		now, err := pb.NewCollectionServiceClient(h).UpdateCollection(ctx, &pb.UpdateCollectionRequest{
			Collection: &pb.Collection{Name: h.GetName(), Etag: h.GetEtag(), Visibility: to},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"visibility"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return h.said(err, fields(map[string]string{"visibility": "VISIBILITY"}))
		}
		all, err := h.grants(ctx)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(in.out, "%s is %s\n", printable(now.GetDisplayName()), visibilityWords(now.GetVisibility(), len(all)))
		return err
	})
}

func shareGiveCommand() *cobra.Command {
	var to string
	c := &cobra.Command{
		Use:   "give",
		Short: "Give the collection to a society of which you are an organiser",
		Long: `Give the collection to a society of which you are an organiser: its organisers own it
then, and you stay a manager of it. Its members see it only if you share it with the
society too. To give it to another grower: dewbench invite --role owner.`,
		Example: "  dewbench share give --to \"Sundew circle\"",
	}
	c.Flags().StringVar(&to, "to", "", "the society, by its whole name or id")
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		if to == "" {
			return errors.New("--to: say to which society")
		}
		s, err := h.society(ctx, to, chooseWhole)
		if err != nil {
			return fmt.Errorf("--to: %w", err)
		}
		now, err := h.transfer(ctx, s.GetName())
		if err != nil {
			return errors.New(strings.ReplaceAll(err.Error(), s.GetName(), printable(s.GetDisplayName())))
		}
		_, err = fmt.Fprintf(in.out, "%s belongs to %s now\n", printable(now.GetDisplayName()), printable(s.GetDisplayName()))
		return err
	})
}

func shareTakeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "take",
		Short: "Take the collection from a society of which you are an organiser",
		Long: `Take the collection, which belongs to a society of which you are an organiser, to be yours
alone. Whom it is shared with, the society perhaps among them, still sees it.`,
		Example: "  dewbench share take --collection \"Seed bank\"",
	}
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		if store.Segment(h.GetOwner(), "societies") == "" {
			return fmt.Errorf("%s belongs to no society: say with --collection which you mean", printable(h.GetDisplayName()))
		}
		now, err := h.transfer(ctx, "growers/me")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(in.out, "%s is yours now\n", printable(now.GetDisplayName()))
		return err
	})
}

// transfer gives the collection to an owner.
func (h *home) transfer(ctx context.Context, owner string) (*pb.Collection, error) {
	now, err := pb.NewCollectionServiceClient(h).TransferCollection(ctx, &pb.TransferCollectionRequest{
		Name: h.GetName(), Owner: owner, Etag: h.GetEtag(), RequestId: newRequestID(),
	})
	if err != nil {
		return nil, h.said(err, fields(map[string]string{"owner": "--to"}))
	}
	return now, nil
}
