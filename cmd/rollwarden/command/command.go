// Package command is the command line. It reads arguments and the
// configuration, runs one command and turns its outcome into an exit code.
package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"syscall"

	"github.com/alecthomas/kong"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
)

// The exit codes.
const (
	exitOK     = 0
	exitFailed = 1 // the command ran and something is wrong
	exitUsage  = 2 // the arguments or the configuration are wrong
)

// env is what every command can use.
type env struct {
	ctx      context.Context
	environ  []string
	out, err io.Writer
	config   string // path given on the command line
	json     bool   // print for programs
}

// cli is the grammar.
type cli struct {
	Config string `help:"Configuration file; without it ./rollwarden.yaml is used if it is there, else the defaults." placeholder:"FILE" type:"path"`

	JSON bool `name:"json" help:"Print for programs: the answer as JSON on the standard output, and an error as JSON on the standard error. deploy/cli has the schemas."`

	Init       initCommand       `cmd:"" help:"Ask about the shop and write its configuration, or write it from flags."`
	Run        runCommand        `cmd:"" help:"Watch the floor until stopped."`
	Demo       demoCommand       `cmd:"" help:"Play a week of an invented shop into a whole watch and score it."`
	Check      checkCommand      `cmd:"" help:"Check the configuration, the rule book with its cases, and ticket files, without a daemon."`
	Send       sendCommand       `cmd:"" help:"Publish one floor event, for example: send edge.moved heron by_mm=365 cause=advance."`
	Advise     adviseCommand     `cmd:"" help:"Print which remedy pays before the next start on each machine, and whether the recipe suits film, ink and cutter."`
	Queue      queueCommand      `cmd:"" help:"Show when queued runs start, and in which order and with which cuts they would cost least."`
	Strip      stripCommand      `cmd:"" help:"Draw a control strip to print, cure and measure, from which the strain of a film is learnt."`
	Replay     replayCommand     `cmd:"" help:"Read the journal again: totals, refused messages, or what another rule book would have said."`
	Password   passwordCommand   `cmd:"" help:"Read a password and print its hash, for http.users or nats.users in the configuration."`
	Report     reportCommand     `cmd:"" help:"Write the reliability report of a month, or print it in short."`
	Doctor     doctorCommand     `cmd:"" help:"Look at everything that the watch rests on, and say what to do."`
	Backup     backupCommand     `cmd:"" help:"Copy the journal and what was made of it into one file, while the watch runs or not."`
	Restore    restoreCommand    `cmd:"" help:"Make a data folder of a backup, or prove that one is whole."`
	Completion completionCommand `cmd:"" help:"Print what makes a shell complete the command line, for example: source <(rollwarden completion bash)."`
	Version    versionCommand    `cmd:"" help:"Print the version."`
}

// errSilent fails a command that has already said why.
var errSilent = errors.New("failed")

// Main runs the command line and returns the exit code.
func Main(args, environ []string, out, errs io.Writer) int {
	var c cli
	exit := -1
	parser, err := kong.New(&c, kong.Name("rollwarden"), kong.Writers(out, errs), kong.Exit(func(code int) { exit = code }),
		kong.Description("Warns before a printer starts on a bare film edge. An adviser, not a safety interlock."), kong.UsageOnError())
	if err != nil {
		fmt.Fprintln(errs, "rollwarden:", err)
		return exitFailed
	}
	if line, ok := asked(environ); ok {
		answerShell(parser, line, environ)
		return exitOK
	}
	chosen, err := parser.Parse(spelled(args))
	if exit >= 0 {
		return exit // help was asked for, and given
	}
	if err != nil {
		return ended(errs, slices.Contains(args, "--json"),
			usageError{fmt.Errorf("%w (rollwarden --help lists the commands, and rollwarden COMMAND --help what one takes)", err)})
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return ended(errs, c.JSON, chosen.Run(&env{ctx: ctx, environ: environ, out: out, err: errs, config: c.Config, json: c.JSON}))
}

// spelled takes what people type before they know better for what they mean:
// nothing at all and help ask for help, --version for the version.
func spelled(args []string) []string {
	switch {
	case len(args) == 0:
		return []string{"--help"}
	case args[0] == "help":
		return append(slices.Clone(args[1:]), "--help")
	case args[0] == "--version":
		return []string{"version"}
	}
	return args
}

// usageError is a mistake in what the person wrote.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

// load reads the configuration and says what deserves a look.
func (e *env) load() (*config.Config, error) {
	cfg, err := config.Load(e.config, e.environ)
	if err != nil {
		return nil, usageError{err}
	}
	return cfg, nil
}

// logger writes what the program says about itself.
func (e *env) logger(cfg *config.Config) zerolog.Logger {
	level, err := zerolog.ParseLevel(cfg.Log.Level)
	if err != nil {
		level = zerolog.InfoLevel
	}
	out := zerolog.SyncWriter(e.err)
	if cfg.Log.Format == "console" && !e.json {
		out = zerolog.SyncWriter(zerolog.ConsoleWriter{Out: e.err, NoColor: true, TimeFormat: "15:04:05"})
	}
	return zerolog.New(out).Level(level).With().Timestamp().Logger()
}

type versionCommand struct{}

type versionDocument struct {
	Version string `json:"version" jsonschema:"the module's version as the build recorded it"`
}

// Run prints the version.
func (versionCommand) Run(e *env) error {
	return e.answer(versionDocument{Version()}, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, "rollwarden", Version())
		return err
	})
}

// Version is the module's version as the build recorded it.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(devel)"
	}
	return info.Main.Version
}
