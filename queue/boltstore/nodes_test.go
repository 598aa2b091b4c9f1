package boltstore

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"posthouse/queue"
)

// Texts between many stations, none of which gets out: each changes pages of its own.
// What stands in memory until the next checkpoint has a bound all the same.
func TestChangedPagesInMemoryAreFew(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true, LogBytes: walSize})
	defer closeStore(t, s)
	random := rand.New(rand.NewPCG(1, 2))
	const batch = 64
	most := int64(0)
	for i := range 40_000 / batch {
		var ops []queue.Op
		for j := range batch {
			r := sample(i*batch + j)
			r.Message.From, r.Deliveries[0].To = fmt.Sprintf("N0Q%d", random.IntN(1000)), fmt.Sprintf("N0QS-%d", random.IntN(1000))
			ops = append(ops, queue.Op{New: r})
		}
		if _, err := s.Apply(context.Background(), ops...); err != nil {
			t.Fatal(err)
		}
		_ = s.touch(func(txn *txn) error {
			st := txn.tx.Stats()
			most = max(most, st.GetNodeCount())
			return nil
		})
	}
	if most > checkpointRoom+4*batch {
		t.Errorf("%d pages were in memory at a time, want about %d at most", most, checkpointRoom)
	}
}
