package main

import (
	"io"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// ownerOf tells whose a file is.
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

// isTerminal tells whether somebody would see what is written on the screen.
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
