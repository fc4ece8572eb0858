package seal

import (
	"bytes"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"

	"witnessmark/internal/errs"
)

// Bounds of the JSON that CheckJSON accepts.
const (
	MaxJSON      = 4 << 20 // bytes: the largest message that the program takes
	MaxJSONDepth = 64      // arrays and objects open at once
)

// CheckJSON accepts b if every careful parser reads the same value from it: one
// JSON value by RFC 8259, valid UTF-8 without a byte-order mark, no member named
// twice in an object at any depth (names are compared after unescaping), no
// unpaired surrogate, at most MaxJSON bytes and MaxJSONDepth levels.
//
// Errors, all Invalid but the first: TooLarge, JSON_TOO_LARGE; JSON_TOO_DEEP;
// JSON_NOT_UTF8; JSON_MEMBER_TWICE; JSON_MALFORMED. Each names the byte offset.
func CheckJSON(b []byte) error { return checkJSON(b, MaxJSON) }

func checkJSON(b []byte, limit int) error {
	_, err := scanJSON(b, limit)
	return err
}

// member is one member of the outermost object: its unescaped name and the
// bytes of its value as they stand.
type member struct {
	name  string
	value []byte
}

// members checks b as CheckJSON does, but with its own size bound, and returns
// the members of the outermost object in order.
//
// Errors as CheckJSON's; Invalid, JSON_MALFORMED, if b is not an object.
func members(b []byte, limit int) ([]member, error) {
	s, err := scanJSON(b, limit)
	if err != nil {
		return nil, err
	}
	if !s.object {
		return nil, errs.New(errs.Invalid, "JSON_MALFORMED", "a JSON object is expected here")
	}
	return s.top, nil
}

type scanner struct {
	b      []byte
	at     int
	depth  int
	object bool // the outermost value is an object
	top    []member
}

func scanJSON(b []byte, limit int) (*scanner, error) { return scanFrom(b, limit, 0) }

// scanInside checks b as the value of a member of an object that is not there.
func scanInside(b []byte, limit int) error {
	_, err := scanFrom(b, limit, 1)
	return err
}

