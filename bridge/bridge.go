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

	// Share is this process's part of a hub's work; nil: it does all of it.
	Share queue.Share
	// Helps says that another process of the hub leads.
	Helps bool

	// JournalDir is the folder of the journal of transmissions; empty: none.
	JournalDir string
	// Room tells how much room there is, false when it is not known; nil: never.
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
	leads bool        // what may be done once only is done here

	lines  []*line
	byName map[string]*line
	table  *route.Table
	heard  *heardTable
	rate   *rules.Rate
	alarms *rules.Rate // emergencies by sender
	tells  *rules.Rate // notices by station
	again  *repeats    // receipts given lately
	lately sync.Map    // station -> given: what is on its way to the disk; emptied with each purge
	far    *far        // gateways beyond the trunks, and whom they hear
	dates  dates
	kin    *siblings   // the other gateways of our meshes
	parts  *gatherings // parts of texts that wait for the others

	journal  *journal  // what went out
	refusals *refusals // what was not taken over

	troubles map[string]*trouble // the clerk's own
	room     func() (queue.Room, bool)
	day      *day // what passed in the last 24 hours

	alarmsSeen map[string]clock.Age // since when emergencies wait to be told of, in a hub; the clerk's own

	// Up to which record the clerk has looked for other ways, and when it looks
	// again; its own.
	rerouted  uint64
	rerouteAt time.Time

	followed time.Time // when the trunks were last brought up to date; the clerk's own

	farther  chan struct{} // somebody far away has just become of interest
	stopping atomic.Bool
	farNews  atomic.Bool   // a far gateway came or went
	released chan struct{} // somebody was heard for whom something may wait
	control  controls
}

// line is one link with what the bridge keeps beside it.
type line struct {
	config.Link
	link    link.Link
	props   link.Properties
	courier *queue.Courier
	pace    *pace // nil: as fast as it goes
	gated   *positions
	trunk   link.Trunk         // nil: no trunk
	vote    *presence.Election // nil: a mesh that is not shared
	elected atomic.Bool
	news    atomic.Bool // something new waits here
	handed  time.Time   // when it was last looked whether to hand that over; the clerk's own

	stations rules.Stations // who is on this mesh; nil: no list

	silence silence

	up     atomic.Bool
	mu     sync.Mutex
	since  time.Time // of the present state
	why    string
	everUp bool

	trouble string // what is wrong with a link that works nevertheless
}

// New puts a bridge together; nothing runs before Run. It reads what the
// operator had set (quiet links, blocks), who was heard, and the airtime spent.
func New(ctx context.Context, o Options) (*Bridge, error) {
	own, err := callsign.Parse(o.Config.Callsign)
	if err != nil {
		return nil, fmt.Errorf("the gateway's call sign %q: %w", o.Config.Callsign, err)
	}
	b := &Bridge{
		cfg: o.Config, own: own, store: o.Store, clock: o.Clock, log: o.Log, share: o.Share, leads: !o.Helps,
		byName:   map[string]*line{},
		heard:    newHeardTable(),
		rate:     rules.NewRate(rules.Limit{N: o.Config.Rate.Count, Per: o.Config.Rate.Per}),
		alarms:   rules.NewRate(rules.Emergencies),
		tells:    rules.NewRate(rules.Limit{N: noticesPerHour, Per: time.Hour}),
		again:    newRepeats(),
		far:      newFar(),
		kin:      newSiblings(),
		parts:    newGatherings(),
		released: make(chan struct{}, 1),
		farther:  make(chan struct{}, 1),
		troubles: map[string]*trouble{}, room: o.Room, alarmsSeen: map[string]clock.Age{},
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

// shareMeshes has the mesh links voted on that have a name of their own: with a
// trunk there may be other gateways of the mesh.
func (b *Bridge) shareMeshes() {
	if len(b.trunks()) == 0 {
		return
	}
	for _, ln := range b.lines {
		if ln.Mesh != nil && ln.Mesh.Mesh != "" {
			ln.vote = &presence.Election{Mesh: ln.Mesh.Mesh, Own: b.own.String()}
			ln.elected.Store(!b.leads) // the one that leads votes, and hands over what is not for this gateway
		}
	}
}

// stationList is a mesh's station list as the rules ask it; nil: there is none.
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

// Run keeps all links, couriers and the clerk going until ctx ends, or until a
// link says that it can never work; that error is returned. When it returns,
// everything has stopped and what is known is with the store.
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

// stamp is this moment, for a record.
func (b *Bridge) stamp() queue.Stamp {
	wall, sure := b.clock.Wall()
	return queue.Stamp{Age: b.clock.Age(), Wall: wall, Sure: sure}
}

// id is the name by which people and other programs know a record.
func (b *Bridge) id(seq uint64) string { return fmt.Sprintf("%s.%d", b.own, seq) }
