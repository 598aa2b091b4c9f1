package clock

import "golang.org/x/sys/unix"

// synchronised asks the kernel whether the time of day is synchronised
// (adjtimex(2): state TIME_ERROR or flag STA_UNSYNC say no).
func synchronised() bool {
	const timeError, staUnsync = 5, 0x40 // <linux/timex.h>
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != timeError && t.Status&staUnsync == 0
}
