// Package queuetest is the suite that every queue.Store passes, whatever engine
// it stands on. It asks only what the interface promises: a store's own tests
// add what is special to it (crashes, damage, a full disk).
package queuetest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// Opener opens the store that lies in dir, and fails the test if it can't. The
// suite closes what it opened. It is called again with the same dir for a store
// that was closed.
type Opener func(t testing.TB, dir string) queue.Store

// cases is the suite.
var cases = []struct {
	name string
	run  func(t *testing.T, open Opener)
}{
	{"new records are numbered from 1 and come back as they were", newRecords},
	{"one Apply is done in order and all at once", inOrder},
	{"an op must be exactly one thing", oneThing},
	{"the same identity within its time is a duplicate", duplicates},
	{"of many callers with one identity one creates it", duplicatesAtOnce},
	{"what comes back is a copy", copies},
	{"a record given away is altered, unless it was written since", given},
	{"fresh gives back what is known, and else what was written since", fresh},
	{"a change sees the changes before it", changes},
	{"a change that fails leaves the record and the others alone", changeFails},
	{"a change may create records", spawned},
	{"a lane has one head and the next follows it", laneOrder},
	{"a head that waits holds its lane up", headWaits},
	{"a delivery that has begun holds nobody up", begunLeaves},
	{"lanes are told apart whatever the addresses hold", hostileLanes},
	{"a thousand lanes are paged without a gap", manyLanes},
	{"a page of heads does not cut a record", wholeRecords},
	{"due comes in the order of time", dueOrder},
	{"held waits under the base call sign", heldByCall},
	{"a frame finds its delivery and part", frameFinds},
	{"expiring lists open records only", expiring},
	{"list pages through all and through the open ones", listPages},
	{"settings are set, listed and removed", settings},
	{"purge takes finished records, the oldest first", purge},
	{"purge remembers identities for their own time", purgeIdentities},
	{waits, lazyInTime},
	{"a lazy op is done before later ones", lazyInOrder},
	{"then is told once what an op did", thenTold},
	{"the counters are true", statsTrue},
	{"watchers hear of every link", watch},
	{"everything is there after opening again", reopen},
	{"a cancelled call does nothing or all", cancelled},
	{"a closed store says so", closed},
	{"random operations leave what a model has", random},
}

// Run runs the suite.
func Run(t *testing.T, open Opener) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if c.name == waits {
				synctest.Test(t, func(t *testing.T) { c.run(t, open) })
				return
			}
			c.run(t, open)
		})
	}
}

// RunOnSockets runs the suite for a store beyond a network: what waits for time
// does so in real time, since a socket stops a bubble of synctest.
func RunOnSockets(t *testing.T, open Opener) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { c.run(t, open) })
	}
}

// waits is the case that waits for time.
const waits = "a lazy op is done within five seconds"

// fixture is a store in a fresh folder with short ways to ask it.
type fixture struct {
	testing.TB
	queue.Store
	ctx context.Context
}

func start(t testing.TB, open Opener) *fixture {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	t.Cleanup(func() {
		if v, ok := s.(Verifier); ok {
			if err := v.Verify(context.WithoutCancel(t.Context())); err != nil {
				t.Errorf("Verify: %v", err)
			}
		}
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return &fixture{t, s, t.Context()}
}

func (f *fixture) apply(ops ...queue.Op) []queue.Done {
	f.Helper()
	done, err := f.Apply(f.ctx, ops...)
	if err != nil {
		f.Fatalf("Apply: %v", err)
	}
	if len(done) != len(ops) {
		f.Fatalf("Apply of %d ops returned %d Dones", len(ops), len(done))
	}
	return done
}

// add stores records and gives their numbers.
func (f *fixture) add(records ...*queue.Record) []uint64 {
	f.Helper()
	ops := make([]queue.Op, len(records))
	for i, r := range records {
		ops[i] = queue.Op{New: r}
	}
	seqs := make([]uint64, len(records))
	for i, d := range f.apply(ops...) {
		seqs[i] = d.Seq
	}
	return seqs
}

// change changes a record and must succeed.
func (f *fixture) change(seq uint64, change func(*queue.Record)) *queue.Record {
	f.Helper()
	d := f.apply(queue.Op{Seq: seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
		change(r)
		return nil, nil
	}})[0]
	if d.Err != nil {
		f.Fatalf("change of record %d: %v", seq, d.Err)
	}
	return d.Record
}

// finish ends all deliveries of a record.
func finish(r *queue.Record) {
	for i := range r.Deliveries {
		r.Deliveries[i].State = queue.Sent
	}
}

func (f *fixture) get(seq uint64) *queue.Record {
	f.Helper()
	r, err := f.Get(f.ctx, seq)
	if err != nil {
		f.Fatalf("Get(%d): %v", seq, err)
	}
	return plain(r)
}

// plain leaves out the Version, of which a test cannot know what it is.
func plain(r *queue.Record) *queue.Record {
	bare := *r
	bare.Version = 0
	return &bare
}

func (f *fixture) heads(link string, p message.Precedence, now clock.Age, after uint64, n int) []queue.Item {
	f.Helper()
	got, err := f.Heads(f.ctx, link, p, now, after, n)
	if err != nil {
		f.Fatalf("Heads: %v", err)
	}
	return got
}

func (f *fixture) due(link string, until clock.Age, n int) []queue.Item {
	f.Helper()
	got, err := f.Due(f.ctx, link, until, n)
	if err != nil {
		f.Fatalf("Due: %v", err)
	}
	return got
}

// want compares; nil and empty are the same list.
func want[T any](t testing.TB, what string, got, want []T) {
	t.Helper()
	if len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
		t.Fatalf("%s:\n got %v\nwant %v", what, got, want)
	}
}

