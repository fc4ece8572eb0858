// Package touchstone reads one-port Touchstone files, versions 1.x, 2.0 and 2.1,
// as a stream and within bounds. What it reads is a stranger's file: everything
// that is not plainly a one-port reflection sweep is refused with the line
// number; what a reader can do without is a warning.
//
// Source: Touchstone File Format Specification, IBIS Open Forum, Rev 1.1 (2002)
// and Version 2.0 (2009); 2.1 (2024) as far as one-port files go.
package touchstone

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"witnessmark/internal/errs"
	"witnessmark/internal/rf"
)

// The bounds of a file.
const (
	MaxBytes        = 8 << 20
	MaxPoints       = rf.MaxPoints
	maxLine         = 1024 // characters before a comment; a one-port line needs under 100
	maxSameWarnings = 3    // a file of option lines only must not grow the list
)

// Format is how a file writes its complex numbers.
type Format string

// The formats. Angles are in degrees.
const (
	MagnitudeAngle Format = "MA"
	DecibelAngle   Format = "DB"
	RealImaginary  Format = "RI"
)

// The reasons of a Warning. API, never renamed.
const (
	WarnNoFrequencyCount  = "FREQUENCY_COUNT_MISSING" // version 2 without [Number of Frequencies]
	WarnOptionRepeated    = "OPTION_LINE_REPEATED"    // only the first counts
	WarnNoEnd             = "END_MISSING"             // version 2 without [End]: perhaps cut short
	WarnAfterEnd          = "TEXT_AFTER_END"
	WarnByteOrderMark     = "BYTE_ORDER_MARK"
	WarnKeywordIgnored    = "KEYWORD_IGNORED"
	WarnReflectionOverOne = "REFLECTION_OVER_ONE" // calibration error, or gain
	WarnOnePoint          = "ONE_POINT_ONLY"
)

// Warning is a doubt about a file that was read.
type Warning struct {
	Line     int // 1 for the first; 0: the file as a whole
	Reason   string
	Sentence string
}

// File is what a file says.
type File struct {
	Version       string // "1" (no [Version] line), "2.0" or "2.1"
	FrequencyUnit string // "Hz", "kHz", "MHz" or "GHz", as in the option line
	Format        Format
	Trace         rf.Trace // in Hz, referred to the file's own impedance
	Warnings      []Warning
}

// Read reads a one-port file of reflections (S parameters).
//
// Errors: TooLarge, TRACE_TOO_LARGE (over MaxBytes), TRACE_TOO_MANY_POINTS;
// Invalid, TRACE_NOT_READABLE with the line in the fact "line" and its cause in
// the fact "cause" (see the cause constants); an error of r itself as it is.
func Read(r io.Reader) (*File, error) {
	// Twice a byte over the bound is enough to know.
	limited := &io.LimitedReader{R: r, N: MaxBytes + 1}
	p := &parser{r: bufio.NewReaderSize(limited, 64<<10), limited: limited}
	p.file.Version = "1"
	p.file.FrequencyUnit, p.scale = "GHz", 1e9
	p.file.Format = MagnitudeAngle
	p.file.Trace.Reference = 50
	if err := p.run(); err != nil {
		return nil, err
	}
	return &p.file, nil
}

// The causes of TRACE_NOT_READABLE. API, never renamed.
const (
	CauseNoOptionLine   = "OPTION_LINE_MISSING"
	CauseNoData         = "DATA_MISSING"
	CauseColumns        = "COLUMNS"
	CauseFormat         = "FORMAT_UNKNOWN"
	CauseOption         = "OPTION_UNKNOWN"
	CauseParameter      = "PARAMETER_NOT_S"
	CauseImpedance      = "IMPEDANCE"
	CauseNotRising      = "FREQUENCY_NOT_RISING"
	CauseNumber         = "NOT_A_NUMBER"
	CauseFrequency      = "FREQUENCY_OUT_OF_RANGE"
	CauseMagnitude      = "MAGNITUDE_OUT_OF_RANGE"
	CausePorts          = "PORTS"
	CauseVersion        = "VERSION_UNKNOWN"
	CauseKeyword        = "KEYWORD"
	CauseFrequencyCount = "FREQUENCY_COUNT_DIFFERS"
	CauseCharacter      = "CHARACTER"
	CauseLineTooLong    = "LINE_TOO_LONG"
)

