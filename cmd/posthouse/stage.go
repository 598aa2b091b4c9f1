package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"

	"posthouse/adapters"
	"posthouse/adapters/aprsis/standin"
	"posthouse/adapters/mail/sink"
	"posthouse/bridge/config"
)

// demo is the stage: one gateway, and around it all that it speaks to.
type demo struct {
	gateway *gateway
	stopped chan error
	cancel  context.CancelFunc

	aprs                  *standin.Server
	remote                *standin.Station
	post                  *sink.Sink
	mailIn                string
	alder, birch, dogwood *radio
}

// setStage starts everything. The gateway runs until clear.
func setStage(ctx context.Context, dir string, log *slog.Logger, serve bool) (d *demo, err error) {
	d = &demo{stopped: make(chan error, 1)}
	ctx, d.cancel = context.WithCancel(ctx)
	defer func() {
		if err != nil {
			d.clear()
		}
	}()
	if d.aprs, err = standin.Listen(ctx, "127.0.0.1:0"); err != nil {
		return d, err
	}
	if d.post, err = sink.Listen(ctx, "127.0.0.1:0"); err != nil {
		return d, err
	}
	if d.mailIn, err = freeAddress(); err != nil {
		return d, err
	}
	cfg, findings := config.Load(demoSettings(dir, d.aprs.Addr().String(), d.post.Address(), d.mailIn, serve), adapters.Hooks())
	if config.HasErrors(findings) {
		return d, fmt.Errorf("the demo's settings: %v", findings)
	}
	if d.gateway, err = open(ctx, cfg, log); err != nil {
		return d, err
	}
	go func() { d.stopped <- d.gateway.run(ctx) }()
	for name, places := range map[string]map[string]**radio{
		"valley": {alder: &d.alder}, "hill": {birch: &d.birch, dogwood: &d.dogwood},
	} {
		for call, r := range places {
			if *r, err = switchOn(d.brokerOf(name), name, call); err != nil {
				return d, err
			}
		}
	}
	d.remote, err = standin.Join(ctx, d.aprs.Addr().String(), cedar)
	return d, err
}

// clear stops everything and closes the store.
func (d *demo) clear() {
	for _, r := range []*radio{d.alder, d.birch, d.dogwood} {
		if r != nil {
			r.client.Disconnect(100)
		}
	}
	d.cancel()
	if d.gateway != nil && d.gateway.bridge != nil {
		<-d.stopped
		d.gateway.close()
	}
	if d.aprs != nil {
		d.aprs.Close()
	}
	if d.post != nil {
		<-d.post.Stopped()
	}
}

// brokerOf gives the address of a mesh's built-in broker.
func (d *demo) brokerOf(name string) string {
	return "tcp://" + d.gateway.links[name].(interface{ Addr() net.Addr }).Addr().String()
}

// freeAddress finds a port of the loopback that nobody uses.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// radio is a station on a mesh: it acknowledges what it is sent, as a radio
// does by itself.
type radio struct {
	call, mesh string
	client     mqtt.Client
	got        chan frame
}

// frame is what a mesh is told, in the default shape.
type frame struct {
	ID   string `json:"id,omitempty"`
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
	Text string `json:"text,omitempty"`
	Ack  string `json:"ack,omitempty"`
	Via  string `json:"via,omitempty"`

	Lat *float64 `json:"lat,omitempty"`
	Lon *float64 `json:"lon,omitempty"`
}

// switchOn connects a station to its mesh's broker.
func switchOn(broker, mesh, call string) (*radio, error) {
	r := &radio{call: call, mesh: mesh, got: make(chan frame, 64)}
	r.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker).SetClientID(call).SetOrderMatters(false).SetConnectTimeout(5 * time.Second))
	return r, r.connect()
}

func (r *radio) connect() error {
	if err := wait(r.client.Connect()); err != nil {
		return fmt.Errorf("station %s at the broker of %s: %w", r.call, r.mesh, err)
	}
	return wait(r.client.Subscribe(r.mesh+"/to", 1, func(_ mqtt.Client, m mqtt.Message) { r.hear(m.Payload()) }))
}

func wait(t mqtt.Token) error {
	if !t.WaitTimeout(10 * time.Second) {
		return errors.New("no answer from the broker")
	}
	return t.Error()
}

func (r *radio) hear(payload []byte) {
	var f frame
	if json.Unmarshal(payload, &f) != nil || f.To != r.call && f.To != "ALL" {
		return
	}
	if f.To == r.call && f.ID != "" && f.Text != "" {
		r.say(frame{From: r.call, To: f.From, Ack: f.ID}) // a lost ack is what resends are for
	}
	select {
	case r.got <- f:
	default:
	}
}

// say publishes what the mesh's node would publish.
func (r *radio) say(f frame) error {
	b, err := json.Marshal(f)
	if err != nil {
		return err
	}
	return wait(r.client.Publish(r.mesh+"/from", 1, false, b))
}

// position tells where the station is.
func (r *radio) position(lat, lon float64) error {
	return r.say(frame{From: r.call, Lat: &lat, Lon: &lon})
}

// expect waits for a frame that fits.
func (r *radio) expect(ctx context.Context, fits func(frame) bool) (frame, error) {
	for {
		select {
		case f := <-r.got:
			if fits(f) {
				return f, nil
			}
		case <-ctx.Done():
			return frame{}, fmt.Errorf("%s heard nothing of it", r.call)
		}
	}
}

func hasText(part string) func(frame) bool {
	return func(f frame) bool { return strings.Contains(f.Text, part) }
}

func acks(id string) func(frame) bool { return func(f frame) bool { return f.Ack == id } }

// writeMail hands a mail to the gateway, as its mail server would.
func (d *demo) writeMail(from, to, subject, text string) error {
	c, err := smtp.Dial(d.mailIn)
	if err != nil {
		return err
	}
	defer c.Close()
	body := fmt.Sprintf("From: %s\r\nTo: %s\r\nSubject: %s\r\nDate: %s\r\nMessage-ID: <%d@club.example>\r\n\r\n%s\r\n",
		from, to, subject, time.Now().Format(time.RFC1123Z), time.Now().UnixNano(), text)
	return c.SendMail(from, []string{to}, strings.NewReader(body))
}
