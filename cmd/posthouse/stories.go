package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"posthouse/adapters/aprsis/standin"
)

// story is one message and what should become of it.
type story struct {
	title string
	tell  func(ctx context.Context, d *demo) (ending string, err error)
}

// storyTime is how long a message may take before it counts as missing.
const storyTime = 12 * time.Second

// The stories, in the order in which they are played.
var stories = []story{
	{"valley to hill, a direct message", direct},
	{"hill to everybody", toAll},
	{"valley to mail, by the far gateway", toMail},
	{"mail back to valley, a plain reply", fromMail},
	{"hill to APRS, by the far gateway", toAPRS},
	{"APRS to valley", fromAPRS},
	{"hill answers without an address", answer},
	{"a long text, in parts", long},
	{"ciphertext, which the licence forbids", cipher},
	{"mail from a stranger", stranger},
	{"to a station that is switched off", unheard},
	{"while the trunk is cut", outage},
}

// play prints each story in a line, and a table at the end. It returns how many messages
// are missing.
func (d *demo) play(ctx context.Context, w io.Writer) (missing int) {
	fmt.Fprintf(w, "\nGateway %s serves the valley mesh and APRS, gateway %s the hill mesh and mail; a trunk joins them.\n"+
		"%s is on the valley mesh, %s on the hill, %s on APRS; %s has no radio at all.\n"+
		"All of it runs here, on the loopback; only the radios are played.\n\n",
		valleyGateway, hillGateway, alder, birch, cedar, ann)
	if err := d.introduce(); err != nil {
		fmt.Fprintln(w, "the stations cannot introduce themselves:", err)
		return len(stories)
	}
	type line struct {
		title, result string
		took          time.Duration
	}
	var table []line
	for _, s := range stories {
		begin := time.Now()
		one, cancel := context.WithTimeout(ctx, storyTime)
		ending, err := s.tell(one, d)
		cancel()
		result := "ok"
		if err != nil {
			missing++
			result, ending = "MISSING", "MISSING: "+err.Error()
		}
		fmt.Fprintf(w, "%s  %s\n", begin.UTC().Format("15:04:05Z"), ending)
		table = append(table, line{s.title, result, time.Since(begin)})
	}
	fmt.Fprintf(w, "\n%-42s %-8s %s\n", "message", "result", "took")
	for _, l := range table {
		fmt.Fprintf(w, "%-42s %-8s %6.2f s\n", l.title, l.result, l.took.Seconds())
	}
	fmt.Fprintf(w, "\n%d messages, %d missing.\n", len(table), missing)
	return missing
}

// introduce lets the gateways hear the stations, so that they know the way to them.
func (d *demo) introduce() error {
	if err := d.alder.position(46.51, -122.93); err != nil {
		return err
	}
	if err := d.birch.position(46.62, -122.81); err != nil {
		return err
	}
	return d.remote.Send(cedar + ">APZPH1,TCPIP*:=4631.00N/12254.00W-on the ridge")
}

func direct(ctx context.Context, d *demo) (string, error) {
	const text = "river at 2.1 m and rising"
	if err := d.alder.say(frame{ID: "d1", From: alder, To: birch, Text: text}); err != nil {
		return "", err
	}
	if _, err := d.birch.expect(ctx, hasText(text)); err != nil {
		return "", err
	}
	_, err := d.alder.expect(ctx, acks("d1"))
	return fmt.Sprintf("%s writes %s %q: it crosses the trunk to the hill mesh, and the acknowledgement of %s comes back to the writer.", alder, birch, text, birch), err
}

func toAll(ctx context.Context, d *demo) (string, error) {
	const text = "net tonight at eight"
	if err := d.birch.say(frame{ID: "g1", From: birch, To: "ALL", Text: text}); err != nil {
		return "", err
	}
	_, err := d.alder.expect(ctx, hasText(text))
	return fmt.Sprintf("%s writes ALL %q: the valley hears it, too. Nobody acknowledges a text to all; the log says sent.", birch, text), err
}

func toMail(ctx context.Context, d *demo) (string, error) {
	const text = "arrived safely, back on Sunday"
	n := len(d.post.Mails())
	if err := d.alder.say(frame{ID: "m1", From: alder, To: ann, Text: text}); err != nil {
		return "", err
	}
	mails, err := d.post.Wait(ctx, n+1)
	if err != nil {
		return "", err
	}
	if !strings.Contains(string(mails[n].Data), text) {
		return "", fmt.Errorf("the mail holds something else")
	}
	_, err = d.alder.expect(ctx, acks("m1"))
	return fmt.Sprintf("%s writes to %s: a mail with From and Reply-To %s; it leaves by the hill's gateway, and the mail server's 250 is the writer's acknowledgement.", alder, ann, "n0qra-7@radio.example"), err
}

func fromMail(ctx context.Context, d *demo) (string, error) {
	const text = "good news, drive carefully"
	if err := d.writeMail(ann, "n0qra-7@radio.example", "Re: arrived safely", text+"\r\n\r\nOn Monday you wrote:\r\n> arrived safely, back on Sunday"); err != nil {
		return "", err
	}
	f, err := d.alder.expect(ctx, hasText(text))
	if err == nil && strings.Contains(f.Text, ">") {
		err = fmt.Errorf("the quotation came along: %q", f.Text)
	}
	return fmt.Sprintf("%s replies to that mail: %s reads %q; the quotation stayed behind.", ann, alder, text), err
}