type stage int

const (
	header stage = iota
	referenceValues
	information
	data
	ended
)

type parser struct {
	r       *bufio.Reader
	limited *io.LimitedReader
	file    File
	line    int
	stage   stage
	scale   float64 // Hz per unit
	v2      bool
	option  bool // an option line was read
	ports   bool // [Number of Ports] was read
	count   int  // of [Number of Frequencies]; 0: absent
	counted int  // its line
	over    int  // points with |Γ| over 1
	overAt  int  // line of the first
	text    []byte
}

func (p *parser) refuse(cause, format string, args ...any) error {
	return p.refuseAt(p.line, cause, format, args...)
}

func (p *parser) refuseAt(line int, cause, format string, args ...any) error {
	return errs.New(errs.Invalid, "TRACE_NOT_READABLE", fmt.Sprintf("trace: line %d: %s", line, fmt.Sprintf(format, args...)),
		"field", "trace", "line", strconv.Itoa(line), "cause", cause)
}

func (p *parser) warn(line int, reason, format string, args ...any) {
	same := 0
	for _, w := range p.file.Warnings {
		if w.Reason == reason {
			same++
		}
	}
	if same < maxSameWarnings {
		p.file.Warnings = append(p.file.Warnings, Warning{line, reason, fmt.Sprintf(format, args...)})
	}
}

func (p *parser) run() error {
	for {
		text, err := p.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if err := p.take(text); err != nil {
			return err
		}
	}
	return p.finish()
}

// next gives the next line's text before any comment, without surrounding
// blanks, or io.EOF. A line ends with LF, CR or CRLF.
func (p *parser) next() ([]byte, error) {
	p.text = p.text[:0]
	p.line++
	comment, read := false, false
	for {
		c, err := p.r.ReadByte()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				return nil, fmt.Errorf("read trace, line %d: %w", p.line, err)
			}
			if p.limited.N == 0 {
				return nil, p.tooLarge()
			}
			if !read {
				return nil, io.EOF
			}
			return trim(p.text), nil
		}
		read = true
		switch {
		case c == '\n':
			return trim(p.text), nil
		case c == '\r':
			if b, err := p.r.Peek(1); err == nil && b[0] == '\n' {
				if _, err := p.r.Discard(1); err != nil {
					return nil, fmt.Errorf("read trace, line %d: %w", p.line, err)
				}
			}
			return trim(p.text), nil
		case comment: // any byte: comments hold names in any encoding
		case c == '!':
			comment = true
		case c == 0xef && p.line == 1 && len(p.text) == 0 && p.mark():
			p.warn(1, WarnByteOrderMark, "a byte order mark stands at the beginning; it is skipped")
		case c != '\t' && (c < 0x20 || c > 0x7e):
			return nil, p.refuse(CauseCharacter, "holds the byte 0x%02x outside a comment; only printable ASCII is allowed", c)
		case len(p.text) == maxLine:
			return nil, p.refuse(CauseLineTooLong, "is longer than %d characters", maxLine)
		default:
			p.text = append(p.text, c)
		}
	}
}

// mark skips the rest of a UTF-8 byte order mark.
func (p *parser) mark() bool {
	b, err := p.r.Peek(2)
	if err != nil || b[0] != 0xbb || b[1] != 0xbf {
		return false
	}
	n, err := p.r.Discard(2)
	return err == nil && n == 2
}

func (p *parser) tooLarge() error {
	return errs.New(errs.TooLarge, "TRACE_TOO_LARGE", fmt.Sprintf("trace: is larger than %d bytes", MaxBytes),
		"field", "trace", "bound", strconv.Itoa(MaxBytes))
}

func blank(c byte) bool { return c == ' ' || c == '\t' }

