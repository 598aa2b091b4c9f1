package boltstore

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"

	"posthouse/queue"
)

// This file reads a bbolt file (format version 2) page by page, and trusts no byte of it.
// bbolt itself panics on a damaged page, partly in goroutines of its own where nobody can
// recover, and gets a signal if the file is shorter than it says. So a doubtful file is
// checked here before bbolt sees it, and what a damaged one still has is read here.
//
// Layout (all numbers little-endian on the machines that posthouse runs on):
//
//	page    id u64, flags u16, count u16, overflow u32, then elements
//	meta    magic u32, version u32, page size u32, flags u32, root bucket (page u64,
//	        sequence u64), freelist u64, pages in use u64, transaction u64, FNV-1a u64
//	branch  position u32 (from the element), key size u32, page u64
//	leaf    flags u32, position u32, key size u32, value size u32
//
// A leaf element with flag 1 is a bucket: page u64, sequence u64, and, if the page is 0,
// a whole small page after them.

const (
	pageHeader    = 16
	elementSize   = 16
	bucketHeader  = 16
	metaSize      = 64
	boltMagic     = 0xED0CDAED
	boltVersion   = 2
	branchPage    = 0x01
	leafPage      = 0x02
	bucketElement = 0x01
	noFreelist    = 1<<64 - 1

	maxDepth = 32 // of a tree; a deeper one has a loop
)

var le = binary.LittleEndian

// pages is a bbolt file that is read without bbolt.
type pages struct {
	io.ReaderAt
	path string
	size int64 // of the file
	page int64 // bytes of a page
	meta meta
	seen []bool // pages that a walk has visited
}

// meta is the content of a meta page.
type meta struct {
	root, freelist, used, txid uint64
	pageSize                   uint32
}

var (
	errBothMetas = errors.New("neither of its first two pages is valid")
	errTruncated = errors.New("it is shorter than it was")
)

// openPages reads the meta pages. After errBothMetas the pages can still be read one by
// one.
func openPages(f *os.File) (*pages, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("looking at %s: %w", f.Name(), err)
	}
	p := &pages{ReaderAt: f, path: f.Name(), size: info.Size(), page: int64(os.Getpagesize())}
	var best *meta
	for at := int64(0); at < 1<<17 && at < p.size; at = max(2*at, 1024) { // page 0, and page 1 for any size of page
		m, err := readMeta(f, at)
		if errors.Is(err, ErrNewer) {
			return nil, fmt.Errorf("%s: %w", p.path, err)
		}
		if err == nil && (at == 0 || at == int64(m.pageSize)) && (best == nil || m.txid > best.txid) {
			best = m
		}
	}
	if best == nil {
		p.seen = make([]bool, p.size/p.page)
		return p, errBothMetas
	}
	p.meta, p.page = *best, int64(best.pageSize)
	p.seen = make([]bool, max(p.size/p.page, 2))
	p.seen[0], p.seen[1] = true, true
	if uint64(p.size/p.page) < best.used {
		return p, errTruncated
	}
	return p, nil
}

func readMeta(r io.ReaderAt, at int64) (*meta, error) {
	b := make([]byte, pageHeader+metaSize)
	if _, err := r.ReadAt(b, at); err != nil {
		return nil, err
	}
	b = b[pageHeader:]
	sum := fnv.New64a()
	sum.Write(b[:metaSize-8])
	if le.Uint32(b) != boltMagic || sum.Sum64() != le.Uint64(b[metaSize-8:]) {
		return nil, errBothMetas
	}
	if v := le.Uint32(b[4:]); v != boltVersion {
		return nil, fmt.Errorf("%w (file format %d)", ErrNewer, v)
	}
	m := &meta{pageSize: le.Uint32(b[8:]), root: le.Uint64(b[16:]), freelist: le.Uint64(b[32:]), used: le.Uint64(b[40:]), txid: le.Uint64(b[48:])}
	if m.pageSize < 1024 || m.pageSize > 1<<16 {
		return nil, errBothMetas
	}
	return m, nil
}

// element is a key of a page with its value or page.
type element struct {
	key, val []byte
	page     uint64 // branch: the page below
	bucket   bool   // leaf: val is a bucket
}

