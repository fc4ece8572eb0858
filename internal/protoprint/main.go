// Command protoprint writes the .proto sources that our own protos import, as
// they are in the Go modules that go.mod names, so that the text that buf reads
// and the Go code that the program links can never disagree. It needs no
// network and no registry.
//
//	go run ./internal/protoprint -out internal/tools/proto
//
// The printed files carry the licence of their origin (Apache-2.0) and no
// comments: the descriptors do not hold them.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	_ "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/jhump/protoreflect/v2/protoprint"
	_ "google.golang.org/genproto/googleapis/api/annotations"
	_ "google.golang.org/genproto/googleapis/api/httpbody"
	_ "google.golang.org/genproto/googleapis/rpc/errdetails"
	_ "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// Imported are the files that our protos may import, beside google/protobuf,
// which buf brings itself.
var imported = []string{
	"buf/validate/validate.proto",
	"google/api/annotations.proto",
	"google/api/field_behavior.proto",
	"google/api/http.proto",
	"google/api/httpbody.proto",
	"google/api/resource.proto",
	"google/rpc/error_details.proto",
	"google/rpc/status.proto",
}

// notice heads each printed file.
const notice = `// Printed by internal/protoprint from the Go module that go.mod names; do not edit.
// Copyright of its authors; Apache License, Version 2.0.
`

// Print returns the source of each imported file by its path.
func print() (map[string][]byte, error) {
	p := protoprint.Printer{}
	out := make(map[string][]byte, len(imported))
	for _, path := range imported {
		fd, err := protoregistry.GlobalFiles.FindFileByPath(path)
		if err != nil {
			return nil, fmt.Errorf("print %s: %w", path, err)
		}
		var b bytes.Buffer
		b.WriteString(notice)
		if err := p.PrintProtoFile(fd, &b); err != nil {
			return nil, fmt.Errorf("print %s: %w", path, err)
		}
		out[path] = b.Bytes()
	}
	return out, nil
}

// write puts the printed files below dir and returns their paths, sorted.
func write(dir string) ([]string, error) {
	files, err := print()
	if err != nil {
		return nil, err
	}
	var written []string
	for path, text := range files {
		full := filepath.Join(dir, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			return nil, err
		}
		if err := os.WriteFile(full, text, 0o644); err != nil {
			return nil, err
		}
		written = append(written, full)
	}
	slices.Sort(written)
	return written, nil
}

func main() {
	out := flag.String("out", filepath.Join("internal", "tools", "proto"), "folder that gets the files")
	flag.Parse()
	written, err := write(*out)
	if err != nil {
		fmt.Fprintln(os.Stderr, "protoprint:", err)
		os.Exit(1)
	}
	for _, path := range written {
		fmt.Println(path)
	}
}
