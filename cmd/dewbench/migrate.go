package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"dewbench/store"
)

func migrateCommand() *cobra.Command {
	var d database
	c := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the schema of the database up to date",
		Long: `Bring the schema of the database up to date, and print from which version to which.
A schema that is up to date already is left as it is, so it can be run before every
start. Nothing is done to a schema that is newer than this program.

Postgres needs it before the first start and after an update of the program; stop
older servers first. A SQLite file needs it never: dewbench serve does the same.
Make a copy of the database before an update: there is no way back.

` + databaseHelp,
		Example: "  dewbench migrate --database-url postgres://ada@db.example/dewbench\n" +
			"  dewbench migrate --database-url sqlite:/srv/dewbench.db",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) (err error) {
			ctx := c.Context()
			s, err := d.open(ctx, store.Options{})
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, s.Close()) }()
			before, err := s.SchemaVersion(ctx)
			if err != nil {
				return err
			}
			if err := s.Migrate(ctx); err != nil {
				return err
			}
			after, err := s.SchemaVersion(ctx)
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			if _, err := fmt.Fprintf(out, "database: %s\n", d.shown()); err != nil {
				return err
			}
			if before == after {
				_, err = fmt.Fprintf(out, "schema: version %d, nothing to do\n", after)
				return err
			}
			_, err = fmt.Fprintf(out, "schema: from version %d to %d\n", before, after)
			return err
		},
	}
	d.add(c)
	return c
}
