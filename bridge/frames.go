package bridge

import (
	"slices"

	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// keepParts tells the courier which parts were sent: it may send the rest before
// that is on disk.
func (t *trip) keepParts() {
	if t.d != nil {
		t.chosen.Parts, t.chosen.Before, t.chosen.After = slices.Clone(t.d.Parts), t.d.Before, t.d.After
		t.chosen.Attempts, t.chosen.Round = t.d.Attempts, t.d.Round
	}
}

// knowParts adds the courier's knowledge of sent parts to what is on disk, unless the
// delivery has been elsewhere since the courier read it, and begins anew.
func (c *carrier) knowParts(t *trip) {
	was, is := t.chosen, t.d
	switch {
	case was.Attempts != is.Attempts || was.Round != is.Round:
		return
	case len(is.Parts) == 0 && len(was.Parts) > 0 && was.Parts[0].ID != "" && c.ln.trunk == nil:
		return // ids are on disk before the first part goes out
	case len(is.Parts) == 0:
		is.Parts, is.Before, is.After = slices.Clone(was.Parts), was.Before, was.After
	}
	if len(was.Parts) != len(is.Parts) {
		return
	}
	for i, p := range was.Parts {
		is.Parts[i].Sent = is.Parts[i].Sent || p.Sent
	}
}

// roundOver tells whether every unacknowledged part has been sent in this round.
func (c *carrier) roundOver(d *queue.Delivery) bool {
	for _, p := range d.Parts {
		if !p.Acked && !p.Sent {
			return false
		}
	}
	return true
}

// makeFrames fits the text to the medium and makes frames of the parts that are
// still to be sent in this round.
func (c *carrier) makeFrames(t *trip) error {
	m := t.r.Message
	mark, text := c.b.mark(c.ln, &m)
	if untouched(t.d) { // afterwards the marks stay, so that a resend is the same to the byte
		t.d.Before, t.d.After = mark.Before, mark.After
	}
	texts := []string{text}
	if m.Kind == message.Text || m.Kind == message.Notice {
		var err error
		if texts, err = fit.Fit(text, c.ln.props.Medium, fit.Mark{Before: t.d.Before, After: t.d.After}); err != nil {
			return err
		}
	}
	if len(t.d.Parts) != len(texts) {
		t.d.Parts = make([]queue.Part, len(texts))
	}
	if c.roundOver(t.d) { // a new round
		for i := range t.d.Parts {
			t.d.Parts[i].Sent = false
		}
	}
	m.To = t.d.To
	for i, text := range texts {
		p := &t.d.Parts[i]
		if p.Acked || p.Sent {
			continue
		}
		t.part = append(t.part, i)
		t.frames = append(t.frames, link.Frame{
			Message: m, Text: text, ID: p.ID, Part: i + 1, Parts: len(texts),
			Attempt: t.d.Attempts + 1, Record: c.b.id(t.r.Seq), Gateway: t.d.Gateway,
			Left: t.r.Until.Sub(c.b.clock.Age()),
		})
		if c.ln.pace != nil {
			break // on a slow channel something urgent may come between two parts
		}
	}
	return nil
}

// index finds the frame of a part number.
func (t *trip) index(part int) int {
	for i, p := range t.part {
		if p == part-1 {
			return i
		}
	}
	return 0
}

// copyParts marks in the store which parts were sent, and keeps acks that came in
// meanwhile.
func (t *trip) copyParts(d *queue.Delivery) {
	d.Before, d.After = t.d.Before, t.d.After
	if len(d.Parts) != len(t.d.Parts) {
		d.Parts = slices.Clone(t.d.Parts)
		return
	}
	for i := range d.Parts {
		d.Parts[i].Sent = t.d.Parts[i].Sent
	}
}
