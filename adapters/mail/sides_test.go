package mail

import (
	"testing"

	"posthouse/adapters/adaptertest"
)

// Mail that goes out hides that none comes in: health, page and people hear of it.
func TestAMailboxThatCannotBeReadIsATrouble(t *testing.T) {
	host := &adaptertest.Host{}
	s := &sides{Host: host}
	s.State(true, "connected to the smarthost")
	s.fetching("login refused", false)
	if got := host.InTrouble(); !host.Up() || got != "mail does not come in, the mailbox cannot be read" {
		t.Errorf("up %v, the trouble is %q", host.Up(), got)
	}
	s.fetching("", false)
	if got := host.InTrouble(); got != "" {
		t.Errorf("with the mailbox read again the trouble is %q", got)
	}
	s.fetching("login refused", true)
	if got := host.InTrouble(); host.Up() || got != "" {
		t.Errorf("a link that only fetches is up: %v, its trouble is %q", host.Up(), got)
	}
}
