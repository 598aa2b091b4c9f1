package aprsis

import (
	"sync"
	"time"
)

// recent remembers a bounded number of values for a time; beyond that the oldest is
// forgotten. It is in memory only: forgetting costs a little precision, no message.
type recent[V any] struct {
	keep  time.Duration
	limit int

	mu sync.Mutex
	m  map[string]dated[V]
}

type dated[V any] struct {
	at time.Time
	v  V
}

func (r *recent[V]) put(key string, v V) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.m == nil {
		r.m = map[string]dated[V]{}
	}
	if _, known := r.m[key]; !known && len(r.m) >= r.limit {
		r.drop()
	}
	r.m[key] = dated[V]{time.Now(), v}
}

// drop frees at least a tenth, so that a full memory is not searched for each put.
func (r *recent[V]) drop() {
	for age := r.keep; len(r.m) > r.limit*9/10; age /= 2 {
		for key, d := range r.m {
			if time.Since(d.at) >= age {
				delete(r.m, key)
			}
		}
	}
}

func (r *recent[V]) get(key string) (v V, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	d, ok := r.m[key]
	if !ok || time.Since(d.at) >= r.keep {
		return v, false
	}
	return d.v, true
}

func (r *recent[V]) has(key string) bool {
	_, ok := r.get(key)
	return ok
}
