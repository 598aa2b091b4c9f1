package queue_test

import (
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// TestOnlyOwnLanesAreCarried: what is in lanes of another process is left to it until
// they are this one's, and a lane is given back when what came of it is filed.
func TestOnlyOwnLanesAreCarried(t *testing.T) {
	var all atomic.Bool
	var out atomic.Int64
	o := queue.CourierOptions{Batch: 4, Take: func(l queue.Lane) (func(), bool) {
		if !all.Load() && !strings.HasPrefix(l.To, "N0QRA") {
			return nil, false
		}
		out.Add(1)
		return func() { out.Add(-1) }, true
	}}
	inRig(t, o, func(t *testing.T, r *rig) {
		r.start()
		r.writes(message.Routine, "N0QRC-7", "N0QRA-1", "own 1")
		r.writes(message.Routine, "N0QRC-7", "N0QRB-1", "other 1")
		r.writes(message.Routine, "N0QRC-7", "N0QRB-1", "other 2")
		r.writes(message.Routine, "N0QRC-7", "N0QRA-2", "own 2")
		time.Sleep(time.Minute)
		synctest.Wait()
		r.wantCarried("own 1", "own 2")
		if n := out.Load(); n != 0 {
			t.Errorf("%d lanes were not given back", n)
		}
		all.Store(true)
		r.courier.Reshared()
		time.Sleep(time.Minute)
		synctest.Wait()
		r.wantCarried("own 1", "own 2", "other 1", "other 2")
		if n := out.Load(); n != 0 {
			t.Errorf("%d lanes were not given back", n)
		}
	})
}
