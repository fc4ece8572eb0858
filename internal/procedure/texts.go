package procedure

import (
	"fmt"
	"slices"
	"strings"

	recordv1 "witnessmark/proto/gen/witnessmark/record/v1"
)

// englishTexts is every text of p that can be translated, by path:
//
//	title  description  caution/<n>  limit/<name>/note
//	section/<id>/title
//	section/<id>/step/<id>/title  …/instruction  …/caution  …/reason  …/note
//	section/<id>/step/<id>/option/<id>  …/subject/<id>
//
// n counts from 1. A note is the note of the step's own limit. Empty texts have
// no path.
func englishTexts(p *recordv1.Procedure) map[string]string {
	out := map[string]string{}
	put := func(path, text string) {
		if text != "" {
			out[path] = text
		}
	}
	put("title", p.GetTitle())
	put("description", p.GetDescription())
	for i, c := range p.GetCautions() {
		put(fmt.Sprintf("caution/%d", i+1), c)
	}
	for name, l := range p.GetLimits() {
		put("limit/"+name+"/note", l.GetNote())
	}
	for _, s := range p.GetSections() {
		section := "section/" + s.GetId()
		put(section+"/title", s.GetTitle())
		for _, st := range s.GetSteps() {
			step := section + "/step/" + st.GetId()
			put(step+"/title", st.GetTitle())
			put(step+"/instruction", st.GetInstruction())
			put(step+"/caution", st.GetCaution())
			put(step+"/reason", st.GetReason())
			for _, l := range limitsOf(st) {
				if note := l.limit.GetNote(); note != "" {
					put(step+"/"+l.text, note)
				}
			}
			for _, o := range st.GetChoice().GetOptions() {
				put(step+"/option/"+o.GetId(), o.GetTitle())
			}
			for _, s := range st.GetPhoto().GetSubjects() {
				put(step+"/subject/"+s.GetId(), s.GetTitle())
			}
		}
	}
	return out
}

// stepLimit is one limit of a step, with where it stands in the document and
// what it is a limit of.
type stepLimit struct {
	limit *recordv1.Limit
	field string // under the step, such as "torque.limit"
	text  string // last part of its note's path
}

func limitsOf(st *recordv1.Step) []stepLimit {
	var out []stepLimit
	add := func(l *recordv1.Limit, field, text string) {
		if l != nil {
			out = append(out, stepLimit{l, field, text})
		}
	}
	switch k := st.GetKind().(type) {
	case *recordv1.Step_Reading:
		add(k.Reading.GetLimit(), "reading.limit", "note")
	case *recordv1.Step_Torque:
		add(k.Torque.GetLimit(), "torque.limit", "note")
	case *recordv1.Step_Trace:
		add(k.Trace.GetLimit(), "trace.limit", "note")
	case *recordv1.Step_KitCheck:
		add(k.KitCheck.GetSourceLimit(), "kit_check.source_limit", "source-note")
		add(k.KitCheck.GetResidualLimit(), "kit_check.residual_limit", "residual-note")
	}
	return out
}

// Text returns the text at path in a language (BCP 47). "es-MX" falls back to
// "es", everything to English; a path without a text gives "". The paths are
// those of a catalogue, see englishTexts.
func (c *Compiled) Text(language, path string) string {
	for tag := language; tag != ""; {
		if t := c.texts[tag][path]; t != "" {
			return t
		}
		i := strings.LastIndexByte(tag, '-')
		if i < 0 {
			break
		}
		tag = tag[:i]
	}
	return c.texts["en"][path]
}

// Languages lists the languages that the procedure has texts in, English first.
func (c *Compiled) Languages() []string {
	out := []string{"en"}
	for _, cat := range c.Proc.GetCatalogues() {
		out = append(out, cat.GetLanguage())
	}
	return out
}

// Paths lists the paths of every text of the procedure, sorted.
func (c *Compiled) Paths() []string {
	out := make([]string, 0, len(c.texts["en"]))
	for p := range c.texts["en"] {
		out = append(out, p)
	}
	slices.Sort(out)
	return out
}
