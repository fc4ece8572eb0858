package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"witnessmark/internal/errs"
)

// Credential is what is kept of one sign-in.
type Credential struct {
	Token        string `json:"token"`
	Organization string `json:"organization"`
	Person       string `json:"person"`
	Device       string `json:"device,omitempty"`
	Key          string `json:"key,omitempty"` // PEM; empty without a device
}

// Credentials are the sign-ins of a user on this machine, by the server's address.
type Credentials struct {
	Current string                `json:"current"` // the address that was last signed in to
	Servers map[string]Credential `json:"servers"`

	path string
}

// OpenCredentials reads the file at path; one that is not there is empty.
//
// Errors: WrongState CREDENTIALS_OPEN if others than the owner can read it;
// Corrupt CREDENTIALS_FILE.
func OpenCredentials(path string) (*Credentials, error) {
	c := &Credentials{Servers: map[string]Credential{}, path: path}
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return c, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the credentials: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, errs.Newf(errs.WrongState, "CREDENTIALS_OPEN", "%s is open to others (mode %04o); close it with chmod 600", path, info.Mode().Perm())
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the credentials: %w", err)
	}
	if err := json.Unmarshal(b, c); err != nil {
		return nil, errs.Newf(errs.Corrupt, "CREDENTIALS_FILE", "%s cannot be read; move it away and enrol again", path).Because(err)
	}
	if c.Servers == nil {
		c.Servers = map[string]Credential{}
	}
	return c, nil
}

// Keep stores the credential of a server and makes that server the current one.
// The file is replaced whole; its mode is 0600, its folder's 0700.
func (c *Credentials) Keep(server string, k Credential) error {
	c.Servers[server], c.Current = k, server
	return c.write()
}

// Forget removes the credential of a server.
func (c *Credentials) Forget(server string) error {
	delete(c.Servers, server)
	if c.Current == server {
		c.Current = ""
		var left []string
		for s := range c.Servers {
			left = append(left, s)
		}
		if len(left) > 0 {
			c.Current = slices.Min(left)
		}
	}
	return c.write()
}

func (c *Credentials) write() error {
	b, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		return fmt.Errorf("write the credentials: %w", err)
	}
	dir := filepath.Dir(c.path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("write the credentials: %w", err)
	}
	t, err := os.CreateTemp(dir, ".credentials-*") // made with mode 0600
	if err != nil {
		return fmt.Errorf("write the credentials: %w", err)
	}
	_, err = t.Write(append(b, '\n'))
	if err = errors.Join(err, t.Sync(), t.Close()); err == nil {
		err = os.Rename(t.Name(), c.path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write the credentials: %w", err), os.Remove(t.Name()))
	}
	return nil
}