// read reads a page with its overflow pages, and marks them as seen.
func (p *pages) read(id uint64) (flags uint16, all []element, err error) {
	if id < 2 || id >= uint64(p.size/p.page) {
		return 0, nil, damaged("page %d lies outside the file", id)
	}
	head := make([]byte, pageHeader)
	if _, err := p.ReadAt(head, int64(id)*p.page); err != nil {
		return 0, nil, damaged("page %d: %v", id, err)
	}
	over := int64(le.Uint32(head[12:]))
	if le.Uint64(head) != id || (int64(id)+over+1)*p.page > p.size {
		return 0, nil, damaged("page %d is something else", id)
	}
	b := make([]byte, (over+1)*p.page)
	if _, err := p.ReadAt(b, int64(id)*p.page); err != nil {
		return 0, nil, damaged("page %d: %v", id, err)
	}
	if flags, all, err = elements(b); err != nil {
		return 0, nil, damaged("page %d: %v", id, err)
	}
	for i := int64(id); i <= int64(id)+over; i++ {
		p.seen[i] = true
	}
	return flags, all, nil
}

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{queue.ErrDamaged}, args...)...)
}

// elements parses a page. Each element has to lie within it, and all in order; err is
// about the first that does not. The others are returned in any case.
func elements(b []byte) (flags uint16, all []element, err error) {
	flags = le.Uint16(b[8:])
	n := int(le.Uint16(b[10:]))
	if flags != branchPage && flags != leafPage || pageHeader+n*elementSize > len(b) {
		return 0, nil, errors.New("neither a branch nor a leaf")
	}
	all = make([]element, 0, n)
	for i := range n {
		e, ok := cutElement(flags, b[pageHeader+i*elementSize:])
		if !ok {
			err = cmp.Or(err, fmt.Errorf("element %d reaches outside", i))
			continue
		}
		if len(all) > 0 && bytes.Compare(all[len(all)-1].key, e.key) >= 0 {
			err = cmp.Or(err, fmt.Errorf("element %d is out of order", i))
		}
		all = append(all, e)
	}
	return flags, all, err
}

// cutElement reads the element whose header is at the beginning of b.
func cutElement(flags uint16, b []byte) (e element, ok bool) {
	var pos, keyLen, valLen uint64
	if flags == branchPage {
		pos, keyLen, e.page = uint64(le.Uint32(b)), uint64(le.Uint32(b[4:])), le.Uint64(b[8:])
	} else {
		e.bucket = le.Uint32(b)&bucketElement != 0
		pos, keyLen, valLen = uint64(le.Uint32(b[4:])), uint64(le.Uint32(b[8:])), uint64(le.Uint32(b[12:]))
	}
	if keyLen == 0 || pos+keyLen+valLen > uint64(len(b)) || e.bucket && valLen < bucketHeader {
		return e, false
	}
	e.key, e.val = b[pos:pos+keyLen], b[pos+keyLen:pos+keyLen+valLen]
	return e, true
}

// visit is called for each key of a walk, with the names of its buckets; the slices are
// valid during the call. lost is called for each part of the tree that cannot be read.
type visit struct {
	key  func(path [][]byte, e element)
	lost func(path [][]byte, err error)
}

// walk goes through the whole tree.
func (p *pages) walk(v visit) { p.walkPage(p.meta.root, nil, 0, span{}, v) }

// span is the range of a page's keys: from (inclusive) to (exclusive); nil: open. bbolt
// finds no key outside it.
type span struct{ from, to []byte }

func (s span) holds(all []element) bool {
	return len(all) == 0 || bytes.Compare(all[0].key, s.from) >= 0 &&
		(s.to == nil || bytes.Compare(all[len(all)-1].key, s.to) < 0)
}

