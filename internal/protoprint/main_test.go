package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// The committed protos are what buf reads; go.mod's modules are what the
// program links. They must be the same text.
func TestImportedProtosAreCurrent(t *testing.T) {
	files, err := print()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join("..", "tools", "proto")
	for path, want := range files {
		got, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(path)))
		if err != nil {
			t.Errorf("%s: %v; run make imported-protos", path, err)
			continue
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from the Go module that go.mod names; run make imported-protos", path)
		}
	}
	err = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if _, ok := files[filepath.ToSlash(rel)]; !ok {
			t.Errorf("%s is not printed from any module: nothing keeps it current", rel)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
