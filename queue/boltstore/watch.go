package boltstore

import "sync"

// watchers passes hints to all readers: at once to one that keeps up. For a slow one they
// wait in a set, so that it delays nobody and misses no link.
type watchers struct {
	mu     sync.Mutex
	all    []*watcher
	closed bool
	wg     sync.WaitGroup
	end    chan struct{}
}

// hintsAhead is how many hints a reader may leave unread.
const hintsAhead = 16

type watcher struct {
	out     chan string
	wake    chan struct{}
	pending map[string]struct{} // guarded by watchers.mu
}

// Watch implements queue.Store. Each call returns its own channel.
func (s *Store) Watch() <-chan string { return s.watchers.add() }

func (w *watchers) add() <-chan string {
	one := &watcher{out: make(chan string, hintsAhead), wake: make(chan struct{}, 1), pending: map[string]struct{}{}}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		close(one.out)
		return one.out
	}
	w.all = append(w.all, one)
	w.wg.Go(func() { w.serve(one) })
	return one.out
}

func (w *watchers) tell(links map[string]struct{}) {
	if len(links) == 0 {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return
	}
	for _, one := range w.all {
		for link := range links {
			one.tell(link)
		}
	}
}

// tell is called with watchers.mu held.
func (one *watcher) tell(link string) {
	select {
	case one.out <- link:
		return
	default:
	}
	one.pending[link] = struct{}{}
	select {
	case one.wake <- struct{}{}:
	default:
	}
}

// serve passes hints on until the store closes.
func (w *watchers) serve(one *watcher) {
	defer close(one.out)
	for {
		link, ok := w.next(one)
		if !ok {
			select {
			case <-one.wake:
				continue
			case <-w.end:
				return
			}
		}
		select {
		case one.out <- link:
		case <-w.end:
			return
		}
	}
}

func (w *watchers) next(one *watcher) (string, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for link := range one.pending {
		delete(one.pending, link)
		return link, true
	}
	return "", false
}

func (w *watchers) close() {
	w.mu.Lock()
	w.closed = true
	w.mu.Unlock()
	close(w.end)
	w.wg.Wait()
}
