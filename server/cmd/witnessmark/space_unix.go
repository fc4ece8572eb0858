//go:build unix

package main

import (
	"fmt"
	"syscall"
)

// freeBytes is what an ordinary user can still write to the folder's disk.
func freeBytes(folder string) (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(folder, &s); err != nil {
		return 0, fmt.Errorf("free space of %s: %w", folder, err)
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
