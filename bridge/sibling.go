package bridge

import (
	"context"
	"slices"
	"strconv"
	"sync"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/presence"
	"posthouse/queue"
)

// Several gateways may serve one mesh. Only one of them, the transmitter, routes what
// is heard there and transmits; the others keep what they hear as shadows, in case it
// falls silent.

// fullFor is how long after its store was full, or failed, a gateway stands by.
const fullFor = 5 * time.Minute

// siblings is what one gateway knows of the others on its meshes.
type siblings struct {
	boot     uint64
	takeOver bool // route the shadows now; this and the next are used by the clerk only
	tookOver time.Time

	mu     sync.Mutex
	count  uint64
	taken  map[queue.Identity]time.Time // what others have taken over
	frames map[queue.Identity]sentBy    // what they transmitted, and what we did
	acked  map[queue.Identity]time.Time // acks that were heard of texts that we did not send
	asked  map[queue.Identity]asked     // texts that were heard, by their expected ack
	tell   map[string]*link.Taken       // by mesh: what to tell the others next
	rounds map[queue.Identity]round     // texts with the same words under new ids
	full   time.Time                    // when the store was last full
	unsaid []unsaid                     // refusals while nobody transmitted
}

func newSiblings() *siblings {
	return &siblings{
		taken: map[queue.Identity]time.Time{}, frames: map[queue.Identity]sentBy{}, acked: map[queue.Identity]time.Time{},
		asked: map[queue.Identity]asked{}, tell: map[string]*link.Taken{}, rounds: map[queue.Identity]round{},
	}
}

const bootKey = "boot"

// loadBoot numbers this start of the gateway: higher than the last one, even if the
// clock was set back. With it the clock is saved: if nobody knows the time now, and the
// power fails, the next start must not add the time before this one to what came since.
func (b *Bridge) loadBoot(ctx context.Context) error {
	if !b.leads {
		return nil // it does not speak for the gateway
	}
	v, err := b.store.Setting(ctx, bootKey)
	if err != nil {
		return err
	}
	last, _ := strconv.ParseUint(string(v), 10, 64) // none: 0
	b.kin.boot = max(last+1, uint64(max(time.Now().UnixMilli(), 0)))
	put := map[string][]byte{bootKey: strconv.AppendUint(nil, b.kin.boot, 10), clockKey: b.savedClock()}
	_, err = b.store.Apply(ctx, queue.Op{Urgent: true, Put: put})
	return err
}

// transmits tells whether this gateway transmits on a link: on a shared mesh only
// while it is the transmitter. A gateway that was frozen is not until it has decided again.
func (ln *line) transmits() bool {
	until := ln.elected.Load()
	return ln.vote == nil || until != nil && time.Now().Before(*until)
}

