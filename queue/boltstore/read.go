package boltstore

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// readRecord reads one record in any transaction.
func readRecord(tx *bolt.Tx, seq uint64) (*queue.Record, error) { return readUnless(nil, tx, seq) }

func readUnless(known *queue.Record, tx *bolt.Tx, seq uint64) (*queue.Record, error) {
	value := tx.Bucket(recordBucket).Get(recordKey(seq))
	if value != nil {
		return openUnless(known, seq, value)
	}
	if tx.Bucket(damagedBucket).Get(recordKey(seq)) != nil {
		return nil, fmt.Errorf("record %d: %w", seq, queue.ErrDamaged)
	}
	return nil, fmt.Errorf("record %d: %w", seq, queue.ErrNotFound)
}

// Get implements queue.Store.
func (s *Store) Get(ctx context.Context, seq uint64) (*queue.Record, error) {
	return s.get(ctx, nil, seq)
}

// Fresh implements queue.Store.
func (s *Store) Fresh(ctx context.Context, r *queue.Record) (*queue.Record, error) {
	return s.get(ctx, r, r.Seq)
}

func (s *Store) get(ctx context.Context, known *queue.Record, seq uint64) (r *queue.Record, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		r, err = readUnless(known, tx, seq)
		return err
	})
	if errors.Is(err, queue.ErrDamaged) {
		s.suspect(seq)
	}
	return r, err
}

// items collects up to n items, never only a part of a record, since the reader goes on
// after the last Seq. A single record with more than n deliveries is cut.
type items struct {
	all []queue.Item
	n   int
}

// add adds one more; false: there is no room.
func (c *items) add(it queue.Item) bool {
	if len(c.all) < c.n {
		c.all = append(c.all, it)
		return true
	}
	if i := slices.IndexFunc(c.all, func(o queue.Item) bool { return o.Seq == it.Seq }); i > 0 {
		c.all = c.all[:i] // leave all of this record for the next call
	}
	return false
}

// Heads implements queue.Store. Heads without a time are in ready; those whose time has
// come are found in later, so that any number of heads that still wait costs nothing.
func (s *Store) Heads(ctx context.Context, link string, p message.Precedence, now clock.Age, from uint64, n int) ([]queue.Item, error) {
	c := items{n: n}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		waited := s.waited(tx, link, p, now, from)
		prefix := readyPrefix(link, p)
		cur := tx.Bucket(indexName[ready]).Cursor()
		for key, _ := seekAfter(cur, prefix, from); bytes.HasPrefix(key, prefix); key, _ = cur.Next() {
			seq, delivery := cutItem(key)
			it := queue.Item{Seq: seq, Delivery: delivery}
			for len(waited) > 0 && compareItems(waited[0], it) < 0 {
				if !c.add(waited[0]) {
					return nil
				}
				waited = waited[1:]
			}
			if !c.add(it) {
				return nil
			}
		}
		for _, it := range waited {
			if !c.add(it) {
				return nil
			}
		}
		return nil
	})
	return c.all, err
}

// waited returns the heads of a link and precedence whose wait is over, by Seq.
func (s *Store) waited(tx *bolt.Tx, link string, p message.Precedence, now clock.Age, from uint64) []queue.Item {
	var all []queue.Item
	eachDue(tx, link, now, func(it queue.Item, val []byte) bool {
		if len(val) == 1 && val[0] == byte(p) && it.Seq > from {
			all = append(all, it)
		}
		return true
	})
	slices.SortFunc(all, compareItems)
	return all
}

func compareItems(a, b queue.Item) int {
	return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.Delivery, b.Delivery))
}

// seekAfter goes to the first key with the prefix whose Seq is greater.
func seekAfter(cur *bolt.Cursor, prefix []byte, from uint64) (key, val []byte) {
	if from == 1<<64-1 {
		return nil, nil
	}
	return cur.Seek(putSeq(bytes.Clone(prefix), from+1))
}

