//go:build hub

package etcdstore

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"go.etcd.io/etcd/api/v3/v3rpc/rpctypes"
	clientv3 "go.etcd.io/etcd/client/v3"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
	"posthouse/queue/line"
)

// Options say which queue is opened, and where. The first three are needed.
type Options struct {
	Endpoints []string // host:port of etcd's members
	Name      string   // of the gateway: processes that give the same one share a queue
	Dir       string   // the process's own folder: its id, and the mirror

	// Timeout is how long one question to etcd may take; 0 stands for 4 s.
	Timeout time.Duration
	// TTL is how long after its last sign of life a process is taken for dead;
	// 0 stands for 10 s. etcd takes whole seconds.
	TTL time.Duration
	// Works has this process take part in the work (queue.Share). When its lease runs
	// out it has lost that for good: see Lost. Without it the process only reads and
	// writes, and joins anew.
	Works bool

	// OnCommit is told how long each commit took; nil for nobody.
	OnCommit func(time.Duration)
	// Log is where trouble is reported; nil for nowhere.
	Log *slog.Logger

	client func() *clientv3.Client // of a test's own etcd; nil: that of Endpoints
}

func (o Options) withDefaults() Options {
	if o.Timeout == 0 {
		o.Timeout = 4 * time.Second
	}
	if o.TTL == 0 {
		o.TTL = 10 * time.Second
	}
	if o.OnCommit == nil {
		o.OnCommit = func(time.Duration) {}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// Store is a queue.Store in an etcd cluster.
type Store struct {
	opts     Options
	log      *slog.Logger
	keys     keys
	process  string // this process among those of the gateway
	client   *clientv3.Client
	mirror   *boltstore.Store
	follower *follower
	session  *session
	owned    *owned
	news     *news
	leases   *leases
	room     room

	line    *line.Line[*call]
	turn    turn          // the committer's own
	stopped chan struct{} // closed when the committer has ended

	life       context.Context // ends when Close has waited long enough
	end        context.CancelFunc
	background sync.WaitGroup

	mu         sync.Mutex
	closing    bool
	closeErr   error
	commits    int64
	lastCommit time.Duration
	complained time.Time
}

var _ queue.Store = (*Store)(nil)

// Open joins the queue of a gateway, or makes it. It fails when etcd does not
// answer, and when another process works in the same folder.
func Open(ctx context.Context, o Options) (s *Store, err error) {
	o = o.withDefaults()
	s = &Store{opts: o, log: o.Log, keys: keys{"posthouse/1/" + o.Name + "/"}, stopped: make(chan struct{})}
	s.line = line.New[*call](line.LazyWait, line.LazyMany)
	s.life, s.end = context.WithCancel(context.Background())
	opened := s // a return of nil takes s away
	defer func() {
		if err != nil {
			err = errors.Join(err, opened.giveUp())
		}
	}()
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("making the folder of the queue's mirror: %w", err)
	}
	if s.mirror, err = boltstore.OpenMirror(filepath.Join(o.Dir, "mirror.db"), boltstore.Options{Log: o.Log}); err != nil {
		return nil, err
	}
	if s.process, err = processID(filepath.Join(o.Dir, "process.id")); err != nil {
		return nil, err
	}
	if s.client, err = dial(o); err != nil {
		return nil, err
	}
	s.leases = &leases{client: s.client, granted: map[int]lease{}}
	s.follower = newFollower(s)
	s.session, s.owned, s.news = newSession(s), newOwned(s), newNews()
	if err := s.join(ctx); err != nil { // first: from when a process lives it is given its part
		return nil, opening(err)
	}
	if err := s.session.register(ctx); err != nil {
		return nil, opening(err)
	}
	s.start()
	return s, nil
}

// opening says of an error of etcd whether it may go by itself.
func opening(err error) error {
	code := status.Code(err)
	if e, ok := errors.AsType[rpctypes.EtcdError](err); ok {
		code = e.Code()
	}
	if code == codes.Unavailable || code == codes.DeadlineExceeded || errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%w: %w", queue.ErrAway, err)
	}
	return err
}

// processID reads the process's name among the others, and makes it at the first
// start: it stays the same, so that a later start goes on where this one ended.
func processID(path string) (string, error) {
	b, err := os.ReadFile(path)
	if id := strings.TrimSpace(string(b)); err == nil && id != "" {
		return id, nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", fmt.Errorf("reading the name of this process: %w", err)
	}
	raw := make([]byte, 8)
	rand.Read(raw) // never fails (crypto/rand)
	id := hex.EncodeToString(raw)
	if err := os.WriteFile(path, []byte(id+"\n"), 0o600); err != nil {
		return "", fmt.Errorf("writing the name of this process: %w", err)
	}
	return id, nil
}

// redial is how long a member that does not answer is left alone. gRPC's own two
// minutes would keep a hub away long after etcd is back.
var redial = backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 2 * time.Second}

