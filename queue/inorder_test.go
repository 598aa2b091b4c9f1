package queue_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"posthouse/queue"
)

// sentInOrder has the carrier send what it is given until fails says otherwise;
// what is behind a text that failed is not offered. It gives what was sent.
func sentInOrder(r *rig, fails func(queue.Job) *queue.Outcome) (sentTexts func() []string) {
	var texts []string
	calls, stopped := 0, false
	r.carrier.does = func(j queue.Job) queue.Outcome {
		if r.carrier.calls != calls {
			calls, stopped = r.carrier.calls, false
		}
		if stopped {
			return queue.Outcome{Again: true}
		}
		if out := fails(j); out != nil {
			stopped = true
			return *out
		}
		texts = append(texts, j.Record.Message.Text)
		return sent(j)
	}
	return func() []string { r.carrier.carried(); return texts }
}

func numbered(n int) (all []string) {
	for i := range n {
		all = append(all, fmt.Sprint("a ", i))
	}
	return all
}

func TestALaneGoesAsOneWhereTheLinkKeepsItsOrder(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 16, InOrder: true}, func(t *testing.T, r *rig) {
		for i := range 40 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.writes(routine, "N0QRB", "N0QRX", "b 0")
		r.start()
		time.Sleep(time.Minute)
		r.wantOrder("a", 40)
		if got := r.carrier.carried(); got[1] != "b 0" {
			t.Errorf("carried %q: the other writer had to wait for more than one text", got)
		}
		if got := r.carrier.called(); got != 3 {
			t.Errorf("41 texts went in %d calls, want 3 of 16 at most", got)
		}
	})
}

// A text that cannot be sent now has those behind it wait, in the same call and
// in later ones, until it has been tried again.
func TestNothingPassesWhatFailedInOneCall(t *testing.T) {
	for what, fails := range map[string]func(*rig, queue.Job) queue.Outcome{
		"its time is put off": func(r *rig, j queue.Job) queue.Outcome { return r.waits(j, time.Minute, false) },
		"the link is down":    func(*rig, queue.Job) queue.Outcome { return queue.Outcome{Again: true, Down: true} },
		"it is given back":    func(*rig, queue.Job) queue.Outcome { return queue.Outcome{Again: true} },
	} {
		t.Run(what, func(t *testing.T) {
			inRig(t, queue.CourierOptions{Batch: 16, InOrder: true}, func(t *testing.T, r *rig) {
				tries := map[string]int{}
				got := sentInOrder(r, func(j queue.Job) *queue.Outcome {
					text := j.Record.Message.Text
					if tries[text]++; tries[text] > 1 || text != "a 5" && text != "a 9" && text != "a 16" {
						return nil
					}
					out := fails(r, j)
					return &out
				})
				for i := range 30 {
					r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
				}
				r.start()
				time.Sleep(30 * time.Minute)
				if want := numbered(30); !slices.Equal(got(), want) {
					t.Errorf("sent %q\nwant %q", got(), want)
				}
			})
		})
	}
}
