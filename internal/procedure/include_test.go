package procedure_test

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"witnessmark/internal/procedure"
)

const dayDoc = `id: day
title: Day
revision: "3"
cautions: [Look up.]
limits:
  wind:
    note: The owner's written limit wins.
    plain: {upper: 10.3, unit: METERS_PER_SECOND, source: {standing: COMMON_PRACTICE}}
sections:
  # Kept on the way.
  - id: weather
    title: Weather
    repeat: CLIMB
    steps:
      - {id: wind, title: Wind, instruction: Read., reading: {quantity: WIND_SPEED, unit: KNOTS, limit: {shared: wind}}}
catalogues:
  - language: es
    texts: {title: Jornada, section/weather/title: Tiempo, caution/1: Mire arriba., limit/wind/note: Manda el límite escrito del propietario.}
`

const workDoc = `id: work
title: Work
revision: "1"
include: [day]
cautions: [Look down.]
sections:
  - id: couple
    title: Couple
    repeat: CONNECTION
    on_structure: true
    requires: [weather]
    steps:
      - {id: clean, title: Clean, instruction: Clean., confirm: {}}
catalogues:
  - language: es
    texts: {title: Trabajo, section/couple/title: Acoplar, caution/1: Mire abajo.}
`

func lookup(docs map[string]string) func(string) ([]byte, error) {
	return func(id string) ([]byte, error) {
		if d, ok := docs[id]; ok {
			return []byte(d), nil
		}
		return nil, errors.New("no such procedure")
	}
}

func TestInclude(t *testing.T) {
	out, err := procedure.Include([]byte(workDoc), lookup(map[string]string{"day": dayDoc}))
	if err != nil {
		t.Fatal(err)
	}
	c, err := procedure.Compile(out)
	if err != nil {
		t.Fatalf("the result does not stand alone: %v\n%s", err, out)
	}
	if c.Proc.GetId() != "work" || c.Proc.GetRevision() != "1" || len(c.Proc.GetSections()) != 2 || c.Proc.GetSections()[0].GetId() != "weather" {
		t.Errorf("procedure %s, sections %v; want work with weather first", c.Proc.GetId(), c.Proc.GetSections())
	}
	for _, tc := range []struct{ path, want string }{
		{"title", "Trabajo"}, {"section/weather/title", "Tiempo"}, {"caution/1", "Mire arriba."}, {"caution/2", "Mire abajo."},
		{"section/couple/step/clean/title", "Clean"}, // no Spanish: English
		{"section/none/title", ""},
	} {
		if got := c.Text("es-MX", tc.path); got != tc.want {
			t.Errorf("Text(es-MX, %s) = %q; want %q", tc.path, got, tc.want)
		}
	}
	if got := c.Text("fr", "caution/2"); got != "Look down." {
		t.Errorf("Text(fr, caution/2) = %q; want the English", got)
	}
	if !bytes.Contains(out, []byte("# Kept on the way.")) {
		t.Errorf("the comment is gone:\n%s", out)
	}
	again, err := procedure.Include(out, lookup(nil))
	if err != nil || !bytes.Equal(again, out) {
		t.Errorf("a document without includes does not come back as it is (%v)", err)
	}
}

func TestIncludeRefuses(t *testing.T) {
	other := strings.Replace(dayDoc, "id: day", "id: other", 1)
	for _, tc := range []struct {
		name string
		docs map[string]string
		doc  string
		want string
	}{
		{"a procedure that is not there", nil, workDoc, "no such procedure"},
		{"a circle", map[string]string{"day": strings.Replace(dayDoc, "cautions", "include: [work]\ncautions", 1), "work": workDoc}, workDoc, "in turn"},
		{"a section twice", map[string]string{"day": dayDoc, "other": other}, strings.Replace(workDoc, "[day]", "[day, other]", 1), `section "weather" is in two`},
		{"an included procedure that is wrong", map[string]string{"day": "id: day"}, workDoc, "day.yaml"},
		{"a gate that no procedure brings", map[string]string{"day": dayDoc}, strings.Replace(workDoc, "[weather]", "[rescue]", 1), `no section "rescue"`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := procedure.Include([]byte(tc.doc), lookup(tc.docs))
			if err == nil || !strings.Contains(fmt.Sprint(err), tc.want) {
				t.Errorf("Include = %v; want %q", err, tc.want)
			}
		})
	}
}

func TestCompileRefusesIncludes(t *testing.T) {
	_, err := procedure.Compile([]byte(workDoc))
	if err == nil || !strings.Contains(err.Error(), "written out first") {
		t.Errorf("Compile = %v; want that includes are written out first", err)
	}
}
