package main

import "testing"

func TestGarbageIsCollectedEarlierInALargerHeap(t *testing.T) {
	const mib = 1 << 20
	for live, want := range map[uint64]int{0: 100, 1: 100, 4 * mib: 100, 8 * mib: 100, 10 * mib: 60, 11 * mib: 45, 12 * mib: 35, 16 * mib: 35, 17 * mib: 35, 400 * mib: 35, 1 << 62: 35} {
		if got := garbage(live); got != want {
			t.Errorf("%d bytes in use: %d %%, want %d", live, got, want)
		}
	}
}
