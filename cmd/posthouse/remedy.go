package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
)

// remedies say what to do if the data folder cannot be used: the system's error says only
// what failed.
var remedies = []struct {
	errs []error
	do   string
}{
	{[]error{syscall.EROFS}, "its file system is read-only: mount it for writing (a card that fails is mounted so, too: see 'dmesg')"},
	{[]error{fs.ErrPermission}, "the user that the daemon runs as has to own the folder: 'chown -R posthouse: FOLDER'"},
	{[]error{syscall.ENOSPC, syscall.EDQUOT}, "make room there: 'df -h FOLDER' shows how much is left, 'df -i FOLDER' how many files"},
	{[]error{syscall.ENOLCK, syscall.ENOSYS, syscall.ENOTSUP, syscall.EINVAL}, "a network's file system may know no locks: set POSTHOUSE_DATA_DIR to a folder on a disk of this machine"},
	{[]error{syscall.ENOMEM}, "the queue is mapped into memory: lift the limit of addresses ('ulimit -v', LimitAS= of systemd); MemoryMax= may be small"},
	{[]error{syscall.EMFILE, syscall.ENFILE}, "let the daemon open more files: 'ulimit -n', LimitNOFILE= of systemd"},
	{[]error{syscall.EFBIG}, "lift the limit on the size of files: 'ulimit -f', LimitFSIZE= of systemd"},
	{[]error{syscall.EIO, syscall.ENODEV, syscall.ENXIO, syscall.ENOTCONN, syscall.ESTALE}, "the disk fails or is gone: see 'dmesg', and mount it again; 'posthouse restore' brings a backup onto another one"},
	{[]error{fs.ErrNotExist, fs.ErrExist}, "is FOLDER a link that leads nowhere, or is something in it?"},
}

// withRemedy adds what to do to an error of opening the queue in a folder.
func withRemedy(err error, folder string) error {
	for _, r := range remedies {
		for _, is := range r.errs {
			if errors.Is(err, is) {
				return fmt.Errorf("%w; %s", err, strings.ReplaceAll(r.do, "FOLDER", folder))
			}
		}
	}
	return err
}
