package boltstore

import (
	"slices"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// clone returns what decode would return for the encoded r, at a fifth of the cost: it
// shares no memory with r, its times are in UTC, and fields that are not stored are empty.
// TestClone checks that.
func clone(r *queue.Record) *queue.Record {
	c := *r
	c.Version = 0
	c.Message = cloneMessage(r.Message)
	c.Accepted = cloneStamp(r.Accepted)
	c.Deliveries = slices.Clone(r.Deliveries)
	for i := range c.Deliveries {
		d := &c.Deliveries[i]
		d.Parts, d.Ended = cloneSlice(d.Parts), cloneStamp(d.Ended)
	}
	c.Offered, c.Returned, c.History = cloneSlice(r.Offered), cloneSlice(r.Returned), cloneSlice(r.History)
	for i := range c.History {
		c.History[i].At = cloneStamp(c.History[i].At)
	}
	return &c
}

func cloneMessage(m message.Message) message.Message {
	m.Filed = cloneTime(m.Filed)
	m.SNR, m.RSSI, m.Where = clonePointer(m.SNR), clonePointer(m.RSSI), clonePointer(m.Where)
	if m.Where != nil {
		m.Where.Alt, m.Where.Time = clonePointer(m.Where.Alt), cloneTime(m.Where.Time)
	}
	m.Hops, m.PartIDs = cloneSlice(m.Hops), cloneSlice(m.PartIDs)
	m.Left, m.Fetched, m.Unfit = 0, false, nil // what is not kept
	return m
}

func cloneStamp(s queue.Stamp) queue.Stamp {
	s.Wall = cloneTime(s.Wall)
	return s
}

// cloneTime drops the monotonic reading and the zone.
func cloneTime(t time.Time) time.Time { return t.Round(0).UTC() }

func clonePointer[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

// cloneSlice is for fields that are left out when empty.
func cloneSlice[T any](s []T) []T { return append([]T(nil), s...) }