func wantErr(t testing.TB, what string, got, want error) {
	t.Helper()
	if !errors.Is(got, want) {
		t.Fatalf("%s: error %v, want %v", what, got, want)
	}
}

// seqs gives the numbers of items.
func seqs(items []queue.Item) []uint64 {
	var all []uint64
	for _, it := range items {
		all = append(all, it.Seq)
	}
	return all
}

// text makes a record of one routine text that is ready on a link.
func text(link, from, to string) *queue.Record {
	return &queue.Record{
		Message:    message.Message{Kind: message.Text, From: from, To: to, Text: "hello", Precedence: message.Routine},
		Accepted:   queue.Stamp{Age: 1000},
		Expires:    1 << 40,
		Deliveries: []queue.Delivery{{Link: link, To: to, State: queue.Ready}},
	}
}

// named gives a record an identity.
func named(r *queue.Record, id byte, at clock.Age) *queue.Record {
	r.Identity = queue.Identity{id, 1}
	r.Accepted.Age = at
	return r
}

// with sets the state of a record's deliveries.
func with(r *queue.Record, state queue.State, due clock.Age, begun bool) *queue.Record {
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		d.State, d.Due, d.Begun = state, due, begun
	}
	return r
}

// full makes a record in which every field is set.
func full() *queue.Record {
	snr, alt := -7.25, 430.0
	wall := time.Date(2026, 11, 25, 7, 17, 0, 123456789, time.UTC)
	at := queue.Stamp{Age: 5, Wall: wall, Sure: true}
	return &queue.Record{
		Message: message.Message{
			Kind: message.Text, From: "N0QRA-7", SenderCall: "N0QRA", ThirdParty: true, To: "N0QRB-9", Written: "TEAM3",
			OriginID: "4f2a", Subject: "s", Text: "naïve \x00\xff text", Precedence: message.Priority, Claimed: message.Emergency,
			Filed: wall, Link: "valley", Via: "N0QRC-10", Encrypted: true, SNR: &snr, RSSI: &snr,
			Where: &message.Where{Lat: 46.5, Lon: -122.9, Alt: &alt, Time: wall, Ambiguity: 2, Comment: "on foot"},
			Acks:  "a", Nak: true, Messaging: true, MailID: "m@host.example", InReplyTo: "r@host.example",
			Hops: []string{"N0QRD-10"}, Exercise: "autumn",
		},
		Identity: queue.Identity{1, 2, 3}, Accepted: at, Expires: 99,
		Deliveries: []queue.Delivery{{
			Link: "far", To: "N0QRB-9", State: queue.Later, Due: 7, Begun: true, Attempts: 2, Round: 1,
			Parts: []queue.Part{{ID: "00a1b", Acked: true, Sent: true}, {}}, Error: "no ack", Code: "timeout", Ended: at,
		}},
		Outcome: queue.Failed, About: 3, Told: true, Receipted: 4,
		History: []queue.Step{{At: at, What: "accepted", Link: "valley", Note: "n"}},
	}
}

func call(i int) string { return fmt.Sprintf("N0QRA-%d", i) }
