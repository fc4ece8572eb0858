// Command run starts one PostgreSQL cluster, runs a command with the cluster's
// address in its environment, and stops the cluster:
//
//	go run ./internal/testbed/run go test ./...
//
// Without it each test process that needs a cluster starts its own, which is as
// good and a second slower for each. The exit code is the command's.
package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"syscall"

	"witnessmark/internal/testbed"
)

func main() { os.Exit(run(os.Args[1:])) }

func run(argv []string) int {
	if len(argv) == 0 {
		fmt.Fprintln(os.Stderr, "run: the command is missing, as in: run go test ./...")
		return 2
	}
	dsn, stop, err := testbed.StartPostgres(false)
	if err != nil {
		fmt.Fprintln(os.Stderr, "run: PostgreSQL:", err)
		return 1
	}
	defer stop()
	// An interrupt reaches the command too, which shares our terminal; we stay
	// to stop the cluster when it has ended.
	signal.Notify(make(chan os.Signal, 1), os.Interrupt, syscall.SIGTERM)
	cmd := exec.Command(argv[0], argv[1:]...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.Env = append(os.Environ(), testbed.PostgresVariable+"="+dsn)
	err = cmd.Run()
	var exit *exec.ExitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &exit) && exit.ExitCode() > 0:
		return exit.ExitCode()
	default:
		fmt.Fprintln(os.Stderr, "run:", err)
		return 1
	}
}
