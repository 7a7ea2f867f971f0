// Package cli is what the two programs' command lines have in common: exit codes
// and errors as one sentence.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
)

// Exit codes of every command.
const (
	Done     = 0 // it did what was asked
	Failed   = 1 // the thing asked for failed
	BadInput = 2 // the input or the words are wrong
)

type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string { return e.err.Error() }
func (e *codedError) Unwrap() error { return e.err }

// Inputf is an error that ends a command with BadInput: the text says what is
// wrong, where (file:line:column), and what to do.
func Inputf(format string, args ...any) error {
	return &codedError{BadInput, fmt.Errorf(format, args...)}
}

// Input marks an existing error as BadInput.
func Input(err error) error {
	if err == nil {
		return nil
	}
	return &codedError{BadInput, err}
}

// Failedf is an error that ends a command with Failed.
func Failedf(format string, args ...any) error {
	return &codedError{Failed, fmt.Errorf(format, args...)}
}

// Code is the exit code that an error asks for: Failed unless it says otherwise.
func Code(err error) int {
	if err == nil {
		return Done
	}
	var c *codedError
	if errors.As(err, &c) {
		return c.code
	}
	return Failed
}

// Main is a program's main: it runs the root command until it ends, or until SIGINT
// or SIGTERM ends its context, and leaves with its exit code.
func Main(root *cobra.Command) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := Run(ctx, root, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Run executes a root command and returns the program's exit code. Errors are
// printed to stderr as one sentence; wrong words (unknown command, unknown or
// malformed flag, missing argument) are BadInput.
func Run(ctx context.Context, root *cobra.Command, args []string, stdout, stderr io.Writer) int {
	root.SilenceErrors, root.SilenceUsage = true, true
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	ran := false
	root.PersistentPreRun = func(*cobra.Command, []string) { ran = true }
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return Inputf("%w: see '%s --help'", err, cmd.CommandPath())
	})
	err := root.ExecuteContext(ctx)
	if err == nil {
		return Done
	}
	if !ran && Code(err) == Failed {
		err = Input(err) // cobra found the words wrong before any command ran
	}
	fmt.Fprintf(stderr, "%s: %s\n", root.Name(), strings.ReplaceAll(strings.TrimSpace(err.Error()), "\n", " "))
	return Code(err)
}
