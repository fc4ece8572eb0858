// Command witnessmark is the server, and the commands of the office, of leads
// and auditors, and of whoever keeps the server running. 'witnessmark help' lists
// them; 'witnessmark help COMMAND' explains one.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"witnessmark/internal/client"
	"witnessmark/internal/errs"
)

// Exit codes. They are part of the interface and never change meaning.
const (
	exitDone   = 0 // done; for checks: nothing wrong was found
	exitFailed = 1 // not done, or a check found something wrong
	exitUsage  = 2 // the command line or the settings are not understood
	exitLater  = 3 // a server or store does not answer: the same may work later
)

const exitCodes = `Exit codes: 0 done (a check found nothing wrong), 1 not done (or a check found
something wrong), 2 command line or settings not understood, 3 a server or store
does not answer: try again later.`

// streams are what a command reads and writes. Results go to out, whatever else
// there is to say to err.
type streams struct {
	in       io.Reader
	out, err io.Writer
	env      func(string) string
	now      func() time.Time
}

// command is one command or, with others below it, a group.
type command struct {
	name    string
	args    string // after the name, as help shows it
	summary string // one line
	help    string // more, after the usage
	below   []*command
	// setup declares the flags and returns what runs with the arguments left.
	setup func(f *flags) func(ctx context.Context, s *streams, args []string) error
}

// usageError is a mistake in the command line.
type usageError struct{ text string }

func (u usageError) Error() string { return u.text }

func usagef(format string, args ...any) error { return usageError{fmt.Sprintf(format, args...)} }

// silent is a failure whose explanation is printed already.
type silent struct{ code int }

func (s silent) Error() string { return fmt.Sprintf("exit code %d", s.code) }

// version is set when the program is built: -ldflags "-X main.version=…".
var version = "devel"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], &streams{in: os.Stdin, out: os.Stdout, err: os.Stderr, env: os.Getenv, now: time.Now})
	stop()
	os.Exit(code)
}

// commands is the whole list, in the order in which help shows it.
func commands() []*command {
	return slices.Concat(serverCommands(), keepingCommands(), clientCommands(), localCommands())
}

// run runs one command line and returns its exit code.
func run(ctx context.Context, args []string, s *streams) int {
	all := commands()
	if len(args) == 0 {
		return complain(s, printHelp(s.err, all), exitUsage)
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		return help(s, all, args[1:])
	case "version", "-version", "--version":
		return complain(s, printed(fmt.Fprintf(s.out, "witnessmark %s\n", version)), exitDone)
	}
	c, path, rest, err := find(all, args)
	if err != nil {
		return report(s, "witnessmark", err)
	}
	if len(c.below) > 0 {
		if len(rest) > 0 {
			return help(s, all, strings.Fields(path)) // asked with -h
		}
		return complain(s, printGroup(s.err, path, c), exitUsage)
	}
	f := newFlags(path, s.env)
	do := c.setup(f)
	rest, err = f.parse(rest)
	if errors.Is(err, flag.ErrHelp) {
		return complain(s, printCommand(s.out, path, c), exitDone)
	}
	if err == nil {
		err = do(ctx, s, rest)
	}
	return report(s, "witnessmark "+path, err)
}

// find follows the words of a command line to a command.
func find(all []*command, args []string) (c *command, path string, rest []string, err error) {
	level := all
	for i, a := range args {
		if strings.HasPrefix(a, "-") {
			break
		}
		at := slices.IndexFunc(level, func(c *command) bool { return c.name == a })
		if at < 0 {
			if c == nil {
				return nil, "", nil, usagef("there is no command %q; 'witnessmark help' lists them", a)
			}
			if len(c.below) > 0 {
				return nil, "", nil, usagef("%q is not a part of %q; 'witnessmark help %s' lists them", a, path, path)
			}
			break
		}
		c, level = level[at], level[at].below
		path = strings.Join(args[:i+1], " ")
		rest = args[i+1:]
		if len(level) == 0 {
			return c, path, rest, nil
		}
	}
	if c == nil {
		return nil, "", nil, usagef("the command comes first; 'witnessmark help' lists them")
	}
	return c, path, rest, nil
}

func help(s *streams, all []*command, words []string) int {
	if len(words) == 0 {
		return complain(s, printHelp(s.out, all), exitDone)
	}
	c, path, _, err := find(all, words)
	if err != nil {
		return report(s, "witnessmark", err)
	}
	if len(c.below) > 0 {
		return complain(s, printGroup(s.out, path, c), exitDone)
	}
	return complain(s, printCommand(s.out, path, c), exitDone)
}

// report prints an error for a person and returns the exit code.
func report(s *streams, who string, err error) int {
	var u usageError
	var q silent
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &q):
		return q.code
	case errors.As(err, &u):
		return complain(s, printed(fmt.Fprintf(s.err, "%s: %s\n", who, u.text)), exitUsage)
	case errors.Is(err, context.Canceled):
		return complain(s, printed(fmt.Fprintf(s.err, "%s: stopped\n", who)), exitFailed)
	}
	code := exitFailed
	if client.Later(err) {
		code = exitLater
	}
	return complain(s, printed(fmt.Fprintf(s.err, "%s: %s\n", who, explain(err))), code)
}

// explain is an error with what led to it, for a person.
func explain(err error) string {
	text := client.Explain(err)
	var e *errs.Error
	if errors.As(err, &e) {
		if cause := errors.Unwrap(e); cause != nil {
			text += " (" + cause.Error() + ")"
		}
	}
	return text
}

// complain returns code, or 1 where even the printing failed.
func complain(_ *streams, err error, code int) int {
	if err != nil {
		return exitFailed
	}
	return code
}

func printed(_ int, err error) error { return err }

func printHelp(w io.Writer, all []*command) error {
	var b strings.Builder
	b.WriteString("witnessmark keeps the record of a day's work on a tower.\n\nUsage: witnessmark COMMAND …\n\n")
	width := 0
	for _, c := range all {
		width = max(width, len(c.name))
	}
	for _, c := range all {
		fmt.Fprintf(&b, "  %-*s  %s\n", width, c.name, c.summary)
	}
	b.WriteString("\n'witnessmark help COMMAND' explains one. 'witnessmark-verify' is a program of its own:\nit checks an evidence package without server or network.\n\n" + exitCodes + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func printGroup(w io.Writer, path string, c *command) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", c.summary)
	width := 0
	for _, d := range c.below {
		width = max(width, len(d.name)+1+len(d.args))
	}
	for _, d := range c.below {
		fmt.Fprintf(&b, "  witnessmark %s %-*s  %s\n", path, width, strings.TrimSpace(d.name+" "+d.args), d.summary)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func printCommand(w io.Writer, path string, c *command) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Usage: witnessmark %s\n\n%s\n", strings.TrimSpace(path+" "+c.args), c.summary)
	if c.help != "" {
		b.WriteString("\n" + strings.TrimSpace(c.help) + "\n")
	}
	f := newFlags(path, func(string) string { return "" })
	c.setup(f)
	if text := f.describe(); text != "" {
		b.WriteString("\nOptions:\n" + text)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
