package envelope

import "testing"

func BenchmarkSeal(b *testing.B) {
	e := hello()
	b.SetBytes(int64(len(seal(b, keyA, e))))
	for b.Loop() {
		seal(b, keyA, e)
	}
}

func BenchmarkOpen(b *testing.B) {
	e := hello()
	wire, trust, want := seal(b, keyA, e), trustAB(b), wantB(b, e.Topic)
	b.SetBytes(int64(len(wire)))
	for b.Loop() {
		if _, err := Open(wire, trust, want); err != nil {
			b.Fatal(err)
		}
	}
}