// dial makes the client; it connects when it is used.
func dial(o Options) (*clientv3.Client, error) {
	if o.client != nil {
		return o.client(), nil
	}
	client, err := clientv3.New(clientv3.Config{
		Endpoints: o.Endpoints, DialTimeout: o.Timeout, Logger: zap.NewNop(),
		DialKeepAliveTime: 5 * time.Second, DialKeepAliveTimeout: 3 * time.Second, // a member behind a cut wire is left for another
		DialOptions: []grpc.DialOption{grpc.WithConnectParams(grpc.ConnectParams{Backoff: redial, MinConnectTimeout: o.Timeout})},
	})
	if err != nil {
		return nil, fmt.Errorf("etcd at %s: %w", strings.Join(o.Endpoints, ", "), err)
	}
	return client, nil
}

// join finds out where this process ended last, and fills the mirror.
func (s *Store) join(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, joinFor)
	defer cancel()
	turn, err := s.lastTurn() // soon tells that nobody answers
	if err != nil {
		return s.explain(err)
	}
	s.turn = turn
	return s.follower.fill(ctx)
}

// joinFor is how long a start may take: a million records are filled in within it.
const joinFor = 5 * time.Minute

func (s *Store) start() {
	go s.commitLoop()
	s.background.Go(func() { s.follower.run(s.life) })
	s.background.Go(func() { s.session.run(s.life) })
	if s.opts.Works {
		s.background.Go(func() { s.session.guard(s.life) })
		first := make(chan struct{})
		s.background.Go(func() { s.owned.run(s.life, first) })
		<-first // who is alone leads from the start
	}
	s.background.Go(func() { s.watchRoom(s.life) })
}

// giveUp closes what a failed Open had opened.
func (s *Store) giveUp() (err error) {
	s.end()
	if s.client != nil {
		err = s.client.Close()
	}
	if s.mirror != nil {
		err = errors.Join(err, s.mirror.Close())
	}
	return err
}

// Apply implements queue.Store.
func (s *Store) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if len(ops) == 0 {
		return nil, ctx.Err()
	}
	var steps []*step
	lazy, last := true, make([]*step, len(ops)) // last: of each op
	for i, op := range ops {
		for _, part := range apart(op) {
			st, err := prepare(part)
			if err != nil {
				return nil, err
			}
			steps, last[i] = append(steps, st), st
		}
		lazy = lazy && op.Lazy
	}
	if err := s.admit(ctx, ops); err != nil {
		return nil, err
	}
	if err := s.do(ctx, newCall(lazy, steps...)); err != nil {
		return nil, err
	}
	done := make([]queue.Done, len(ops))
	if lazy {
		return done, nil
	}
	for i, st := range last {
		done[i] = st.answer()
	}
	return done, nil
}

// Purge implements queue.Store. Identities go by themselves when their time is
// over, by etcd's leases.
func (s *Store) Purge(ctx context.Context, before, identitiesBefore clock.Age, n int) (int, error) {
	old, err := s.mirror.Finished(ctx, before, min(n, maxKeys))
	if err != nil {
		return 0, err
	}
	if _, err := s.mirror.Purge(ctx, -1<<62, identitiesBefore, 0); err != nil {
		return 0, err
	}
	if len(old) == 0 {
		return 0, nil
	}
	st := &step{purge: old}
	if err := s.do(ctx, newCall(false, st)); err != nil {
		return 0, err
	}
	return st.gone, nil
}

// Get implements queue.Store. A record that the mirror has not is asked for in etcd.
func (s *Store) Get(ctx context.Context, seq uint64) (*queue.Record, error) {
	r, err := s.mirror.Get(ctx, seq)
	if !errors.Is(err, queue.ErrNotFound) {
		return r, err
	}
	ctx, cancel := s.patient(ctx)
	defer cancel()
	d, err := s.read(ctx, seq)
	switch {
	case err != nil:
		return nil, err
	case d.damaged:
		return nil, fmt.Errorf("record %d: %w", seq, queue.ErrDamaged)
	case d.record == nil:
		return nil, fmt.Errorf("record %d: %w", seq, queue.ErrNotFound)
	}
	return d.record, nil
}

// patient bounds how long a caller waits for an answer of etcd, as do does for writes.
func (s *Store) patient(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	stop := context.AfterFunc(s.session.part, cancel)
	return ctx, func() { stop(); cancel() }
}

// Fresh implements queue.Store.
func (s *Store) Fresh(ctx context.Context, r *queue.Record) (*queue.Record, error) {
	fresh, err := s.mirror.Fresh(ctx, r)
	if errors.Is(err, queue.ErrNotFound) {
		return s.Get(ctx, r.Seq)
	}
	return fresh, err
}

// The mirror answers the rest.

func (s *Store) Known(ctx context.Context, id queue.Identity, since clock.Age) (uint64, bool, error) {
	return s.mirror.Known(ctx, id, since)
}

