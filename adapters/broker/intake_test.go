package broker

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// sized is a publish of which only the payload counts.
type sized struct {
	mqtt.Message
	payload []byte
}

func (m sized) Payload() []byte { return m.payload }

// A crowd keeps the reader waiting while something is kept, and not for ever when
// nothing is.
func TestReadingWaitsForTheKeeping(t *testing.T) {
	for _, c := range []struct {
		name string
		n    int
		size int
	}{
		{"many packets", crowd, 100},
		{"large packets", crowdBytes / MaxPayload, MaxPayload},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				in := newIntake()
				m := sized{payload: make([]byte, c.size)}
				wait := func(ctx context.Context) time.Duration {
					begun := time.Now()
					in.easy(ctx)
					return time.Since(begun)
				}
				keep := func() { <-in.some; in.kept(in.drain()) }
				for range c.n - 1 {
					in.add(m)
				}
				if d := wait(t.Context()); d != 0 {
					t.Errorf("without a crowd reading waits %v", d)
				}
				for range batch {
					in.add(m)
				}
				go func() { time.Sleep(time.Second); keep() }()
				if d := wait(t.Context()); in.crowded() || d != time.Second {
					t.Errorf("reading waited %v, and there is a crowd: %t", d, in.crowded())
				}
				for !in.crowded() {
					in.add(m)
				}
				if d := wait(t.Context()); d != crowdWait {
					t.Errorf("while the keeping stands still reading waits %v, want %v", d, crowdWait)
				}
				if d := wait(t.Context()); d != 0 {
					t.Errorf("and then %v again", d)
				}
				for in.crowded() {
					keep()
				}
				wait(t.Context())
				for !in.crowded() {
					in.add(m)
				}
				ctx, cancel := context.WithCancel(t.Context())
				cancel()
				if d := wait(ctx); d != 0 {
					t.Errorf("at the end of the connection reading waits %v", d)
				}
			})
		})
	}
}
