package bridge

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/presence"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// Options are what a Bridge is made of.
type Options struct {
	Config *config.Config
	Links  map[string]link.Link // by the names in Config
	Store  queue.Store
	Clock  *clock.Clock
	Meter  Meter
	Log    *slog.Logger

	// Share is this process's part of a hub's work; nil: no hub.
	Share queue.Share
	// Helps says that another process of the hub leads.
	Helps bool

	// JournalDir is the folder of the journal of transmissions; empty: none.
	JournalDir string
	// Room returns the room on the disk, and false if that is unknown; nil: unknown.
	Room func() (queue.Room, bool)
}

// Bridge joins the links through the queue. Run works until its context ends.
type Bridge struct {
	cfg   *config.Config
	own   callsign.Call
	store queue.Store
	clock *clock.Clock
	meter Meter
	log   *slog.Logger
	share queue.Share // nil: no hub
	leads bool        // this process does what only one of the hub may do

	lines         []*line
	byName        map[string]*line
	table         *route.Table
	heard         *heardTable
	rate          *rules.Rate // texts by sender
	emergencyRate *rules.Rate // emergencies by sender
	noticeRate    *rules.Rate // notices by station
	repeats       *repeats    // receipts repeated lately
	lately        sync.Map    // station -> given, until it is surely on disk
	far           *far        // gateways beyond the trunks, and whom they hear
	dates         dates
	kin           *siblings   // the other gateways of our meshes
	parts         *gatherings // parts of texts that wait for the others

	journal  *journal  // what was sent
	refusals *refusals // what was refused

	day  *day // totals of the last 24 hours
	room func() (queue.Room, bool)

	// Used by the clerk only.
	troubles   map[string]*trouble
	alarmsSeen map[string]clock.Age // in a hub: since when an alert about an emergency is due
	rerouted   uint64               // the last record for which reroute looked for another way
	rerouteAt  time.Time            // when it looks again
	followed   time.Time            // when the trunks were last brought up to date

	farther  chan struct{} // wakes the clerk: a station beyond the trunks is of interest now
	released chan struct{} // wakes the clerk: a station was heard for which something may be held
	stopping atomic.Bool
	farNews  atomic.Bool // a far gateway came or went
	control  controls
}

// line is one link and the state that the bridge keeps for it.
type line struct {
	config.Link
	link    link.Link
	props   link.Properties
	courier *queue.Courier
	pace    *pace // nil: no airtime budget
	gated   *positions
	trunk   link.Trunk                // nil: no trunk
	vote    *presence.Election        // nil: no other gateway can be on this mesh
	elected atomic.Pointer[time.Time] // until when this gateway may transmit, if it does not decide again; nil: not at all
	news    atomic.Bool               // something new waits here
	handed  time.Time                 // when handOver last looked at it; the clerk's only

	stations rules.Stations // who is on this mesh; nil: no list

	silence silence

	up     atomic.Bool
	mu     sync.Mutex
	since  time.Time // when it came up or went down
	why    string
	everUp bool

	trouble string // what is wrong though the link works
}

// New makes a bridge; nothing runs before Run. It reads from the store what the
// operator had set (quiet links, blocks), who was heard, and the airtime spent.
func New(ctx context.Context, o Options) (*Bridge, error) {
	own, err := callsign.Parse(o.Config.Callsign)
	if err != nil {
		return nil, fmt.Errorf("the gateway's call sign %q: %w", o.Config.Callsign, err)
	}
	b := &Bridge{
		cfg: o.Config, own: own, store: o.Store, clock: o.Clock, log: o.Log, share: o.Share, leads: !o.Helps,
		byName:        map[string]*line{},
		heard:         newHeardTable(),
		rate:          rules.NewRate(rules.Limit{N: o.Config.Rate.Count, Per: o.Config.Rate.Per}),
		emergencyRate: rules.NewRate(rules.Emergencies),
		noticeRate:    rules.NewRate(rules.Limit{N: noticesPerHour, Per: time.Hour}),
		repeats:       newRepeats(),
		far:           newFar(),
		kin:           newSiblings(),
		parts:         newGatherings(),
		released:      make(chan struct{}, 1),
		farther:       make(chan struct{}, 1),
		troubles:      map[string]*trouble{}, room: o.Room, alarmsSeen: map[string]clock.Age{},
	}
	if b.day, err = newDay(ctx, o.Meter, o.Store, o.Clock.Age, o.Share); err != nil {
		return nil, fmt.Errorf("reading what passed in the last day: %w", err)
	}
	b.meter = b.day
	if b.refusals, err = newRefusals(ctx, o.Store); err != nil {
		return nil, fmt.Errorf("reading what was refused: %w", err)
	}
	b.journal = newJournal(o.JournalDir, o.Config.KeepLog, o.Log, o.Meter.JournalLost)
	for _, cfg := range o.Config.Links {
		l := o.Links[cfg.Name]
		if l == nil {
			return nil, fmt.Errorf("link %s has no adapter", cfg.Name)
		}
		if err := b.addLine(ctx, cfg, l); err != nil {
			return nil, err
		}
	}
	b.shareMeshes()
	if b.table, err = routes(o.Config); err != nil {
		return nil, fmt.Errorf("routes: %w", err)
	}
	if err := errors.Join(b.loadControls(ctx), b.loadHeard(ctx), b.loadBoot(ctx), b.loadGatherings(ctx), b.loadTroubles(ctx), b.loadSilences(ctx)); err != nil {
		return nil, fmt.Errorf("reading what was set before: %w", err)
	}
	b.hush()
	return b, nil
}

