package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"unicode"

	"github.com/spf13/cobra"

	"dewbench/api"
	"dewbench/service"
	"dewbench/store"
)

const (
	databaseFlag     = "database-url"
	databaseVariable = "DEWBENCH_DATABASE_URL"
	// usualDatabase is in the folder where the program is started.
	usualDatabase = "sqlite:dewbench.db"

	photosFlag     = "photos-url"
	photosVariable = "DEWBENCH_PHOTOS_URL"
)

// databaseHelp ends the help of every command that has the flag.
const databaseHelp = `The database is a SQLite file, sqlite:PATH, or one of Postgres,
postgres://USER@HOST:PORT/DATABASE with the parameters that libpq knows. Others on
the machine can read the command line, so give a password in
` + databaseVariable + `, in PGPASSWORD, or in the file that PGPASSFILE names.`

// photosHelp stands in the help of every command that has the flag.
const photosHelp = `Photos are kept in a folder, which is made if it is not there: for a SQLite file
NAME.db it is NAME-photos beside it, for Postgres dewbench-photos-DATABASE where the
program is started. --` + photosFlag + ` names another, by its path or as file:///FOLDER.
Servers of one Postgres database must have the same folder: what one of them was
given, another is asked for. Other databases have folders of their own: that of another
is refused. Back it up after the database: a plain copy is good.`

// database says where the records are kept, and the photos that they name.
type database struct {
	command      *cobra.Command
	flag, photos string
}

func (d *database) add(c *cobra.Command) {
	d.command = c
	// The environment is not the flag's default: help would print a password in it.
	c.Flags().StringVar(&d.flag, databaseFlag, "",
		fmt.Sprintf("database of the records (environment: %s; default %q)", databaseVariable, usualDatabase))
}

// addPhotos adds the flag for the photos.
func (d *database) addPhotos(c *cobra.Command) {
	c.Flags().StringVar(&d.photos, photosFlag, "",
		fmt.Sprintf("folder of the photos (environment: %s; default beside the database)", photosVariable))
}

// photosURL returns where the photos are and what gave it. Without the flag, which not
// all commands have, the environment does not count: it is for the usual database.
func (d *database) photosURL() (raw, from string) {
	if flag := d.command.Flags().Lookup(photosFlag); flag != nil {
		if flag.Changed {
			return d.photos, "--" + photosFlag
		}
		if raw := os.Getenv(photosVariable); raw != "" {
			return raw, photosVariable
		}
	}
	of, _ := d.url()
	raw = photosBeside(of)
	return raw, fmt.Sprintf("--%s (default %s)", photosFlag, raw)
}

// photosBeside returns the folder for the photos of a database. On Postgres it lies where
// that of usualDatabase would, and bears the name of the database.
func photosBeside(database string) (folder string) {
	scheme, rest, found := strings.Cut(database, ":")
	switch {
	case found && (scheme == "postgres" || scheme == "postgresql"):
		return photosBeside(usualDatabase) + "-" + fileName(store.PostgresName(database))
	case found && scheme == "sqlite":
		database = rest
	}
	return strings.TrimSuffix(database, ".db") + "-photos"
}

// fileName is a name as it can be a part of that of a file.
func fileName(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("_.-", r) {
			return r
		}
		return '-'
	}, name)
}

// newServer makes a server. It says what to do if the photos are those of another database.
func (d *database) newServer(ctx context.Context, config service.Config) (*api.Server, error) {
	server, err := api.New(ctx, config)
	if !errors.Is(err, store.ErrOtherDatabase) {
		return server, err
	}
	_, from := d.photosURL()
	instead := "give this one another folder with --" + photosFlag
	if d.command.Flags().Lookup(photosFlag) == nil {
		instead = "name a database with another name"
	}
	return nil, fmt.Errorf("%s: %w: %s; if they are of this one, which was restored from a backup older than they are, remove the file database from the folder",
		from, err, instead)
}

// openPhotos opens the bucket of the photos; a folder is made if it is not there.
func (d *database) openPhotos(ctx context.Context) (*store.Blobs, error) {
	raw, from := d.photosURL()
	b, err := store.OpenBlobs(ctx, raw)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", from, err)
	}
	return b, nil
}

