package procedure

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"buf.build/go/protoyaml"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Bounds of a procedure document. What is over one is refused with a problem
// that names it.
const (
	MaxDocument = 1 << 20 // bytes
	MaxSections = 100
	MaxSteps    = 500
	MaxText     = 4000 // characters of one text
	maxDepth    = 40   // of nested YAML nodes
	maxProblems = 200  // listed; a document with more is not worth reading further
)

// place is where a node begins, both from 1.
type place struct{ line, column int }

// document is a YAML document with its fields found again by path.
type document struct {
	file   string
	root   *yaml.Node
	places map[string]place // by path, fields under their proto names
	paths  map[place]string // the reverse, for errors that give only a place
	probs  Problems
}

// open reads doc as one YAML document and refuses what a reader could
// misunderstand: several documents, a key given twice, anchors and aliases,
// fields or enum values by number.
func open(file string, doc []byte) *document {
	d := &document{file: file, places: map[string]place{}, paths: map[place]string{}}
	if len(doc) > MaxDocument {
		d.addAt(place{}, "", fmt.Sprintf("the document has %d bytes; at most %d are allowed", len(doc), MaxDocument))
		return d
	}
	dec := yaml.NewDecoder(bytes.NewReader(doc))
	var root yaml.Node
	if err := decode(dec, &root); err != nil {
		if errors.Is(err, io.EOF) {
			d.addAt(place{1, 1}, "", "the document is empty")
		} else {
			d.addAt(lineOf(err), "", strings.TrimPrefix(err.Error(), "yaml: "))
		}
		return d
	}
	var second yaml.Node
	switch err := decode(dec, &second); {
	case errors.Is(err, io.EOF):
	case err != nil:
		d.addAt(lineOf(err), "", strings.TrimPrefix(err.Error(), "yaml: "))
		return d
	default:
		d.addAt(place{second.Line, second.Column}, "", "a second document begins here; a procedure is one document")
		return d
	}
	if len(root.Content) != 1 || root.Content[0].Kind != yaml.MappingNode {
		d.addAt(place{1, 1}, "", "a procedure is a mapping of fields, such as 'id: antenna-line'")
		return d
	}
	d.root = root.Content[0]
	d.walk(d.root, (&recordv1.Procedure{}).ProtoReflect().Descriptor(), "", 0)
	return d
}

// decode keeps a panic of the YAML library on hostile input an error.
func decode(dec *yaml.Decoder, node *yaml.Node) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("this text cannot be read as YAML: %v", r)
		}
	}()
	return dec.Decode(node)
}

var yamlLine = regexp.MustCompile(`\bline (\d+)`)

// lineOf takes the line out of a syntax error of the YAML library, which gives
// no column.
func lineOf(err error) place {
	if m := yamlLine.FindStringSubmatch(err.Error()); m != nil {
		if n, e := strconv.Atoi(m[1]); e == nil {
			return place{n, 1}
		}
	}
	return place{1, 1}
}

func (d *document) walk(n *yaml.Node, desc protoreflect.MessageDescriptor, path string, depth int) {
	if !d.plain(n, path, depth) || n.Kind != yaml.MappingNode {
		return // a wrong kind is reported when the message is read
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if !d.plain(key, path, depth) {
			continue
		}
		name := key.Value
		f := desc.Fields().ByJSONName(name)
		if f == nil {
			f = desc.Fields().ByTextName(name)
		}
		if f == nil {
			if _, err := strconv.Atoi(name); err == nil {
				d.addAt(place{key.Line, key.Column}, path, fmt.Sprintf("field %.40q is a number; write the field's name", name))
			} else if seen[name] {
				d.addAt(place{key.Line, key.Column}, path, fmt.Sprintf("%.80q is given twice", name))
			}
			seen[name] = true
			continue
		}
		child := string(f.Name())
		if path != "" {
			child = path + "." + child
		}
		d.mark(child, key, value)
		if seen[string(f.Name())] {
			d.addAt(place{key.Line, key.Column}, child, fmt.Sprintf("%q is given twice", name))
		}
		seen[string(f.Name())] = true
		d.field(value, f, child, depth+1)
	}
}