func (p *pages) walkPage(id uint64, path [][]byte, depth int, keys span, v visit) {
	if depth > maxDepth || id < uint64(len(p.seen)) && p.seen[id] {
		v.lost(path, damaged("page %d comes twice", id))
		return
	}
	flags, all, err := p.read(id)
	if err == nil && !keys.holds(all) {
		err = damaged("page %d has keys of another", id)
		p.seen[id] = false // its records may be sound
	}
	if err != nil {
		v.lost(path, err)
		return
	}
	if flags == leafPage {
		p.walkLeaf(all, path, depth, v)
		return
	}
	for i, e := range all {
		inner := span{e.key, keys.to}
		if i+1 < len(all) {
			inner.to = all[i+1].key
		}
		p.walkPage(e.page, path, depth+1, inner, v)
	}
}

func (p *pages) walkLeaf(all []element, path [][]byte, depth int, v visit) {
	for _, e := range all {
		v.key(path, e)
		if !e.bucket {
			continue
		}
		inner := append(path[:len(path):len(path)], e.key)
		if root := le.Uint64(e.val); root != 0 {
			p.walkPage(root, inner, depth+1, span{}, v)
			continue
		}
		small, err := inline(e.val)
		if err != nil {
			v.lost(inner, err)
			continue
		}
		p.walkLeaf(small, inner, depth+1, v)
	}
}

// inline returns the elements of a small bucket that is stored in its value.
func inline(val []byte) ([]element, error) {
	if len(val) < bucketHeader+pageHeader {
		return nil, damaged("a small bucket is cut off")
	}
	flags, all, err := elements(val[bucketHeader:])
	if err != nil || flags != leafPage {
		return nil, damaged("a small bucket: %v", err)
	}
	return all, nil
}

// check walks the whole tree and returns the first damage.
func (p *pages) check() (err error) {
	p.walk(visit{
		key: func([][]byte, element) {},
		lost: func(path [][]byte, e error) {
			if err == nil {
				err = fmt.Errorf("%s: %w", bytes.Join(path, []byte("/")), e)
			}
		},
	})
	return err
}

// unseen calls f for what can be read on pages (and in small buckets on them) that no
// walk has visited: free pages with their old content, and live ones that are damaged or
// cannot be reached. Only what has a checksum can be trusted there.
func (p *pages) unseen(f func(e element)) {
	for id := range p.seen {
		if id < 2 || p.seen[id] {
			continue
		}
		for _, e := range p.readAnyway(int64(id)) {
			if !e.bucket {
				f(e)
				continue
			}
			if len(e.val) < bucketHeader+pageHeader || le.Uint64(e.val) != 0 {
				continue
			}
			_, small, _ := elements(e.val[bucketHeader:])
			for _, e := range small {
				f(e)
			}
		}
	}
}

// readAnyway returns the elements of a leaf page that may be damaged.
func (p *pages) readAnyway(id int64) []element {
	b := make([]byte, p.page)
	if _, err := p.ReadAt(b, id*p.page); err != nil {
		return nil
	}
	if all := (int64(le.Uint32(b[12:])) + 1) * p.page; all > p.page && id*p.page+all <= p.size && all <= maxPayload+2*p.page {
		b = make([]byte, all)
		if _, err := p.ReadAt(b, id*p.page); err != nil {
			return nil
		}
	}
	flags, all, _ := elements(b)
	if flags != leafPage {
		return nil
	}
	return all
}

// free marks the free pages as seen, by their list; false: there is no list, or it cannot
// be read.
func (p *pages) free() bool {
	id := p.meta.freelist
	if id == noFreelist || id < 2 || id >= uint64(p.size/p.page) {
		return false
	}
	head := make([]byte, pageHeader+8)
	if _, err := p.ReadAt(head, int64(id)*p.page); err != nil || le.Uint64(head) != id || le.Uint16(head[8:]) != 0x10 {
		return false
	}
	n, at := uint64(le.Uint16(head[10:])), int64(id)*p.page+pageHeader
	if n == 0xFFFF {
		n, at = le.Uint64(head[pageHeader:]), at+8
	}
	if n > uint64(len(p.seen)) {
		return false
	}
	ids := make([]byte, 8*n)
	if _, err := p.ReadAt(ids, at); err != nil {
		return false
	}
	for ; len(ids) > 0; ids = ids[8:] {
		if id := le.Uint64(ids); id < uint64(len(p.seen)) {
			p.seen[id] = true
		}
	}
	return true
}
