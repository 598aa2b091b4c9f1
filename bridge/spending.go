package bridge

import (
	"sync"

	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// spending notes what a message has used of its sender's allowances, to give it back
// if the message could not be written: the other side tries again, and that must not
// count twice. A nil spending is empty.
type spending struct {
	mu    sync.Mutex // a record's Change runs on the store's goroutine
	taken []taken
}

type taken struct {
	rate *rules.Rate
	from string
}

func (s *spending) note(rate *rules.Rate, from string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.taken = append(s.taken, taken{rate, from})
}

// giveBack undoes all that was noted.
func (s *spending) giveBack() {
	if s == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.taken {
		t.rate.GiveBack(t.from)
	}
	s.taken = nil
}

// mayTell is Bridge.mayTell, and notes what that used.
func (s *spending) mayTell(b *Bridge, m *message.Message) telling {
	may := b.mayTell(m)
	if may == atOnce {
		s.note(b.noticeRate, m.From)
	}
	return may
}

// tell is mayTell for one change of a record, which the store may run twice.
func (s *spending) tell(b *Bridge) func(*message.Message) telling {
	var once sync.Once
	var may telling
	return func(m *message.Message) telling {
		once.Do(func() { may = s.mayTell(b, m) })
		return may
	}
}
