package main

import (
	"runtime"
	"syscall"
	"time"
)

// timer sleeps in the kernel: the runtime's own timers come up to a millisecond
// late, which is as long as a text takes.
type timer struct{}

// newTimer binds the caller to its thread.
func newTimer() timer {
	runtime.LockOSThread()
	return timer{}
}

func (timer) until(at time.Time) {
	for d := time.Until(at); d > 0; d = time.Until(at) {
		ts := syscall.NsecToTimespec(int64(d))
		_ = syscall.Nanosleep(&ts, nil) // a signal may end it early: the loop goes on
	}
}
