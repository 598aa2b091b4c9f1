package web

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// How much of everything the page shows, and how old it may be.
const (
	shownWaiting  = 50
	shownRecent   = 30
	shownStations = 200
	lookTime      = 2 * time.Second
	restFactor    = 20 // the pause after a look, as a multiple of the time that it took
)

// look is the state of the gateway at one moment, shared by all readers.
type look struct {
	At       desk.Moment
	Station  string
	Troubles []string // what is not well, the worst first
	Store    error
	Lack     string // why the store takes nothing new
	Links    []desk.LinkState
	AllQuiet bool
	Quiet    []string
	Exercise desk.Exercise

	Waiting    []desk.Row
	WaitingAll int
	Recent     []desk.Line
	Stations   []desk.Station
	HeardAll   int
	Map        *plot
	Day        dayView
}

// looks keeps the last look, so that many readers cost no more than one.
type looks struct {
	mu   sync.Mutex
	last *look
	next time.Time // when to look again
}

// forget makes the next reader take a new look, after an order.
func (l *looks) forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.next = time.Time{}
}

// look returns the last look, or takes a new one.
func (p *page) look(ctx context.Context) (*look, error) {
	p.looks.mu.Lock()
	defer p.looks.mu.Unlock()
	begin := time.Now()
	if p.looks.last != nil && begin.Before(p.looks.next) {
		return p.looks.last, nil
	}
	ctx, cancel := context.WithTimeout(ctx, requestTime/2)
	defer cancel()
	l, err := p.takeLook(ctx)
	took := time.Since(begin)
	if err != nil {
		return nil, err
	}
	p.looks.last, p.looks.next = l, begin.Add(max(lookTime, restFactor*took))
	return l, nil
}

func (p *page) takeLook(ctx context.Context) (*look, error) {
	l := &look{
		At: desk.Moment{At: time.Now().UTC(), Unsure: p.clock != nil && !p.clock()}, Station: p.desk.Station(), Store: p.healthy(), Lack: p.lack(),
		Links: p.desk.Links(), Quiet: p.desk.QuietLinks(), Exercise: p.desk.Exercise(), WaitingAll: p.desk.Waiting(),
	}
	queueErr := p.desk.Queue(ctx, shownWaiting, func(r desk.Row) error {
		l.Waiting = append(l.Waiting, r)
		return nil
	})
	recent, logErr := p.desk.Recent(ctx, 4*shownRecent)
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("looking at the queue: %w", err) // who asked is gone, or the store is too slow
	}
	l.Store = errors.Join(l.Store, queueErr, logErr)
	for _, line := range recent {
		if line.Kind != message.Receipt && len(l.Recent) < shownRecent { // receipts show in the result of what they answer
			l.Recent = append(l.Recent, line)
		}
	}
	l.Stations = p.desk.Stations()
	l.HeardAll = len(l.Stations)
	l.Stations = l.Stations[:min(l.HeardAll, shownStations)]
	l.Map = newPlot(l.Stations)
	l.Day = newDay(p.desk.Day(), l.Links, l.At.Unsure)
	l.AllQuiet = len(l.Links) > 0
	for _, link := range l.Links {
		l.AllQuiet = l.AllQuiet && link.Quiet
	}
	l.Troubles = l.troubles()
	return l, nil
}

// troubles says in sentences what is not well.
func (l *look) troubles() (out []string) {
	if l.Store != nil {
		out = append(out, "The store does not work, no message is taken over: "+l.Store.Error())
	}
	if l.Lack != "" {
		out = append(out, "The store is full, new texts are refused: "+l.Lack+".")
	}
	if n := l.emergencies(); n > 0 {
		out = append(out, fmt.Sprintf("EMERGENCY: %d waiting, see below.", n))
	}
	if l.AllQuiet {
		out = append(out, "All sending is stopped.")
	}
	for _, link := range l.Links {
		switch {
		case link.Quiet && !l.AllQuiet:
			out = append(out, "Sending on "+link.Name+" is stopped.")
		case link.Elsewhere:
		case !link.Up:
			out = append(out, strings.TrimSuffix("Link "+link.Name+" is down: "+link.Why, ": ")+".")
		}
		if link.Trouble != "" {
			out = append(out, "Link "+link.Name+": "+link.Trouble+".")
		}
	}
	if l.At.Unsure {
		out = append(out, "The clock is not trusted. Times with a question mark may be wrong.")
	}
	return out
}

func (l *look) emergencies() (n int) {
	for _, r := range l.Waiting {
		if r.Precedence == message.Emergency {
			n++
		}
	}
	return n
}
