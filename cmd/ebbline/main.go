// Command ebbline watches beer that must stay under an alcohol ceiling and
// says when its crash must start. One file a command; wiring only.
package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"

	"github.com/alecthomas/kong"
)

// The exit statuses of every command.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

type cli struct {
	Serve    ServeCmd    `cmd:"" help:"Run the daemon."`
	Demo     DemoCmd     `cmd:"" help:"Run the daemon with virtual sensors on a fast clock."`
	Replay   ReplayCmd   `cmd:"" help:"Run a recorded stream through the same pipeline."`
	Plan     PlanCmd     `cmd:"" help:"Do the arithmetic before brew day."`
	Check    CheckCmd    `cmd:"" help:"Check a configuration or a batch file."`
	Backup   BackupCmd   `cmd:"" help:"Take a consistent copy of the record."`
	Health   HealthCmd   `cmd:"" help:"Ask the running daemon how it is."`
	Restore  RestoreCmd  `cmd:"" help:"Put a copy of the record into an empty data folder."`
	Export   ExportCmd   `cmd:"" help:"Write batches as files that replay reads."`
	Judge    JudgeCmd    `cmd:"" hidden:"" help:"For developers: judge the decisions on captures with known truth."`
	Simulate SimulateCmd `cmd:"" hidden:"" help:"For developers: write captures of virtual batches with known truth."`
	Soak     SoakCmd     `cmd:"" hidden:"" help:"For developers: run for long on a fast clock and fail on growth or anything doubled."`
	Password PasswordCmd `cmd:"" help:"Set a new password of the page in place of a forgotten one."`
	Version  VersionCmd  `cmd:"" help:"Print the version."`
}

// asides take what is told to a person beside the output.
type asides interface{ io.Writer }

func main() {
	runtime.MemProfileRate = 0 // nobody looks at it, and its table takes 1.4 MB
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run is the program with its surroundings passed in; it returns the exit status.
func run(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var c cli
	exited := -1
	parser, err := kong.New(&c,
		kong.Name("ebbline"),
		kong.Description("Says when the crash of a low-alcohol beer must start, and insists until someone answers."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.BindTo(stdout, (*io.Writer)(nil)),
		kong.BindTo(stdin, (*io.Reader)(nil)),
		kong.BindTo(stderr, (*asides)(nil)),
	)
	if err != nil {
		fmt.Fprintln(stderr, "ebbline:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	ctx, err := parser.Parse(args)
	if exited >= 0 { // --help
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "ebbline: %v; see ebbline --help\n", err)
		return exitUsage
	}
	return status(ctx.Run(), stderr)
}

// usageError is a fault of the one who called: wrong flags, a wrong file.
type usageError struct{ error }

// Unwrap gives the fault itself.
func (e usageError) Unwrap() error { return e.error }

// status prints a command's error and turns it into an exit status.
func status(err error, stderr io.Writer) int {
	if err == nil {
		return exitDone
	}
	fmt.Fprintln(stderr, "ebbline:", err)
	var usage usageError
	if errors.As(err, &usage) {
		return exitUsage
	}
	return exitFailed
}
