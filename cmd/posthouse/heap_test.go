package main

import "testing"

func TestGarbageIsCollectedEarlierInALargerHeap(t *testing.T) {
	const mib = 1 << 20
	for live, want := range map[uint64]int{0: 100, 1: 100, 4 * mib: 100, 12 * mib: 100, 13 * mib: 84, 16 * mib: 50, 18 * mib: 35, 19 * mib: 35, 400 * mib: 35, 1 << 62: 35} {
		if got := garbage(live); got != want {
			t.Errorf("%d bytes in use: %d %%, want %d", live, got, want)
		}
	}
}

func TestABurstIsOverOnceWhenLittleHappens(t *testing.T) {
	const kib = 1 << 10
	var c calm
	var total uint64
	for i, look := range []struct {
		kib  uint64 // allocated since the last one
		over bool
	}{
		{9000, false}, {0, false}, {600, false}, {400, false}, // begins anew with 600
		{400, true}, {400, false}, {0, false}, // once
		{7200, false}, {300, false}, {300, true}, // 8 MiB since, the calm ones counted
		{400, false}, {7000, false}, {100, false}, {100, false}, // fewer
	} {
		total += look.kib * kib
		if got := c.over(total); got != look.over {
			t.Errorf("look %d: %v, want %v", i, got, look.over)
		}
	}
}
