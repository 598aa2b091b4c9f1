package mail

import (
	"context"
	"errors"
	"net"
	"testing"

	"github.com/emersion/go-smtp"
)

// TestAway: who comes while the gateway cannot store anything is told to come later,
// one after the other; afterwards the port is free.
func TestAway(t *testing.T) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	free.Close()
	ctx, end := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Away(ctx, address, "radio.example") }()
	for told := 0; told < 3; {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			continue // it does not listen yet
		}
		err = smtp.NewClient(conn).Hello("club.example")
		if answer, ok := errors.AsType[*smtp.SMTPError](err); !ok || answer.Code != 421 || answer.EnhancedCode != (smtp.EnhancedCode{4, 3, 2}) {
			t.Errorf("a client was told %v", err)
		}
		conn.Close()
		told++
	}
	if err := Away(ctx, address, "radio.example"); err == nil {
		t.Error("it listens where another listens")
	}
	end()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	again, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	again.Close()
}
