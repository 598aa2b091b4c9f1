package bridge_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// forge has a gateway publish what it should not, with a number of its own.
func (c *country) forge(from, to string, m message.Message) {
	m.Via, m.Handed = from, true
	if m.TrunkID == "" {
		m.TrunkID = from + ".999"
	}
	c.wire.publish(event{kind: string(m.Kind), from: from, inbox: to, number: uint64(time.Now().UnixNano())<<8 + 99, m: m})
	synctest.Wait()
}

func TestReceiptCountsOnlyFromTheGatewayThatHasTheMessage(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast"}, func(t *testing.T, c *country) {
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(10 * time.Second)
		for _, kind := range []message.Kind{message.Custody, message.Receipt, message.Notice} {
			c.forge("N0QRE-10", "N0QRA-10", message.Message{Kind: kind, From: birch, To: alder, Acks: "N0QRA-10.1", Text: "forged"})
		}
		c.forge("N0QRB-10", "N0QRA-10", message.Message{Kind: message.Receipt, From: "N0QRH-1", To: alder, Acks: "N0QRA-10.1"})
		time.Sleep(time.Minute)
		same(t, "alder", c.airs["valley"].told(alder))
		same(t, "outcome", c.posts["N0QRA-10"].outcomes("hello"), "open:passed")
	})
}

// A receipt may come from another gateway of that mesh. That its key is not believed any
// more before the answer to the receipt is ready brings nothing down.
func TestReceiptOfAGatewayWhoseKeyFallsMeanwhile(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRC-10 hill"}, func(t *testing.T, c *country) {
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(10 * time.Second)
		a := c.posts["N0QRA-10"]
		same(t, "outcome", a.outcomes("hello"), "open:passed")
		fall := func() { a.host(c).Trusts(func(call, key string) bool { return true }, []string{"N0QRC-10"}) }
		a.next.Store(&fall)
		c.forge("N0QRC-10", "N0QRA-10", message.Message{Kind: message.Receipt, From: birch, To: alder, Acks: "N0QRA-10.1"})
		same(t, "outcome", a.outcomes("hello"), "delivered")
	})
}

func TestNoFarGatewayHasAnAckTransmitted(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["valley"].beacon(alder)
		c.forge("N0QRB-10", "N0QRA-10", message.Message{Kind: message.Receipt, From: birch, To: alder, Acks: "4f2a"})
		c.forge("N0QRB-10", "N0QRA-10", message.Message{Kind: message.Notice, From: "N0QRB-10", To: alder, Text: "buy something"})
		time.Sleep(time.Minute)
		same(t, "alder", c.airs["valley"].told(alder))
	})
}

// What far gateways say is forgotten when their key is not believed any more,
// and what they handed over is for the operator to judge.
func TestRemovedKey(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		a := c.posts["N0QRA-10"]
		a.links["valley"].Down("so that it waits")
		c.airs["valley"].appears(alder)
		a.links["valley"].Up()
		c.airs["valley"].beacon(alder)
		time.Sleep(time.Minute)
		if err := a.bridge.Quiet(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		c.airs["hill"].says(birch, alder, "1", "from a stranger")
		c.airs["valley"].says("N0QRG-5", birch, "1", "for the hill")
		time.Sleep(10 * time.Second)
		same(t, "waits", a.outcomes("from a stranger"), "open:ready")
		a.host(c).Trusts(func(call, key string) bool { return false }, []string{"N0QRB-10"})
		time.Sleep(time.Minute)
		same(t, "held for the operator", a.outcomes("from a stranger"), "open:parked")
		if err := a.bridge.Resume(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		if n := count(c.airs["valley"].told(alder), "from a stranger"); n != 0 {
			t.Error("what an unbelieved gateway handed over went out")
		}
	})
}

// host is the gateway as its trunk sees it.
func (p *post) host(c *country) link.TrunkHost {
	c.wire.mu.Lock()
	defer c.wire.mu.Unlock()
	return c.wire.ends[p.call].host
}

