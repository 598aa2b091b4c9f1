package boltstore

import (
	"bytes"
	"cmp"
	"errors"
	"testing"

	"pgregory.net/rapid"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

var genText = rapid.OneOf(
	rapid.StringN(0, 6, 12),
	rapid.Map(rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, 254, 255, 'A'}), 0, 5), func(b []byte) string { return string(b) }),
	rapid.Map(rapid.IntRange(250, 300), func(n int) string { return string(bytes.Repeat([]byte{'x'}, n)) }),
)

func genLane(t *rapid.T, label string) queue.Lane {
	return queue.Lane{
		Link: genText.Draw(t, label+" link"), Precedence: message.Precedence(rapid.Byte().Draw(t, label+" precedence")),
		From: genText.Draw(t, label+" from"), To: genText.Draw(t, label+" to"),
	}
}

// TestLaneKeys: two lanes have the same key only if they are the same, and none
// begins with the key of another, whatever bytes an address holds.
func TestLaneKeys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := genLane(t, "a"), genLane(t, "b")
		if ka, kb := lanePrefix(a), lanePrefix(b); a != b && bytes.HasPrefix(ka, kb) {
			t.Fatalf("the key of %+v begins with the key of %+v", a, b)
		}
		if len(lanePrefix(a)) > 1000 {
			t.Fatalf("a key of %d bytes", len(lanePrefix(a)))
		}
	})
}

// TestAgeKeys: ages sort as numbers and come back.
func TestAgeKeys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := clock.Age(rapid.Int64().Draw(t, "a")), clock.Age(rapid.Int64().Draw(t, "b"))
		if bytes.Compare(putAge(nil, a), putAge(nil, b)) != cmp.Compare(a, b) {
			t.Fatalf("%d and %d sort otherwise", a, b)
		}
		if getAge(putAge(nil, a)) != a {
			t.Fatalf("%d comes back as %d", a, getAge(putAge(nil, a)))
		}
	})
}

// TestHours: an hour of age holds 3,600,000 milliseconds, before 0 as well.
func TestHours(t *testing.T) {
	for a, want := range map[clock.Age]clock.Age{0: 0, 3_599_999: 0, 3_600_000: 1, -1: -1, -3_600_000: -1, -3_600_001: -2} {
		if got := hourOf(a); got != want {
			t.Errorf("hourOf(%d) = %d, want %d", a, got, want)
		}
	}
}

// TestAfter: after gives the smallest key beyond all with a prefix.
func TestAfter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		prefix := rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, 254, 255}), 1, 4).Draw(t, "prefix")
		key := rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, 254, 255}), 0, 6).Draw(t, "key")
		end := after(prefix)
		beyond := bytes.Compare(key, prefix) > 0 && !bytes.HasPrefix(key, prefix)
		if got := end != nil && bytes.Compare(key, end) >= 0; got != beyond {
			t.Fatalf("after(%v) = %v: %v counts as beyond: %v", prefix, end, key, got)
		}
	})
}

// FuzzRecord: no bytes make the reader panic; what is sound comes back the same;
// what is not is called damaged and gives nothing.
func FuzzRecord(f *testing.F) {
	payload, err := encode(sample(1))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(payload)
	f.Add([]byte{})
	f.Add([]byte{0xa1, 0x06, 0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, payload []byte) {
		if _, err := openRecord(9, payload); !errors.Is(err, queue.ErrDamaged) {
			t.Fatalf("bytes without a seal were read: %v", err)
		}
		r, err := openRecord(9, isRecord.seal(recordKey(9), payload, 1))
		if err != nil {
			if r != nil || !errors.Is(err, queue.ErrDamaged) {
				t.Fatalf("%v, %v", r, err)
			}
			return
		}
		once, err := encode(r)
		if err != nil {
			return // a time that can be read and not written
		}
		again, err := decode(9, once)
		if err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		if twice, err := encode(again); err != nil || !bytes.Equal(once, twice) {
			t.Fatalf("%x comes back as %x, %v", once, twice, err)
		}
	})
}

// FuzzPages: no file makes the page reader panic, or read for ever.
func FuzzPages(f *testing.F) {
	f.Add(make([]byte, 64))
	f.Fuzz(func(t *testing.T, b []byte) {
		flags, all, err := elements(append(b, make([]byte, pageHeader)...))
		if err == nil && flags != leafPage && flags != branchPage {
			t.Fatalf("flags %x are taken for sound", flags)
		}
		for _, e := range all {
			if len(e.key) == 0 {
				t.Fatal("an empty key")
			}
		}
	})
}
