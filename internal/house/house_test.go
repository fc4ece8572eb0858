package house

import (
	"encoding/json"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const (
	module     = "witnessmark/"
	vocabulary = "proto/gen/witnessmark/record/v1"
	services   = "proto/gen/witnessmark/v1"
)

type pkg struct {
	ImportPath string
	Imports    []string
	Name       string
}

func packages(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,Name", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var ps []pkg
	for dec := json.NewDecoder(strings.NewReader(string(out))); dec.More(); {
		var p pkg
		if err := dec.Decode(&p); err != nil {
			t.Fatal(err)
		}
		ps = append(ps, p)
	}
	return ps
}

// TestImportTable: every package has a row in DEVELOPERS.md, and imports only
// what its row names.
func TestImportTable(t *testing.T) {
	page, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(page), "<!-- imports:begin -->")
	table, _, ok2 := strings.Cut(rest, "<!-- imports:end -->")
	if !ok || !ok2 {
		t.Fatal("DEVELOPERS.md has no table between imports:begin and imports:end")
	}
	quoted := regexp.MustCompile("`([^`]+)`")
	allowed := map[string][]string{}
	anything := map[string]bool{}
	for _, line := range strings.Split(table, "\n") {
		cells := strings.Split(line, "|")
		if len(cells) != 5 || !strings.Contains(cells[1], "`") {
			continue
		}
		name := quoted.FindStringSubmatch(cells[1])[1]
		if strings.TrimSpace(cells[3]) == "anything" {
			anything[name] = true
		}
		allowed[name] = []string{}
		for _, m := range quoted.FindAllStringSubmatch(cells[3], -1) {
			allowed[name] = append(allowed[name], m[1])
		}
	}
	seen := map[string]bool{}
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module)
		if strings.HasPrefix(name, "proto/gen/") {
			continue
		}
		seen[name] = true
		may, ok := allowed[name]
		if !ok {
			t.Errorf("%s has no row in the table of DEVELOPERS.md", name)
			continue
		}
		if anything[name] {
			continue
		}
		for _, imp := range p.Imports {
			of, ours := strings.CutPrefix(imp, module)
			switch {
			case !ours, of == vocabulary && knowsVocabulary(name):
			case of == services && (strings.HasPrefix(name, "server") || name == "internal/client" || name == "internal/demo"):
			case !slices.Contains(may, of):
				t.Errorf("%s imports %s, which its row in DEVELOPERS.md does not allow", name, of)
			}
		}
	}
	for name := range allowed {
		if !seen[name] {
			t.Errorf("DEVELOPERS.md has a row for %s, and there is no such package", name)
		}
	}
}

// knowsVocabulary: the physics does not know what a record is.
func knowsVocabulary(name string) bool {
	for _, pure := range []string{"internal/errs", "internal/working", "internal/units", "internal/metrology", "internal/rf", "internal/touchstone", "internal/fibre", "internal/torque",
		"internal/rigging", "internal/exposure", "internal/weather", "internal/endface", "internal/photo", "internal/calc", "internal/seal", "internal/bag", "internal/access", "storage"} {
		if name == pure || strings.HasPrefix(name, pure+"/") {
			return false
		}
	}
	return true
}

// TestOnlyCommandsLinkDrivers: a database driver or an S3 client is chosen by
// the commands; what decides does not link it.
func TestOnlyCommandsLinkDrivers(t *testing.T) {
	drivers := []string{"modernc.org/sqlite", "github.com/jackc/pgx", "github.com/aws/aws-sdk-go-v2", "google.golang.org/grpc"}
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module)
		if !strings.HasPrefix(name, "internal/") || strings.HasPrefix(name, "internal/testbed") || name == "internal/client" || name == "internal/demo" {
			continue
		}
		for _, imp := range p.Imports {
			for _, d := range drivers {
				if imp == d || strings.HasPrefix(imp, d+"/") {
					t.Errorf("%s imports %s", name, imp)
				}
			}
		}
	}
}
