package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log"
	"net"
	"strings"
	"time"

	"github.com/emersion/go-smtp"
)

// way is between what and what the texts travel.
type way string

const (
	meshToMesh way = "mesh to mesh"
	mailToMesh way = "mail to mesh"
	meshToMail way = "mesh to mail"
	mailToMail way = "mail to mail" // of the peer
)

const (
	radioDomain = "radio.example"
	clubDomain  = "club.example"
)

// addressOf names somebody who gets mail.
func addressOf(i int) string { return fmt.Sprintf("u%d@%s", i%50, clubDomain) }

// writers hand mails in, on as many connections as there are senders.
type writers struct {
	o       options
	t       *tally
	to      func(i int) string
	clients chan *smtp.Client
}

func newWriters(o options, t *tally, server string, to func(i int) string) (*writers, error) {
	w := &writers{o: o, t: t, to: to, clients: make(chan *smtp.Client, o.senders)}
	for range o.senders {
		c, err := smtp.Dial(server)
		if err != nil {
			w.leave()
			return nil, err
		}
		w.clients <- c
	}
	return w, nil
}

func (w *writers) leave() {
	for range len(w.clients) {
		(<-w.clients).Close()
	}
}

// handIn mails one text and waits for the 250 behind its DATA.
func (w *writers) handIn(_ context.Context, i int) {
	c := <-w.clients
	defer func() { w.clients <- c }()
	from, to := addressOf(i), w.to(i)
	mail := fmt.Sprintf("From: %s\r\nTo: %s\r\nDate: %s\r\nMessage-Id: <%d@%s>\r\n\r\n%s\r\n",
		from, to, time.Now().Format(time.RFC1123Z), i, clubDomain, text(i, w.o.size))
	if err := c.SendMail(from, []string{to}, strings.NewReader(mail)); err == nil {
		w.t.confirmed[i].Store(w.t.now())
	}
}

// postbox is the mail server at the end of the way; it counts what it gets.
type postbox struct {
	t      *tally
	server *smtp.Server
	addr   string
}

func newPostbox(t *tally) (*postbox, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &postbox{t: t, addr: l.Addr().String()}
	p.server = smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return p, nil }))
	p.server.Domain, p.server.EnableDSN = "sink.example", true
	p.server.MaxMessageBytes, p.server.MaxRecipients = 1<<20, 100
	p.server.ReadTimeout, p.server.WriteTimeout = 2*time.Minute, time.Minute
	p.server.ErrorLog = log.New(io.Discard, "", 0)
	go p.server.Serve(l) // until end
	return p, nil
}

func (p *postbox) end() { _ = p.server.Close() }

// Data implements smtp.Session: a text is known again by its first line.
func (p *postbox) Data(r io.Reader) error {
	mail, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	_, body, _ := bytes.Cut(mail, []byte("\r\n\r\n"))
	p.t.arrive(numberOf(string(body[:min(len(body), 20)])))
	return nil
}

func (*postbox) Mail(string, *smtp.MailOptions) error { return nil }
func (*postbox) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (*postbox) Reset()                               {}
func (*postbox) Logout() error                        { return nil }
