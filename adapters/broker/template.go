package broker

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"text/template"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// Outgoing is what a _TO_TEMPLATE sees. The function json writes a value as JSON, quotes
// included: {"text":{{json .Text}}}. A kind for which the template writes nothing (or only
// white space) is not sent.
type Outgoing struct {
	Kind       string // text, notice, receipt or position
	ID         string // the frame id that an acknowledgement will name; empty: none is asked for
	From, To   string
	Node       string // the node id of To; empty: To is not on the station list
	Text       string
	Precedence string // empty: routine
	Ack, Nak   string // the id that a receipt answers
	Lat, Lon   float64
	Alt        *float64 // nil: not known
	Time       string   // RFC 3339; empty: not known
	Via        string   // the gateway's call sign
}

var functions = template.FuncMap{"json": func(v any) (string, error) {
	b, err := marshal(v)
	return string(b), err
}}

func parseTemplate(text string) (*template.Template, error) {
	t, err := template.New("to").Funcs(functions).Parse(text)
	if err != nil {
		return nil, fmt.Errorf("_TO_TEMPLATE cannot be read: %w", err)
	}
	return t, nil
}

// CheckTemplate returns what is wrong with a _TO_TEMPLATE: it must name the gateway (.Via)
// in everything, and a text must not be able to break out of its JSON string. The empty
// template is the default shape.
func CheckTemplate(text string) error {
	_, _, err := readTemplate(text)
	return err
}

// readTemplate parses a template and tries it with a sample of each kind.
func readTemplate(text string) (t *template.Template, isJSON bool, err error) {
	if text == "" {
		return nil, false, nil
	}
	if t, err = parseTemplate(text); err != nil {
		return nil, false, err
	}
	plain, err := try(t, sample(message.Text, "hello"))
	switch isJSON = json.Valid([]byte(plain)); {
	case err != nil:
		return nil, false, err
	case !strings.Contains(plain, "hello"):
		return nil, false, errors.New("_TO_TEMPLATE leaves out the text: put {{json .Text}} into it")
	case !isJSON && strings.ContainsAny(plain[:1], "{["):
		return nil, false, errors.New("_TO_TEMPLATE makes broken JSON: write {{json .Text}} without quotes around it, and so for every other member")
	}
	for _, kind := range []message.Kind{message.Text, message.Notice, message.Receipt, message.Position} {
		for _, words := range []string{"hello", `"`, `\`, `",`, "}\n{"} {
			out, err := try(t, sample(kind, words))
			switch {
			case err != nil:
				return nil, false, err
			case out == "":
			case isJSON && !json.Valid([]byte(out)):
				return nil, false, fmt.Errorf("_TO_TEMPLATE: a %s with %q in it breaks the JSON: write {{json .Text}} without quotes around it, and so for every other member", kind, words)
			}
		}
	}
	return t, isJSON, nil
}

// sampleCall occurs in no other member of the samples.
const sampleCall = "N0QRZ-11"

// sample is a frame with words, which may be awkward, in its strings.
func sample(kind message.Kind, words string) Outgoing {
	o := Outgoing{Kind: string(kind), From: "N0QRA-7" + words, To: "N0QRB-9" + words, Node: "42", Via: sampleCall}
	switch kind {
	case message.Text:
		o.ID, o.Text, o.Precedence = "4f2a9", words, "priority"
	case message.Notice:
		o.Text = words
	case message.Receipt:
		o.Ack = "4f2a" + words
	case message.Position:
		o.Lat, o.Lon, o.Text = 46.5, -122.9, words
	}
	return o
}

// try renders a sample and looks for the call sign in the result.
func try(t *template.Template, o Outgoing) (string, error) {
	var b bytes.Buffer
	if err := t.Execute(&b, o); err != nil {
		return "", fmt.Errorf("_TO_TEMPLATE does not work: %w", err)
	}
	out := strings.TrimSpace(b.String())
	if out != "" && !strings.Contains(out, o.Via) {
		return "", fmt.Errorf("_TO_TEMPLATE leaves the gateway's call sign out of a %s: put {{json .Via}} into it, it identifies the station that sends", o.Kind)
	}
	return out, nil
}

// render makes the payload that the template wants.
func (c *codec) render(kind message.Kind, f frame) ([]byte, error) {
	var b bytes.Buffer
	if err := c.template.Execute(&b, c.outgoing(kind, f)); err != nil {
		return nil, link.Permanent("template", fmt.Errorf("_TO_TEMPLATE: %w", err))
	}
	out := bytes.TrimSpace(b.Bytes())
	switch {
	case len(out) == 0:
		return nil, link.Permanent("unsupported", fmt.Errorf("_TO_TEMPLATE makes nothing of a %s", kind))
	case c.isJSON && !json.Valid(out):
		return nil, link.Permanent("template", fmt.Errorf("_TO_TEMPLATE makes broken JSON of a %s to %s (has it a node id on the station list?)", kind, f.To))
	case !bytes.Contains(out, []byte(c.call)):
		return nil, link.Permanent("template", errors.New("_TO_TEMPLATE left out the gateway's call sign"))
	}
	return out, nil
}

func (c *codec) outgoing(kind message.Kind, f frame) Outgoing {
	o := Outgoing{
		Kind: string(kind), ID: f.ID, From: f.From, To: f.To, Node: c.nodes[f.To], Precedence: f.Precedence,
		Ack: f.Ack, Nak: f.Nak, Alt: f.Alt, Time: f.Time, Via: f.Via,
	}
	if f.Text != nil {
		o.Text = *f.Text
	}
	if f.Lat != nil {
		o.Lat, o.Lon = *f.Lat, *f.Lon
	}
	return o
}