func trim(b []byte) []byte {
	for len(b) > 0 && blank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && blank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

func (p *parser) take(text []byte) error {
	switch {
	case len(text) == 0:
		return nil
	case p.stage == ended:
		p.warn(p.line, WarnAfterEnd, "text after [End] is not read")
		return nil
	case text[0] == '[':
		return p.keyword(string(text))
	case p.stage == information:
		return nil
	case text[0] == '#':
		return p.optionLine(string(text[1:]))
	case p.stage == referenceValues:
		return p.reference(string(text))
	}
	return p.point(text)
}

func (p *parser) keyword(text string) error {
	name, value, found := strings.Cut(text[1:], "]")
	if !found {
		return p.refuse(CauseKeyword, "has a keyword without its closing bracket")
	}
	name = strings.ToLower(strings.Join(strings.Fields(name), " "))
	value = strings.Trim(value, " \t")
	if p.stage == information && name != "end information" {
		return nil
	}
	if name == "version" {
		return p.version(value)
	}
	if !p.v2 {
		return p.refuse(CauseKeyword, "has the keyword [%.40s] without [Version] before it", name)
	}
	if p.stage == referenceValues {
		return p.refuse(CauseImpedance, "[Reference] is followed by no impedance")
	}
	if p.stage == data && name != "end" {
		if name == "noise data" {
			return p.refuse(CauseKeyword, "noise data belong to two-port files; this program reads one-port files")
		}
		return p.refuse(CauseKeyword, "has the keyword [%.40s] among the data", name)
	}
	switch name {
	case "number of ports":
		return p.portCount(value)
	case "number of frequencies":
		n, err := strconv.Atoi(value)
		if err != nil || n < 1 {
			return p.refuse(CauseFrequencyCount, "[Number of Frequencies] must be a whole number over 0")
		}
		if p.count != 0 {
			return p.refuse(CauseKeyword, "[Number of Frequencies] stands twice")
		}
		p.count, p.counted = n, p.line
	case "reference":
		if !p.ports {
			return p.refuse(CausePorts, "[Reference] stands before [Number of Ports]")
		}
		p.stage = referenceValues
		if value != "" {
			return p.reference(value)
		}
	case "matrix format":
		// A one-port matrix is the same full, lower or upper.
		switch strings.ToLower(value) {
		case "full", "lower", "upper":
		default:
			return p.refuse(CauseKeyword, "[Matrix Format] must be Full, Lower or Upper")
		}
	case "two-port data order", "two-port order", "number of noise frequencies", "mixed-mode order":
		return p.refuse(CausePorts, "[%.40s] belongs to files with more ports; this program reads one-port files", name)
	case "begin information":
		p.stage = information
	case "end information":
		if p.stage == information {
			p.stage = header
		}
	case "network data":
		switch {
		case !p.option:
			return p.refuse(CauseNoOptionLine, "[Network Data] stands before the option line (#)")
		case !p.ports:
			return p.refuse(CausePorts, "[Network Data] stands before [Number of Ports], which version 2 needs")
		}
		p.stage = data
	case "end":
		if p.stage != data {
			return p.refuse(CauseKeyword, "[End] stands before [Network Data]")
		}
		p.stage = ended
	default:
		p.warn(p.line, WarnKeywordIgnored, "the keyword [%.40s] is not known and is passed over", name)
	}
	return nil
}

func (p *parser) version(value string) error {
	if p.v2 || p.option || len(p.file.Trace.Hertz) > 0 {
		return p.refuse(CauseVersion, "[Version] must stand once, before everything else")
	}
	if value != "2.0" && value != "2.1" {
		return p.refuse(CauseVersion, "version %.20q is not known; 1.x files have no [Version], others are 2.0 or 2.1", value)
	}
	p.v2, p.file.Version = true, value
	return nil
}

func (p *parser) portCount(value string) error {
	n, err := strconv.Atoi(value)
	switch {
	case err != nil || n < 1:
		return p.refuse(CausePorts, "[Number of Ports] must be a whole number over 0")
	case p.ports:
		return p.refuse(CauseKeyword, "[Number of Ports] stands twice")
	case n != 1:
		return p.refuse(CausePorts, "the file has %d ports; this program reads one-port files", n)
	case !p.option:
		return p.refuse(CauseNoOptionLine, "[Number of Ports] stands before the option line (#)")
	}
	p.ports = true
	return nil
}

func (p *parser) reference(text string) error {
	z, ok := number([]byte(text))
	if !ok {
		return p.refuse(CauseImpedance, "[Reference] must be one number of ohms for a one-port file")
	}
	if err := p.impedance(z); err != nil {
		return err
	}
	p.stage = header
	return nil
}

func (p *parser) impedance(z float64) error {
	if !(z >= 1e-3 && z <= 1e6) {
		return p.refuse(CauseImpedance, "the reference impedance must be from 0.001 to 1000000 ohm, is %g", z)
	}
	p.file.Trace.Reference = z
	return nil
}

func (p *parser) optionLine(text string) error {
	if p.option {
		p.warn(p.line, WarnOptionRepeated, "a second option line is not read; the first counts")
		return nil
	}
	p.option = true
	seen := map[string]bool{}
	once := func(what string) error {
		if seen[what] {
			return p.refuse(CauseOption, "the option line gives the %s twice", what)
		}
		seen[what] = true
		return nil
	}
	words := strings.Fields(text)
	for i := 0; i < len(words); i++ {
		var err error
		switch w := strings.ToUpper(words[i]); w {
		case "HZ", "KHZ", "MHZ", "GHZ":
			unit := map[string]string{"HZ": "Hz", "KHZ": "kHz", "MHZ": "MHz", "GHZ": "GHz"}[w]
			p.file.FrequencyUnit, p.scale = unit, map[string]float64{"HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}[w]
			err = once("frequency unit")
		case "S":
			err = once("parameter")
		case "Y", "Z", "H", "G":
			return p.refuse(CauseParameter, "the file holds %s parameters; this program reads reflections (S)", w)
		case "MA", "DB", "RI":
			p.file.Format = Format(w)
			err = once("format")
		case "R":
			if err = once("impedance"); err != nil {
				break
			}
			z, ok := 0.0, false
			if i++; i < len(words) {
				z, ok = number([]byte(words[i]))
			}
			if !ok {
				return p.refuse(CauseImpedance, "R in the option line must be followed by its number of ohms")
			}
			err = p.impedance(z)
		default:
			// Two letters where a format belongs: say so, it is the commonest slip.
			if len(w) == 2 {
				return p.refuse(CauseFormat, "the format %.20q is not MA, DB or RI", words[i])
			}
			return p.refuse(CauseOption, "the option line holds %.20q, which is no unit, parameter, format or impedance", words[i])
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (p *parser) point(text []byte) error {
	switch {
	case !p.option:
		return p.refuse(CauseNoOptionLine, "data stand before the option line (#)")
	case p.v2 && p.stage != data:
		if !p.ports {
			return p.refuse(CausePorts, "data stand before [Number of Ports], which version 2 needs")
		}
		return p.refuse(CauseKeyword, "data stand before [Network Data]")
	}
	var fields [3][]byte
	n := 0
	for rest := text; len(rest) > 0; n++ {
		end := 0
		for end < len(rest) && !blank(rest[end]) {
			end++
		}
		if n < len(fields) {
			fields[n] = rest[:end]
		}
		rest = trim(rest[end:])
	}
	if n != 3 {
		hint := ""
		if n == 9 {
			hint = "; nine make a two-port file"
		}
		return p.refuse(CauseColumns, "has %d columns; a one-port line has three, frequency and one pair%s", n, hint)
	}
	var v [3]float64
	for i, f := range fields {
		x, ok := number(f)
		if !ok {
			hint := ""
			if strings.IndexByte(string(f), ',') >= 0 {
				hint = "; the decimal sign is a point"
			}
			return p.refuse(CauseNumber, "column %d, %.30q, is not a number%s", i+1, f, hint)
		}
		v[i] = x
	}
	return p.add(v)
}

func (p *parser) add(v [3]float64) error {
	hz := v[0] * p.scale
	t := &p.file.Trace
	switch {
	case !(hz >= 0 && hz <= 1e12):
		return p.refuse(CauseFrequency, "the frequency must be from 0 to 1 THz")
	case len(t.Hertz) > 0 && hz <= t.Hertz[len(t.Hertz)-1]:
		return p.refuse(CauseNotRising, "the frequency does not rise above the one before it")
	case len(t.Hertz) == MaxPoints:
		return errs.New(errs.TooLarge, "TRACE_TOO_MANY_POINTS", fmt.Sprintf("trace: line %d: has more than %d points", p.line, MaxPoints),
			"field", "trace", "bound", strconv.Itoa(MaxPoints))
	}
	var g complex128
	magnitude := v[1]
	switch p.file.Format {
	case RealImaginary:
		g = complex(v[1], v[2])
		magnitude = math.Hypot(v[1], v[2])
	case DecibelAngle:
		magnitude = math.Pow(10, v[1]/20)
		g = polar(magnitude, v[2])
	default:
		if v[1] < 0 {
			return p.refuse(CauseMagnitude, "a magnitude is negative; is the format DB or RI?")
		}
		g = polar(magnitude, v[2])
	}
	// Ten times what was sent is no calibration's error but another quantity.
	if !(magnitude <= 10) {
		return p.refuse(CauseMagnitude, "the reflection is over 10 times what was sent; is the format right?")
	}
	if magnitude > 1+1e-6 {
		if p.over == 0 {
			p.overAt = p.line
		}
		p.over++
	}
	t.Hertz = append(t.Hertz, hz)
	t.Gamma = append(t.Gamma, g)
	return nil
}

// polar gives magnitude∠degrees, exact at the quarter turns, where degrees in
// binary radians are not.
func polar(magnitude, degrees float64) complex128 {
	d := math.Remainder(degrees, 360)
	switch d {
	case 0:
		return complex(magnitude, 0)
	case 90:
		return complex(0, magnitude)
	case -90:
		return complex(0, -magnitude)
	case 180, -180:
		return complex(-magnitude, 0)
	}
	sin, cos := math.Sincos(d * math.Pi / 180)
	return complex(magnitude*cos, magnitude*sin)
}

// number reads a plain decimal number, exponent allowed. The standard parser
// alone would let NaN, Inf, hexadecimal and underscores pass.
func number(b []byte) (float64, bool) {
	if len(b) == 0 || len(b) > 64 {
		return 0, false
	}
	for _, c := range b {
		switch {
		case c >= '0' && c <= '9', c == '.', c == '+', c == '-', c == 'e', c == 'E':
		default:
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	return v, err == nil
}

func (p *parser) finish() error {
	n := len(p.file.Trace.Hertz)
	last := max(p.line-1, 1)
	switch {
	case p.stage == referenceValues:
		return p.refuseAt(last, CauseImpedance, "[Reference] is followed by no impedance")
	case !p.option:
		return p.refuseAt(last, CauseNoOptionLine, "the file ends without an option line (#)")
	case p.v2 && !p.ports:
		return p.refuseAt(last, CausePorts, "the file ends without [Number of Ports], which version 2 needs")
	case n == 0:
		return p.refuseAt(last, CauseNoData, "the file ends without data")
	case p.count != 0 && p.count != n:
		return p.refuseAt(p.counted, CauseFrequencyCount, "[Number of Frequencies] says %d, the file has %d", p.count, n)
	}
	if p.v2 && p.count == 0 {
		p.warn(0, WarnNoFrequencyCount, "[Number of Frequencies] is missing: a cut file cannot be told from a whole one")
	}
	if p.v2 && p.stage != ended {
		p.warn(last, WarnNoEnd, "[End] is missing: the file is perhaps cut short")
	}
	if p.over > 0 {
		p.warn(p.overAt, WarnReflectionOverOne, "%d points reflect more than was sent: a calibration error, or gain", p.over)
	}
	if n == 1 {
		p.warn(0, WarnOnePoint, "the file has one point only")
	}
	return nil
}
