//go:build hub

package etcdstore

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	pb "go.etcd.io/etcd/api/v3/etcdserverpb"
	"go.etcd.io/etcd/api/v3/mvccpb"
	"go.etcd.io/etcd/api/v3/v3rpc/rpctypes"
	clientv3 "go.etcd.io/etcd/client/v3"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
)

// virtual is an etcd in memory, under virtual time: what a majority has agreed on, with
// all its history. Members, elections and files are none of its matters: to a process all
// of those are questions that are answered late, or not, and perhaps carried out.
type virtual struct {
	mu      sync.Mutex
	now     int64 // revision
	keys    map[string][]*mvccpb.KeyValue
	history []*mvccpb.Event
	leases  map[int64]*virtualLease
	granted int64
	changed chan struct{}     // closed at each revision
	broken  func(what string) // told of what no process may do
}

type virtualLease struct {
	ttl  time.Duration
	ends *time.Timer
	keys map[string]bool
}

func newVirtual(broken func(string)) *virtual {
	return &virtual{now: 1, keys: map[string][]*mvccpb.KeyValue{}, leases: map[int64]*virtualLease{}, changed: make(chan struct{}), broken: broken}
}

// get gives a key as it was at a revision; nil: it was not there.
func (v *virtual) get(key string, at int64) *mvccpb.KeyValue {
	versions := v.keys[key]
	for _, kv := range slices.Backward(versions) {
		if kv.ModRevision > at {
			continue
		}
		if kv.Version == 0 {
			return nil // deleted
		}
		return kv
	}
	return nil
}