// forGood never comes.
var forGood = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// vote decides for each shared mesh whether this gateway transmits.
func (b *Bridge) vote() {
	c := presence.Condition{Mute: b.isMute()}
	for _, ln := range b.trunks() {
		c.TrunkUp = c.TrunkUp || ln.up.Load()
	}
	for _, ln := range b.lines {
		if ln.vote == nil {
			continue
		}
		was, until := ln.elected.Load() != nil, (*time.Time)(nil)
		c.MeshUp, c.Standby = ln.up.Load(), b.standsBy(ln)
		is := ln.vote.Decide(b.far.table, c, time.Now())
		if is {
			end := time.Now().Add(presence.Lapse)
			until = &end
		}
		ln.elected.Store(until)
		if was == is {
			continue
		}
		if is {
			b.kin.takeOver, b.kin.tookOver = true, time.Now()
			b.log.Info("this gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		} else {
			b.log.Info("another gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		}
		ln.courier.Wake()
	}
}

// isMute tells whether this gateway cannot announce itself.
func (b *Bridge) isMute() bool {
	return !slices.ContainsFunc(b.trunks(), func(ln *line) bool { return ln.MaySend() && !b.control.isQuiet(ln.Name) })
}

// standsBy tells whether another gateway of the mesh should transmit if there is one:
// this one does not hear the mesh, may not transmit, or can take nothing over.
func (b *Bridge) standsBy(ln *line) bool {
	return !ln.MaySend() || !ln.MayReceive() || b.control.isQuiet(ln.Name) || b.kin.isFull() || b.isClosed()
}

// fills notes that the store is full, or that its disk fails: nothing new can be kept.
func (s *siblings) fills() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.full = time.Now()
}

// isFull tells whether nothing new could be kept lately.
func (s *siblings) isFull() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.full.IsZero() && time.Since(s.full) < fullFor
}

// hush stops all announcements on trunks that are quiet, and allows them on the others.
func (b *Bridge) hush() {
	for _, ln := range b.trunks() {
		ln.trunk.Hush(b.control.isQuiet(ln.Name))
	}
}

// says is what this gateway announces, once for each of its meshes; without a mesh it
// still says that it is alive.
func (b *Bridge) says() []presence.Say {
	var offers []string
	for _, ln := range b.lines {
		if (ln.Kind == config.KindMail || ln.Kind == config.KindAPRS) && ln.MaySend() && ln.up.Load() && !b.kin.isFull() && !b.isClosed() && !slices.Contains(offers, ln.Kind) {
			offers = append(offers, ln.Kind)
		}
		if ln.APRS != nil && ln.gated.every > 0 && (&carrier{b: b, ln: ln}).Open() && !slices.Contains(offers, offersPositions) {
			offers = append(offers, offersPositions)
		}
	}
	b.kin.mu.Lock()
	b.kin.count++
	count := b.kin.count
	b.kin.mu.Unlock()
	base := presence.Say{Call: b.own.String(), Boot: b.kin.boot, Count: count, Closed: b.isClosed(), Offers: offers}
	var out []presence.Say
	for _, ln := range b.lines {
		if ln.Mesh == nil {
			continue
		}
		s := base
		s.Mesh, s.MeshUp, s.Transmits, s.Standby = ln.meshName(), ln.up.Load(), ln.transmits(), b.standsBy(ln)
		if ln.vote != nil {
			s.Hears = b.far.table.Words(s.Mesh, b.own.String())
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		base.Mesh = "-" // no mesh here
		out = append(out, base)
	}
	return out
}

// gatewaysOf lists the other gateways of a mesh: what they transmit is no new text.
func (b *Bridge) gatewaysOf(ln *line) []string {
	if ln.vote == nil {
		return nil
	}
	var out []string
	for _, s := range b.far.table.Living(ln.meshName(), time.Now()) {
		out = append(out, s.Call)
	}
	return out
}

// isSibling tells whether a call sign is that of another gateway of the mesh, alive or
// not, with or without its SSID: all its gateways must treat a text to it in the same way.
func (b *Bridge) isSibling(ln *line, call string) bool {
	return ln.vote != nil && b.far.table.Names(ln.meshName(), call)
}

// anotherTransmits tells whether another living gateway transmits on a link's mesh.
// Then what is heard there may be its transmission.
func (b *Bridge) anotherTransmits(ln *line) bool {
	if ln.vote == nil || ln.transmits() {
		return false
	}
	_, ok := b.far.table.Transmitter(ln.meshName(), time.Now())
	return ok
}

func (b *Bridge) sharesMesh(mesh string) bool {
	return slices.ContainsFunc(b.lines, func(ln *line) bool { return ln.vote != nil && ln.meshName() == mesh })
}

// ahead returns the gateway that gets what is for a shared mesh: none while this one
// transmits there, or if nobody does and this one is the next, or if that one takes nothing
// over: what it would be given would only come back.
func (b *Bridge) ahead(ln *line) (string, bool) {
	if ln == nil || ln.transmits() {
		return "", false
	}
	own := presence.Say{Mesh: ln.meshName(), Call: b.own.String(), MeshUp: ln.up.Load() && !b.isMute(), Standby: b.standsBy(ln)}
	g, ok := b.far.table.Ahead(own, time.Now())
	return g, ok && b.far.table.Takes(g, time.Now())
}

// sharedLine finds the link to a mesh that other gateways may serve, too; nil: none.
func (b *Bridge) sharedLine(mesh string) *line {
	for _, ln := range b.lines {
		if ln.vote != nil && ln.meshName() == mesh {
			return ln
		}
	}
	return nil
}

// meshName is the name of the mesh that a link serves, empty for other kinds.
func (ln *line) meshName() string {
	switch {
	case ln.Mesh == nil:
		return ""
	case ln.Mesh.Mesh == "":
		return ln.Name
	}
	return ln.Mesh.Mesh
}
