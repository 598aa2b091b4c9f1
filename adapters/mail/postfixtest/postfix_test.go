package postfixtest_test

import (
	"context"
	"net/smtp"
	"strings"
	"testing"
	"time"

	"posthouse/adapters/mail/postfixtest"
	"posthouse/adapters/mail/sink"
)

func TestRelaysByDomainAlsoAfterARestart(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	world, err := sink.Start(ctx, sink.Options{})
	if err != nil {
		t.Fatal(err)
	}
	radio, err := sink.Start(ctx, sink.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := postfixtest.Start(t, postfixtest.Options{NextHop: world.Address(), To: map[string]string{"radio.example": radio.Address()}})
	send := func(to string) {
		t.Helper()
		if err := smtp.SendMail(p.Addr, nil, "ann@club.example", []string{to}, []byte("Subject: a\r\n\r\nb\r\n")); err != nil {
			t.Fatalf("%s: %v\n%s", to, err, p.Log())
		}
	}
	send("kim@shop.example")
	send("n0qra-7@radio.example")
	for s, to := range map[*sink.Sink]string{world: "kim@shop.example", radio: "n0qra-7@radio.example"} {
		mails, err := s.Wait(ctx, 1)
		if err != nil {
			t.Fatalf("%v\n%s", err, p.Log())
		}
		if got := strings.Join(mails[0].To, " "); got != to {
			t.Errorf("mail to %s arrived where that to %s should", got, to)
		}
	}
	p.Stop()
	p.Restart()
	send("kim@shop.example")
	if _, err := world.Wait(ctx, 2); err != nil {
		t.Fatalf("%v\n%s", err, p.Log())
	}
}
