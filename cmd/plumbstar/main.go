// Command plumbstar helps to point the axis of a star tracker at the celestial
// pole. Every subcommand lives in a file of its own; this package only wires.
package main

import (
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
)

// env is what the outside world is to a subcommand.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	now            func() time.Time
}

// usageError is a wrong use of the command line: exit status 2.
type usageError struct{ err error }

func (u usageError) Error() string { return u.err.Error() }
func (u usageError) Unwrap() error { return u.err }

func usagef(format string, a ...any) error { return usageError{fmt.Errorf(format, a...)} }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, env{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, now: time.Now}, os.Args[1:])
	stop()
	os.Exit(code)
}

// run executes one command line and returns the exit status: 0 done, 1 failed,
// 2 wrong use. An error is one line on stderr.
func run(ctx context.Context, e env, args []string) int {
	root := newRootCommand(e)
	root.SetArgs(args)
	root.SetIn(e.stdin)
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	err := root.ExecuteContext(ctx)
	if err == nil || errors.Is(err, context.Canceled) {
		return 0
	}
	prefix := ""
	if toJournal(e.stderr) {
		prefix = "<3>"
	}
	fmt.Fprintln(e.stderr, prefix+"plumbstar:", strings.ReplaceAll(strings.TrimSpace(err.Error()), "\n", "; "))
	var u usageError
	if errors.As(err, &u) {
		return 2
	}
	return 1
}

func newRootCommand(e env) *cobra.Command {
	root := &cobra.Command{
		Use:           "plumbstar",
		Short:         "Point a star tracker's axis at the celestial pole",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("unknown command %q; plumbstar --help lists them", args[0])
			}
			return cmd.Help()
		},
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		why, _, _ := strings.Cut(err.Error(), ": strconv.") // which names functions, not cures
		return usagef("%s; %s --help lists the options", why, cmd.CommandPath())
	})
	root.AddCommand(
		newBackupCommand(e),
		newDeclinationCommand(e),
		newDemoCommand(e),
		newExportCommand(e),
		newExposureCommand(e),
		newFitCompassCommand(e),
		newNightsCommand(e),
		newOrientCommand(e),
		newPairCommand(e),
		newPolestarCommand(e),
		newReplayCommand(e),
		newScanCommand(e),
		newServeCommand(e),
		newSimulateCommand(e),
		newStabilityCommand(e),
		newTonightCommand(e),
		newVersionCommand(e),
	)
	return root
}

// noArgs and oneFile report wrong use with status 2, which cobra's own checks
// do not.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("%s takes no argument, got %q", cmd.CommandPath(), args[0])
	}
	return nil
}

func oneFile(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return usagef("%s takes one file, got %d arguments", cmd.CommandPath(), len(args))
	}
	return nil
}
