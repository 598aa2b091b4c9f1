package bridge

import (
	"context"
	"slices"

	"posthouse/bridge/desk"
)

// Recent returns the latest n messages, refused ones included, the newest first,
// without reading the log before them.
func (b *Bridge) Recent(ctx context.Context, n int) ([]desk.Line, error) {
	last, err := b.lastSeq(ctx)
	if err != nil {
		return nil, err
	}
	records, err := b.store.List(ctx, false, last-min(last, uint64(n)), n)
	if err != nil {
		return nil, err
	}
	turnedAway := b.latestRefusals()
	var out []desk.Line
	for _, r := range slices.Backward(records) {
		for len(turnedAway) > 0 && turnedAway[0].At.Age >= r.Accepted.Age {
			out, turnedAway = append(out, refusalLine(turnedAway[0])), turnedAway[1:]
		}
		out = append(out, b.line(r, false))
	}
	for _, r := range turnedAway {
		out = append(out, refusalLine(r))
	}
	return out[:min(n, len(out))], nil
}

// lastSeq finds the number of the newest record, by bisection; 0: there is none.
func (b *Bridge) lastSeq(ctx context.Context) (uint64, error) {
	behind := func(seq uint64) (bool, error) { // whether there is a record after it
		list, err := b.store.List(ctx, false, seq, 1)
		return len(list) > 0, err
	}
	low, high := uint64(0), uint64(1) // the last is above low, or there is none, and not above high
	for {
		more, err := behind(high)
		if err != nil {
			return 0, err
		}
		if !more {
			break
		}
		low, high = high, 2*high
	}
	for low < high {
		mid := low + (high-low)/2
		more, err := behind(mid)
		if err != nil {
			return 0, err
		}
		if more {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low, nil
}
