package simulation

import (
	"encoding/binary"
	"hash/fnv"
	"sync"
	"time"
)

// chance is all that is random in a network. Each roll is a hash of the seed, of
// words that say what is decided, and of how often just that was decided before.
type chance struct {
	seed uint64

	mu    sync.Mutex
	times map[uint64]uint64 // how often each thing was decided
}

func newChance(seed uint64) *chance { return &chance{seed: seed, times: map[uint64]uint64{}} }

// roll gives 64 bits for a decision.
func (c *chance) roll(words ...string) uint64 {
	h := fnv.New64a()
	h.Write(binary.BigEndian.AppendUint64(nil, c.seed))
	for _, w := range words {
		h.Write([]byte(w))
		h.Write([]byte{0})
	}
	key := h.Sum64()
	c.mu.Lock()
	c.times[key]++
	n := c.times[key]
	c.mu.Unlock()
	return mix(key + n*0x9e3779b97f4a7c15)
}

// mix is the last step of SplitMix64 (Steele, Lea, Flood 2014): FNV alone spreads
// the last bytes badly.
func mix(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// hits tells whether something of that probability happens.
func (c *chance) hits(p float64, words ...string) bool {
	return p > 0 && float64(c.roll(words...)>>11)/(1<<53) < p
}

// between gives a time from lo to below hi, to the nanosecond: two things hardly
// ever happen at one instant.
func (c *chance) between(lo, hi time.Duration, words ...string) time.Duration {
	return lo + time.Duration(c.roll(words...)%uint64(hi-lo))
}

// below gives a number from 0 to below n.
func (c *chance) below(n int, words ...string) int { return int(c.roll(words...) % uint64(n)) }
