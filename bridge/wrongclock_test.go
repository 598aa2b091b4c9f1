package bridge_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
)

// setTheClock puts the clock on the wall wrong by so much, and tells whether the
// kernel calls it synchronised.
func (w *world) setTheClock(wrong time.Duration, synced bool) {
	w.jumped.Store(int64(wrong))
	w.unsure.Store(!synced)
}

const years = 365 * 24 * time.Hour

// What the operator writes before the clock is set has no time that anybody knows:
// 1990 in front of it would be wrong, and a far gateway would call it expired.
func TestOwnTextBeforeTheClockIsSetHasNoWrongFilingTime(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.shut()
		w.setTheClock(-10*years, false)
		w.start()
		id, err := w.bridge.Send(t.Context(), desk.Draft{To: birch, Text: "net at eight"})
		if err != nil {
			t.Fatal(err)
		}
		w.setTheClock(0, true)
		w.beacon("hill", birch)
		w.want(w.gets("hill", soon), "text N0QRZ-10>N0QRD-9 net at eight")
		st, err := w.bridge.Story(t.Context(), id)
		if err != nil || !st.Filed.IsZero() {
			t.Errorf("filed %v, %v", st.Filed, err)
		}
	})
}

// A clock that is years ahead counts as right after ten minutes when nobody
// synchronises it. Not even then a year of the journal goes.
func TestJournalOutlivesAWrongYear(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_KEEP_LOG=48h"}, func(t *testing.T, w *world) {
		says := func(id string) {
			t.Helper()
			w.says("valley", "N0QRA-7", "ALL", id, "hello "+id)
			w.gets("hill", soon)
			time.Sleep(time.Second) // for the journal's own pace
			synctest.Wait()
		}
		files := func() string {
			entries, err := os.ReadDir(filepath.Join(w.dir, "air"))
			if err != nil {
				t.Fatal(err)
			}
			var names []string
			for _, e := range entries {
				names = append(names, strings.TrimSuffix(e.Name(), ".jsonl"))
			}
			return strings.Join(names, " ")
		}
		says("1")
		w.setTheClock(70*years, false)
		time.Sleep(time.Hour)
		says("2")
		if got := files(); got != "2000-01-01 2069-12-14" {
			t.Errorf("with the clock ahead: %s", got)
		}
		w.setTheClock(0, true)
		time.Sleep(24 * time.Hour)
		says("3")
		time.Sleep(48 * time.Hour)
		says("4")
		if got := files(); got != "2000-01-02 2000-01-04" {
			t.Errorf("three days later: %s", got)
		}
	})
}
