// Package errs holds the one error type that the domain uses: a kind, a stable
// reason, facts for machines and a sentence for a person. Only the edge of the
// program (server/errors.go, the commands) turns kinds into status or exit codes.
package errs

import (
	"errors"
	"fmt"
	"maps"
	"strings"
)

// Kind classifies an error once, where it is known.
type Kind int

// The kinds and the gRPC code that server/errors.go gives each.
const (
	Internal    Kind = iota // unclassified: INTERNAL, text kept in the log
	Invalid                 // INVALID_ARGUMENT
	NotFound                // NOT_FOUND
	Exists                  // ALREADY_EXISTS
	WrongState              // FAILED_PRECONDITION
	Stale                   // ABORTED: look again, then repeat
	Denied                  // PERMISSION_DENIED
	NoIdentity              // UNAUTHENTICATED
	Busy                    // RESOURCE_EXHAUSTED
	TooLarge                // RESOURCE_EXHAUSTED, a bound of the program; not worth a retry
	Unavailable             // UNAVAILABLE: the one kind that clients retry unasked
	Corrupt                 // DATA_LOSS
)

// Error is a classified error. Reason is API: UPPER_SNAKE_CASE, never renamed.
type Error struct {
	Kind   Kind
	Reason string
	Msg    string            // one sentence for a person: what is wrong, what to do
	Meta   map[string]string // facts for machines: field, bound, id …
	cause  error             // for the log only
}

// New makes an error; kv are alternating keys and values of Meta. An odd kv is
// a programming error and panics.
func New(kind Kind, reason, msg string, kv ...string) *Error {
	if len(kv)%2 != 0 {
		panic("errs.New: odd number of key/value arguments for " + reason)
	}
	e := &Error{Kind: kind, Reason: reason, Msg: msg}
	if len(kv) > 0 {
		e.Meta = make(map[string]string, len(kv)/2)
		for i := 0; i < len(kv); i += 2 {
			e.Meta[kv[i]] = kv[i+1]
		}
	}
	return e
}

// Newf is New with a formatted sentence and no facts.
func Newf(kind Kind, reason, format string, args ...any) *Error {
	return &Error{Kind: kind, Reason: reason, Msg: fmt.Sprintf(format, args...)}
}

// Field is an Invalid error about one field of the input: its path as the
// caller wrote it, and the sentence.
func Field(reason, field, msg string, kv ...string) *Error {
	e := New(Invalid, reason, field+": "+msg, kv...)
	if e.Meta == nil {
		e.Meta = map[string]string{}
	}
	e.Meta["field"] = field
	return e
}

// Because returns a copy of e that carries cause for the log.
func (e *Error) Because(cause error) *Error {
	c := *e
	c.Meta = maps.Clone(e.Meta)
	c.cause = cause
	return &c
}

// With returns a copy of e with one more fact.
func (e *Error) With(key, value string) *Error {
	c := *e
	c.Meta = maps.Clone(e.Meta)
	if c.Meta == nil {
		c.Meta = map[string]string{}
	}
	c.Meta[key] = value
	return &c
}

// Error says the reason, the sentence and what caused it: for logs. What a
// person reads is Msg.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Reason)
	b.WriteString(": ")
	b.WriteString(e.Msg)
	if e.cause != nil {
		b.WriteString(": ")
		b.WriteString(e.cause.Error())
	}
	return b.String()
}

// Unwrap returns the cause; nil when there is none.
func (e *Error) Unwrap() error { return e.cause }

// KindOf returns the kind of the first Error in err's chain, else Internal.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Internal
}

// ReasonOf returns the reason of the first Error in err's chain, else "".
func ReasonOf(err error) string {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return ""
}

// Is reports whether err's chain holds an Error with this reason.
func Is(err error, reason string) bool { return err != nil && ReasonOf(err) == reason }
