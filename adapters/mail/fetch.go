package mail

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync/atomic"
	"time"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapclient"
)

// The limits on what a server may make us read or remember.
const (
	roundMails = 50               // looked at in one round; the next one takes the rest
	roundBytes = 1 << 20          // of answers, beside the mails themselves
	againAfter = 5 * time.Minute  // a mail that could not be taken for now
	asideFor   = time.Hour        // a mail over which the conversation broke off twice
	mostAgain  = 1000             // such mails that are remembered one by one
	firstLogin = 5 * time.Second  // after a failure, doubled to lastLogin
	lastLogin  = 10 * time.Minute // providers lock out those who knock too often
)

// fetcher keeps one connection to the mailbox and takes over what is new there.
// A mail is marked as seen only after it is on disk or refused for good; one
// that was taken over and not marked, since the power failed in between, is a
// duplicate the next time. What is for none of our stations is left as it is.
//
// Some servers break off over a mail that they cannot read themselves. It is left
// aside for a while, so that it does not stand in front of all others for ever.
type fetcher struct {
	intake
	sides    *sides
	validity uint32 // of the folder's numbers: with another one they are of other mails
	stumbles map[imap.UID]stumble
	warned   string              // why no mail is fetched, as it was logged
	said     map[imap.UID]string // why a mail was left for later, as it was logged
	cleared  bool                // one was left aside, and those behind it need not wait
	looked   bool                // this connection was good for a look, at least
}

// stumble is what came of a mail over which the conversation broke off.
type stumble struct {
	times int
	until time.Time // it is left aside
}

// stumbled notes over which mail a conversation broke off; 0: over none. Once may
// have been the network.
func (f *fetcher) stumbled(uid imap.UID) {
	if uid == 0 {
		return
	}
	if f.stumbles == nil || len(f.stumbles) >= mostAgain {
		f.stumbles = make(map[imap.UID]stumble)
	}
	s := f.stumbles[uid]
	if s.times++; s.times > 1 {
		s.until, f.cleared = f.o.Now().Add(asideFor), true
		f.log.Warn("a mail in the mailbox is left aside: the server breaks off when it is read", "number", uid, "for", asideFor)
	}
	f.stumbles[uid] = s
}

func newFetcher(o Options, log *slog.Logger, s *sides) *fetcher {
	return &fetcher{intake: intake{o: o, log: log, host: s.Host}, sides: s}
}

// visit is one connection with the folder open. What it has looked at it knows
// by number: each connection looks at everything unseen once more.
type visit struct {
	*fetcher
	client *imapclient.Client
	line   *rationed
	heard  attentive
	news   chan struct{}

	found *imap.SearchData       // what is unseen, while there is more of it than a round takes
	next  imap.UID               // the first that was not looked at
	again map[imap.UID]time.Time // looked at, could not be taken, and when to try again
	anew  time.Time              // when to look at everything again, since again had no room; zero: it had
}

