package main

import (
	"io"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// ownerOf returns a file's owner.
func ownerOf(path string) (uid, gid int, ok bool) {
	st, err := os.Stat(path)
	if err != nil {
		return 0, 0, false
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, 0, false
	}
	return int(sys.Uid), int(sys.Gid), true
}

// isTerminal tells whether output goes to a terminal.
func isTerminal(w io.Writer) bool {
	if o, ok := w.(*output); ok {
		w = o.Writer
	}
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}

// seize locks a file until it is closed, if nobody else has.
func seize(f *os.File) bool { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) == nil }