// url returns the URL and what gave it.
func (d *database) url() (raw, from string) {
	if d.command.Flags().Changed(databaseFlag) {
		return d.flag, "--" + databaseFlag
	}
	if raw := os.Getenv(databaseVariable); raw != "" {
		return raw, databaseVariable
	}
	return usualDatabase, fmt.Sprintf("--%s (default %s)", databaseFlag, usualDatabase)
}

// open opens the database, whatever its schema.
func (d *database) open(ctx context.Context, o store.Options) (*store.Store, error) {
	raw, from := d.url()
	if raw == "" {
		return nil, fmt.Errorf("%s: must not be empty; give sqlite:PATH or postgres://USER@HOST:PORT/DATABASE", from)
	}
	s, err := store.Open(ctx, raw, o)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", from, err)
	}
	return s, nil
}

// check tells whether this program can work with the schema of the database.
func (d *database) check(ctx context.Context, s *store.Store) error {
	err := s.CheckSchema(ctx)
	if errors.Is(err, store.ErrOlderSchema) {
		_, from := d.url()
		if from != databaseVariable {
			from = "--" + databaseFlag
		}
		return fmt.Errorf("%w with the same %s", err, from)
	}
	return err
}

// openToServe opens the database for a server. A SQLite file is made if it is not
// there, and its schema brought up to date: nobody else serves it. On Postgres
// another server may still work with the old schema.
func (d *database) openToServe(ctx context.Context) (*store.Store, error) {
	s, err := d.open(ctx, store.Options{})
	if err != nil {
		return nil, err
	}
	if s.Engine() == store.SQLite {
		err = s.Migrate(ctx)
	} else {
		err = d.check(ctx, s)
	}
	if err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// operate opens the database for the operator, calls f, and closes it. With create
// a SQLite file that is not there, or has no tables, is made.
func (d *database) operate(ctx context.Context, create bool, f func(*store.Store) error) (err error) {
	s, err := d.open(ctx, store.Options{MustExist: !create})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if create && s.Engine() == store.SQLite {
		version, err := s.SchemaVersion(ctx)
		if err != nil {
			return err
		}
		if version == 0 {
			if err := s.Migrate(ctx); err != nil {
				return err
			}
		}
	}
	if err := d.check(ctx, s); err != nil {
		return err
	}
	return f(s)
}

// shown writes the URL of the database without what nobody should read.
func (d *database) shown() string {
	raw, _ := d.url()
	open, _ := withoutSecrets(raw, "")
	return open
}

// again is the flag with which another command opens the same database. What nobody
// should read is left out, and note says so.
func (d *database) again() (flag, note string) {
	raw, _ := d.url()
	open, secret := withoutSecrets(raw, "PASSWORD")
	if secret {
		note = "with the password in place of PASSWORD"
	}
	return "--" + databaseFlag + " " + quoted(open), note
}

// withoutSecrets puts instead in place of the passwords in a URL, or leaves them out
// if it is "". A path is made absolute: the line may be read in another folder.
func withoutSecrets(raw, instead string) (open string, secret bool) {
	scheme, rest, found := strings.Cut(raw, ":")
	if !found || scheme != "postgres" && scheme != "postgresql" {
		if found && scheme == "sqlite" {
			raw = rest
		}
		if absolute, err := filepath.Abs(raw); err == nil {
			raw = absolute
		}
		return "sqlite:" + raw, false
	}
	u, err := url.Parse(raw)
	if err != nil { // the driver reads a little more than that
		return scheme + "://" + cmp.Or(instead, "..."), true
	}
	if _, has := u.User.Password(); has {
		secret = true
		user := u.User.Username()
		if u.User = url.User(user); instead != "" {
			u.User = url.UserPassword(user, instead)
		}
	}
	query := u.Query()
	for key := range query {
		if !strings.Contains(key, "password") && !strings.Contains(key, "secret") {
			continue
		}
		secret = true
		if query.Del(key); instead != "" {
			query.Set(key, instead)
		}
	}
	u.RawQuery = query.Encode()
	return u.String(), secret
}

// plainWord is what no shell changes.
var plainWord = regexp.MustCompile(`^[A-Za-z0-9_@%+=:,./-]+$`)

// quoted writes a word as a shell reads it.
func quoted(word string) string {
	if plainWord.MatchString(word) {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}
