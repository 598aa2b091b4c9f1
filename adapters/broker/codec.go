package broker

import (
	"bytes"
	"encoding/json"
	"fmt"
	"text/template"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// codec turns a mesh's payloads into messages and frames into its payloads. It
// does no I/O.
type codec struct {
	name     string            // the link's
	call     string            // the gateway's, which identifies all that it sends
	at       pointers          // where the members are in what comes in
	stations map[string]string // node id -> call sign
	nodes    map[string]string // call sign -> node id
	template *template.Template
	isJSON   bool // what the template makes is JSON
}

// frame is the default shape of what a mesh is told.
type frame struct {
	ID         string   `json:"id,omitempty"`
	From       string   `json:"from,omitempty"`
	To         string   `json:"to,omitempty"`
	Text       *string  `json:"text,omitempty"`
	Precedence string   `json:"precedence,omitempty"`
	Ack        string   `json:"ack,omitempty"`
	Nak        string   `json:"nak,omitempty"`
	Lat        *float64 `json:"lat,omitempty"`
	Lon        *float64 `json:"lon,omitempty"`
	Alt        *float64 `json:"alt,omitempty"`
	Time       string   `json:"time,omitempty"`
	Via        string   `json:"via"`
}

// encode makes the payload for a frame. The same frame gives the same bytes.
func (c *codec) encode(f link.Frame) ([]byte, error) {
	out, err := c.fill(&f)
	if err != nil {
		return nil, err
	}
	if c.template != nil {
		return c.render(f.Message.Kind, out)
	}
	return marshal(out)
}

func (c *codec) fill(f *link.Frame) (frame, error) {
	m, text := &f.Message, f.Text // a copy, so that a pointer to it does not keep the frame
	out := frame{From: m.From, To: m.To, Via: c.call}
	switch m.Kind {
	case message.Text:
		out.ID, out.Text = f.ID, &text
		if m.Precedence != message.Routine {
			out.Precedence = m.Precedence.String()
		}
	case message.Notice:
		out.From, out.Text = c.call, &text
	case message.Receipt:
		out.Ack = m.Acks
		if m.Nak {
			out.Ack, out.Nak = "", m.Acks
		}
	case message.Position:
		if m.Where == nil {
			return frame{}, link.Permanent("no-position", fmt.Errorf("a position of %s without a place", m.From))
		}
		out.place(m.Where)
	default:
		return frame{}, link.Permanent("unsupported", fmt.Errorf("a mesh is not told of a %s", m.Kind))
	}
	return out, nil
}

func (o *frame) place(w *message.Where) {
	o.Lat, o.Lon, o.Alt = &w.Lat, &w.Lon, w.Alt
	if w.Comment != "" {
		o.Text = &w.Comment
	}
	if !w.Time.IsZero() {
		o.Time = w.Time.UTC().Format(time.RFC3339)
	}
}

// marshal is json.Marshal without its escapes for HTML: they would cost air.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, link.Permanent("unsupported", fmt.Errorf("encode the frame: %w", err))
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
