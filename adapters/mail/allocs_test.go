//go:build !race

package mail

import (
	"strings"
	"testing"
	"time"

	gomessage "github.com/emersion/go-message"
)

// What reading and writing one message may allocate: what is more was not meant.
func TestAllocationsOfAMessage(t *testing.T) {
	raw := []byte(crlf("From: Ann <ann@club.example>\nTo: n0qrb-9@radio.example\nSubject: Re: supplies\nDate: Mon, 25 Nov 2024 14:05:00 +0000\nMessage-Id: <1@club.example>\n\nwater and food for two days\n\nOn Monday you wrote:\n> all well\n"))
	report := []byte(crlf("Content-Type: multipart/report; report-type=delivery-status; boundary=b\n\n--b\nContent-Type: text/plain\n\nno\n--b\nContent-Type: message/delivery-status\n\nReporting-MTA: dns; mx.club.example\n\nFinal-Recipient: rfc822; ann@club.example\nAction: failed\nStatus: 5.1.1\n\n--b--\n"))
	o := testOptions().withDefaults()
	o.Mailbox.Vouches = provider
	fetched := &intake{o: o}
	head, err := gomessage.Read(strings.NewReader("Authentication-Results: " + provider + "; dmarc=pass header.from=home.example\r\n\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	written := &incoming{from: "qra@home.example"}
	written.header.Header = head.Header
	now := time.Now()
	for _, c := range []struct {
		what string
		most float64
		do   func() error
	}{
		{"a mail", 130, func() error { _, err := readMail(raw, now); return err }},
		{"a delivery report", 105, func() error { _, err := readReport(report); return err }},
		{"Authentication-Results", 10, func() error { return fetched.proven(written, nil, nil) }},
		{"write a mail", 165, func() error { _, err := o.compose(frame("water low, send two cans")); return err }},
	} {
		got := testing.AllocsPerRun(100, func() {
			if err := c.do(); err != nil {
				t.Fatal(err)
			}
		})
		if got > c.most {
			t.Errorf("%s: %g allocations, want at most %g", c.what, got, c.most)
		}
	}
}
