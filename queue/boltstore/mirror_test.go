package boltstore

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"posthouse/queue"
	"posthouse/queue/line"
)

// TestMirrorStepsInOneBatch: steps that are carried out in one commit lead on from
// one another, and the one that does not changes nothing.
func TestMirrorStepsInOneBatch(t *testing.T) {
	s := openMirror(t)
	begun, hold, held := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() { held <- s.alone(t.Context(), func() error { close(begun); <-hold; return nil }) }()
	<-begun
	copied := func(seq uint64, revision int64) Copy {
		payload, err := Encode(sample(int(seq)))
		if err != nil {
			t.Fatal(err)
		}
		return Copy{seq, payload, revision}
	}
	steps := []Step{
		{From: Anyhow, To: 5, Copies: []Copy{copied(1, 4), copied(2, 5)}, Put: map[string][]byte{"k": []byte("v")}},
		{From: 5, To: 6, Copies: []Copy{copied(1, 6)}, Gone: []uint64{2}},
		{From: 5, To: 9, Gone: []uint64{1}},
		{From: 6, To: 7, Copies: []Copy{copied(3, 7)}},
	}
	calls := make([]*call, len(steps))
	for i := range steps {
		calls[i] = &call{Call: line.Call{Ops: 1, Done: make(chan struct{})}, carry: func(d *draft) error { return d.follow(&steps[i]) }}
		if err := s.line.Add(calls[i]); err != nil {
			t.Fatal(err)
		}
	}
	close(hold)
	if err := <-held; err != nil {
		t.Fatal(err)
	}
	for i, c := range calls {
		<-c.Done
		if behind := errors.Is(c.Err, ErrBehind); behind != (i == 2) || !behind && c.Err != nil {
			t.Errorf("step %d: %v", i, c.Err)
		}
	}
	if n := s.Stats().Commits; n != 1 {
		t.Errorf("%d commits, want all in one", n)
	}
	for seq, want := range map[uint64]int64{1: 6, 3: 7} {
		if _, revision, err := s.Copied(t.Context(), seq); revision != want || err != nil {
			t.Errorf("record %d has revision %d, want %d: %v", seq, revision, want, err)
		}
	}
	if _, err := s.Get(t.Context(), 2); !errors.Is(err, queue.ErrNotFound) {
		t.Errorf("a record that went: %v", err)
	}
	if err := s.Follow(t.Context(), Step{From: 6, To: 8}); !errors.Is(err, ErrBehind) {
		t.Errorf("a step from a revision that is past: %v", err)
	}
	verified(t, s)
}

// TestMirrorHasNoLog: what a mirror holds is in its file alone, and a fresh one
// takes its place.
func TestMirrorHasNoLog(t *testing.T) {
	s := openMirror(t)
	if err := s.Follow(t.Context(), Step{From: Anyhow, To: 3, Put: map[string][]byte{"k": []byte("v")}}); err != nil {
		t.Fatal(err)
	}
	if v, err := s.Setting(t.Context(), "k"); string(v) != "v" || err != nil {
		t.Errorf("the setting: %q, %v", v, err)
	}
	if _, err := os.Stat(s.path + logExt); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a log: %v", err)
	}
}

func openMirror(t *testing.T) *Store {
	t.Helper()
	s, err := OpenMirror(filepath.Join(t.TempDir(), "mirror.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeStore(t, s) })
	return s
}