func TestAtMostTwentyWithoutCustodyReceiptPerGateway(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast"}, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		c.airs["coast"].beacon("N0QRG-5")
		c.airs["hill"].silence(birch, true) // else the end-to-end receipts would make room
		deaf := true
		c.wire.spoil(func() {
			c.wire.lose = func(_ string, e *event) bool { return deaf && e.kind == "custody" && e.from == "N0QRB-10" }
		})
		for i := range 50 {
			c.airs["valley"].says(fmt.Sprintf("N0QR%c-7", 'H'+i%10), birch, fmt.Sprint(i), fmt.Sprint("to the hill ", i))
		}
		time.Sleep(10 * time.Second)
		if n := c.wire.counted("text"); n != 20 {
			t.Errorf("%d on their way", n)
		}
		c.airs["valley"].says(alder, "N0QRG-5", "1", "to the coast") // another gateway has room
		time.Sleep(10 * time.Second)
		if got := c.airs["coast"].told("N0QRG-5"); count(got, "to the coast") != 1 {
			t.Errorf("the coast was told %q", got)
		}
		c.wire.spoil(func() { deaf = false })
		c.airs["hill"].silence(birch, false)
		time.Sleep(30 * time.Minute)
		told := map[string]bool{}
		for _, line := range c.airs["hill"].told(birch) {
			told[line] = true
		}
		if len(told) != 50 {
			t.Errorf("birch was told %d texts", len(told))
		}
		same(t, "left open", c.open())
	})
}

func TestWordOfTheTransmitterIsLostStillOneMail(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) { // also what gateways with different normalisers see
		c.wire.spoil(func() { c.wire.lose = func(_ string, e *event) bool { return e.kind == "taken" } })
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		c.airs["valley"].says(alder, "ALL", "2", "net at eight")
		time.Sleep(10 * time.Minute)
		once(t, "mails", c.mails(), "all well")
		if n := c.wire.counted("text"); n != 3 { // the group's, and what was handed over
			t.Errorf("%d texts on the trunk", n)
		}
		same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

// A gateway whose queue comes from an old backup gives old ids to new texts.
func TestQueueFromAnOldBackup(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		a := c.posts["N0QRA-10"]
		c.airs["hill"].beacon(birch)
		a.shut()
		file := filepath.Join(a.dir, "queue.db")
		backup, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		a.start()
		time.Sleep(2 * time.Minute)
		for i := range 5 {
			c.airs["valley"].says(alder, birch, fmt.Sprint(i), fmt.Sprint("before ", i))
		}
		time.Sleep(time.Minute)
		a.shut()
		if err := os.WriteFile(file, backup, 0o600); err != nil {
			t.Fatal(err)
		}
		a.start()
		time.Sleep(2 * time.Minute)
		for i := range 5 {
			c.airs["valley"].says(alder, birch, fmt.Sprint(i), fmt.Sprint("after ", i))
		}
		time.Sleep(5 * time.Minute)
		got := c.airs["hill"].told(birch)
		for i := range 5 {
			for _, when := range []string{"before", "after"} {
				if n := count(got, fmt.Sprint(when, " ", i)); n != 1 {
					t.Errorf("%s %d arrived %d times", when, i, n)
				}
			}
		}
		if n := count(c.airs["valley"].told(alder), "receipt"); n != 10 {
			t.Errorf("%d receipts", n)
		}
		same(t, "left open", c.open())
	})
}

func TestLifetimeEndsAtTheFarGatewayWhenItEndsHere(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley LIFETIME=2h", "N0QRB-10 hill"}, func(t *testing.T, c *country) {
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(2*time.Hour + time.Minute)
		for _, call := range c.calls() {
			same(t, call, c.posts[call].outcomes("hello"), string(queue.Expired))
		}
	})
}
