// Package access knows who may act: people and their roles and qualifications,
// devices, sessions, one-time codes, an auditor's scope. It makes and hashes
// secrets from a random source that it is given; it keeps nothing.
package access

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/bcrypt"

	"witnessmark/internal/errs"
)

// Role is what a person may do. The words are those of the API and of pinned facts.
type Role string

// The roles.
const (
	Climber Role = "CLIMBER"
	Lead    Role = "LEAD"
	Auditor Role = "AUDITOR"
	Office  Role = "OFFICE"
)

// Person is a person of an organisation.
type Person struct {
	ID             string          `json:"-"`
	Title          string          `json:"title"`
	Roles          []Role          `json:"roles"`
	Language       string          `json:"language,omitempty"`
	Qualifications []Qualification `json:"qualifications,omitempty"`
	Disabled       bool            `json:"disabled,omitempty"`
	CodeHash       []byte          `json:"codeHash,omitempty"` // bcrypt of the own code; empty: none set
	Subject        string          `json:"subject,omitempty"`  // at an identity provider
	Version        int64           `json:"-"`
	CreateTime     time.Time       `json:"-"`
}

// Is reports whether the person holds a role.
func (p Person) Is(r Role) bool { return slices.Contains(p.Roles, r) }

// RoleNames returns the roles as pinned facts name them.
func (p Person) RoleNames() []string {
	out := make([]string, len(p.Roles))
	for i, r := range p.Roles {
		out[i] = string(r)
	}
	return out
}

// PinnedQualifications returns the qualifications as pinned facts name them:
// "name until YYYY-MM-DD", or the name alone where it does not end.
func (p Person) PinnedQualifications() []string {
	var out []string
	for _, q := range p.Qualifications {
		if q.Until == "" {
			out = append(out, q.Name)
		} else {
			out = append(out, q.Name+" until "+q.Until)
		}
	}
	return out
}

// Qualification is what a person is qualified for, and until which day.
type Qualification struct {
	Name  string `json:"name"`
	Until string `json:"until,omitempty"` // YYYY-MM-DD; empty: does not end
}

// Device is a phone or another machine.
type Device struct {
	ID           string    `json:"-"`
	Person       string    `json:"person"`
	Title        string    `json:"title"`
	LastSeen     time.Time `json:"lastSeen,omitzero"`
	RevokeTime   time.Time `json:"revokeTime,omitzero"`
	RevokeReason string    `json:"revokeReason,omitempty"`
	Unsent       int64     `json:"unsent,omitempty"`
	CreateTime   time.Time `json:"-"`
	Version      int64     `json:"-"`
}

// Identity is who is calling. It comes from the credential alone.
type Identity struct {
	Org       string
	Person    string // empty for a share link
	Roles     []Role
	Device    string // empty without a device
	Session   string
	ShareLink string
	Scope     *Scope // nil: not narrowed
}

// Is reports whether the caller holds a role.
func (id Identity) Is(r Role) bool { return slices.Contains(id.Roles, r) }

// Who names the caller for custody: a person or a share link.
func (id Identity) Who() string {
	if id.ShareLink != "" {
		return "shareLinks/" + id.ShareLink
	}
	return "people/" + id.Person
}

// Grant is what an auditor may read. Every part that is set narrows it.
type Grant struct {
	ID         string    `json:"-"`
	Person     string    `json:"person"`
	Sites      []string  `json:"sites,omitempty"`
	Jobs       []string  `json:"jobs,omitempty"`
	FromDay    string    `json:"fromDay,omitempty"` // YYYY-MM-DD, UTC
	ToDay      string    `json:"toDay,omitempty"`
	ExpireTime time.Time `json:"expireTime"`
	RevokeTime time.Time `json:"revokeTime,omitzero"`
	CreateTime time.Time `json:"-"`
}

// Live reports whether the grant is in force.
func (g Grant) Live(now time.Time) bool { return g.RevokeTime.IsZero() && now.Before(g.ExpireTime) }

