package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// usage is what a process has taken from the machine, as Linux counts it in
// /proc (proc(5)); all zero elsewhere.
type usage struct {
	written       int64 // bytes that it caused to be sent to the storage layer, whole pages
	cpu           time.Duration
	rss, anon, hw int64 // KiB: resident now, of that its own, and the most that was resident
}

// clockTick is USER_HZ, which is 100 on all architectures of Go's Linux ports.
const clockTick = time.Second / 100

func usageOf(p *process) (u usage) {
	if p.cmd == nil {
		return u
	}
	dir := fmt.Sprintf("/proc/%d/", p.cmd.Process.Pid)
	u.written = field(dir+"io", "write_bytes:")
	u.rss, u.anon, u.hw = field(dir+"status", "VmRSS:"), field(dir+"status", "RssAnon:"), field(dir+"status", "VmHWM:")
	b, err := os.ReadFile(dir + "stat")
	if err != nil {
		return u
	}
	_, rest, _ := strings.Cut(string(b), ") ") // behind the name, field 3 comes first
	if f := strings.Fields(rest); len(f) > 12 {
		user, _ := strconv.ParseInt(f[11], 10, 64)
		system, _ := strconv.ParseInt(f[12], 10, 64)
		u.cpu = time.Duration(user+system) * clockTick
	}
	return u
}

// field reads one number of a file of "name: number" lines; 0 when it is not there.
func field(file, name string) int64 {
	b, err := os.ReadFile(file)
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(b)) {
		if f := strings.Fields(line); len(f) > 1 && f[0] == name {
			n, _ := strconv.ParseInt(f[1], 10, 64)
			return n
		}
	}
	return 0
}
