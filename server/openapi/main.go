// Openapi turns the description of the JSON API that the generator writes as
// YAML into the JSON that the server serves. Used by make generate:
//
//	go run ./server/openapi server/openapi/openapi.yaml server/openapi.json
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"

	"go.yaml.in/yaml/v3"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "openapi:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 2 {
		return fmt.Errorf("want the YAML file to read and the JSON file to write")
	}
	b, err := os.ReadFile(args[0])
	if err != nil {
		return err
	}
	var doc map[string]any
	if err := yaml.Unmarshal(b, &doc); err != nil {
		return err
	}
	paths, ok := doc["paths"].(map[string]any)
	if !ok {
		return fmt.Errorf("%s has no paths", args[0])
	}
	for path, item := range downloads {
		paths[path] = item
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	if err := enc.Encode(doc); err != nil { // members in the order of their names: the same bytes each time
		return err
	}
	return os.WriteFile(args[1], out.Bytes(), 0o644)
}

// downloads are the plain HTTP paths, which no proto declares.
var downloads = map[string]any{
	"/jobs/{job}/package.zip":     download("The evidence package of a locked or ended job.", "application/zip"),
	"/jobs/{job}/report":          download("A readable page of a job's record.", "text/html"),
	"/jobs/{job}/readings.csv":    download("A job's readings, RFC 4180.", "text/csv"),
	"/jobs/{job}/photos/{digest}": download("A photo or trace by its SHA-256 in hex; size 0 is the original, 320 and 1280 are smaller pictures, 1 is an end face's overlay.", "application/octet-stream", "digest"),
}

func download(what, media string, more ...string) map[string]any {
	text := map[string]any{"type": "string"}
	var ps []any
	for _, name := range append([]string{"job"}, more...) {
		ps = append(ps, map[string]any{"name": name, "in": "path", "required": true, "schema": text})
	}
	if len(more) > 0 {
		ps = append(ps, map[string]any{"name": "size", "in": "query", "schema": map[string]any{"type": "integer", "enum": []int{0, 1, 320, 1280}}})
	}
	return map[string]any{"get": map[string]any{
		"tags": []string{"Downloads"}, "description": what, "parameters": ps,
		"responses": map[string]any{
			"200":     map[string]any{"description": "OK", "content": map[string]any{media: map[string]any{"schema": map[string]any{"type": "string", "format": "binary"}}}},
			"default": map[string]any{"description": "RFC 9457 problem details with a stable reason", "content": map[string]any{"application/problem+json": map[string]any{"schema": map[string]any{"type": "object"}}}},
		},
	}}
}