func (d *document) field(n *yaml.Node, f protoreflect.FieldDescriptor, path string, depth int) {
	switch {
	case f.IsMap():
		if !d.plain(n, path, depth) || n.Kind != yaml.MappingNode {
			return
		}
		seen := map[string]bool{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			key, value := n.Content[i], n.Content[i+1]
			if !d.plain(key, path, depth) {
				continue
			}
			child := path + "[" + quoted(key.Value) + "]"
			d.mark(child, key, value)
			if seen[key.Value] {
				d.addAt(place{key.Line, key.Column}, child, fmt.Sprintf("%.80q is given twice", key.Value))
			}
			seen[key.Value] = true
			d.single(value, f.MapValue(), child, depth+1)
		}
	case f.IsList():
		if !d.plain(n, path, depth) || n.Kind != yaml.SequenceNode {
			return
		}
		for i, item := range n.Content {
			child := path + "[" + strconv.Itoa(i) + "]"
			d.mark(child, item, item)
			d.single(item, f, child, depth+1)
		}
	default:
		d.single(n, f, path, depth)
	}
}

func (d *document) single(n *yaml.Node, f protoreflect.FieldDescriptor, path string, depth int) {
	if f.Message() != nil {
		d.walk(n, f.Message(), path, depth)
		return
	}
	if !d.plain(n, path, depth) {
		return
	}
	if f.Enum() != nil && n.Kind == yaml.ScalarNode {
		if _, err := strconv.Atoi(n.Value); err == nil {
			d.addAt(place{n.Line, n.Column}, path, fmt.Sprintf("%q is a number; write the name, such as %s", n.Value, f.Enum().Values().Get(1).Name()))
		}
	}
}

// plain refuses aliases, anchors and nesting without end.
func (d *document) plain(n *yaml.Node, path string, depth int) bool {
	at := place{n.Line, n.Column}
	switch {
	case n.Kind == yaml.AliasNode:
		d.addAt(at, path, "aliases (*name) are not allowed; write it out")
	case n.Anchor != "":
		d.addAt(at, path, "anchors (&name) are not allowed; write it out")
	case depth > maxDepth:
		d.addAt(at, path, fmt.Sprintf("nested deeper than %d levels", maxDepth))
	default:
		return true
	}
	return false
}

func (d *document) mark(path string, key, value *yaml.Node) {
	at := place{key.Line, key.Column}
	if value.Kind == yaml.ScalarNode {
		at = place{value.Line, value.Column}
	}
	d.places[path] = at
	// A mapping begins where its first key does: the outer one keeps the place.
	for _, at := range []place{{key.Line, key.Column}, {value.Line, value.Column}} {
		if _, taken := d.paths[at]; !taken {
			d.paths[at] = path
		}
	}
}

// add reports a problem at path, or at the nearest field around it that is
// written in the document.
func (d *document) add(path, message string) {
	for p := path; ; {
		if at, ok := d.places[p]; ok {
			d.addAt(at, path, message)
			return
		}
		i := max(strings.LastIndexByte(p, '.'), strings.LastIndexByte(p, '['))
		if i <= 0 {
			break
		}
		p = p[:i]
	}
	at := place{1, 1}
	if d.root != nil {
		at = place{d.root.Line, d.root.Column}
	}
	d.addAt(at, path, message)
}

func (d *document) addAt(at place, path, message string) {
	if len(d.probs) < maxProblems {
		d.probs = append(d.probs, Problem{File: d.file, Line: at.line, Column: at.column, Path: path, Message: message})
	}
}

// read turns the document into the message; what does not fit becomes problems.
func (d *document) read(doc []byte) *recordv1.Procedure {
	p := &recordv1.Procedure{}
	err := unmarshal(doc, p)
	if err == nil {
		return p
	}
	all := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		all = joined.Unwrap()
	}
	for _, e := range all {
		at, message := split(e)
		d.addAt(at, d.paths[at], message)
	}
	return p
}

func unmarshal(doc []byte, p *recordv1.Procedure) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("this text cannot be read as a procedure: %v", r)
		}
	}()
	return protoyaml.UnmarshalOptions{Path: "p"}.Unmarshal(doc, p)
}

var positioned = regexp.MustCompile(`^p:(\d+):(\d+) (.*)`)

// split takes position and message out of one error of protoyaml, whose type is
// not exported: "p:12:5 message", a line break, the line, a caret.
func split(err error) (place, string) {
	m := positioned.FindStringSubmatch(err.Error())
	if m == nil {
		return lineOf(err), strings.TrimPrefix(err.Error(), "yaml: ")
	}
	line, e1 := strconv.Atoi(m[1])
	column, e2 := strconv.Atoi(m[2])
	if e1 != nil || e2 != nil {
		return place{1, 1}, m[3]
	}
	return place{line, column}, m[3]
}

// result is the problems in the order of the document, or nil.
func (d *document) result() error {
	if len(d.probs) == 0 {
		return nil
	}
	slices.SortStableFunc(d.probs, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	d.probs = slices.CompactFunc(d.probs, func(a, b Problem) bool { return a == b })
	return d.probs
}