func (v *virtual) within(key, end []byte) (names []string) {
	if len(end) == 0 {
		return []string{string(key)}
	}
	for name := range v.keys {
		if inRange([]byte(name), key, end) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func inRange(name, key, end []byte) bool {
	if len(end) == 0 {
		return bytes.Equal(name, key)
	}
	return bytes.Compare(name, key) >= 0 && (bytes.Equal(end, []byte{0}) || bytes.Compare(name, end) < 0)
}

func (v *virtual) header() *pb.ResponseHeader { return &pb.ResponseHeader{Revision: v.now} }

func (v *virtual) read(r *pb.RangeRequest) *pb.RangeResponse {
	at := r.Revision
	if at == 0 {
		at = v.now
	}
	out := &pb.RangeResponse{Header: v.header()}
	for _, name := range v.within(r.Key, r.RangeEnd) {
		kv := v.get(name, at)
		switch {
		case kv == nil:
		case r.Limit > 0 && int64(len(out.Kvs)) == r.Limit:
			out.More = true
			return out
		default:
			out.Kvs = append(out.Kvs, kv)
		}
	}
	return out
}

func (v *virtual) put(key string, value []byte, lease, revision int64) {
	kv := &mvccpb.KeyValue{Key: []byte(key), Value: bytes.Clone(value), CreateRevision: revision, ModRevision: revision, Version: 1, Lease: lease}
	if old := v.get(key, v.now); old != nil {
		kv.CreateRevision, kv.Version = old.CreateRevision, old.Version+1
		if l := v.leases[old.Lease]; l != nil {
			delete(l.keys, key)
		}
	}
	if l := v.leases[lease]; l != nil {
		l.keys[key] = true
	}
	v.keys[key] = append(v.keys[key], kv)
	v.history = append(v.history, &mvccpb.Event{Type: mvccpb.Event_PUT, Kv: kv})
}

func (v *virtual) remove(key string, revision int64) {
	old := v.get(key, v.now)
	if old == nil {
		return
	}
	if l := v.leases[old.Lease]; l != nil {
		delete(l.keys, key)
	}
	kv := &mvccpb.KeyValue{Key: []byte(key), ModRevision: revision}
	v.keys[key] = append(v.keys[key], kv)
	v.history = append(v.history, &mvccpb.Event{Type: mvccpb.Event_DELETE, Kv: kv})
}

// moved ends a revision, if it changed anything.
func (v *virtual) moved(revision int64) {
	if len(v.history) == 0 || v.history[len(v.history)-1].Kv.ModRevision != revision {
		return
	}
	v.now = revision
	close(v.changed)
	v.changed = make(chan struct{})
}

// holds tells whether a comparison does, as etcd's applier has it.
func (v *virtual) holds(c *pb.Compare) bool {
	kv := v.get(string(c.Key), v.now)
	if kv == nil {
		if c.Target == pb.Compare_VALUE {
			return false // there is nothing to compare
		}
		kv = &mvccpb.KeyValue{}
	}
	var cmp int
	switch c.Target {
	case pb.Compare_VALUE:
		cmp = bytes.Compare(kv.Value, c.GetValue())
	case pb.Compare_CREATE:
		cmp = int(kv.CreateRevision - c.GetCreateRevision())
	case pb.Compare_MOD:
		cmp = int(kv.ModRevision - c.GetModRevision())
	default:
		panic(fmt.Sprint("nobody compares ", c.Target))
	}
	switch c.Result {
	case pb.Compare_EQUAL:
		return cmp == 0
	case pb.Compare_LESS:
		return cmp < 0
	case pb.Compare_GREATER:
		return cmp > 0
	}
	return cmp != 0
}

func (v *virtual) txn(r *pb.TxnRequest) (*pb.TxnResponse, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, op := range slices.Concat(r.Success, r.Failure) {
		if p := op.GetRequestPut(); p != nil && p.Lease != 0 && v.leases[p.Lease] == nil {
			return nil, status.Convert(rpctypes.ErrGRPCLeaseNotFound).Err()
		}
	}
	v.watchFence(r)
	revision := v.now + 1
	out := v.carryOut(r, revision)
	v.moved(revision)
	out.Header = v.header()
	return out, nil
}

func (v *virtual) carryOut(r *pb.TxnRequest, revision int64) *pb.TxnResponse {
	out := &pb.TxnResponse{Succeeded: !slices.ContainsFunc(r.Compare, func(c *pb.Compare) bool { return !v.holds(c) })}
	ops := r.Failure
	if out.Succeeded {
		ops = r.Success
	}
	for _, op := range ops {
		answer := &pb.ResponseOp{}
		switch {
		case op.GetRequestRange() != nil:
			answer.Response = &pb.ResponseOp_ResponseRange{ResponseRange: v.read(op.GetRequestRange())}
		case op.GetRequestPut() != nil:
			p := op.GetRequestPut()
			v.put(string(p.Key), p.Value, p.Lease, revision)
			answer.Response = &pb.ResponseOp_ResponsePut{ResponsePut: &pb.PutResponse{}}
		case op.GetRequestDeleteRange() != nil:
			d := op.GetRequestDeleteRange()
			for _, name := range v.within(d.Key, d.RangeEnd) {
				v.remove(name, revision)
			}
			answer.Response = &pb.ResponseOp_ResponseDeleteRange{ResponseDeleteRange: &pb.DeleteRangeResponse{}}
		case op.GetRequestTxn() != nil:
			answer.Response = &pb.ResponseOp_ResponseTxn{ResponseTxn: v.carryOut(op.GetRequestTxn(), revision)}
		}
		out.Responses = append(out.Responses, answer)
	}
	return out
}

// watchFence complains of a process that changes records or settings and whose lease has
// ended: nobody may write who was taken for dead.
func (v *virtual) watchFence(r *pb.TxnRequest) {
	if slices.ContainsFunc(r.Compare, func(c *pb.Compare) bool { return !v.holds(c) }) {
		return
	}
	changes, process := false, ""
	for _, op := range r.Success {
		p := op.GetRequestPut()
		if p == nil {
			continue
		}
		switch kind, rest := (keys{"posthouse/1/" + virtualName + "/"}).cut(p.Key); kind {
		case "r", "s":
			changes = true
		case "t":
			process = rest
		}
	}
	if changes && process != "" && v.get(keys{"posthouse/1/" + virtualName + "/"}.life(process), v.now) == nil {
		v.broken("a process wrote after its lease had ended")
	}
}

const virtualName = "N0QRA-10"

func (v *virtual) grant(seconds int64) *pb.LeaseGrantResponse {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.granted++
	id, ttl := v.granted, time.Duration(seconds)*time.Second
	v.leases[id] = &virtualLease{ttl: ttl, keys: map[string]bool{}, ends: time.AfterFunc(ttl, func() { v.revoke(id) })}
	return &pb.LeaseGrantResponse{Header: v.header(), ID: id, TTL: seconds}
}

// revoke ends a lease with all that hangs on it; false: there is none.
func (v *virtual) revoke(id int64) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	l := v.leases[id]
	if l == nil {
		return false
	}
	l.ends.Stop()
	revision := v.now + 1
	for _, key := range slices.Sorted(maps.Keys(l.keys)) {
		v.remove(key, revision)
	}
	delete(v.leases, id)
	v.moved(revision)
	return true
}

func (v *virtual) keepAlive(id int64) *pb.LeaseKeepAliveResponse {
	v.mu.Lock()
	defer v.mu.Unlock()
	out := &pb.LeaseKeepAliveResponse{Header: v.header(), ID: id}
	if l := v.leases[id]; l != nil {
		l.ends.Reset(l.ttl)
		out.TTL = int64(l.ttl / time.Second)
	}
	return out
}

// since gives what has changed in a range from a revision on, whole revisions only, and
// what is closed with the next.
func (v *virtual) since(from int64, key, end []byte) (events []*clientv3.Event, now int64, changed <-chan struct{}) {
	v.mu.Lock()
	defer v.mu.Unlock()
	i, _ := slices.BinarySearchFunc(v.history, from, func(e *mvccpb.Event, r int64) int { return int(e.Kv.ModRevision - r) })
	for _, e := range v.history[i:] {
		if inRange(e.Kv.Key, key, end) {
			events = append(events, (*clientv3.Event)(e))
		}
	}
	return events, v.now, v.changed
}

// stop ends what runs by itself.
func (v *virtual) stop() {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, l := range v.leases {
		l.ends.Stop()
	}
}

// path is one process's way to etcd, as long as that process lives.
type path interface {
	// ask has something carried out there. After an error of ctx it may have been, or
	// may yet be.
	ask(ctx context.Context, carryOut func()) error
	// lag is how long something takes from there to be seen.
	lag(ctx context.Context) error
}

// client makes a client of etcd's own that goes by a path.
func (v *virtual) client(p path) *clientv3.Client {
	c := clientv3.NewCtxClient(context.Background())
	c.KV = clientv3.NewKVFromKVClient(virtualKV{v: v, p: p}, c)
	c.Lease = clientv3.NewLeaseFromLeaseClient(virtualLeases{v: v, p: p}, c, 10*time.Second)
	c.Watcher = virtualWatch{v: v, p: p}
	c.Maintenance = roomy{}
	return c
}

type virtualKV struct {
	pb.KVClient
	v *virtual
	p path
}

func (k virtualKV) Range(ctx context.Context, r *pb.RangeRequest, _ ...grpc.CallOption) (*pb.RangeResponse, error) {
	answer := make(chan *pb.RangeResponse, 1)
	err := k.p.ask(ctx, func() {
		k.v.mu.Lock()
		defer k.v.mu.Unlock()
		answer <- k.v.read(r)
	})
	if err != nil {
		return nil, err
	}
	return <-answer, nil
}

func (k virtualKV) Txn(ctx context.Context, r *pb.TxnRequest, _ ...grpc.CallOption) (*pb.TxnResponse, error) {
	answer := make(chan func() (*pb.TxnResponse, error), 1)
	err := k.p.ask(ctx, func() {
		out, err := k.v.txn(r)
		answer <- func() (*pb.TxnResponse, error) { return out, err }
	})
	if err != nil {
		return nil, err
	}
	return (<-answer)()
}

type virtualLeases struct {
	pb.LeaseClient
	v *virtual
	p path
}

func (l virtualLeases) LeaseGrant(ctx context.Context, r *pb.LeaseGrantRequest, _ ...grpc.CallOption) (out *pb.LeaseGrantResponse, err error) {
	answer := make(chan *pb.LeaseGrantResponse, 1)
	if err := l.p.ask(ctx, func() { answer <- l.v.grant(r.TTL) }); err != nil {
		return nil, err
	}
	return <-answer, nil
}

func (l virtualLeases) LeaseRevoke(ctx context.Context, r *pb.LeaseRevokeRequest, _ ...grpc.CallOption) (*pb.LeaseRevokeResponse, error) {
	answer := make(chan bool, 1)
	if err := l.p.ask(ctx, func() { answer <- l.v.revoke(r.ID) }); err != nil {
		return nil, err
	}
	if !<-answer {
		return nil, rpctypes.ErrGRPCLeaseNotFound
	}
	return &pb.LeaseRevokeResponse{}, nil
}

func (l virtualLeases) LeaseKeepAlive(ctx context.Context, _ ...grpc.CallOption) (grpc.BidiStreamingClient[pb.LeaseKeepAliveRequest, pb.LeaseKeepAliveResponse], error) {
	return &aliveStream{ctx: ctx, l: l}, nil
}

// aliveStream carries one sign of life.
type aliveStream struct {
	grpc.ClientStream
	ctx context.Context
	l   virtualLeases
	id  int64
}

func (s *aliveStream) Send(r *pb.LeaseKeepAliveRequest) error { s.id = r.ID; return nil }
func (s *aliveStream) CloseSend() error                       { return nil }

func (s *aliveStream) Recv() (*pb.LeaseKeepAliveResponse, error) {
	answer := make(chan *pb.LeaseKeepAliveResponse, 1)
	if err := s.l.p.ask(s.ctx, func() { answer <- s.l.v.keepAlive(s.id) }); err != nil {
		return nil, err
	}
	return <-answer, nil
}

// roomy has all the room there is.
type roomy struct{ clientv3.Maintenance }

func (roomy) Status(context.Context, string) (*clientv3.StatusResponse, error) {
	return &clientv3.StatusResponse{}, nil
}

// virtualWatch stands for etcd's own watcher, which waits for a channel from outside of
// the bubble in which time is virtual.
type virtualWatch struct {
	v *virtual
	p path
}

func (w virtualWatch) RequestProgress(context.Context) error { return nil }
func (w virtualWatch) Close() error                          { return nil }

// Watch shows changes, each revision whole and in order.
func (w virtualWatch) Watch(ctx context.Context, key string, options ...clientv3.OpOption) clientv3.WatchChan {
	op, out := clientv3.OpGet(key, options...), make(chan clientv3.WatchResponse)
	go func() {
		defer close(out)
		for from := op.Rev(); ; {
			events, now, changed := w.v.since(from, op.KeyBytes(), op.RangeBytes())
			if len(events) > 0 {
				if w.p.lag(ctx) != nil {
					return
				}
				select {
				case out <- clientv3.WatchResponse{Header: &pb.ResponseHeader{Revision: now}, Events: events}:
				case <-ctx.Done():
					return
				}
			}
			from = now + 1
			select {
			case <-changed:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}
