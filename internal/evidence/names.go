package evidence

import (
	"encoding/json"
	"fmt"

	"witnessmark/internal/errs"
	"witnessmark/internal/seal"
)

// Names is names.json: what stands behind the opaque ids of a record. The lines
// hold ids only, so that this file alone says who they are; the locked line
// holds its digest.
type Names struct {
	Organizations map[string]string `json:"organizations,omitempty"`
	People        map[string]string `json:"people,omitempty"`
	Devices       map[string]string `json:"devices,omitempty"`
	Instruments   map[string]string `json:"instruments,omitempty"`
}

// Bytes is the file: one JSON object with its members in a fixed order and one
// line feed at its end.
func (n Names) Bytes() ([]byte, error) {
	b, err := json.MarshalIndent(n, "", " ")
	if err != nil {
		return nil, fmt.Errorf("names: %w", err)
	}
	return append(b, '\n'), nil
}

// ParseNames reads names.json. Members that it does not know are passed over.
//
// Errors: those of seal.CheckJSON; Invalid NAMES_MALFORMED.
func ParseNames(b []byte) (Names, error) {
	var n Names
	if err := seal.CheckJSON(b); err != nil {
		return n, err
	}
	if err := json.Unmarshal(b, &n); err != nil {
		return Names{}, errs.New(errs.Invalid, "NAMES_MALFORMED", "names.json is not of the known form").Because(err)
	}
	return n, nil
}

// Person is a person's name, or the id where none is known.
func (n Names) Person(id string) string { return orID(n.People, id) }

// Device is a device's name, or the id where none is known.
func (n Names) Device(id string) string { return orID(n.Devices, id) }

// Instrument is an instrument's name, or the id where none is known.
func (n Names) Instrument(id string) string { return orID(n.Instruments, id) }

// Organization is an organisation's name, or the id where none is known.
func (n Names) Organization(id string) string { return orID(n.Organizations, id) }

func orID(m map[string]string, id string) string {
	if s := m[id]; s != "" {
		return s
	}
	return id
}
