package procedure

import (
	"bytes"
	"errors"
	"fmt"

	"go.yaml.in/yaml/v3"
)

// maxIncluded bounds how many documents one document may bring in, directly or
// through others.
const maxIncluded = 20

// Include writes the included procedures of doc out: their sections before its
// own, in the order of the list, with their shared limits, cautions and texts
// in other languages; the list itself goes. lookup gives the document of an id.
// A procedure that several bring in is written once. The result stands alone
// and has its comments; a document without includes comes back as it is.
//
// Errors: Problems for a document that cannot be read or checked, or whose
// sections, limits or includes clash or go in a circle; what lookup says.
func Include(doc []byte, lookup func(id string) ([]byte, error)) ([]byte, error) {
	in := &includer{lookup: lookup, seen: map[string]bool{}, open: map[string]bool{}}
	p, err := Parse("procedure.yaml", doc)
	if err != nil {
		return nil, err
	}
	if len(p.GetInclude()) == 0 {
		return bytes.Clone(doc), nil
	}
	root, err := in.whole("procedure.yaml", p.GetId(), doc)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := enc.Encode(root); err != nil {
		return nil, fmt.Errorf("write the procedure out: %w", err)
	}
	if err := enc.Close(); err != nil {
		return nil, fmt.Errorf("write the procedure out: %w", err)
	}
	if _, err := Compile(out.Bytes()); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

type includer struct {
	lookup func(id string) ([]byte, error)
	seen   map[string]bool // written already
	open   map[string]bool // on the way: a circle when met again
}

// whole is a document with its includes written out.
func (in *includer) whole(file, id string, doc []byte) (*yaml.Node, error) {
	d := open(file, doc)
	if err := d.result(); err != nil {
		return nil, err
	}
	in.open[id], in.seen[id] = true, true
	defer delete(in.open, id)
	p := d.read(doc)
	if err := d.result(); err != nil {
		return nil, err
	}
	base := &yaml.Node{Kind: yaml.MappingNode}
	for i, name := range p.GetInclude() {
		if in.open[name] {
			d.addf(fmt.Sprintf("include[%d]", i), "%q includes this procedure in turn", name)
			return nil, d.result()
		}
		if in.seen[name] {
			continue
		}
		if len(in.seen) > maxIncluded {
			d.addf(fmt.Sprintf("include[%d]", i), "more than %d procedures are included", maxIncluded)
			return nil, d.result()
		}
		other, err := in.lookup(name)
		if err != nil {
			return nil, fmt.Errorf("include %q: %w", name, err)
		}
		if _, err := Parse(name+".yaml", other); err != nil {
			return nil, err
		}
		node, err := in.whole(name+".yaml", name, other)
		if err != nil {
			return nil, err
		}
		if err := merge(base, node); err != nil {
			d.add(fmt.Sprintf("include[%d]", i), err.Error())
			return nil, d.result()
		}
	}
	if err := merge(base, d.root); err != nil {
		d.add("include", err.Error())
		return nil, d.result()
	}
	// The document's own head (id, title, revision …) before what it brings in.
	out := *d.root
	out.Content = nil
	for i := 0; i+1 < len(d.root.Content); i += 2 {
		switch d.root.Content[i].Value {
		case "include", "sections", "limits", "cautions", "catalogues":
		default:
			out.Content = append(out.Content, d.root.Content[i], d.root.Content[i+1])
		}
	}
	for _, name := range []string{"cautions", "sections", "limits", "catalogues"} {
		if v := field(base, name); v != nil {
			out.Content = append(out.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: name}, v)
		}
	}
	return &out, nil
}

func (d *document) addf(path, format string, args ...any) { d.add(path, fmt.Sprintf(format, args...)) }

func field(m *yaml.Node, name string) *yaml.Node {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == name {
			return m.Content[i+1]
		}
	}
	return nil
}

// merge adds the parts of from that a procedure brings in to base: sections and
// cautions behind those that are there, limits and texts by name.
func merge(base, from *yaml.Node) error {
	cautions := 0
	if c := field(base, "cautions"); c != nil {
		cautions = len(c.Content)
	}
	for i := 0; i+1 < len(from.Content); i += 2 {
		key, value := from.Content[i], from.Content[i+1]
		switch key.Value {
		case "sections", "cautions":
			if value.Kind != yaml.SequenceNode {
				continue
			}
			to := field(base, key.Value)
			if to == nil {
				to = &yaml.Node{Kind: yaml.SequenceNode}
				base.Content = append(base.Content, key, to)
			}
			for _, item := range value.Content {
				if id := field(item, "id"); key.Value == "sections" && id != nil && hasID(to, id.Value) {
					return fmt.Errorf("the section %q is in two of the procedures", id.Value)
				}
				to.Content = append(to.Content, item)
			}
		case "limits":
			if err := mergeMap(base, key, value, func(name string) error {
				return fmt.Errorf("the shared limit %q is in two of the procedures", name)
			}); err != nil {
				return err
			}
		case "catalogues":
			mergeCatalogues(base, key, value, cautions)
		}
	}
	return nil
}

func hasID(list *yaml.Node, id string) bool {
	for _, item := range list.Content {
		if n := field(item, "id"); n != nil && n.Value == id {
			return true
		}
	}
	return false
}

func mergeMap(base, key, value *yaml.Node, twice func(string) error) error {
	if value.Kind != yaml.MappingNode {
		return errors.New("limits is not a mapping")
	}
	to := field(base, key.Value)
	if to == nil {
		to = &yaml.Node{Kind: yaml.MappingNode}
		base.Content = append(base.Content, key, to)
	}
	for i := 0; i+1 < len(value.Content); i += 2 {
		if field(to, value.Content[i].Value) != nil {
			return twice(value.Content[i].Value)
		}
		to.Content = append(to.Content, value.Content[i], value.Content[i+1])
	}
	return nil
}

// mergeCatalogues adds texts by language. The title and description of the
// procedure brought in give way to those of the one that brings it; its
// cautions move behind those already there, and their numbers with them.
func mergeCatalogues(base, key, value *yaml.Node, cautions int) {
	to := field(base, "catalogues")
	if to == nil {
		to = &yaml.Node{Kind: yaml.SequenceNode}
		base.Content = append(base.Content, key, to)
	}
	for _, cat := range value.Content {
		language, texts := field(cat, "language"), field(cat, "texts")
		if language == nil || texts == nil {
			continue
		}
		var target *yaml.Node
		for _, c := range to.Content {
			if l := field(c, "language"); l != nil && l.Value == language.Value {
				target = field(c, "texts")
			}
		}
		if target == nil {
			target = &yaml.Node{Kind: yaml.MappingNode}
			to.Content = append(to.Content, &yaml.Node{Kind: yaml.MappingNode, Content: []*yaml.Node{
				{Kind: yaml.ScalarNode, Value: "language"}, language, {Kind: yaml.ScalarNode, Value: "texts"}, target,
			}})
		}
		for i := 0; i+1 < len(texts.Content); i += 2 {
			path, text := *texts.Content[i], texts.Content[i+1]
			var n int
			if _, err := fmt.Sscanf(path.Value, "caution/%d", &n); err == nil {
				path.Value = fmt.Sprintf("caution/%d", n+cautions)
			}
			replaced := false
			for j := 0; j+1 < len(target.Content); j += 2 {
				if target.Content[j].Value == path.Value {
					target.Content[j+1], replaced = text, true
				}
			}
			if !replaced {
				target.Content = append(target.Content, &path, text)
			}
		}
	}
}
