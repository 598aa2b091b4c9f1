package boltstore

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// Looking through the log for its end finds what reading all of it finds, wherever
// frames lie, old ones follow, and bytes are broken.
func TestReadingEndsEarlyAndMissesNothing(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	found, damaged := 0, 0
	for round := range 300 {
		whole := round%3 == 0 // nothing is broken, and nothing looks like a head that is none
		now, old := mark{7, rnd.Uint64()}, mark{6, rnd.Uint64()}
		var b []byte
		put := func(m mark, most int) {
			for len(b) < most {
				edits := make([]byte, rnd.IntN(40<<10))
				if !whole && rnd.IntN(9) == 0 && len(edits) > 100 {
					copy(edits[50:], now.bytes())
				}
				b = (&frame{mark: m, commit: uint64(len(b)), edits: edits}).append(b)
			}
		}
		put(now, rnd.IntN(700<<10))
		used := len(b)
		put(old, len(b)+rnd.IntN(700<<10))
		for range rnd.IntN(4) {
			if whole {
				break
			}
			b[rnd.IntN(used+1)%len(b)] ^= 0x40
		}
		b = append(b, make([]byte, rnd.IntN(300<<10))...)
		name := filepath.Join(t.TempDir(), "queue.wal")
		if err := os.WriteFile(name, append(make([]byte, walHead), b...), 0o600); err != nil {
			t.Fatal(err)
		}
		file, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		w := &wal{file: file, end: walHead, full: walHead + int64(len(b)) + 4096}
		got, damage, err := w.read(now, 0)
		if err != nil {
			t.Fatal(err)
		}
		all, end, want := framesOf(now, b)
		if !reflect.DeepEqual(got, all) || damage != want || len(all) > 0 && w.end != walHead+end {
			t.Fatalf("round %d: %d frames up to %d, damage %t; want %d up to %d, %t", round, len(got), w.end, damage, len(all), walHead+end, want)
		}
		if content, err := w.content(now, w.full); err != nil || !bytes.HasPrefix(b, content) || whole && len(content) != used {
			t.Fatalf("round %d: %d bytes kept of %d in use, %v", round, len(content), used, err)
		}
		if found += len(all); want {
			damaged++
		}
		file.Close()
	}
	if found == 0 || damaged == 0 {
		t.Errorf("%d frames found, damage %d times", found, damaged)
	}
}