// scanFrom checks b as if depth objects were open around it.
func scanFrom(b []byte, limit, depth int) (*scanner, error) {
	if len(b) > limit {
		return nil, errs.Newf(errs.TooLarge, "JSON_TOO_LARGE", "JSON of %d bytes is over the bound of %d", len(b), limit)
	}
	if !utf8.Valid(b) {
		at := 0
		for at < len(b) {
			r, n := utf8.DecodeRune(b[at:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			at += n
		}
		return nil, errs.Newf(errs.Invalid, "JSON_NOT_UTF8", "the text is not UTF-8 at byte %d", at)
	}
	s := &scanner{b: b, depth: depth}
	s.space()
	if err := s.value(); err != nil {
		return nil, err
	}
	s.space()
	if s.at != len(b) {
		return nil, s.malformed("text follows the value")
	}
	return s, nil
}

func (s *scanner) malformed(what string) error {
	return errs.Newf(errs.Invalid, "JSON_MALFORMED", "%s at byte %d", what, s.at)
}

func (s *scanner) space() {
	for s.at < len(s.b) {
		switch s.b[s.at] {
		case ' ', '\t', '\n', '\r':
			s.at++
		default:
			return
		}
	}
}

func (s *scanner) peek() byte {
	if s.at < len(s.b) {
		return s.b[s.at]
	}
	return 0 // never a valid byte outside a string, so callers refuse it
}

func (s *scanner) value() error {
	switch c := s.peek(); {
	case c == '{':
		return s.nest(s.members)
	case c == '[':
		return s.nest(s.elements)
	case c == '"':
		_, err := s.str()
		return err
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	case c == 't':
		return s.word("true")
	case c == 'f':
		return s.word("false")
	case c == 'n':
		return s.word("null")
	}
	return s.malformed("a value is expected")
}

func (s *scanner) word(w string) error {
	if len(s.b)-s.at < len(w) || string(s.b[s.at:s.at+len(w)]) != w {
		return s.malformed("a value is expected")
	}
	s.at += len(w)
	return nil
}

func (s *scanner) nest(inner func() error) error {
	if s.depth++; s.depth > MaxJSONDepth {
		return errs.Newf(errs.Invalid, "JSON_TOO_DEEP", "arrays and objects nest deeper than %d at byte %d", MaxJSONDepth, s.at)
	}
	s.at++
	s.space()
	err := inner()
	s.depth--
	return err
}

func (s *scanner) elements() error {
	if s.peek() == ']' {
		s.at++
		return nil
	}
	for {
		if err := s.value(); err != nil {
			return err
		}
		s.space()
		switch s.peek() {
		case ',':
			s.at++
			s.space()
		case ']':
			s.at++
			return nil
		default:
			return s.malformed("a comma or ] is expected")
		}
	}
}

func (s *scanner) members() error {
	outermost := s.depth == 1
	if outermost {
		s.object = true
	}
	if s.peek() == '}' {
		s.at++
		return nil
	}
	var seen nameSet
	for {
		start := s.at
		if s.peek() != '"' {
			return s.malformed("a member name is expected")
		}
		name, err := s.str()
		if err != nil {
			return err
		}
		if !seen.add(name) {
			return errs.Newf(errs.Invalid, "JSON_MEMBER_TWICE", "the member %s stands twice in one object, the second time at byte %d", strconv.Quote(short(string(name))), start)
		}
		s.space()
		if s.peek() != ':' {
			return s.malformed("a colon is expected")
		}
		s.at++
		s.space()
		from := s.at
		if err := s.value(); err != nil {
			return err
		}
		if outermost {
			s.top = append(s.top, member{string(name), s.b[from:s.at]})
		}
		s.space()
		switch s.peek() {
		case ',':
			s.at++
			s.space()
		case '}':
			s.at++
			return nil
		default:
			return s.malformed("a comma or } is expected")
		}
	}
}

// nameSet finds repeated names. Most objects have a handful of members, for
// which a scan beats a map; a hostile object of many gets the map.
type nameSet struct {
	few  [16][]byte
	n    int
	many map[string]bool
}

func (n *nameSet) add(name []byte) bool {
	if n.many != nil {
		if n.many[string(name)] {
			return false
		}
		n.many[string(name)] = true
		return true
	}
	for _, had := range n.few[:n.n] {
		if bytes.Equal(had, name) {
			return false
		}
	}
	if n.n < len(n.few) {
		n.few[n.n] = name
		n.n++
		return true
	}
	n.many = make(map[string]bool, 2*len(n.few))
	for _, had := range n.few {
		n.many[string(had)] = true
	}
	n.many[string(name)] = true
	return true
}

// short cuts a stranger's text for a message.
func short(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	cut := most
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}

func (s *scanner) digits() bool {
	from := s.at
	for c := s.peek(); c >= '0' && c <= '9'; c = s.peek() {
		s.at++
	}
	return s.at > from
}

func (s *scanner) number() error {
	if s.peek() == '-' {
		s.at++
	}
	if s.peek() == '0' {
		s.at++
	} else if !s.digits() {
		return s.malformed("a digit is expected")
	}
	if s.peek() == '.' {
		s.at++
		if !s.digits() {
			return s.malformed("a digit is expected")
		}
	}
	if c := s.peek(); c == 'e' || c == 'E' {
		s.at++
		if c := s.peek(); c == '+' || c == '-' {
			s.at++
		}
		if !s.digits() {
			return s.malformed("a digit is expected")
		}
	}
	return nil
}

// str reads a string and returns it unescaped: bytes of b itself where there
// was no escape.
func (s *scanner) str() ([]byte, error) {
	s.at++
	from := s.at
	for s.at < len(s.b) { // without an escape the bytes are the text
		switch c := s.b[s.at]; {
		case c == '"':
			text := s.b[from:s.at:s.at]
			s.at++
			return text, nil
		case c == '\\':
			return s.escaped(bytes.Clone(s.b[from:s.at]))
		case c < 0x20:
			return nil, s.malformed("a control character stands unescaped")
		}
		s.at++
	}
	return nil, s.malformed("a string does not end")
}

func (s *scanner) escaped(text []byte) ([]byte, error) {
	for s.at < len(s.b) {
		c := s.b[s.at]
		switch {
		case c == '"':
			s.at++
			return text, nil
		case c < 0x20:
			return nil, s.malformed("a control character stands unescaped")
		case c != '\\':
			text = append(text, c)
			s.at++
			continue
		}
		s.at++
		switch c := s.peek(); c {
		case '"', '\\', '/':
			text = append(text, c)
		case 'b':
			text = append(text, '\b')
		case 'f':
			text = append(text, '\f')
		case 'n':
			text = append(text, '\n')
		case 'r':
			text = append(text, '\r')
		case 't':
			text = append(text, '\t')
		case 'u':
			s.at++
			r, err := s.hex4()
			if err != nil {
				return nil, err
			}
			if utf16.IsSurrogate(r) {
				if s.peek() != '\\' || s.at+1 >= len(s.b) || s.b[s.at+1] != 'u' {
					return nil, s.malformed("half a surrogate pair")
				}
				s.at += 2
				low, err := s.hex4()
				if err != nil {
					return nil, err
				}
				if r = utf16.DecodeRune(r, low); r == utf8.RuneError {
					return nil, s.malformed("half a surrogate pair")
				}
			}
			text = utf8.AppendRune(text, r)
			continue
		default:
			return nil, s.malformed("an unknown escape")
		}
		s.at++
	}
	return nil, s.malformed("a string does not end")
}

func (s *scanner) hex4() (rune, error) {
	if len(s.b)-s.at < 4 {
		return 0, s.malformed("four hexadecimal digits are expected")
	}
	var r rune
	for _, c := range s.b[s.at : s.at+4] {
		switch {
		case c >= '0' && c <= '9':
			c -= '0'
		case c >= 'a' && c <= 'f':
			c -= 'a' - 10
		case c >= 'A' && c <= 'F':
			c -= 'A' - 10
		default:
			return 0, s.malformed("four hexadecimal digits are expected")
		}
		r = r<<4 | rune(c)
	}
	s.at += 4
	return r, nil
}

// text reads a JSON string value that scanJSON has already accepted.
func text(value []byte) (string, bool) {
	if len(value) == 0 || value[0] != '"' {
		return "", false
	}
	s := &scanner{b: value}
	t, err := s.str()
	return string(t), err == nil && s.at == len(value)
}

// appendText appends s as a JSON string with the fewest escapes: quotation mark,
// backslash and control characters only, so that a line reads as it was typed
// (the standard encoder would also escape <, >, &, U+2028 and U+2029). s must be
// valid UTF-8.
func appendText(dst []byte, s string) []byte {
	const hexDigits = "0123456789abcdef"
	dst = append(dst, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c == '\n':
			dst = append(dst, '\\', 'n')
		case c == '\r':
			dst = append(dst, '\\', 'r')
		case c == '\t':
			dst = append(dst, '\\', 't')
		case c < 0x20:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		default:
			dst = append(dst, c)
		}
	}
	return append(dst, '"')
}
