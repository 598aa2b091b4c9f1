package main

import (
	"os"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// sector is the unit of /proc/diskstats, whatever the device's own is (Linux,
// Documentation/admin-guide/iostats.rst).
const sector = 512

// deviceWritten gives the bytes written so far to the block device that holds a
// folder, once all that is dirty is there. Whoever else writes to it is in it; 0
// when the folder is on no device of its own.
func deviceWritten(dir string) int64 {
	var st unix.Stat_t
	if err := unix.Stat(dir, &st); err != nil {
		return 0
	}
	syscall.Sync()
	stats, err := os.ReadFile("/proc/diskstats")
	if err != nil {
		return 0
	}
	major, minor := strconv.Itoa(int(unix.Major(uint64(st.Dev)))), strconv.Itoa(int(unix.Minor(uint64(st.Dev))))
	for line := range strings.Lines(string(stats)) {
		if f := strings.Fields(line); len(f) > 9 && f[0] == major && f[1] == minor {
			n, _ := strconv.ParseInt(f[9], 10, 64) // a counter is a number
			return n * sector
		}
	}
	return 0
}

// forget has the kernel drop what it holds of a file in memory, so that the next
// who opens it reads the disk.
func forget(file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}