// eachDue calls f for what is due on a link at until, the earliest first, until f
// returns false.
func eachDue(tx *bolt.Tx, link string, until clock.Age, f func(it queue.Item, val []byte) bool) {
	prefix := putText(nil, link)
	cur := tx.Bucket(indexName[later]).Cursor()
	for key, val := cur.Seek(prefix); bytes.HasPrefix(key, prefix); key, val = cur.Next() {
		due := getAge(key[len(prefix):])
		seq, delivery := cutItem(key)
		if due > until || !f(queue.Item{Seq: seq, Delivery: delivery, Due: due}, val) {
			return
		}
	}
}

// Behind implements queue.Store.
func (s *Store) Behind(ctx context.Context, lane queue.Lane, from uint64, n int) ([]queue.Item, error) {
	c := items{n: n}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		prefix := lanePrefix(lane)
		cur := tx.Bucket(indexName[lanes]).Cursor()
		for key, val := seekAfter(cur, prefix, from); bytes.HasPrefix(key, prefix); key, val = cur.Next() {
			seq, delivery := cutItem(key)
			if !c.add(queue.Item{Seq: seq, Delivery: delivery, Due: getAge(val)}) {
				return nil
			}
		}
		return nil
	})
	return c.all, err
}

// Due implements queue.Store. A head whose wait is over is listed until it is changed:
// the store has no clock.
func (s *Store) Due(ctx context.Context, link string, until clock.Age, n int) (all []queue.Item, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		eachDue(tx, link, until, func(it queue.Item, _ []byte) bool {
			if len(all) >= n {
				return false
			}
			all = append(all, it)
			return true
		})
		return nil
	})
	return all, err
}

// NextDue implements queue.Store.
func (s *Store) NextDue(ctx context.Context, link string) (due clock.Age, ok bool, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		eachDue(tx, link, 1<<63-1, func(it queue.Item, _ []byte) bool {
			due, ok = it.Due, true
			return false
		})
		return nil
	})
	return due, ok, err
}

// Held implements queue.Store.
func (s *Store) Held(ctx context.Context, call string, n int) (all []queue.Item, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		prefix := putText(nil, call)
		cur := tx.Bucket(indexName[held]).Cursor()
		for key, val := cur.Seek(prefix); bytes.HasPrefix(key, prefix) && len(all) < n; key, val = cur.Next() {
			seq, delivery := cutItem(key)
			all = append(all, queue.Item{Seq: seq, Delivery: delivery, Due: getAge(val)})
		}
		return nil
	})
	return all, err
}

// Sought implements queue.Store. It jumps from call to call, however many are held for
// each.
func (s *Store) Sought(ctx context.Context, n int) (all []string, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		cur := tx.Bucket(indexName[held]).Cursor()
		for key, val := cur.First(); key != nil && len(all) < n; {
			call, rest, ok := cutText(key)
			if !ok {
				call = string(val[ageLen:])
			}
			all = append(all, call)
			key, val = cur.Seek(after(key[:len(key)-len(rest)]))
		}
		return nil
	})
	return all, err
}

// Frame implements queue.Store. Of several deliveries with the same frame id it finds
// the one that was accepted last.
func (s *Store) Frame(ctx context.Context, link, to, id string) (it queue.Item, part int, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		prefix := framePrefix(link, to, id)
		key, _ := lastOf(tx.Bucket(indexName[frames]), prefix)
		if key == nil {
			return fmt.Errorf("frame %.40q to %.40q on link %s: %w", id, to, link, queue.ErrNotFound)
		}
		end := len(key) - nthLen
		it.Seq, it.Delivery = cutItem(key[:end])
		part = int(binary.BigEndian.Uint16(key[end:]))
		return nil
	})
	return it, part, err
}

// lastOf returns the last key with a prefix; nil: there is none. It goes forward, since
// bbolt's Prev stops at a page that the open transaction has emptied.
func lastOf(b *bolt.Bucket, prefix []byte) (key, val []byte) {
	cur := b.Cursor()
	for k, v := cur.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = cur.Next() {
		key, val = k, v
	}
	return key, val
}