func (s *Store) Heads(ctx context.Context, link string, p message.Precedence, now clock.Age, after uint64, n int) ([]queue.Item, error) {
	return s.mirror.Heads(ctx, link, p, now, after, n)
}

func (s *Store) Behind(ctx context.Context, lane queue.Lane, after uint64, n int) ([]queue.Item, error) {
	return s.mirror.Behind(ctx, lane, after, n)
}

func (s *Store) Due(ctx context.Context, link string, until clock.Age, n int) ([]queue.Item, error) {
	return s.mirror.Due(ctx, link, until, n)
}

func (s *Store) NextDue(ctx context.Context, link string) (clock.Age, bool, error) {
	return s.mirror.NextDue(ctx, link)
}

func (s *Store) Held(ctx context.Context, call string, n int) ([]queue.Item, error) {
	return s.mirror.Held(ctx, call, n)
}

func (s *Store) Sought(ctx context.Context, n int) ([]string, error) { return s.mirror.Sought(ctx, n) }

func (s *Store) Frame(ctx context.Context, link, to, id string) (queue.Item, int, error) {
	return s.mirror.Frame(ctx, link, to, id)
}

func (s *Store) List(ctx context.Context, openOnly bool, after uint64, n int) ([]*queue.Record, error) {
	return s.mirror.List(ctx, openOnly, after, n)
}

func (s *Store) Expiring(ctx context.Context, until clock.Age, n int) ([]uint64, error) {
	return s.mirror.Expiring(ctx, until, n)
}

func (s *Store) Setting(ctx context.Context, key string) ([]byte, error) {
	return s.mirror.Setting(ctx, key)
}

func (s *Store) Settings(ctx context.Context, prefix string) (map[string][]byte, error) {
	return s.mirror.Settings(ctx, prefix)
}

// Watch implements queue.Store: it tells of what other processes write, too.
func (s *Store) Watch() <-chan string { return s.mirror.Watch() }

// Verify checks the mirror's indexes, for tests and for doubt.
func (s *Store) Verify(ctx context.Context) error { return s.mirror.Verify(ctx) }

// Backup writes a copy of the mirror: a file as boltstore keeps it, of all
// records and settings as they were at one revision of etcd.
func (s *Store) Backup(w io.Writer) error { return s.mirror.Backup(w) }

// Stats implements queue.Store.
func (s *Store) Stats() queue.Stats {
	st := s.mirror.Stats()
	if n := s.room.bytes.Load(); n > 0 {
		st.Bytes = n // of the fullest member
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	st.Commits, st.LastCommit = s.commits, s.lastCommit
	return st
}

// Lost is closed when a process that works has lost its part: others may have it by
// now. Nothing can be written from then on.
func (s *Store) Lost() <-chan struct{} { return s.session.part.Done() }

// Healthy tells why the store cannot do its work any more; nil while it can.
func (s *Store) Healthy() error {
	if s.session.part.Err() != nil {
		return errFenced
	}
	return s.mirror.Healthy()
}

// Room tells how much room there is: on the disk of the mirror, and in etcd where
// its members tell their quota.
func (s *Store) Room() (queue.Room, bool) {
	r, ok := s.mirror.Room()
	if quota := s.room.quota.Load(); quota > 0 {
		r.Used, r.Most = s.room.bytes.Load(), quota-quota*reserve/100
		r.Full = r.Used >= r.Most
	}
	return r, ok
}

func (s *Store) where() string { return strings.Join(s.opts.Endpoints, ", ") }

// complainAgain is how often the log says that nothing can be written.
const complainAgain = time.Minute

func (s *Store) complain(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Since(s.complained) > complainAgain {
		s.complained = time.Now()
		s.log.Error("writing the queue failed, trying again", "err", s.explain(err))
	}
}

// took notes what became of a commit.
func (s *Store) took(d time.Duration, err error) {
	if err != nil {
		s.complain(err)
		return
	}
	s.opts.OnCommit(d)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.commits++
	s.lastCommit = d
	if !s.complained.IsZero() {
		s.complained = time.Time{}
		s.log.Info("writing the queue works again")
	}
}

func (s *Store) lost(ops int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closeErr = fmt.Errorf("%d changes could not be written before the end: %w", ops, err)
}

// lastWords is how long Close tries to write what waits.
const lastWords = 10 * time.Second

// Close writes what waits, gives up what this process holds, and ends all that
// the store runs.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closing {
		s.mu.Unlock()
		<-s.stopped
		return nil
	}
	s.closing = true
	s.mu.Unlock()
	s.line.Close()
	enough := time.AfterFunc(lastWords, s.end)
	lost := errors.Is(s.Healthy(), errFenced)
	if lost {
		s.end() // nothing can be written any more
	}
	<-s.stopped
	enough.Stop()
	if !lost {
		s.session.leave()
	}
	s.end()
	s.background.Wait()
	return errors.Join(s.closeErr, s.client.Close(), s.mirror.Close())
}
