package procedure_test

import (
	"os"
	"strings"
	"testing"

	"witnessmark/internal/procedure"
)

// The example of the page is a procedure that works.
func TestReadmeExample(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(page), "```yaml\n")
	example, _, closed := strings.Cut(rest, "```")
	if !ok || !closed {
		t.Fatal("README.md has no example")
	}
	if _, err := procedure.Compile([]byte(example)); err != nil {
		t.Errorf("the example does not compile:\n%v", err)
	}
}
