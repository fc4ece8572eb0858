package procedure

import (
	"fmt"
	"strconv"
	"strings"

	"witnessmark/internal/errs"
)

// Problem is one thing wrong with a procedure document.
type Problem struct {
	File    string // as the caller named it
	Line    int    // from 1; 0 when the document has no such place
	Column  int    // from 1
	Path    string // such as sections[2].steps[0].torque.limit
	Message string // a sentence that says what is wrong and what would be right
}

// String is the problem on one line: file:line:column: path: message.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		b.WriteString(":" + strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Column))
	}
	b.WriteString(": ")
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	b.WriteString(p.Message)
	return b.String()
}

// Problems is every problem of one document, in the order of the document. It
// is an error of kind Invalid, reason PROCEDURE_INVALID.
type Problems []Problem

// Error lists the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Unwrap classifies the problems for callers that look for an errs.Error: its
// sentence is the first problem and how many more there are.
func (ps Problems) Unwrap() error {
	if len(ps) == 0 {
		return nil
	}
	msg := ps[0].String()
	if n := len(ps) - 1; n == 1 {
		msg += " (and 1 more problem)"
	} else if n > 1 {
		msg += fmt.Sprintf(" (and %d more problems)", n)
	}
	return errs.New(errs.Invalid, "PROCEDURE_INVALID", msg, "problems", strconv.Itoa(len(ps)))
}