func (b *Bridge) addLine(ctx context.Context, cfg config.Link, l link.Link) error {
	ln := &line{Link: cfg, link: l, props: l.Properties(), why: "starting", since: time.Now()}
	if !b.runs(ln) {
		ln.why = "another process runs it"
	}
	if cfg.Mesh != nil && cfg.Mesh.SF != 0 {
		var err error
		if ln.pace, err = b.newPace(ctx, ln); err != nil {
			return fmt.Errorf("airtime of link %s: %w", cfg.Name, err)
		}
	}
	ln.trunk, _ = l.(link.Trunk)
	ln.gated = newPositions(ln)
	ln.stations = stationList(cfg)
	ln.courier = queue.NewCourier(queue.CourierOptions{
		Link: cfg.Name, Batch: ln.props.Batch, Parallel: ln.props.Parallel, InOrder: ln.props.InOrder,
		OnePerAddressee: ln.props.OnePerAddressee, Paced: ln.pace != nil, Room: b.roomOn(ln), Take: b.lanesOf(ln),
		Store: b.store, Clock: b.clock, Carrier: &carrier{b: b, ln: ln}, Log: b.log,
	})
	b.lines = append(b.lines, ln)
	b.byName[cfg.Name] = ln
	return nil
}

// shareMeshes starts an election on each mesh link with a mesh name: over a trunk
// there may be other gateways of that mesh.
func (b *Bridge) shareMeshes() {
	if len(b.trunks()) == 0 {
		return
	}
	for _, ln := range b.lines {
		if ln.Mesh != nil && ln.Mesh.Mesh != "" {
			ln.vote = &presence.Election{Mesh: ln.Mesh.Mesh, Own: b.own.String()}
			if !b.leads { // only the process that leads votes; it hands over what another gateway should send
				ln.elected.Store(&forGood)
			}
		}
	}
}

// stationList is a mesh's station list for the rules; nil: there is none.
func stationList(cfg config.Link) rules.Stations {
	if cfg.Mesh == nil || cfg.Mesh.StationsFile == "" {
		return nil
	}
	list := rules.Stations{}
	for _, s := range cfg.Mesh.Stations {
		if s.Call != "" {
			list[s.Call] = rules.Station{Call: s.Call, Name: s.Name, Text: s.MayText, Mail: s.MayMail, Position: s.MayPosition}
		}
	}
	return list
}

// Run runs all links, couriers and the clerk until ctx ends, or until a link
// fails for good; that error is returned. When it returns, everything has
// stopped and the state in memory has been saved.
func (b *Bridge) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	defer context.AfterFunc(ctx, func() { b.stopping.Store(true) })()
	b.journal.start()
	defer b.journal.stop()
	var running sync.WaitGroup
	for _, ln := range b.lines {
		if !b.runs(ln) {
			continue
		}
		running.Go(func() { ln.courier.Run(ctx) })
		running.Go(func() { ln.gated.run(ctx, b) })
		running.Go(func() {
			err := ln.link.Run(ctx, &host{b: b, ln: ln})
			if ctx.Err() == nil {
				cancel(fmt.Errorf("link %s cannot work: %w", ln.Name, err))
			}
		})
	}
	if b.leads {
		running.Go(func() { b.clerk(ctx) })
	} else {
		running.Go(func() { b.help(ctx) })
	}
	running.Go(func() { b.learn(ctx) })
	running.Go(func() { b.wake(ctx) })
	running.Wait()
	b.saveHeard(context.WithoutCancel(ctx))
	b.saveRefusals(context.WithoutCancel(ctx))
	b.saveAir(context.WithoutCancel(ctx))
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// wake passes the store's hints on to the couriers.
func (b *Bridge) wake(ctx context.Context) {
	hints := b.store.Watch()
	for {
		select {
		case <-ctx.Done():
			return
		case name, ok := <-hints:
			if !ok {
				return
			}
			if ln := b.byName[name]; ln != nil {
				if ln.trunk != nil {
					b.recount(ctx)
				}
				ln.news.Store(true)
				ln.courier.Wake()
			}
		}
	}
}

// stamp is the present time, for a record.
func (b *Bridge) stamp() queue.Stamp {
	wall, sure := b.clock.Wall()
	return queue.Stamp{Age: b.clock.Age(), Wall: wall, Sure: sure}
}

// id is a record's id for people and other programs.
func (b *Bridge) id(seq uint64) string { return fmt.Sprintf("%s.%d", b.own, seq) }
