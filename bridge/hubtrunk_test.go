package bridge_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// still is a trunk on which nothing happens but what the test says.
type still struct {
	host link.TrunkHost
	sent chan link.Frame
}

func (s *still) Properties() link.Properties { return (&end{}).Properties() }

func (s *still) Run(ctx context.Context, h link.Host) error {
	s.host = h.(link.TrunkHost)
	s.host.State(true, "")
	<-ctx.Done()
	return ctx.Err()
}

func (s *still) Send(_ context.Context, frames []link.Frame) []error {
	for _, f := range frames {
		s.sent <- f
	}
	return make([]error, len(frames))
}

func (s *still) Announce([]presence.Say)                {}
func (s *still) Report([]link.FarHearing)               {}
func (s *still) Seek([]string)                          {}
func (s *still) Follow([]string, []string, bool)        {}
func (s *still) Took(context.Context, link.Taken) error { return nil }
func (s *still) Hush(bool)                              {}

const sibling = "N0QRB-10"

// inSharedMesh is a hub that serves the valley's mesh together with another gateway, of
// which both processes hear each ten seconds what it says of itself.
func inSharedMesh(t *testing.T, say presence.Say, test func(t *testing.T, h *hub)) {
	t.Helper()
	inHub(t, func(t *testing.T, h *hub) {
		say.Mesh, say.Call, say.Boot, say.MeshUp = "valley", sibling, 1, true
		ctx, cancel := context.WithCancel(t.Context())
		speaks := func() {
			for say.Count = 1; ctx.Err() == nil; say.Count++ {
				for _, p := range h.both {
					p.far.host.Present(say, false)
				}
				time.Sleep(10 * time.Second)
			}
		}
		if say.Transmits { // it was there first
			go speaks()
			time.Sleep(2 * time.Minute)
		} else {
			time.Sleep(2 * time.Minute)
			go speaks()
			settle()
		}
		test(t, h)
		cancel()
		time.Sleep(10 * time.Second)
	}, "POSTHOUSE_LINKS=valley,hill,aprs,post,far", "POSTHOUSE_VALLEY_MESH=valley", "POSTHOUSE_HILL_MESH=hill",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://127.0.0.1:1883", "POSTHOUSE_FAR_SIGNING_KEY_FILE=testdata/any.key", "POSTHOUSE_FAR_TRUST=any")
}

// hands has the sibling hand a text over to a process.
func (p *half) hands(id string, m message.Message) link.Verdict {
	p.t.Helper()
	m.Kind, m.Mesh, m.Via, m.TrunkID, m.Key, m.Handed, m.Left, m.Hops = message.Text, "valley", sibling, sibling+"."+id, "key", true, time.Hour, []string{sibling}
	v, err := p.far.host.AcceptMarked(p.t.Context(), nil, m)
	if err != nil {
		p.t.Fatal(err)
	}
	return v[0]
}

// results lists what the trunk's processes have told the sibling.
func (h *hub) results() (all []string) {
	synctest.Wait()
	for _, p := range h.both {
		for len(p.far.sent) > 0 {
			f := <-p.far.sent
			all = append(all, string(f.Message.Kind)+" "+f.Message.Acks+" "+f.Message.Result+" to "+f.Gateway)
		}
	}
	return all
}

func (h *hub) mails() (all []string) {
	for _, p := range h.both {
		all = append(all, p.sent("post")...)
	}
	return all
}

// TestHubKnowsItsOwnFrame: a gateway of the mesh takes what the hub has transmitted for a
// new text, and hands it over. The process that takes that in does not know what went
// out, the one that leads does.
func TestHubKnowsItsOwnFrame(t *testing.T) {
	inSharedMesh(t, presence.Say{}, func(t *testing.T, h *hub) {
		leads, helps := h.both[0], h.both[1]
		leads.hears("hill", message.Message{Kind: message.Text, From: "N0QRA-7", To: "ALL", OriginID: "1", Text: "net at eight"})
		settle()
		out := leads.sent("valley")
		if len(out) != 1 {
			t.Fatalf("it transmitted %q", out)
		}
		for range 3 { // it has no answer the first times
			if v := helps.hands("7", message.Message{From: "N0QRA-7", To: "ALL", Text: out[0]}); !v.Kept {
				t.Errorf("the verdict is %+v", v)
			}
			settle()
		}
		if again := leads.sent("valley"); len(again) > 0 {
			t.Errorf("it transmitted %q again", again)
		}
		if hill := leads.sent("hill"); len(hill) > 0 {
			t.Errorf("it transmitted %q where it came from", hill)
		}
	})
}

// TestHubTakesOnWhatItDidNotHear: a text that only another gateway of the mesh has heard
// is handed to the hub, which transmits there: it is one mail, and that gateway is told.
func TestHubTakesOnWhatItDidNotHear(t *testing.T) {
	inSharedMesh(t, presence.Say{}, func(t *testing.T, h *hub) {
		for _, id := range []string{"8", "8"} {
			if v := h.both[1].hands(id, message.Message{From: "N0QRA-7", To: "ann@club.example", OriginID: "2", Text: "all well"}); !v.Kept {
				t.Errorf("the verdict is %+v", v)
			}
		}
		settle()
		if got := h.mails(); len(got) != 1 || !strings.Contains(got[0], "all well") {
			t.Errorf("mails: %q", got)
		}
		same(t, "the sibling is told", h.results(), "receipt "+sibling+".8 delivered to "+sibling)
	})
}

// TestHubGoesOnForTheTransmitter: what the mesh's transmitter hands on goes by the hub's
// other links, and not back to it.
func TestHubGoesOnForTheTransmitter(t *testing.T) {
	inSharedMesh(t, presence.Say{Transmits: true}, func(t *testing.T, h *hub) {
		h.both[1].hands("9", message.Message{From: "N0QRA-7", To: "ann@club.example", OriginID: "3", Text: "all well"})
		settle()
		if got := h.mails(); len(got) != 1 {
			t.Errorf("mails: %q", got)
		}
		same(t, "the transmitter is told", h.results(), "receipt "+sibling+".9 delivered to "+sibling)
	})
}
