package broker

import (
	"fmt"
	"slices"
	"testing"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/presence"
)

// TestTwoProcessesOfOneGateway: both send under one key, and all of it is taken,
// whoever was slower to use his numbers. What is for the gateway comes to the one
// that leads alone, and that one alone says that the gateway is there.
func TestTwoProcessesOfOneGateway(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	broker := middle(t)
	leads := enter(t, "N0QRA-10", ka, broker, trust, func(o *TrunkOptions) { o.Process = "one" })
	helps := enterCounting(t, leads, "N0QRA-10", ka, broker, trust, func(o *TrunkOptions) { o.Process, o.Helps = "two", true })
	far := enter(t, "N0QRB-10", kb, broker, trust)

	helps.link.Announce([]presence.Say{{Mesh: "wrong", Boot: 9, Count: 1}})
	leads.link.Announce([]presence.Say{{Mesh: "ofN0QRA", Boot: 1, Count: 1, MeshUp: true}})
	far.link.Follow(nil, nil, true)

	var want []string
	for i := range 300 {
		from, name := leads, "one"
		if i%3 == 0 {
			from, name = helps, "two"
		}
		text := fmt.Sprintf("%s %d", name, i)
		from.sends("N0QRB-10", fmt.Sprint(i), text)
		want = append(want, "text "+text)
	}
	eventually(t, "all texts of both to arrive", func() bool { return len(far.kinds()) >= len(want) })
	got := far.kinds()
	for _, text := range want {
		if !slices.Contains(got, text) {
			t.Errorf("%q was not taken", text)
		}
	}
	far.with(func() {
		if len(far.dropped) > 0 {
			t.Errorf("it dropped %q", far.dropped)
		}
	})
	far.sends("N0QRA-10", "1", "for the gateway")
	leads.gets("text for the gateway")
	leads.gets("custody N0QRA-10.299")
	if got := helps.kinds(); len(got) > 0 {
		t.Errorf("the one that helps got %q", got)
	}
	eventually(t, "word of the gateway", func() bool { far.mu.Lock(); defer far.mu.Unlock(); return len(far.says) > 0 })
	far.with(func() {
		for _, s := range far.says {
			if s.Mesh == "wrong" {
				t.Error("the one that helps spoke for the gateway")
			}
		}
	})
}

// TestNumbersOfSeveralProcessesStayTogether: a block of numbers that was not used at
// once is not used at all, or what is signed with it would be too old to tell.
func TestNumbersOfSeveralProcessesStayTogether(t *testing.T) {
	const most = 2000 // events a second of all processes
	if sharedBlock+most*int(sharedFor.Seconds()) > envelope.WindowSize {
		t.Errorf("a block of %d numbers, used for %v, may fall behind the window of %d", sharedBlock, sharedFor, envelope.WindowSize)
	}
}
