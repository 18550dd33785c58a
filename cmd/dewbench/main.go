// Command dewbench keeps growers' records of carnivorous plants and tells which
// plants are due to be fed, when, how much and why: over gRPC and HTTP, or from
// tables.
package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	_ "time/tzdata" // time zones where the machine has none

	"github.com/spf13/cobra"

	"dewbench/service/table"
)

// version is set when a release is linked (-ldflags "-X main.version=...").
var version string

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends it at once
	err := command().ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "dewbench:", err)
		os.Exit(1)
	}
}

func command() *cobra.Command {
	root := &cobra.Command{
		Use:   "dewbench",
		Short: "Tell which carnivorous plants are due to be fed, when, how much and why",
		Long: "Dewbench keeps growers' records, and tells which plants of a collection are due to be\n" +
			"fed, when, how many traps of each, and why. Try `dewbench demo` first.",
		Version:       ownVersion(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          noArguments,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(flagFault)
	root.SetVersionTemplate("{{.Version}}\n")
	root.CompletionOptions.HiddenDefaultCmd = true
	for _, g := range groups {
		root.AddGroup(&cobra.Group{ID: g.id, Title: g.title})
		for _, c := range g.commands() {
			c.GroupID = g.id
			root.AddCommand(c)
		}
	}
	root.SetHelpCommandGroupID(ofServing)
	return root
}

// groups are the commands as the help lists them.
var groups = []struct {
	id, title string
	commands  func() []*cobra.Command
}{
	{atTheBench, "At the bench, with a server that runs:", func() []*cobra.Command {
		return []*cobra.Command{
			todayCommand(), planCommand(), whyCommand(), watchCommand(), sessionCommand(), outcomesCommand(), feedCommand(), measureCommand(), noteCommand(), stalkCommand(),
			countCommand(), surveyCommand(), repotCommand(), divideCommand(), diedCommand(), soldCommand(), gaveCommand(),
			moveCommand(), holdCommand(), awayCommand(), undoCommand(), calendarCommand(), newCommand(), benchCommand(), plantCommand(), retagCommand(),
			photoCommand(), sheetCommand(), labelsCommand(), auditCommand(),
		}
	}},
	{ofPeople, "With others, with a server that runs:", func() []*cobra.Command {
		return []*cobra.Command{inviteCommand(), joinCommand(), shareCommand(), societyCommand()}
	}},
	{ofTables, "Tables:", func() []*cobra.Command {
		return []*cobra.Command{dueCommand(), importCommand(), exportCommand(), archiveCommand()}
	}},
	{ofServing, "Serving:", func() []*cobra.Command {
		return []*cobra.Command{demoCommand(), serveCommand(), migrateCommand(), growerCommand(), tokenCommand()}
	}},
}

// noArguments refuses whatever stands after a command besides flags.
func noArguments(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if c.HasSubCommands() {
		var names []string
		for _, sub := range c.Commands() {
			names = append(names, sub.Name())
		}
		if near := table.Nearest(args[0], names, 2); len(near) > 0 {
			return fmt.Errorf("there is no command %q; did you mean %s?", args[0], c.CommandPath()+" "+strings.Join(near, " or "+c.CommandPath()+" "))
		}
		return fmt.Errorf("there is no command %q: see %s --help", args[0], c.CommandPath())
	}
	return fmt.Errorf("%s takes flags only, not %q: see %[1]s --help", c.CommandPath(), args[0])
}

// ownVersion returns the version of this program: that of the release, else the
// commit that it was built from.
func ownVersion() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "devel"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "devel-" + s.Value[:12]
		}
	}
	return "devel"
}

// ownBuild tells this program apart from others that may decide otherwise. Where it is
// not that of a release, the file does that it was started from.
func ownBuild() string {
	if version != "" {
		return version
	}
	path, err := os.Executable()
	if err != nil {
		return ownVersion()
	}
	file, err := os.Stat(path)
	if err != nil {
		return ownVersion()
	}
	return fmt.Sprintf("%s of %d", ownVersion(), file.ModTime().UnixMicro())
}

// newLog returns a log that goes to w.
func newLog(w io.Writer, json bool, level slog.Level) *slog.Logger {
	options := &slog.HandlerOptions{Level: level}
	if json {
		return slog.New(slog.NewJSONHandler(w, options))
	}
	return slog.New(slog.NewTextHandler(w, options))
}
