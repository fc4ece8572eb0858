package seal

import "witnessmark/internal/errs"

// Entry is what the chain checks need of an entry's payload, read from its JSON
// form without the generated messages: the record is checkable by a program that
// knows none of the kinds.
type Entry struct {
	ID       string
	Job      string
	Author   string
	Device   string
	Counter  uint64   // 0 if absent
	Previous *Hash    // nil if absent
	Kinds    []string // members that are objects, in order: the kind, and any message-valued field added later

	SignedOff *SignOff
	Locked    *Lock
}

// SignOff is what a sign-off entry signs: the lines before it.
type SignOff struct {
	Size uint64
	Root Hash
}

// Lock is what the server's locked entry covers besides the record.
type Lock struct {
	Names       *Hash // of names.json; nil if absent
	RefusedSize uint64
	RefusedRoot *Hash // of the refused list; nil if absent
}

// ParseEntry reads a payload. Members it does not know are passed over.
//
// Errors: those of CheckJSON; Invalid, reason ENTRY_MEMBER, for a member of the
// wrong form: id and job are required non-empty strings, counter is 1 or more
// as a number or decimal string, previous and roots are hashes in base64.
func ParseEntry(payload []byte) (Entry, error) {
	ms, err := members(payload, MaxJSON)
	if err != nil {
		return Entry{}, err
	}
	var e Entry
	for _, m := range ms {
		ok := true
		switch m.name {
		case "id":
			e.ID, ok = name(m.value)
		case "job":
			e.Job, ok = name(m.value)
		case "author":
			e.Author, ok = text(m.value)
		case "device":
			e.Device, ok = text(m.value)
		case "counter":
			e.Counter, ok = count(m.value)
			ok = ok && e.Counter >= 1
		case "previous":
			e.Previous, ok = hash(m.value)
		case "signedOff":
			e.SignedOff, ok = signOff(m.value)
		case "locked":
			e.Locked, ok = lock(m.value)
		}
		if !ok {
			return Entry{}, errs.Field("ENTRY_MEMBER", m.name, "this member does not have the form that the record needs")
		}
		if m.value[0] == '{' {
			e.Kinds = append(e.Kinds, m.name)
		}
	}
	for _, need := range []struct{ field, value string }{{"id", e.ID}, {"job", e.Job}} {
		if need.value == "" {
			return Entry{}, errs.Field("ENTRY_MEMBER", need.field, "an entry has this member")
		}
	}
	return e, nil
}

func name(value []byte) (string, bool) {
	s, ok := text(value)
	return s, ok && s != "" && len(s) <= 1000
}

// count reads a 64-bit number, which protobuf's JSON writes as a string and
// readers must also take as a number.
func count(value []byte) (uint64, bool) {
	if s, ok := text(value); ok {
		return decimal(s)
	}
	return decimal(string(value))
}

func hash(value []byte) (*Hash, bool) {
	s, ok := text(value)
	if !ok {
		return nil, false
	}
	h, err := ParseHash(s)
	return &h, err == nil
}

func signOff(value []byte) (*SignOff, bool) {
	ms, err := members(value, MaxJSON)
	if err != nil {
		return nil, false
	}
	var s SignOff
	var root *Hash
	ok := true
	for _, m := range ms {
		switch m.name {
		case "size":
			s.Size, ok = count(m.value)
		case "root":
			root, ok = hash(m.value)
		}
		if !ok {
			return nil, false
		}
	}
	if root == nil {
		return nil, false
	}
	s.Root = *root
	return &s, true
}

func lock(value []byte) (*Lock, bool) {
	ms, err := members(value, MaxJSON)
	if err != nil {
		return nil, false
	}
	var l Lock
	ok := true
	for _, m := range ms {
		switch m.name {
		case "names":
			l.Names, ok = hash(m.value)
		case "refused":
			var refused *SignOff // the same two members
			if refused, ok = signOff(m.value); ok {
				l.RefusedSize, l.RefusedRoot = refused.Size, &refused.Root
			}
		}
		if !ok {
			return nil, false
		}
	}
	return &l, true
}