// run fetches until ctx ends.
func (f *fetcher) run(ctx context.Context) {
	hard, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(stopWait, cut) })()
	f.ctx = hard
	for wait := firstLogin; ctx.Err() == nil; wait = min(2*wait, lastLogin) {
		began := time.Now()
		f.looked = false
		err := f.visit(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > f.o.Mailbox.Every || f.cleared {
			wait = firstLogin // it worked for a while, or will now
		}
		f.cleared = false
		err = cleanError("mailbox "+f.o.Mailbox.Server, err)
		if f.looked { // some servers end each IDLE after seconds, and mail comes in all the same
			f.warned, wait = "", min(wait, f.o.Mailbox.Every)
			f.log.Debug("the connection to the mailbox ended", "err", err, "again", wait)
		} else {
			f.sides.fetching(err.Error(), f.o.Smarthost == "")
			f.warn(err, wait)
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
}

// warn logs why no mail is fetched, once for each reason until it is fetched again. The
// same with another number in it, such as a port, is no other reason.
func (f *fetcher) warn(err error, wait time.Duration) {
	reason := anyNumber().ReplaceAllString(err.Error(), "0")
	if reason != f.warned {
		f.log.Warn("mail is not fetched", "err", err, "again", wait)
		f.warned = reason
	}
}

var anyNumber = pattern(`[0-9]+`)

// visit is one connection from greeting to end. It ends with an error, or with ctx.
func (f *fetcher) visit(ctx context.Context) error {
	v := &visit{fetcher: f, news: make(chan struct{}, 1)}
	v.startOver()
	if err := v.open(ctx); err != nil {
		return err
	}
	defer v.client.Close()
	defer context.AfterFunc(ctx, func() { v.line.Close() })()
	return v.line.blame(v.stay(ctx))
}

// stay takes what is there and what comes, until something fails or ctx ends.
func (v *visit) stay(ctx context.Context) error {
	if err := v.enter(); err != nil {
		return err
	}
	v.sides.fetching("", v.o.Smarthost == "")
	for {
		more, err := v.round()
		v.looked = v.looked || err == nil
		if err == nil && !more {
			if err = v.rest(ctx); err == nil {
				err = v.enter()
			}
		}
		if err != nil {
			return err
		}
	}
}

// enter opens the folder, each time anew: one that was renamed stays open under its
// new name, and what comes to another in its place would never be seen.
func (v *visit) enter() error {
	v.line.allow(roundBytes)
	v.heard.readOnly.Store(false)
	folder, err := v.client.Select(v.o.Mailbox.Folder, nil).Wait()
	if err != nil {
		return fmt.Errorf("open the folder %s: %w", v.o.Mailbox.Folder, err)
	}
	if v.heard.readOnly.Load() {
		// Each connection would find the same mails again, and refuse the same.
		return fmt.Errorf("the folder %s can only be read by this user: its mails cannot be marked as seen, so none is taken; give the user the right to set flags", v.o.Mailbox.Folder)
	}
	if v.validity != folder.UIDValidity {
		v.validity, v.stumbles, v.said = folder.UIDValidity, nil, nil
		v.startOver()
	}
	return nil
}

// startOver looks at everything unseen, as a new connection does.
func (v *visit) startOver() {
	v.found, v.next, v.again, v.anew = nil, 1, make(map[imap.UID]time.Time), time.Time{}
}

// waits logs why a mail is left for later, when the reason is a new one: it may be tried
// every few minutes for days.
func (f *fetcher) waits(uid imap.UID, why string) {
	if f.said[uid] == why {
		return
	}
	if f.said == nil || len(f.said) >= mostAgain {
		f.said = make(map[imap.UID]string)
	}
	f.said[uid] = why
	f.log.Info("mail left for later", "why", why)
}

// leave leaves a mail that could not be taken for later.
func (v *visit) leave(uid imap.UID) {
	switch now := v.o.Now(); {
	case len(v.again) < mostAgain:
		v.again[uid] = now.Add(againAfter)
	case v.anew.IsZero():
		v.anew = now.Add(asideFor)
	}
}

// attentive hears that a folder can only be read, which the client does not tell: the
// server says so in its answer to SELECT (RFC 9051 section 7.1).
type attentive struct{ readOnly atomic.Bool }

func (a *attentive) Write(said []byte) (int, error) {
	if bytes.Contains(said, []byte("[READ-ONLY]")) {
		a.readOnly.Store(true)
	}
	return len(said), nil
}

// rest waits until there may be something new.
func (v *visit) rest(ctx context.Context) error {
	v.line.allow(roundBytes)
	caps := v.client.Caps()
	if !caps.Has(imap.CapIdle) && !caps.Has(imap.CapIMAP4rev2) {
		return v.wait(ctx)
	}
	idle, err := v.client.Idle()
	if err != nil {
		return fmt.Errorf("wait for mail (IDLE): %w", err)
	}
	gone := v.wait(ctx)
	v.line.allow(roundBytes)
	if err := idle.Close(); err != nil {
		return cmp.Or(gone, fmt.Errorf("end IDLE: %w", err))
	}
	return cmp.Or(gone, idle.Wait())
}

func (v *visit) wait(ctx context.Context) error {
	v.line.rest()
	soon := time.NewTimer(v.o.Mailbox.Every)
	defer soon.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-v.client.Closed():
		return errors.New("the server closed the connection")
	case <-v.news:
	case <-soon.C:
	}
	return nil
}

// open connects, secures and logs in, all within DialTimeout.
func (v *visit) open(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, v.o.DialTimeout)
	defer cancel()
	conn, err := v.o.Dial(ctx, "tcp", v.o.Mailbox.Server)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	v.line = &rationed{Conn: conn, patient: v.o.ReadTimeout}
	v.line.allow(roundBytes)
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	v.client, err = greetMailbox(v.line, v.o, &imapclient.Options{
		UnilateralDataHandler: &imapclient.UnilateralDataHandler{Mailbox: v.changed}, DebugWriter: &v.heard,
	})
	if err == nil {
		if err = v.client.Login(v.o.Mailbox.Username, v.o.Mailbox.Password).Wait(); err != nil {
			err = fmt.Errorf("log in: %w", err)
		}
	}
	if !stop() {
		err = fmt.Errorf("it did not answer within %v: %w", v.o.DialTimeout, ctx.Err())
	}
	if err != nil {
		v.line.Close()
		if v.client != nil {
			v.client.Close()
		}
	}
	return err
}

// changed hears that the folder has another number of mails.
func (v *visit) changed(*imapclient.UnilateralDataMailbox) {
	select {
	case v.news <- struct{}{}:
	default:
	}
}

