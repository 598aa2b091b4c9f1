package adaptertest

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/link"
)

func propertiesAreSane(r *rig) {
	p := r.link.Properties()
	if p.Batch < 1 || p.Parallel < 1 {
		r.Errorf("Batch is %d and Parallel %d, want at least 1", p.Batch, p.Parallel)
	}
	if p.Acks && p.AckWait <= 0 {
		r.Errorf("texts are acknowledged, but the wait for it is %v", p.AckWait)
	}
	if p.Acks && p.Final {
		r.Error("a taken frame cannot have arrived (Final) and wait for its receipt (Acks)")
	}
	r.run()
	if later := r.link.Properties(); !reflect.DeepEqual(later, p) {
		r.Errorf("properties changed from %+v to %+v", p, later)
	}
}

func oneResultAFrame(r *rig) {
	r.run()
	r.results(r.link.Send(r.ctx, nil), 0)
	frames := make([]link.Frame, min(r.link.Properties().Batch, 5))
	for i := range frames {
		frames[i] = r.frame(fmt.Sprintf("frame %d", i))
	}
	for i, err := range r.results(r.link.Send(r.ctx, frames), len(frames)) {
		if err != nil {
			r.Errorf("frame %d: %v", i, err)
		}
	}
	for _, f := range frames {
		r.hears(f.Text)
	}
}

func sendsAtOnce(r *rig) {
	r.run()
	var want, got []string
	var calls sync.WaitGroup
	for i := range min(r.link.Properties().Parallel, 8) {
		f := r.frame(fmt.Sprintf("at once %d", i))
		want = append(want, f.Text)
		calls.Go(func() {
			if err := r.link.Send(r.ctx, []link.Frame{f})[0]; err != nil {
				r.Errorf("%s: %v", f.Text, err)
			}
		})
	}
	for range want {
		select {
		case text := <-r.peer.Heard:
			got = append(got, text)
		case <-time.After(r.wait):
			r.Errorf("the far side got only %d of %d frames", len(got), len(want))
		}
	}
	calls.Wait()
	slices.Sort(got)
	if !slices.Equal(got, want) {
		r.Errorf("the far side got %q, want %q", got, want)
	}
}

func downBeforeRun(r *rig) {
	if err := r.send("too early"); !errors.Is(err, link.ErrDown) {
		r.Errorf("Send before Run: %v, want link.ErrDown", err)
	}
	r.hearsNothing()
}

var shortWord = regexp.MustCompile(`^[a-z][a-z-]{1,30}$`)

func permanentStaysPermanent(r *rig) {
	r.need(r.peer.Refuse != nil, "way to refuse a frame")
	r.run()
	r.peer.Refuse()
	err := r.send("refused")
	if err == nil {
		r.Fatal("the refused frame was sent, want a permanent error")
	}
	permanent, ok := errors.AsType[*link.PermanentError](fmt.Errorf("deliver 1: %w", err))
	switch {
	case !ok:
		r.Errorf("Send gave %v, want a permanent error", err)
	case !shortWord.MatchString(permanent.Code):
		r.Errorf("code %q is neither a refusal code nor a short fixed word", permanent.Code)
	}
	r.sends("the next one is taken")
}

func temporaryIsNotPermanent(r *rig) {
	r.need(r.peer.Defer != nil, "way to refuse a frame for now")
	r.run()
	r.peer.Defer()
	err := r.send("not now")
	if err == nil {
		r.Fatal("the deferred frame was sent, want a temporary error")
	}
	if permanent, ok := errors.AsType[*link.PermanentError](err); ok {
		r.Errorf("Send gave %v with code %q, want a temporary error", err, permanent.Code)
	}
	r.worksBothWays()
}

func cancelledSend(r *rig) {
	r.run()
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	err := r.results(r.link.Send(ended, []link.Frame{r.frame("ended before")}), 1)[0]
	if err != nil && !errors.Is(err, context.Canceled) {
		r.Errorf("Send with an ended context: %v, want the context's error", err)
	}
	if r.peer.Stall == nil {
		return
	}
	r.peer.Stall()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	result := r.sendAside(ctx, "never taken")
	select {
	case err := <-result:
		r.Fatalf("Send to a far side that takes nothing returned %v", err)
	case <-time.After(quiet):
	}
	cancel()
	if err := r.inTime(result); !errors.Is(err, context.Canceled) {
		r.Errorf("Send gave %v, want its context's error", err)
	}
}

// sendAside sends text in the background.
func (r *rig) sendAside(ctx context.Context, text string) <-chan error {
	f := r.frame(text)
	result := make(chan error, 1)
	go func() { result <- r.link.Send(ctx, []link.Frame{f})[0] }()
	return result
}

func (r *rig) inTime(result <-chan error) error {
	r.Helper()
	select {
	case err := <-result:
		return r.results([]error{err}, 1)[0]
	case <-time.After(soon):
		r.Fatalf("Send did not return within %v", soon)
		return nil
	}
}
