package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// probe is the number of the texts that only find out whether the way is open.
const probe = 1 << 30

// frame is the default shape of what a mesh says and hears.
type frame struct {
	ID   string   `json:"id,omitempty"`
	From string   `json:"from"`
	To   string   `json:"to,omitempty"`
	Text string   `json:"text,omitempty"`
	Ack  string   `json:"ack,omitempty"`
	Lat  *float64 `json:"lat,omitempty"`
	Lon  *float64 `json:"lon,omitempty"`
}

// callOf names the stations that write, farOf those they write to.
func callOf(i int) string { return fmt.Sprintf("N0QR%c-%d", 'A'+i%25, 1+i/25) }
func farOf(i int) string  { return fmt.Sprintf("N0QS%c-%d", 'A'+i%25, 1+i/25) }

// words pads a text; plain English, since what looks encrypted is refused.
const words = " all well at the north camp, water and food for two days, the road to the bridge is open again, more at eight o'clock this evening"

// text is what number i says: its number first, by which it is known again.
func text(i, size int) string {
	s := strconv.Itoa(i) + words
	return strings.TrimSpace(s[:min(size, len(s))])
}

// numberOf finds the number of a text again.
func numberOf(text string) int {
	first, _, _ := strings.Cut(text, " ")
	i, err := strconv.Atoi(first)
	if err != nil {
		return -1
	}
	return i
}

// connect makes a client that comes back by itself and sends again what was not
// confirmed. A handler is given before it connects, as a session that the broker
// has kept delivers at once.
func connect(url, id, topic string, handle func(mqtt.Client, frame)) (mqtt.Client, error) {
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(id).SetProtocolVersion(4).SetCleanSession(false).
		SetOrderMatters(true).SetAutoReconnect(true).SetMaxReconnectInterval(200 * time.Millisecond).
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).SetWriteTimeout(patience)
	o.SetDefaultPublishHandler(func(c mqtt.Client, m mqtt.Message) {
		var f frame
		if err := json.Unmarshal(m.Payload(), &f); err == nil && handle != nil {
			handle(c, f)
		}
	})
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(patience) || t.Error() != nil {
		return nil, fmt.Errorf("connecting to %s: %v", url, t.Error())
	}
	if topic == "" {
		return c, nil
	}
	if t := c.Subscribe(topic, 1, nil); !t.WaitTimeout(patience) || t.Error() != nil {
		return nil, fmt.Errorf("subscribing to %s at %s: %v", topic, url, t.Error())
	}
	return c, nil
}

func say(c mqtt.Client, topic string, f frame) mqtt.Token {
	b, _ := json.Marshal(f) // plain fields: cannot fail
	return c.Publish(topic, 1, false, b)
}

// stations are all clients of a run.
type stations struct {
	o       options
	topics  topics
	t       *tally
	senders []mqtt.Client
	near    mqtt.Client // hears the receipts
	far     mqtt.Client // hears the texts, and acknowledges them with -direct
}

func newStations(s *stage, t *tally) (st *stations, err error) {
	st = &stations{o: s.o, topics: s.topics, t: t}
	if st.far, err = connect(s.toURL, "load-far", s.topics.farHears, st.hearText); err != nil {
		return st, err
	}
	if st.near, err = connect(s.fromURL, "load-near", s.topics.nearHears, st.hearReceipt); err != nil {
		return st, err
	}
	for i := range s.o.senders {
		c, err := connect(s.fromURL, fmt.Sprint("load-", i), "", nil)
		if err != nil {
			return st, err
		}
		st.senders = append(st.senders, c)
	}
	return st, nil
}

func (st *stations) leave() {
	for _, c := range append(st.senders, st.near, st.far) {
		if c != nil {
			c.Disconnect(100)
		}
	}
}

// hearText is the far side: it counts, and acknowledges what is for one station.
func (st *stations) hearText(c mqtt.Client, f frame) {
	if f.Text == "" {
		return
	}
	st.t.arrive(numberOf(f.Text))
	if st.o.direct && f.ID != "" {
		say(c, st.topics.farSays, frame{From: f.To, To: f.From, Ack: f.ID})
	}
}

// hearReceipt is the near side; a text's id is its number.
func (st *stations) hearReceipt(_ mqtt.Client, f frame) {
	if i, err := strconv.Atoi(f.Ack); err == nil && i >= 0 && i < len(st.t.receipts) {
		st.t.receipts[i].CompareAndSwap(0, st.t.now())
	}
}

// open has the far stations be heard, and sends probes until one gets through.
func (st *stations) open(ctx context.Context) error {
	north, west := 46.5, -122.9
	for i := range st.o.senders {
		if st.o.direct {
			say(st.far, st.topics.farSays, frame{From: farOf(i), Lat: &north, Lon: &west}).WaitTimeout(patience)
		}
	}
	tries := 0
	err := await(ctx, func() bool {
		tries++
		f := frame{ID: fmt.Sprint("probe", tries), From: callOf(0), To: "ALL", Text: fmt.Sprint(probe, " is the way open, try ", tries)}
		say(st.senders[0], st.topics.nearSays, f).WaitTimeout(time.Second)
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
		}
		return st.t.proven.Load()
	})
	if err != nil {
		return fmt.Errorf("no text got through: %w", err)
	}
	return nil
}

// send has all texts handed in, window of them at once. It returns when the last
// is confirmed, or ctx ended.
func send(ctx context.Context, t *tally, o options, handIn func(ctx context.Context, i int)) {
	due := make(chan int, o.window)
	go pace(ctx, t, o, due)
	var sending sync.WaitGroup
	for range o.window {
		sending.Go(func() {
			for i := range due {
				if o.rate == 0 {
					t.due[i].Store(t.now())
				}
				t.offered.Add(1)
				handIn(ctx, i)
			}
		})
	}
	sending.Wait()
}

// publish hands one text in and waits for its PUBACK.
func (st *stations) publish(ctx context.Context, i int) {
	who := i % len(st.senders)
	f := frame{ID: strconv.Itoa(i), From: callOf(who), To: "ALL", Text: text(i, st.o.size)}
	switch {
	case st.o.way == meshToMail:
		f.To = addressOf(i)
	case st.o.direct:
		f.To = farOf(who)
	}
	token := say(st.senders[who], st.topics.nearSays, f)
	select {
	case <-token.Done():
		if token.Error() == nil {
			st.t.confirmed[i].Store(st.t.now())
		}
	case <-ctx.Done():
	}
}

// pace hands out the numbers of the texts, each at its moment: the moments do
// not move when those before them were late.
func pace(ctx context.Context, t *tally, o options, due chan<- int) {
	defer close(due)
	begun := time.Now()
	exact := newTimer()
	for i := range o.texts {
		if o.rate > 0 {
			at := begun.Add(time.Duration(float64(i) / o.rate * float64(time.Second)))
			exact.until(at)
			t.due[i].Store(int64(at.Sub(t.start)))
		}
		select {
		case due <- i:
		case <-ctx.Done():
			return
		}
	}
}
