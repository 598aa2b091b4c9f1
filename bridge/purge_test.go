package bridge_test

import (
	"testing"
	"time"
)

// A log that is kept for a short time is looked at more often than every ten
// minutes, and what is open stays.
func TestFinishedMessagesGoWhenTheLogNeedNotKeepThem(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_KEEP_LOG=2m"}, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		w.says("valley", "N0QRA-7", "N0QRD-3", "2", "held for long")
		for _, step := range []struct {
			after time.Duration
			least int64
			most  int64
		}{{time.Minute, 2, 99}, {2 * time.Minute, 1, 1}} {
			time.Sleep(step.after)
			if n := w.store.Stats().Records; n < step.least || n > step.most {
				t.Errorf("%v later there are %d records, want %d to %d", step.after, n, step.least, step.most)
			}
		}
	})
}
