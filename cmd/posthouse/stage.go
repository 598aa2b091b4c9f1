package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"

	"posthouse/adapters/aprsis/standin"
	"posthouse/adapters/broker/envelope"
	"posthouse/adapters/mail/sink"
	"posthouse/bridge/config"
)

// demo is the stage: two gateways with a trunk between them, and everything that they talk
// to.
type demo struct {
	valley, hill *gateway
	running      sync.WaitGroup
	cancel       context.CancelFunc

	wire   *wire // the line between the gateways
	aprs   *standin.Server
	remote *standin.Station
	post   *sink.Sink
	mailIn string

	alder, birch, dogwood *radio
}

// setStage starts everything. The gateways run until clear.
func setStage(ctx context.Context, dir string, log *slog.Logger, serve bool) (d *demo, err error) {
	d = &demo{}
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
	trunk, err := freeAddress()
	if err != nil {
		return d, err
	}
	if d.mailIn, err = freeAddress(); err != nil {
		return d, err
	}
	if d.wire, err = layWire(ctx, trunk); err != nil {
		return d, err
	}
	keys, err := demoKeys(dir, valleyGateway, hillGateway)
	if err != nil {
		return d, err
	}
	if d.valley, err = d.run(ctx, log, valleySettings(dir, keys, trunk, d.aprs.Addr().String(), serve)); err != nil {
		return d, err
	}
	if d.hill, err = d.run(ctx, log, hillSettings(dir, keys, d.wire.address(), d.post.Address(), d.mailIn)); err != nil {
		return d, err
	}
	return d, d.switchOnAll(ctx)
}

// run opens a gateway and keeps it running until clear.
func (d *demo) run(ctx context.Context, log *slog.Logger, settings []string) (*gateway, error) {
	cfg, findings := config.Load(settings, hooks())
	if config.HasErrors(findings) {
		return nil, fmt.Errorf("the demo's settings: %v", findings)
	}
	g, err := open(ctx, cfg, log.With("gateway", cfg.Callsign))
	if err != nil {
		return nil, err
	}
	d.running.Go(func() {
		if err := errors.Join(g.run(ctx, nil), g.close()); err != nil {
			log.Error("a gateway of the demo failed", "gateway", cfg.Callsign, "err", err)
		}
	})
	return g, nil
}

func (d *demo) switchOnAll(ctx context.Context) (err error) {
	if d.alder, err = switchOn(brokerOf(d.valley, "valley"), "valley", alder); err != nil {
		return err
	}
	if d.birch, err = switchOn(brokerOf(d.hill, "hill"), "hill", birch); err != nil {
		return err
	}
	if d.dogwood, err = switchOn(brokerOf(d.valley, "valley"), "valley", dogwood); err != nil {
		return err
	}
	d.remote, err = standin.Join(ctx, d.aprs.Addr().String(), cedar)
	return err
}

// clear stops everything and closes the stores.
func (d *demo) clear() {
	for _, r := range []*radio{d.alder, d.birch, d.dogwood} {
		if r != nil {
			r.client.Disconnect(100)
		}
	}
	d.cancel()
	d.running.Wait()
	if d.wire != nil {
		d.wire.wait()
	}
	if d.aprs != nil {
		d.aprs.Close()
	}
	if d.post != nil {
		<-d.post.Stopped()
	}
}

// brokerOf returns the address of a mesh's built-in broker.
func brokerOf(g *gateway, name string) string {
	return "tcp://" + g.links[name].(interface{ Addr() net.Addr }).Addr().String()
}

// demoKeys makes a signing key for each gateway, and a trust file that lists
// all, as 'posthouse key' and two operators would.
func demoKeys(dir string, calls ...string) (map[string]string, error) {
	files, lines := map[string]string{"trust": filepath.Join(dir, "trust.jwk")}, ""
	for _, call := range calls {
		key, err := envelope.MakeKey()
		if err != nil {
			return nil, err
		}
		b, err := key.PEM()
		if err != nil {
			return nil, err
		}
		files[call] = filepath.Join(dir, call+".key")
		if err := os.WriteFile(files[call], b, 0o600); err != nil {
			return nil, err
		}
		lines += key.Public().JWK(call) + "\n"
	}
	return files, os.WriteFile(files["trust"], []byte(lines), 0o600)
}

// freeAddress finds a port of the loopback that nobody uses.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// radio is a station on a mesh: it acknowledges what it gets, as a radio does by itself.
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
		r.say(frame{From: r.call, To: f.From, Ack: f.ID}) // if it is lost the text is sent again
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

// expect waits for a frame for which fits is true.
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

// misses makes sure that a text does not come for a while.
func (r *radio) misses(text string, during time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), during)
	defer cancel()
	if _, err := r.expect(ctx, hasText(text)); err == nil {
		return fmt.Errorf("%s got %q too early", r.call, text)
	}
	return nil
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
