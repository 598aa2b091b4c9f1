package aprsis

import (
	"errors"
	"fmt"
	"net"
	"os"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// APRS-IS, IGate details: what a gate passes from the network to radio.
func TestGatingRules(t *testing.T) {
	text := func(from, to, words, id string) message.Message {
		return message.Message{Kind: message.Text, From: from, To: to, Text: words, OriginID: id}
	}
	receipt := func(from, to, id string, nak bool) message.Message {
		return message.Message{Kind: message.Receipt, From: from, To: to, Acks: id, Nak: nak}
	}
	for _, c := range []struct {
		name, line string
		want       []message.Message
		dropped    string
	}{
		{"for a station heard by radio", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRC-7  :hello{1", []message.Message{text("N0QRB-9", "N0QRC-7", "hello", "1")}, ""},
		{"for the gateway itself", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRA-10 :N0QRC-7 hello{1", []message.Message{text("N0QRB-9", gateway, "N0QRC-7 hello", "1")}, ""},
		{"small letters are the same call signs", "n0qrb-9>APZ001,qAC,X::n0qrc-7  :hello", []message.Message{text("N0QRB-9", "N0QRC-7", "hello", "")}, ""},
		{"UTF-8", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :Grüße{1", []message.Message{text("N0QRB-9", "N0QRC-7", "Grüße", "1")}, ""},
		{"Latin-1 is not guessed, and refused with a word", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :Gr\xfc\xdfe{1", []message.Message{text("N0QRB-9", "N0QRC-7", "Gr\xfc\xdfe", "1")}, ""},
		{"a reply-ack is two things", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :hello{MM}AA", []message.Message{text("N0QRB-9", "N0QRC-7", "hello", "MM"), receipt("N0QRB-9", "N0QRC-7", "AA", false)}, ""},

		{"not for a station that was never heard", "N0QRB-9>APZ001,qAC,X::N0QRE    :hello{1", nil, dropNotHeard},
		{"not for another SSID of one that was", "N0QRB-9>APZ001,qAC,X::N0QRC-9  :hello{1", nil, dropNotHeard},
		{"not for one that is on the network itself", "N0QRB-9>APZ001,qAC,X::N0QRD-7  :hello{1", nil, dropOnNetwork},
		{"no query of the gateway's position", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRA-10 :?APRSP", nil, dropQuery},
		{"no query with an id", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRA-10 :?APRSV{1", nil, dropQuery},
		{"no query of everybody, to the gateway", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRA-10 :?IGATE?", nil, dropQuery},
		{"no trace of a mesh station", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRC-7  :?PING?", nil, dropQuery},
		{"a person's question is none", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRC-7  :?where are you{1", []message.Message{text("N0QRB-9", "N0QRC-7", "?where are you", "1")}, ""},
		{"no names of telemetry, which a server sends to a station about itself", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRC-7  :PARM.Battery,Temp", nil, dropTelemetry},
		{"nor its units, nor its equations", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRA-10 :EQNS.0,1,0,0,1,0{1", nil, dropTelemetry},
		{"a word that begins so is none", "N0QRB-9>APZ001,TCPIP*,qAC,X::N0QRC-7  :PARMESAN. two kg{1", []message.Message{text("N0QRB-9", "N0QRC-7", "PARMESAN. two kg", "1")}, ""},
		{"not from one heard by radio", "N0QRC-7>APZ001,TCPIP*,qAC,X::N0QRA-10 :hello{1", nil, dropSenderHeard},
		{"not with TCPXX", "N0QRB-9>APZ001,TCPXX*,qAX,X::N0QRC-7  :hello{1", nil, dropForbidden},
		{"not with NOGATE", "N0QRB-9>APZ001,NOGATE,qAR,N0QRE::N0QRC-7  :hello{1", nil, dropForbidden},
		{"not with RFONLY", "N0QRB-9>APZ001,RFONLY,qAR,N0QRE::N0QRC-7  :hello{1", nil, dropForbidden},
		{"no bulletin", "N0QRB-9>APZ001,qAC,X::BLN1WX   :hello", nil, dropBulletin},
		{"no general call", "N0QRB-9>APZ001,qAC,X::CQ       :hello", nil, dropBulletin},
		{"not to what is no call sign", "N0QRB-9>APZ001,qAC,X::SERVER   :hello", nil, dropNoCallsign},
		{"not from what is no call sign", "SERVER>APZ001,qAC,X::N0QRC-7  :hello", nil, dropNoCallsign},
		{"not from an SSID of letters", "N0QRB-XY>APZ001,qAC,X::N0QRC-7  :hello", nil, dropNoCallsign},
		{"not our own", "N0QRA-10>APZ001,TCPIP*,qAC,X::N0QRC-7  :hello", nil, dropEcho},
		{"not what we gated", "N0QRB-9>APZ001,qAR,N0QRA-10::N0QRC-7  :hello", nil, dropEcho},
		{"nor in the old form", "N0QRB-9>APZ001,N0QRA-10,I::N0QRC-7  :hello", nil, dropEcho},

		{"an ack", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :ack0A1B2", []message.Message{receipt("N0QRB-9", "N0QRC-7", "0A1B2", false)}, ""},
		{"a reject", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :rej0A1B2", []message.Message{receipt("N0QRB-9", "N0QRC-7", "0A1B2", true)}, ""},
		{"an ack for the gateway", "N0QRB-9>APZ001,qAC,X::N0QRA-10 :ack0A1B2", []message.Message{receipt("N0QRB-9", gateway, "0A1B2", false)}, ""},
		{"an ack for a station we sent for", "N0QRB-9>APZ001,qAC,X::N0QRF    :ack1", []message.Message{receipt("N0QRB-9", "N0QRF", "1", false)}, ""},
		{"an ack from a station heard by radio too", "N0QRC-7>APZ001,qAC,X::N0QRA-10 :ack1", []message.Message{receipt("N0QRC-7", gateway, "1", false)}, ""},
		{"an ack that echoes a reply-ack", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :ackMM}AA", []message.Message{receipt("N0QRB-9", "N0QRC-7", "MM", false)}, ""},
		{"somebody else's ack", "N0QRB-9>APZ001,qAC,X::N0QRE    :ack1", nil, dropNotHeard},
		{"an ack from an unverified login", "N0QRB-9>APZ001,TCPXX*,qAX,X::N0QRC-7  :ack1", nil, dropForbidden},

		{"wrapped by a careless gate", "N0QRE>APZ001,qAR,N0QRE:}N0QRB-9>APZ001,WIDE1-1::N0QRC-7  :hello{1", []message.Message{text("N0QRB-9", "N0QRC-7", "hello", "1")}, ""},
		{"wrapped, and from the network before", "N0QRE>APZ001,qAR,N0QRE:}N0QRB-9>APZ001,TCPIP,N0QRE*::N0QRC-7  :hello{1", nil, dropThirdParty},
		{"wrapped twice", "N0QRE>APZ001,qAR,N0QRE:}N0QRB-9>APZ001:}N0QRB-9>APZ001:>x", nil, dropThirdParty},

		{"a position of a station sought", "N0QRG-5>APZ001,qAR,N0QRE:=4903.50N/07201.75W-on foot",
			[]message.Message{{Kind: message.Position, From: "N0QRG-5", Messaging: true, Where: &message.Where{Lat: 49 + 3.5/60, Lon: -(72 + 1.75/60), Comment: "on foot"}}}, ""},
		{"one that takes no messages", "N0QRG-5>APZ001,qAR,N0QRE:!4903.50N/07201.75W-",
			[]message.Message{{Kind: message.Position, From: "N0QRG-5", Where: &message.Where{Lat: 49 + 3.5/60, Lon: -(72 + 1.75/60)}}}, ""},
		{"a position that is not known", "N0QRG-5>APZ001,qAR,N0QRE:=0000.00N\\00000.00W.", []message.Message{{Kind: message.Beacon, From: "N0QRG-5", Messaging: true}}, ""},
		{"an object is a sign of life", "N0QRG-5>APZ001,qAR,N0QRE:;LEADER   *092345z4903.50N/07201.75W>", []message.Message{{Kind: message.Beacon, From: "N0QRG-5"}}, ""},
		{"an unknown data type too", "N0QRG-5>APZ001,qAR,N0QRE:`\x1c\x7f\xff", []message.Message{{Kind: message.Beacon, From: "N0QRG-5"}}, ""},
		{"of others nothing is wanted", "N0QRB-9>APZ001,qAR,N0QRE:=4903.50N/07201.75W-", nil, dropNotAsked},

		{"no frame", "hello", nil, dropMalformed},
		{"a message that is none", "N0QRB-9>APZ001,qAC,X::N0QRC-7:hello", nil, dropMalformed},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := knowledge{
				own:       gateway,
				byRadio:   func(call string) bool { return call == "N0QRC-7" || call == "N0QRD-7" },
				online:    func(call string) bool { return call == "N0QRD-7" },
				ours:      func(call string) bool { return call == "N0QRC-7" || call == "N0QRF" },
				asked:     func(call string) bool { return strings.HasPrefix(call, "N0QRG") },
				sawOnline: func(string) {},
				now:       func() time.Time { return noon },
			}
			got, dropped := k.read(c.line)
			if !reflect.DeepEqual(got, c.want) || dropped != c.dropped {
				t.Errorf("got  %+v, %q\nwant %+v, %q", got, dropped, c.want, c.dropped)
			}
		})
	}
}

func TestAStationIsOnTheNetworkWhenItsFramesSaySo(t *testing.T) {
	var saw []string
	k := knowledge{own: gateway, sawOnline: func(call string) { saw = append(saw, call) }, asked: func(string) bool { return false }}
	for _, line := range []string{"N0QRB>APZ001,TCPIP*,qAC,X:>a", "N0QRC>APZ001,WIDE1-1,qAR,N0QRE:>a", "N0QRD>APZ001,TCPXX*,qAX,X:>a", "N0QRA-10>APZ001,TCPIP*,qAC,X:>a"} {
		k.read(line)
	}
	if want := []string{"N0QRB", "N0QRD"}; !slices.Equal(saw, want) {
		t.Errorf("got %v, want %v", saw, want)
	}
}

func TestFilter(t *testing.T) {
	for _, c := range []struct {
		name, operator string
		want           link.Interest
		filter         string
	}{
		{"nothing of interest: our own messages", "", link.Interest{}, "g/N0QRA-10"},
		{"stations and sought", "", link.Interest{Stations: []string{"N0QRC-7", "N0QRB"}, Sought: []string{"N0QRE"}}, "g/N0QRA-10/N0QRB/N0QRC-7 b/N0QRE*"},
		{"the operator's addition", "r/46/-122/50", link.Interest{Sought: []string{"N0QRE"}}, "g/N0QRA-10 b/N0QRE* r/46/-122/50"},
		{"another order is the same filter", "", link.Interest{Stations: []string{"N0QRB", "N0QRC-7", "N0QRB"}, Sought: []string{"N0QRE-3", "N0QRE"}}, "g/N0QRA-10/N0QRB/N0QRC-7 b/N0QRE*"},
		{"what APRS can't know is left out", "", link.Interest{Stations: []string{"DL/N0QRB", "!4f2a", "N0QRA-10"}, Sought: []string{"a@b.example", "x* t/m"}}, "g/N0QRA-10"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := filter(gateway, c.operator, c.want); got != c.filter {
				t.Errorf("got %q, want %q", got, c.filter)
			}
		})
	}
}

func TestFilterHasABound(t *testing.T) {
	var want link.Interest
	for i := range 2000 {
		want.Stations = append(want.Stations, fmt.Sprintf("N%dQ%c%c-%d", i%10, 'R'+i/10%4, 'A'+i/40%26, 1+i%15))
		want.Sought = append(want.Sought, fmt.Sprintf("W%dQ%c%c", i%10, 'R'+i/10%4, 'A'+i/40%26))
	}
	operator := strings.Repeat("b/N0QRA ", 25)[:199]
	got := filter(gateway, operator, want)
	if len(got) > maxFilter || !strings.HasSuffix(got, operator) {
		t.Errorf("%d characters, at most %d wanted: %s", len(got), maxFilter, got)
	}
	if n := strings.Count(got, "*"); n < 15 || n > maxSought {
		t.Errorf("%d stations sought", n)
	}
	longest := "user N0QRA-10 pass 32767 vers posthouse " + strings.Repeat("x", 40) + " filter " + got
	if len(longest) > MaxLine-2 {
		t.Errorf("a login of %d bytes", len(longest))
	}
}

func TestAResetIsAConnectionThatTheServerClosed(t *testing.T) {
	reset := &net.OpError{Op: "read", Err: os.NewSyscallError("read", syscall.ECONNRESET)}
	for answered, want := range map[bool]error{true: errClosed, false: errTurnedAway} {
		if got := (&session{a: &Adapter{}, answered: answered}).explain(reset); !errors.Is(got, want) {
			t.Errorf("answered %v: %v, want %v", answered, got, want)
		}
	}
}

func TestRecentForgets(t *testing.T) {
	r := recent[int]{keep: time.Hour, limit: 100}
	for i := range 1000 {
		r.put(fmt.Sprint(i), i)
	}
	if v, ok := r.get("999"); !ok || v != 999 || len(r.m) > 100 {
		t.Errorf("the last one is %d, %v; %d are kept", v, ok, len(r.m))
	}
}

func TestDelayGrowsToItsLimit(t *testing.T) {
	for tries, least := range []time.Duration{5, 10, 20, 40, 80, 160, 300, 300} {
		least *= time.Second
		for range 100 {
			if d := delay(firstDelay, tries); d < least || d > min(least*3/2, lastDelay) {
				t.Fatalf("try %d waits %v, want %v and up to a half more", tries, d, least)
			}
		}
	}
	if d := delay(firstDelay, 1<<30); d != lastDelay {
		t.Errorf("after very many tries %v, want %v", d, lastDelay)
	}
}
