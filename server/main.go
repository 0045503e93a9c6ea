// Command server is Ohmkeep: it serves the lab's dashboard, drives the bench
// and keeps the history. Run it without arguments to work on the rehearsal
// bench; see the README.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"syscall"
	"time"

	"ohmkeep/server/edge"
	"ohmkeep/server/health"
	"ohmkeep/server/lab"
	"ohmkeep/server/people"
	"ohmkeep/server/standing"
	"ohmkeep/store"
)

// version is set by the build with -ldflags "-X main.version=…".
var version = ""

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := command(ctx, os.Args[1:], os.Stdout, os.Stderr)
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
	case errors.As(err, new(usageError)):
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "ohmkeep:", err)
		os.Exit(1)
	}
}

// usageError is a mistake in the command line: exit status 2.
type usageError struct{ error }

// command runs the subcommand that args name, or serves.
func command(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	if len(args) > 0 && args[0] == "token" {
		return tokenCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "invite" {
		return inviteCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "emulate" {
		return emulateCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "check-card" {
		return checkCardCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "check" {
		return checkDataCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "backup" {
		return backupCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "restore" {
		return restoreCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "export" {
		return exportCommand(ctx, args[1:], stdout, stderr)
	}
	if len(args) > 0 && args[0] == "import" {
		return importCommand(ctx, args[1:], stdout, stderr)
	}
	return serveCommand(ctx, args, stdout, stderr)
}

func serveCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	o := options{}
	fs := newFlags("ohmkeep", stderr)
	fs.StringVar(&o.Listen, "listen", defaultListen, "address to serve on; loopback unless you name another")
	fs.StringVar(&o.Data, "data", "", "directory of the database (default: the user's data directory)")
	fs.StringVar(&o.Hosts, "hosts", "", "further host names that browsers may call this server by, separated by commas")
	fs.StringVar(&o.Public, "public", "", "address of this server in the links that it makes, such as https://lab.example (default: worked out from -listen)")
	fs.DurationVar(&o.SessionAge, "session-age", people.SessionAge, "how long a browser stays signed in")
	fs.StringVar(&o.TLSCert, "tls-cert", "", "certificate (PEM, with those between it and the root) to serve over TLS with; read again when it changes")
	fs.StringVar(&o.TLSKey, "tls-key", "", "private key (PEM) of -tls-cert")
	fs.Func("proxy", "addresses or networks of the proxies before this server, separated by commas: what they say of their clients is believed (X-Forwarded-Proto, -Host, -For)",
		func(text string) (err error) {
			o.Proxies, err = edge.ParseProxies(text)
			return err
		})
	fs.DurationVar(&o.CheckFresh, "check-fresh", standing.Fresh, "how long a step of a bench check speaks for the runs after it; then a check is due")
	fs.DurationVar(&o.ControlIdle, "control-idle", lab.ControlIdle, "how long whoever holds control of a bench may do nothing before it lapses")
	fs.BoolVar(&o.Demo, "demo", true, "fill an empty database with the demonstration lab")
	fs.Func("bench-seed", fmt.Sprintf("seed of the rehearsal bench: its errors, path resistances and noise (default: that of the last seating, at first %d)", benchSeed),
		func(text string) error {
			n, err := strconv.ParseUint(text, 10, 53)
			if err != nil {
				return errors.New("give a whole number, 0 to 9007199254740991")
			}
			o.BenchSeed = &n
			return nil
		})
	fs.StringVar(&o.BackupDir, "backup-dir", "", "directory of backups (default: backups, beside the database)")
	fs.DurationVar(&o.BackupEvery, "backup-every", 0, "time between two backups, such as 24h (default: only when somebody asks)")
	fs.IntVar(&o.BackupKeep, "backup-keep", 7, "how many backups are kept in that directory; 0: all")
	var single signOnFlags
	single.add(fs)
	logJSON := fs.Bool("log-json", false, "write logs as JSON")
	verbose := fs.Bool("verbose", false, "log every request")
	showVersion := fs.Bool("version", false, "print the version and stop")
	if err := parse(fs, args); err != nil {
		return err
	}
	if _, err := publicAddress(o.Public, "http", o.Listen); err != nil {
		return usageError{err}
	}
	if o.SessionAge < time.Minute || o.SessionAge > store.MaxAge {
		return usageError{errors.New("-session-age takes a minute to ten years, such as 720h")}
	}
	if o.CheckFresh < time.Minute {
		return usageError{errors.New("-check-fresh takes a minute or more, such as 24h")}
	}
	if o.ControlIdle < time.Minute {
		return usageError{errors.New("-control-idle takes a minute or more, such as 15m")}
	}
	if *showVersion {
		_, err := fmt.Fprintln(stdout, "ohmkeep", versionText())
		return err
	}
	if (o.TLSCert == "") != (o.TLSKey == "") {
		return usageError{errors.New("ohmkeep: -tls-cert and -tls-key belong together")}
	}
	o.Log = newLog(stderr, *logJSON, *verbose)
	o.Announce = stdout
	var err error
	if o.SignOn, err = single.provider(o.Log); err != nil {
		return err
	}
	dir, err := dataDir(o.Data)
	if err != nil {
		return err
	}
	o.Data = dir
	health.Within()
	return serve(ctx, o)
}

func newFlags(name string, stderr io.Writer) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(stderr)
	return fs
}

func parse(fs *flag.FlagSet, args []string) error {
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return usageError{err}
	}
	if fs.NArg() > 0 {
		return usageError{fmt.Errorf("%s: unexpected argument %q", fs.Name(), fs.Arg(0))}
	}
	return nil
}

func newLog(w io.Writer, asJSON, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	opts := &slog.HandlerOptions{Level: level}
	if asJSON {
		return slog.New(slog.NewJSONHandler(w, opts))
	}
	return slog.New(slog.NewTextHandler(w, opts))
}

// dataDir returns the directory of the database, made where it is missing.
// By default it is ohmkeep in the user's data directory as the XDG Base
// Directory specification names it.
func dataDir(dir string) (string, error) {
	if dir == "" {
		base := os.Getenv("XDG_DATA_HOME")
		if base == "" {
			home, err := os.UserHomeDir()
			if err != nil {
				return "", fmt.Errorf("no home directory for the database; name one with -data: %w", err)
			}
			base = filepath.Join(home, ".local", "share")
		}
		dir = filepath.Join(base, "ohmkeep")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("data directory: %w", err)
	}
	return dir, nil
}

func versionText() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}
