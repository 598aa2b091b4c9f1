//go:build hub

package etcdstore

import (
	"maps"
	"slices"
	"sync"
)

// news is what has changed since somebody asked last.
type news struct {
	word chan struct{}

	mu       sync.Mutex
	settings map[string]bool
	lanes    bool
}

func newNews() *news { return &news{word: make(chan struct{}, 1), settings: map[string]bool{}} }

func (n *news) changed(settings map[string][]byte) {
	if len(settings) == 0 {
		return
	}
	n.mu.Lock()
	for name := range settings {
		n.settings[name] = true
	}
	n.mu.Unlock()
	n.tell()
}

func (n *news) reshared() {
	n.mu.Lock()
	n.lanes = true
	n.mu.Unlock()
	n.tell()
}

func (n *news) tell() {
	select {
	case n.word <- struct{}{}:
	default:
	}
}

// News implements queue.Share.
func (s *Store) News() <-chan struct{} { return s.news.word }

// Learn implements queue.Share.
func (s *Store) Learn() (settings []string, lanes bool) {
	n := s.news
	n.mu.Lock()
	defer n.mu.Unlock()
	settings, lanes = slices.Sorted(maps.Keys(n.settings)), n.lanes
	clear(n.settings)
	n.lanes = false
	return settings, lanes
}
