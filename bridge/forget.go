package bridge

import (
	"context"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

// onTheWay is how long lately keeps an entry: by then it is on disk.
const onTheWay = time.Minute

// forget removes small values that are no longer needed: whom a station may
// answer, which address it wrote to. They would grow with every address ever used.
func (b *Bridge) forget(ctx context.Context) {
	now := b.clock.Age()
	b.forgetLately()
	answers := answerWithin
	for _, ln := range b.lines {
		if ln.Mail != nil {
			answers = max(answers, ln.Mail.ReplyFor)
		}
	}
	b.forgetGiven(ctx, lastKey, now.Add(-answerWithin))
	b.forgetGiven(ctx, wroteKey, now.Add(-answers))
	b.forgetGiven(ctx, threadKey, now.Add(-answers))
}

// forgetLately removes from memory what is on disk by now.
func (b *Bridge) forgetLately() {
	now := b.clock.Age()
	b.lately.Range(func(station, v any) bool {
		if now.Sub(v.(given).At) > onTheWay {
			b.lately.Delete(station)
		}
		return true
	})
}

func (b *Bridge) forgetGiven(ctx context.Context, prefix string, before clock.Age) {
	all, err := b.store.Settings(ctx, prefix)
	if err != nil {
		return
	}
	old := map[string][]byte{}
	for key, v := range all {
		var g given
		if cbor.Unmarshal(v, &g) != nil || g.At < before {
			old[key] = nil
		}
	}
	if len(old) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, queue.Op{Put: old, Lazy: true}); err != nil {
		b.log.Warn("removing old settings from the store failed, trying again later", "err", err)
	}
}
