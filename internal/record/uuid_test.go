package record

import (
	"regexp"
	"testing"
)

// The pattern is that of RFC 9562, sections 4 and 5.7, in lower case.
func FuzzEntryID(f *testing.F) {
	pattern := regexp.MustCompile(`\A[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}\z`)
	for _, s := range []string{
		"017f22e2-79b0-7cc3-98c4-dc0c0c07398f", // RFC 9562, appendix A.6
		"017F22E2-79B0-7CC3-98C4-DC0C0C07398F", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f\n", "017f22e279b07cc398c4dc0c0c07398f",
		"919108f7-52d1-4320-9bac-f847db4148a8", "017f22e2-79b0-7cc3-c8c4-dc0c0c07398f", "017f22e2-79b0-7cc3-98c4-dc0c0c07398", "",
		"0:7f22e2-79b0-7cc3-98c4-dc0c0c07398g", "017f22e2/79b0-7cc3-98c4-dc0c0c07398f",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if got, want := entryID.MatchString(s), pattern.MatchString(s); got != want {
			t.Errorf("entryID.MatchString(%q) = %v; want %v", s, got, want)
		}
	})
}
