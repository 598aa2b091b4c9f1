package envelope

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/csv"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"posthouse/bridge/message"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// vector gives a check value (sources: testdata/SOURCES.md).
func vector(t testing.TB, name string) string {
	t.Helper()
	f, err := os.Open("testdata/vectors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r[0] == name {
			return r[1]
		}
	}
	t.Fatalf("no vector %s", name)
	return ""
}

func decode64(t testing.TB, s string) []byte {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// keyOf makes a key from a seed of one letter.
func keyOf(letter string) Key {
	private := ed25519.NewKeyFromSeed([]byte(strings.Repeat(letter, ed25519.SeedSize)))
	return Key{&private}
}

// rfcKey is the key of RFC 8037 appendix A.1.
func rfcKey(t testing.TB) Key {
	private := ed25519.NewKeyFromSeed(decode64(t, vector(t, "rfc8037.d")))
	return Key{&private}
}

// The cast: A sends to B; neither listed nor known is C.
const (
	gatewayA, gatewayB, gatewayC = "N0QRA-10", "N0QRB-10", "DL/N0QRC-10"
	root                         = "posthouse/1"
)

var (
	keyA, keyB, keyC = keyOf("a"), keyOf("b"), keyOf("c")
	now              = time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)
)

func trustAB(t testing.TB) *Trust {
	t.Helper()
	trust, err := ParseTrust([]byte(keyA.Public().JWK(gatewayA) + "\n" + keyB.Public().JWK(gatewayB)))
	if err != nil {
		t.Fatal(err)
	}
	return trust
}

// wantB is what gateway B expects on a topic.
func wantB(t testing.TB, topic Topic) Want {
	t.Helper()
	s, err := topic.Under(root)
	if err != nil {
		t.Fatal(err)
	}
	return Want{Root: root, Topic: s, Own: gatewayB, Groups: []string{"ALL"}, Now: now, ClockTrusted: true}
}

// hello is a text from A to B's inbox.
func hello() Event {
	m := message.Message{
		Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "4f2a",
		Text: "Water at the bridge: 2.1 m,\n\"rising\".", Precedence: message.Priority, Filed: now.Add(-time.Minute),
	}
	return Event{
		ID: "N0QRA-10.1234", Source: gatewayA, Root: root, Topic: Inbox(gatewayB), Number: uint64(now.UnixMilli()),
		Signed: now, Lifetime: 24 * time.Hour, Body: NewText(&m, "valley", gatewayA),
	}
}

func seal(t testing.TB, key Key, e Event) []byte {
	t.Helper()
	wire, err := Seal(key, e)
	if err != nil {
		t.Fatal(err)
	}
	return wire
}
