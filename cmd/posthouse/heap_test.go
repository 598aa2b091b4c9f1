package main

import "testing"

func TestGarbageIsCollectedEarlierInALargerHeap(t *testing.T) {
	const mib = 1 << 20
	for live, want := range map[uint64]int{0: 100, 1: 100, 4 * mib: 100, 5 * mib: 100, 6 * mib: 66, 7 * mib: 42, 8 * mib: 35, 12 * mib: 35, 13 * mib: 35, 400 * mib: 35, 1 << 62: 35} {
		if got := garbage(live); got != want {
			t.Errorf("%d bytes in use: %d %%, want %d", live, got, want)
		}
	}
}
