//go:build !linux

package boltstore

import "os"

// diskFree is known on Linux only; elsewhere the store learns of a full disk
// when a write fails.
func diskFree(string) (int64, bool) { return 0, false }

// syncData waits until the disk has what was written to a file.
func syncData(f *os.File) error { return f.Sync() }
