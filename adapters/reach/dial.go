// Package reach connects to a host of which some addresses may be dead. Go's own dialer
// tries one after the other and gives each a part of the time, so behind enough dead ones
// the last is never tried, and never at the next call either.
package reach

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"
)

const (
	// stagger is the time until the next address is tried beside those that have not
	// answered. RFC 8305 section 5 recommends 250 ms, and at most 2 s: networks by radio
	// are slow, and each try costs them something.
	stagger = time.Second
	// most is how many addresses are tried: DNS may name any number.
	most = 16
)

// Dial connects by TCP to the first of a host's addresses that answers, until ctx ends.
func Dial(ctx context.Context, network, address string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	found, err := net.DefaultResolver.LookupNetIP(ctx, "ip", host)
	if err != nil {
		return nil, err
	}
	var all []string
	for _, ip := range found[:min(len(found), most)] {
		all = append(all, net.JoinHostPort(ip.Unmap().String(), port))
	}
	return race(ctx, network, all, dialer.DialContext)
}

// dialer makes connections that end within vanishedIn once the other side has vanished
// without a word, whatever they wait for. Without that, what was written is repeated to
// nobody for a quarter of an hour, and an answer that may take long is awaited for as long.
var dialer = net.Dialer{
	KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: vanishedIn / 4, Interval: vanishedIn / 4, Count: 3},
	Control:         endWhenVanished,
}

// vanishedIn is longer than other things that radio and mobile networks suffer from. A
// broker's session is given up after 40 s, so it is not shorter.
const vanishedIn = time.Minute

type dial func(ctx context.Context, network, address string) (net.Conn, error)

// result is what became of one try.
type result struct {
	conn net.Conn
	err  error
}

// race tries the addresses in order, each once those before have failed or had their time,
// and returns the first connection. It ends when all that it has begun has ended.
func race(ctx context.Context, network string, addresses []string, dial dial) (conn net.Conn, err error) {
	ctx, cancel := context.WithCancel(ctx)
	results, open := make(chan result), 0
	defer func() {
		cancel()
		for ; open > 0; open-- {
			if late := <-results; late.conn != nil {
				late.conn.Close()
			}
		}
	}()
	next := time.NewTimer(0)
	defer next.Stop()
	var failed []error
	for tried := 0; len(failed) < len(addresses); {
		select {
		case <-next.C:
			if tried < len(addresses) {
				address := addresses[tried]
				go func() {
					conn, err := dial(ctx, network, address)
					results <- result{conn, err}
				}()
				tried, open = tried+1, open+1
				next.Reset(stagger)
			}
		case r := <-results:
			open--
			if r.err == nil {
				return r.conn, nil
			}
			failed = append(failed, r.err)
			next.Reset(0)
		}
	}
	return nil, noneOf(failed)
}

// noneOf is the error of all addresses: the first says why, for a person.
func noneOf(failed []error) error {
	switch len(failed) {
	case 0:
		return errors.New("it has no address")
	case 1:
		return failed[0]
	}
	return fmt.Errorf("none of %d addresses answers: %w", len(failed), failed[0])
}
