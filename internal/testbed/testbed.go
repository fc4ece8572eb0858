// Package testbed starts the real parts that tests run against: a PostgreSQL
// cluster, an S3 server, a browser. Only tests import it.
//
// Nothing here ever skips a test: a part that cannot be started fails it, with
// a sentence that says what is missing and how to get it.
package testbed

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// startTimeout bounds how long a part may take until it answers.
const startTimeout = 60 * time.Second

// guard runs a server until it ends or until its own standard input closes,
// which happens however the test process goes away, by a crash too. Then the
// folder is removed. Arguments: the folder, the signal that ends the server,
// the server's command line.
const guard = `
dir=$1; sig=$2; shift 2
exec 3<&0
"$@" 3<&- </dev/null & server=$!
(cat <&3 >/dev/null; kill -"$sig" $server 2>/dev/null) & watch=$!
exec 3<&-
wait $server
kill $watch 2>/dev/null
rm -rf "$dir"
`

// server is one started process with a folder of its own.
type server struct {
	name string
	dir  string
	log  *os.File
	in   io.WriteCloser // closing it ends the server
	done chan struct{}  // closed when the guard has ended and dir is gone
}

// start runs argv under the guard, with who's rights where who is not nil.
// Env is added to the environment.
func start(name, dir, signal string, who *syscall.Credential, env []string, argv ...string) (*server, error) {
	// The log lies outside of dir, so that it can be read when the server has
	// already gone, and has no name, so that nobody needs to remove it.
	logFile, err := os.CreateTemp("", "witnessmark-"+name+"-*.log")
	if err != nil {
		return nil, err
	}
	if err := os.Remove(logFile.Name()); err != nil {
		return nil, err
	}
	cmd := exec.Command("/bin/sh", append([]string{"-c", guard, "guard", dir, signal}, argv...)...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), env...)
	cmd.Stdout, cmd.Stderr = logFile, logFile
	// A group of its own: an interrupt at the terminal reaches the tests only,
	// and the guard then ends the server in order.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: who}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	s := &server{name: name, dir: dir, log: logFile, in: in, done: make(chan struct{})}
	go func() {
		_ = cmd.Wait() // the exit status of a server that we end ourselves says nothing
		close(s.done)
	}()
	return s, nil
}

// ready calls probe until it gives nil, the server ends or the time is over.
func (s *server) ready(probe func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	var last error
	for {
		if last = probe(ctx); last == nil {
			return nil
		}
		select {
		case <-s.done:
			return fmt.Errorf("%s ended before it answered; it said: %s", s.name, s.said())
		case <-ctx.Done():
			s.stop()
			return fmt.Errorf("%s did not answer within %v: %w; it said: %s", s.name, startTimeout, last, s.said())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// stop ends the server and waits until its folder is gone.
func (s *server) stop() {
	s.in.Close()
	<-s.done
}

// said returns the end of the server's log.
func (s *server) said() string {
	size, err := s.log.Seek(0, io.SeekEnd)
	if err != nil {
		return err.Error()
	}
	b := make([]byte, min(size, 4096))
	if _, err := s.log.ReadAt(b, size-int64(len(b))); err != nil && !errors.Is(err, io.EOF) {
		return err.Error()
	}
	return strings.TrimSpace(string(bytes.ToValidUTF8(b, []byte("?"))))
}

// folder makes a folder with a short path (a socket's path has room for about
// a hundred bytes), owned by who where who is not nil.
func folder(name string, who *syscall.Credential) (string, error) {
	base := os.TempDir()
	if len(base) > 40 || who != nil {
		base = "/tmp" // a deep or private TMPDIR serves neither sockets nor another user
	}
	dir, err := os.MkdirTemp(base, "witnessmark-"+name+"-*")
	if err != nil {
		return "", err
	}
	if who != nil {
		if err := os.Chown(dir, int(who.Uid), int(who.Gid)); err != nil {
			return "", errors.Join(err, os.Remove(dir))
		}
	}
	return dir, nil
}

// ordinaryUser returns whose rights a server gets that refuses to run as root;
// nil when this process is not root.
func ordinaryUser() (*syscall.Credential, error) {
	if os.Geteuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		if err != nil {
			return nil, err
		}
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		if err != nil {
			return nil, err
		}
		return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
	}
	return nil, errors.New("this process is root, PostgreSQL refuses to run as root, and there is neither a user postgres nor nobody")
}

// moduleRoot finds the folder of the go.mod that the tests belong to.
func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "internal", "tools", "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("no folder above this one holds internal/tools/go.mod: run the test inside the project")
		}
		dir = up
	}
}

// random returns n random bytes in hex.
func random(n int) string {
	b := make([]byte, n)
	rand.Read(b) // never fails, says its documentation
	return hex.EncodeToString(b)
}

// credential is the process attribute for who, which may be nil.
func credential(who *syscall.Credential) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: who}
}