func toAPRS(ctx context.Context, d *demo) (string, error) {
	const text = "can you see the bridge"
	if err := d.birch.say(frame{ID: "a1", From: birch, To: cedar, Text: text}); err != nil {
		return "", err
	}
	if err := d.heardOnAPRS(ctx, text); err != nil {
		return "", err
	}
	_, err := d.birch.expect(ctx, acks("a1"))
	return fmt.Sprintf("%s writes %s on APRS %q: the valley's gateway transmits it under its own call sign, with the writer's in the text; the ack finds its way back.", birch, cedar, text), err
}

// heardOnAPRS waits until the APRS station gets a text.
func (d *demo) heardOnAPRS(ctx context.Context, part string) error {
	for {
		select {
		case h := <-d.remote.Messages():
			if strings.Contains(h.Body, part) {
				return nil
			}
		case <-ctx.Done():
			return fmt.Errorf("%s heard nothing of it", cedar)
		}
	}
}

func fromAPRS(ctx context.Context, d *demo) (string, error) {
	const text = "bridge is open"
	if err := d.remote.Say(alder, text, "77"); err != nil {
		return "", err
	}
	if _, err := d.alder.expect(ctx, hasText(text)); err != nil {
		return "", err
	}
	for {
		select {
		case h := <-d.remote.Messages():
			if isAck(h, "77") {
				return fmt.Sprintf("%s writes %s %q from APRS: the ack goes back only once %s has acknowledged it.", cedar, alder, text, alder), nil
			}
		case <-ctx.Done():
			return "", fmt.Errorf("%s got no ack", cedar)
		}
	}
}

func isAck(h standin.Heard, id string) bool { return h.Body == "" && h.FullID == id }

func answer(ctx context.Context, d *demo) (string, error) {
	const text, reply = "do you need anything", "two batteries please"
	if err := d.alder.say(frame{ID: "r1", From: alder, To: birch, Text: text}); err != nil {
		return "", err
	}
	if _, err := d.birch.expect(ctx, hasText(text)); err != nil {
		return "", err
	}
	if _, err := d.alder.expect(ctx, acks("r1")); err != nil {
		return "", err
	}
	if err := d.birch.say(frame{ID: "r2", From: birch, To: "POST", Text: reply}); err != nil {
		return "", err
	}
	_, err := d.alder.expect(ctx, hasText(reply))
	return fmt.Sprintf("%s answers POST %q, since its phone cannot name %s: it goes to the writer of the last message it was given.", birch, reply, alder), err
}

func long(ctx context.Context, d *demo) (string, error) {
	text := "Shelter list: north school 41 people, 6 cots free; church hall 23 people, generator runs, fuel until midnight; " +
		"fire station 12 people, warm food at six; south school closed, water in the cellar. Next list at 2000."
	if err := d.alder.say(frame{ID: "l1", From: alder, To: birch, Text: text}); err != nil {
		return "", err
	}
	if _, err := d.birch.expect(ctx, hasText("Next list at 2000.")); err != nil {
		return "", err
	}
	_, err := d.alder.expect(ctx, acks("l1"))
	return fmt.Sprintf("%s writes %d characters: they go out in numbered parts; the acknowledgement comes when every part is there.", alder, len(text)), err
}

func cipher(ctx context.Context, d *demo) (string, error) {
	const text = "U2FsdGVkX19w0vQ3mXy7Jb1kq8R2hZt6cYd4LsPzNfE="
	if err := d.alder.say(frame{ID: "c1", From: alder, To: birch, Text: text}); err != nil {
		return "", err
	}
	f, err := d.alder.expect(ctx, hasText("looks-encrypted"))
	return fmt.Sprintf("%s writes something that looks encrypted: refused, and told so: %q.", alder, f.Text), err
}

func stranger(_ context.Context, d *demo) (string, error) {
	err := d.writeMail(kim, "n0qra-7@radio.example", "offer", "buy now")
	if err == nil {
		return "", fmt.Errorf("the mail was taken")
	}
	return fmt.Sprintf("%s writes to %s: refused in the mail dialogue (%v).", kim, alder, err), nil
}

func unheard(ctx context.Context, d *demo) (string, error) {
	const text = "call home when you can"
	if err := d.birch.say(frame{ID: "u1", From: birch, To: dogwood, Text: text}); err != nil {
		return "", err
	}
	if err := d.dogwood.misses(text, time.Second); err != nil { // held: nobody knows where the station is
		return "", err
	}
	if err := d.dogwood.position(46.52, -122.95); err != nil {
		return "", err
	}
	if _, err := d.dogwood.expect(ctx, hasText(text)); err != nil {
		return "", err
	}
	_, err := d.birch.expect(ctx, acks("u1"))
	return fmt.Sprintf("%s writes %s, whom nobody has heard: held on the hill; when %s is switched on in the valley, the text follows it there.", birch, dogwood, dogwood), err
}

func outage(ctx context.Context, d *demo) (string, error) {
	const text = "generator needs fuel tomorrow"
	d.wire.setCut(true)
	if err := d.alder.say(frame{ID: "o1", From: alder, To: birch, Text: text}); err != nil {
		return "", err
	}
	if err := d.birch.misses(text, 2*time.Second); err != nil {
		return "", err
	}
	d.wire.setCut(false)
	if _, err := d.birch.expect(ctx, hasText(text)); err != nil {
		return "", err
	}
	_, err := d.alder.expect(ctx, acks("o1"))
	return fmt.Sprintf("%s writes %s while the line between the gateways is cut: the text waits on disk, and crosses when the line is back.", alder, birch), err
}
