package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"posthouse/queue/boltstore"
)

func TestRemediesOfTheDataFolder(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{
		{syscall.EROFS, "mount it for writing"},
		{syscall.EACCES, "chown -R posthouse: /data"},
		{syscall.ENOSPC, "df -h /data"},
		{syscall.ENOLCK, "a disk of this machine"},
		{syscall.ENOMEM, "ulimit -v"},
		{syscall.EMFILE, "ulimit -n"},
		{syscall.EFBIG, "ulimit -f"},
		{syscall.EIO, "dmesg"},
		{syscall.ENOTCONN, "mount it again"}, // what a file system in user space leaves
		{syscall.ENOENT, "is /data a link"},
		{syscall.EEXIST, "is /data a link"}, // mkdir(2), in the place of a link that leads nowhere
	} {
		err := withRemedy(&os.PathError{Op: "open", Path: "/data/queue.db", Err: c.err}, "/data")
		if !strings.Contains(err.Error(), c.want) || !errors.Is(err, c.err) {
			t.Errorf("%v: got %q, want %q in it", c.err, err, c.want)
		}
	}
	other := errors.New("another daemon is at work")
	if err := withRemedy(other, "/data"); err != other {
		t.Errorf("got %q", err)
	}
}

// What is no file in the queue's place is named, and neither read as a damaged one
// nor waited for.
func TestNoFileInTheQueuesPlace(t *testing.T) {
	for _, name := range []string{"queue.db", "queue.db.wal"} {
		folder, pipe := t.TempDir(), t.TempDir()
		if err := os.Mkdir(filepath.Join(folder, name), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := syscall.Mkfifo(filepath.Join(pipe, name), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, dir := range []string{folder, pipe} {
			_, err := boltstore.Open(filepath.Join(dir, "queue.db"), boltstore.Options{})
			if err == nil || !strings.Contains(err.Error(), name+" is no file") {
				t.Errorf("%s: got %v", name, err)
			}
		}
	}
}

// What the system lacks now may be there again when the gateway is started anew; a wrong
// setting stays wrong.
func TestWhatPassesIsNoWrongSetting(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
	}{
		{syscall.EMFILE, exitUnavailable}, {syscall.ENOBUFS, exitUnavailable}, {syscall.EADDRINUSE, exitUnavailable}, {syscall.EACCES, exitConfig},
	} {
		if got := cannotWork(fmt.Errorf("listen for mail: %w", os.NewSyscallError("socket", c.err))); got != c.code {
			t.Errorf("%v: exit code %d, want %d", c.err, got, c.code)
		}
	}
}