// Known implements queue.Store.
func (s *Store) Known(ctx context.Context, id queue.Identity, since clock.Age) (seq uint64, ok bool, err error) {
	err = s.reading(ctx, func(t *txn) error {
		seq, ok = t.known(id, since)
		return nil
	})
	return seq, ok, err
}

// List implements queue.Store.
func (s *Store) List(ctx context.Context, openOnly bool, from uint64, n int) (all []*queue.Record, err error) {
	var damaged []uint64
	err = s.view(ctx, func(tx *bolt.Tx) error {
		next := allSeqs(tx)
		if openOnly {
			next = openSeqs(tx)
		}
		for seq, ok := next(from); ok && len(all) < n; seq, ok = next(seq) {
			r, err := readRecord(tx, seq)
			switch {
			case errors.Is(err, queue.ErrDamaged):
				damaged = append(damaged, seq)
			case errors.Is(err, queue.ErrNotFound): // an index is damaged
			case err != nil:
				return err
			default:
				all = append(all, r)
			}
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		return nil
	})
	for _, seq := range damaged {
		s.suspect(seq)
	}
	return all, err
}

// nextSeq returns the first Seq after another one.
type nextSeq func(from uint64) (uint64, bool)

func allSeqs(tx *bolt.Tx) nextSeq {
	cur := tx.Bucket(recordBucket).Cursor()
	return func(from uint64) (uint64, bool) {
		key, _ := seekAfter(cur, nil, from)
		if key == nil {
			return 0, false
		}
		return binary.BigEndian.Uint64(key), true
	}
}

// openSeqs walks the records with an open delivery. The open index is sorted by
// link first, so it looks at the next of each link.
func openSeqs(tx *bolt.Tx) nextSeq {
	b := tx.Bucket(indexName[open])
	links := openLinks(b)
	cur := b.Cursor()
	return func(from uint64) (least uint64, ok bool) {
		for _, link := range links {
			key, _ := seekAfter(cur, link, from)
			if !bytes.HasPrefix(key, link) {
				continue
			}
			if seq := binary.BigEndian.Uint64(key[len(link):]); !ok || seq < least {
				least, ok = seq, true
			}
		}
		return least, ok
	}
}

// openLinks returns the prefix of each link in the open index.
func openLinks(b *bolt.Bucket) (links [][]byte) {
	cur := b.Cursor()
	for key, _ := cur.First(); key != nil; {
		link := bytes.Clone(key[:len(key)-seqLen])
		links = append(links, link)
		key, _ = cur.Seek(after(link))
	}
	return links
}

// Expiring implements queue.Store.
func (s *Store) Expiring(ctx context.Context, until clock.Age, n int) (all []uint64, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		cur := tx.Bucket(indexName[expire]).Cursor()
		for key, _ := cur.First(); key != nil && getAge(key) <= until && len(all) < n; key, _ = cur.Next() {
			all = append(all, binary.BigEndian.Uint64(key[ageLen:]))
		}
		return nil
	})
	return all, err
}

// Setting implements queue.Store.
func (s *Store) Setting(ctx context.Context, name string) (val []byte, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		key := settingKey(name)
		if b := tx.Bucket(settingBucket).Get(key); b != nil {
			val, err = openSetting(key, b)
		}
		return err
	})
	return val, err
}

// Settings implements queue.Store.
func (s *Store) Settings(ctx context.Context, prefix string) (all map[string][]byte, err error) {
	all = map[string][]byte{}
	err = s.view(ctx, func(tx *bolt.Tx) error {
		start := settingKey(prefix)
		cur := tx.Bucket(settingBucket).Cursor()
		for key, b := cur.Seek(start); bytes.HasPrefix(key, start); key, b = cur.Next() {
			val, err := openSetting(key, b)
			if err != nil {
				return err
			}
			all[string(key[1:])] = val
		}
		return nil
	})
	return all, err
}

// openSetting returns a copy of a setting's value; it is never nil.
func openSetting(key, b []byte) ([]byte, error) {
	val, _, err := isSetting.unseal(key, b)
	if err != nil {
		return nil, fmt.Errorf("setting %q: %w", key[1:], err)
	}
	return append([]byte{}, val...), nil
}
