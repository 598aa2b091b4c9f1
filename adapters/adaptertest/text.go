package adaptertest

import (
	"errors"
	"slices"
	"strings"
	"unicode/utf8"

	"posthouse/bridge/fit"
	"posthouse/bridge/link"
)

// texts are short enough for every medium, and hold what encodings trip over.
var texts = []string{
	"x",
	`!"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ`, // printable ASCII, first half
	"[\\]^_`abcdefghijklmnopqrstuvwxyz",                          // the second half, but for those below
	"a { b", "a | b", "a } b", "a ~ b",                           // delimiters of packet formats
	`{"from":"N0QRA","to":"N0QRB"}`, // looks like JSON
	`say "73" \n and \u0041`,        // quotes and escapes stay what they are
	".leading dot", "From here on",  // special at the start of a line of mail
	"=3D 100% &amp; <b>", "a  two  spaces", // quoted-printable, percent, HTML, white space
	"ack12345", "rej1", "DATA", "QUIT", // commands that are words here
	"Grüße aus Ærøskøbing", "水位 2.1 m", "ok 👍🏽", "e\u0301 decomposed",
}

func (r *rig) carried() []string {
	m := r.link.Properties().Medium
	return slices.DeleteFunc(append(slices.Clone(texts), r.kit.Texts...), func(text string) bool { return !carries(m, text) })
}

// carries tells whether one frame of the medium can hold a text unchanged.
func carries(m fit.Medium, text string) bool {
	if m.MaxBytes > 0 && len(text) > m.MaxBytes {
		return false
	}
	for _, c := range text {
		if _, forbidden := m.Replace[c]; forbidden || m.ASCII && (c < ' ' || c > '~') {
			return false
		}
	}
	return true
}

func textComesIn(r *rig) {
	r.run()
	for _, text := range r.carried() {
		answers := r.say(text)
		r.kept(text)
		r.taken(answers)
	}
}

func textGoesOut(r *rig) {
	r.run()
	for _, text := range r.carried() {
		r.sends(text)
	}
}

func longTextIsNotCut(r *rig) {
	m := r.link.Properties().Medium
	r.need(m.MaxBytes > 0, "limit")
	r.run()
	full := strings.Repeat("0123456789", m.MaxBytes/10+1)[:m.MaxBytes]
	r.sends(full)
	if !m.ASCII {
		r.sends(strings.Repeat("ü", m.MaxBytes/2) + full[:m.MaxBytes%2])
	}
	r.sendsWholeOrNever(full+"0", link.CodeTooLong)
	r.sendsWholeOrNever(strings.Repeat(full, 10), link.CodeTooLong)
}

func foreignTextIsNotAltered(r *rig) {
	m := r.link.Properties().Medium
	r.need(m.ASCII || len(m.Replace) > 0, "text that it cannot carry")
	r.run()
	if m.ASCII {
		r.sendsWholeOrNever("Grüße", link.CodeNotText)
	}
	for c := range m.Replace {
		r.sendsWholeOrNever("a"+string(c)+"b", link.CodeNotText)
	}
}

// sendsWholeOrNever checks what happens to a text that the bridge should have
// fitted to the medium before: it arrives unchanged after all, or it is refused
// for good and nothing of it arrives.
func (r *rig) sendsWholeOrNever(text, code string) {
	r.Helper()
	err := r.send(text)
	if err == nil {
		r.hears(text)
		return
	}
	permanent, ok := errors.AsType[*link.PermanentError](err)
	if !ok || permanent.Code != code {
		r.Errorf("Send of %d bytes, %d characters: %v, want a permanent error with code %q", len(text), utf8.RuneCountInString(text), err, code)
	}
	r.hearsNothing()
}
