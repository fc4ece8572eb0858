// Package migrations holds the schema's steps for both databases, in the order
// of their numbers: the same numbers and names in postgres/ and sqlite/,
// forward only, never edited once released.
package migrations

import (
	"embed"
	"io/fs"
	"strconv"
	"strings"
)

//go:embed postgres/*.sql sqlite/*.sql
var files embed.FS

// Postgres returns the steps for PostgreSQL.
func Postgres() fs.FS { return sub("postgres") }

// SQLite returns the steps for SQLite.
func SQLite() fs.FS { return sub("sqlite") }

func sub(dir string) fs.FS {
	f, err := fs.Sub(files, dir)
	if err != nil {
		panic(err) // the folder is embedded by the line above
	}
	return f
}

// Latest returns the number of the last step in f: the schema that this
// program knows. It panics on a file whose name does not begin with a number.
func Latest(f fs.FS) int64 {
	names, err := fs.Glob(f, "*.sql")
	if err != nil || len(names) == 0 {
		panic("migrations: no steps embedded")
	}
	var latest int64
	for _, name := range names {
		number, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			panic("migrations: " + name + " does not begin with a number")
		}
		latest = max(latest, n)
	}
	return latest
}
