// Package procedure reads procedures (YAML documents), checks them with exact
// positions, and multiplies a procedure with a plan into steps. It has no I/O
// and no clock: the same document, plan and climbs give the same steps, in the
// same order, everywhere.
package procedure

import (
	"crypto/sha256"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// Parse reads one YAML document as a procedure and checks it. The file's name
// is for the problems only. A document that includes others is checked as far
// as it can be alone; see Include.
//
// The error is Problems, with every problem and not only the first.
func Parse(file string, doc []byte) (*recordv1.Procedure, error) {
	d := open(file, doc)
	if err := d.result(); err != nil {
		return nil, err
	}
	p := d.read(doc)
	if err := d.result(); err != nil {
		return nil, err
	}
	check(d, p)
	if err := d.result(); err != nil {
		return nil, err
	}
	return p, nil
}

// Digest returns the address of a revision: the SHA-256 of its document.
func Digest(doc []byte) [32]byte { return sha256.Sum256(doc) }

// Compiled is a procedure that stands alone, ready for use. It is safe for
// concurrent use as long as nobody changes Proc.
type Compiled struct {
	// Proc is the procedure.
	Proc *recordv1.Procedure
	// Digest is the SHA-256 of the document it was compiled from.
	Digest [32]byte

	sections map[string]*recordv1.Section
	texts    map[string]map[string]string // language, path
}

// Compile parses and checks a document that stands alone.
//
// The error is Problems. A document with includes is refused: write them out
// with Include first, so that the digest covers every word.
func Compile(doc []byte) (*Compiled, error) {
	p, err := Parse("procedure.yaml", doc)
	if err != nil {
		return nil, err
	}
	if len(p.GetInclude()) > 0 {
		d := open("procedure.yaml", doc)
		d.add("include", "a revision stands alone: its included procedures must be written out first")
		return nil, d.result()
	}
	c := &Compiled{Proc: p, Digest: Digest(doc), sections: map[string]*recordv1.Section{}}
	for _, s := range p.GetSections() {
		c.sections[s.GetId()] = s
	}
	c.texts = map[string]map[string]string{"en": englishTexts(p)}
	for _, cat := range p.GetCatalogues() {
		c.texts[cat.GetLanguage()] = cat.GetTexts()
	}
	return c, nil
}

// Section returns the section with this id, or nil.
func (c *Compiled) Section(id string) *recordv1.Section { return c.sections[id] }