// Covers reports whether the grant, in force, lets a job be read.
func (g Grant) Covers(site, job string, opened time.Time) bool {
	day := opened.UTC().Format(time.DateOnly)
	return (len(g.Sites) == 0 || slices.Contains(g.Sites, site)) &&
		(len(g.Jobs) == 0 || slices.Contains(g.Jobs, job)) &&
		(g.FromDay == "" || day >= g.FromDay) && (g.ToDay == "" || day <= g.ToDay)
}

// Scope is what a narrowed reader may read: any of its grants, or one job.
type Scope struct {
	Grants []Grant
	Job    string // of a share link
}

// Covers reports whether the scope lets a job be read.
func (s *Scope) Covers(site, job string, opened time.Time) bool {
	if s == nil {
		return true
	}
	if s.Job != "" {
		return s.Job == job
	}
	return slices.ContainsFunc(s.Grants, func(g Grant) bool { return g.Covers(site, job, opened) })
}

// ShareLink is a read-only link to one job.
type ShareLink struct {
	ID         string    `json:"-"`
	Job        string    `json:"job"`
	Title      string    `json:"title,omitempty"`
	SecretHash []byte    `json:"secretHash"`
	CodeHash   []byte    `json:"codeHash,omitempty"`
	ExpireTime time.Time `json:"expireTime"`
	RevokeTime time.Time `json:"revokeTime,omitzero"`
	CreatedBy  string    `json:"createdBy"`
	CreateTime time.Time `json:"-"`
}

// Live reports whether the link is in force.
func (l ShareLink) Live(now time.Time) bool { return l.RevokeTime.IsZero() && now.Before(l.ExpireTime) }

// NewToken makes an opaque bearer token of 256 bits.
func NewToken(random io.Reader) (token string, hash [32]byte, err error) {
	var b [32]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return "", hash, fmt.Errorf("make a token: %w", err)
	}
	token = base64.RawURLEncoding.EncodeToString(b[:])
	return token, HashToken(token), nil
}

// HashToken is what is kept of a token or one-time code.
func HashToken(token string) [32]byte { return sha256.Sum256([]byte(token)) }

// crockford has no letters that are read for others.
var crockford = base32.NewEncoding("0123456789ABCDEFGHJKMNPQRSTVWXYZ").WithPadding(base32.NoPadding)

// NewCode makes a one-time code of 80 bits that can be typed: four groups of
// four characters.
func NewCode(random io.Reader) (string, error) {
	var b [10]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return "", fmt.Errorf("make a code: %w", err)
	}
	s := crockford.EncodeToString(b[:])
	return s[:4] + "-" + s[4:8] + "-" + s[8:12] + "-" + s[12:16], nil
}

// ReadCode reads a code as people type it: case, spaces and dashes do not
// matter, and O, I and L are read as the digits that they look like.
func ReadCode(typed string) string {
	s := strings.ToUpper(typed)
	s = strings.NewReplacer(" ", "", "-", "", "O", "0", "I", "1", "L", "1", "\t", "").Replace(s)
	return s
}

// HashCode is what is kept of a one-time code.
func HashCode(code string) [32]byte { return sha256.Sum256([]byte("code:" + ReadCode(code))) }

// HashOwnCode hashes a person's own code of 4 to 12 digits.
//
// The error is Invalid CODE_INVALID for anything else.
func HashOwnCode(code string) ([]byte, error) {
	if len(code) < 4 || len(code) > 12 || strings.Trim(code, "0123456789") != "" {
		return nil, errs.Field("CODE_INVALID", "code", "is 4 to 12 digits")
	}
	h, err := bcrypt.GenerateFromPassword([]byte(code), bcrypt.DefaultCost)
	if err != nil {
		return nil, fmt.Errorf("hash a code: %w", err)
	}
	return h, nil
}

// CheckOwnCode reports whether code is the one that was hashed.
func CheckOwnCode(hash []byte, code string) bool {
	return len(hash) > 0 && bcrypt.CompareHashAndPassword(hash, []byte(code)) == nil
}
