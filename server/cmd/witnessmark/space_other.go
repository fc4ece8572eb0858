//go:build !unix

package main

import "errors"

// freeBytes is not known on this system.
func freeBytes(string) (int64, error) {
	return 0, errors.New("the free space cannot be asked for on this system")
}