// greetMailbox starts the session, and TLS where it is wanted.
func greetMailbox(conn net.Conn, o Options, options *imapclient.Options) (*imapclient.Client, error) {
	host, _, err := net.SplitHostPort(o.Mailbox.Server)
	if err != nil {
		return nil, err
	}
	conf := &tls.Config{ServerName: host, RootCAs: o.RootCAs, MinVersion: tls.VersionTLS12}
	options.TLSConfig = conf
	switch o.Mailbox.TLS {
	case StartTLS: // an error if the server does not offer it
		return imapclient.NewStartTLS(conn, options)
	case ImplicitTLS:
		conn = tls.Client(conn, conf)
	}
	c := imapclient.New(conn, options)
	return c, c.WaitGreeting()
}

// round takes what is new; more tells that there is still more.
func (v *visit) round() (more bool, err error) {
	if !v.anew.IsZero() && !v.o.Now().Before(v.anew) {
		v.startOver()
	}
	if v.found == nil { // else the last round left some of it
		if v.found, err = v.search(); err != nil {
			return false, err
		}
	}
	uids, more := v.unseen(v.found)
	if !more {
		v.found = nil
	}
	if len(uids) == 0 {
		return false, nil
	}
	v.line.allow(roundBytes)
	letters, err := v.addressed(uids)
	if err != nil {
		return false, err
	}
	for _, l := range letters {
		v.line.allow(v.o.MaxMessageBytes + roundBytes)
		if err := v.take(l); err != nil {
			v.stumbled(l.uid)
			return false, err
		}
	}
	return more, nil
}

// search asks for what nobody has seen. The answer names every mail: of a mailbox with
// ten thousand it is asked once, and not in each round.
func (v *visit) search() (*imap.SearchData, error) {
	v.line.allow(roundBytes)
	since := v.o.Now().Add(-v.o.Lifetime - 24*time.Hour) // IMAP knows days only; older mail has expired
	if !v.o.ClockTrusted() {
		since = time.Time{}
	}
	found, err := v.client.UIDSearch(&imap.SearchCriteria{NotFlag: []imap.Flag{imap.FlagSeen}, Since: since}, nil).Wait()
	if err != nil {
		return nil, fmt.Errorf("look for new mail: %w", err)
	}
	return found, nil
}

// unseen picks from what the server found the mails to look at now. It may name
// any range of numbers, so none is written out.
func (v *visit) unseen(found *imap.SearchData) (uids []imap.UID, more bool) {
	now := v.o.Now()
	for uid, when := range v.again {
		if len(uids) < roundMails && !now.Before(when) {
			uids = append(uids, uid)
			delete(v.again, uid)
		}
	}
	set, _ := found.All.(imap.UIDSet)
	slices.SortFunc(set, func(a, b imap.UIDRange) int { return cmp.Compare(a.Start, b.Start) })
	for _, r := range set {
		for uid := max(r.Start, v.next); uid <= r.Stop && uid != lastUID; uid++ {
			if len(uids) >= roundMails {
				return uids, true
			}
			v.next = uid + 1
			if until := v.stumbles[uid].until; now.Before(until) {
				v.again[uid] = until
				continue
			}
			uids = append(uids, uid)
		}
	}
	return uids, false
}

// lastUID is never looked at: nothing comes after it.
const lastUID = ^imap.UID(0)

// rationed is a connection from which only so much may be read until more is
// allowed, and in a time: a server's answers have no limit of their own, and the
// client waits for one without an end.
type rationed struct {
	net.Conn
	left    atomic.Int64
	patient time.Duration // with what was asked for, from one allow to the next
	late    atomic.Pointer[time.Timer]
	silent  atomic.Bool
}

var (
	errTooMuch = errors.New("the server sends more than it was asked for")
	errSilent  = errors.New("the server does not answer any more")
)

// blame names the reason for which a conversation broke off.
func (r *rationed) blame(err error) error {
	switch {
	case r.silent.Load():
		return errSilent
	case r.left.Load() <= 0:
		return errTooMuch
	}
	return err
}

// allow begins a step, in which n bytes may come.
func (r *rationed) allow(n int64) {
	r.rest()
	r.left.Store(n)
	r.late.Store(time.AfterFunc(r.patient, func() {
		r.silent.Store(true)
		r.Conn.Close()
	}))
}

// rest lets the server be silent until the next step.
func (r *rationed) rest() {
	if late := r.late.Load(); late != nil {
		late.Stop()
	}
}

func (r *rationed) Close() error {
	r.rest()
	return r.Conn.Close()
}

func (r *rationed) Read(p []byte) (int, error) {
	left := r.left.Load()
	if left <= 0 {
		return 0, errTooMuch
	}
	n, err := r.Conn.Read(p[:min(int64(len(p)), left)])
	r.left.Add(int64(-n))
	return n, err
}
