package rules

import "math"

// run is the evidence for one encoding so far, and what its last characters are.
type run struct {
	sum   int32
	peak  int32 // the most that the sum was
	n     int32
	kinds [kinds]int32 // of the characters
	most  [kinds]int32 // the same at the peak
	piece int          // where the piece of a word begins that was added to last
	first int          // where the piece begins with which the evidence begins
	since int32        // characters from there on
	top   int          // where the piece begins that has brought it to its peak
	count [128]uint8   // of each character
	pairs int32        // of equal characters
	radio int32        // characters in call signs and grid squares, of all
	all   int32
	last  [window]byte
	at    int32 // of the oldest, once the window is full
}

// window is how many characters decide: about two ciphertexts of 24 bytes, so
// that what stands before a ciphertext counts for little.
const window = 64

func (r *run) add(evidence int32, ch byte, piece int) {
	if r.all == 0 || piece != r.piece && r.sum <= otherPiece {
		r.first, r.since = piece, 0
	}
	r.since++
	r.piece = piece
	r.sum += evidence
	if r.all++; r.n == window {
		old := r.last[r.at]
		r.kinds[kindOf[old]]--
		r.count[old]--
		r.pairs -= int32(r.count[old])
	} else {
		r.n++
	}
	r.last[r.at] = ch
	r.at = (r.at + 1) % window
	r.kinds[kindOf[ch]]++
	r.pairs += int32(r.count[ch])
	r.count[ch]++
	if r.sum >= r.peak && (piece == r.top || piece == r.first || r.sum > r.peak+otherPiece) {
		r.peak, r.most, r.top = r.sum, r.kinds, piece
	}
	r.ground()
}

// isLong tells now and then that the window is full.
func (r *run) isLong() bool { return r.n == window && r.at%(window/2) == 0 }

// repeats tells whether a character is a sign that is in the run twice already:
// code, paths, dates and forms have the same few.
func (r *run) repeats(ch byte) bool { return kindOf[ch] >= otherKind && r.count[ch] >= usualSigns }

const usualSigns = 2

func (r *run) away(evidence int32) {
	if evidence == allAway {
		evidence = r.sum
	}
	r.sum -= evidence
	r.ground()
}

// ground keeps the evidence from falling below none.
func (r *run) ground() {
	if r.sum <= 0 {
		*r = run{}
	}
}

// convicts tells whether the evidence is enough, long enough, and as mixed and
// as varied as the encoding is.
func (r *run) convicts(e *encoding) bool {
	return r.sum > e.enough && r.n >= e.floor && r.radio*10 < r.all*9 && (r.kinds[figureKind] > 0 || !e.figures) && r.passesF(e) && r.isVaried(e) && r.isMixed(e)
}

// otherPiece is how much evidence a word, or piece of it, must bring to count
// beside another.
const otherPiece = 4 * nat

// isVaried tells whether equal characters are as frequent as in random ones (the
// index of coincidence): drawings, tables, code and natural languages repeat
// theirs, a list of options has each but once.
func (r *run) isVaried(e *encoding) bool {
	n := float64(r.n)
	mean := n * (n - 1) / 2 / float64(e.size)
	deviations := (float64(r.pairs) - mean) / math.Sqrt(mean)
	return deviations > least && deviations < most && !r.hasOneSign()
}

// hasOneSign tells whether most of the signs are the same: a form's or a path's
// slashes.
func (r *run) hasOneSign() bool {
	signs, pairs := 0, 0
	for ch, n := range r.count {
		if kindOf[ch] >= otherKind {
			signs += int(n)
			pairs += int(n) * (int(n) - 1) / 2
		}
	}
	return signs >= 6 && 3*pairs > 2*(signs*(signs-1)/2)
}

// passesF tells whether there are letters past F, as in base32, so that it is no
// hex: addresses, fingerprints, ids.
func (r *run) passesF(e *encoding) bool {
	if e.past == 0 {
		return true
	}
	n := int32(0)
	for ch := 'G'; ch <= 'Z'; ch++ {
		n += int32(r.count[ch]) + int32(r.count[ch|0x20])
	}
	return n*e.past >= r.n
}

// isMixed tells whether the kinds of characters are as frequent as in random
// ones, by the G-test, which other than Pearson's holds for few and for none.
func (r *run) isMixed(e *encoding) bool {
	for _, m := range e.mixes {
		if r.distance(m) <= farthest[m.number()] {
			return true
		}
	}
	return false
}

const (
	least, most = -3.3, 4.8 // standard deviations
)

// farthest is the chi-squared that one of 10,000 random texts exceeds, by the
// number of kinds.
var farthest = [...]float64{2: 15.1, 3: 18.4, 4: 21.1, 5: 23.5}

func (m mix) number() int {
	n := 0
	for _, share := range m {
		if share > 0 {
			n++
		}
	}
	return n
}

func (r *run) distance(m mix) float64 {
	seen := [kinds]float64{}
	n := 0.0
	for kind, k := range r.most {
		if m[kind] == 0 && kind < bracketKind { // lower counts with upper, other with figures
			kind ^= 1
		}
		seen[kind] += float64(k)
		n += float64(k)
	}
	sum := 0.0
	for kind, share := range m {
		if seen[kind] > 0 {
			sum += 2 * seen[kind] * math.Log(seen[kind]/(n*share))
		}
	}
	return sum
}
