package envelope_test

import (
	"fmt"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/message"
)

// A text goes from one gateway to another.
func Example() {
	const root = "posthouse/1"
	key, err := envelope.MakeKey()
	if err != nil {
		fmt.Println(err)
		return
	}
	trust, err := envelope.ParseTrust([]byte(key.Public().JWK("N0QRA-10")))
	if err != nil {
		fmt.Println(err)
		return
	}

	now := time.Now()
	m := message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "4f2a", Text: "Bridge is open."}
	event := envelope.Event{
		ID: "N0QRA-10.1234", Source: "N0QRA-10", Root: root, Topic: envelope.Inbox("N0QRB-10"),
		Number: envelope.NextNumber(0, now), Signed: now, Lifetime: time.Hour,
		Body: envelope.NewText(&m, "valley", "N0QRA-10"),
	}
	wire, err := envelope.Seal(key, event)
	if err != nil {
		fmt.Println(err)
		return
	}

	var window envelope.Window // of this key, from the store
	want := envelope.Want{Root: root, Topic: root + "/in/N0QRB-10", Own: "N0QRB-10", Now: now, ClockTrusted: true}
	for range 2 { // the second one is a replay
		received, err := envelope.Open(wire, trust, want)
		if err == nil {
			err = window.Take(received.Number)
		}
		if err != nil {
			fmt.Println(err)
			return
		}
		if text, ok := received.Body.(envelope.Text); ok {
			fmt.Printf("%s by way of %s: %s\n", text.From, text.Hops, text.Text)
		}
	}
	// Output:
	// N0QRA-7 by way of [N0QRA-10]: Bridge is open.
	// its number was seen, or is too old to tell
}
