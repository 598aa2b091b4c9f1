package aprsis

import (
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const gateway = "N0QRA-10"

func text(from, to, words, id string) link.Frame {
	return link.Frame{Message: message.Message{Kind: message.Text, From: from, To: to}, Text: words, ID: id}
}

func receiptFrame(from, to, id string, nak bool) link.Frame {
	return link.Frame{Message: message.Message{Kind: message.Receipt, From: from, To: to, Acks: id, Nak: nak}}
}

func position(from string, w *message.Where) link.Frame {
	return link.Frame{Message: message.Message{Kind: message.Position, From: from, Where: w}}
}

func TestEncode(t *testing.T) {
	notice := text(gateway, "N0QRB-9", "held: N0QRC not heard", "0A1B2")
	notice.Message.Kind = message.Notice
	for _, c := range []struct {
		name string
		in   link.Frame
		want string
	}{
		{"a station heard here is the source", text("N0QRC-7", "N0QRB-9", "hello", "0A1B2"), "N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :hello{0A1B2"},
		{"a writer of mail is not", text("anna@county.example", "N0QRB-9", "anna@county.example: hello", "0A1B2"), "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :anna@county.example: hello{0A1B2"},
		{"nor a portable call", text("DL/N0QRC", "N0QRB-9", "DL/N0QRC: hello", "1"), "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :DL/N0QRC: hello{1"},
		{"nor a node without a call sign", text("!4f2a", "N0QRB-9", "4f2a: hello", "1"), "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :4f2a: hello{1"},
		{"the operator's own text", text(gateway, "N0QRB-9", "hello", "1"), "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :hello{1"},
		{"a notice has no id", notice, "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :held: N0QRC not heard"},
		{"no id, no acknowledgement", text("N0QRC-7", "N0QRB", "hello", ""), "N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB    :hello"},
		{"a group is a bulletin", text("N0QRC-7", "WX", "hello", "1"), "N0QRC-7>APZPH1,qAR,N0QRA-10::BLN4WX   :hello"},
		{"an ack comes from the station", receiptFrame("N0QRC-7", "N0QRB-9", "34", false), "N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :ack34"},
		{"a reject too", receiptFrame("N0QRC-7", "N0QRB-9", "MM}AA", true), "N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :rejMM}AA"},
		{"the gateway acknowledges in its own name", receiptFrame(gateway, "N0QRB-9", "34", false), "N0QRA-10>APZPH1,TCPIP*::N0QRB-9  :ack34"},
		{"a position", position("N0QRC-7", &message.Where{Lat: 46.5, Lon: -122.9, Alt: feet(1411), Comment: "on foot"}), "N0QRC-7>APZPH1,qAR,N0QRA-10:!4630.00N/12254.00W[/A=001411on foot"},
		{"what imitates an ack is quoted", text("N0QRC-7", "N0QRB-9", "ack12", "1"), `N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :"ack12"{1`},
		{"in any case, with any id", text("N0QRC-7", "N0QRB-9", " REJMM}AA", ""), `N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :"REJMM}AA"`},
		{"with none", text("N0QRC-7", "N0QRB-9", "ack", ""), `N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :"ack"`},
		{"as a bulletin too", text("N0QRC-7", "WX", "rej1", ""), `N0QRC-7>APZPH1,qAR,N0QRA-10::BLN4WX   :"rej1"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Encode(c.in, gateway, 4)
			if err != nil || p.String() != c.want {
				t.Errorf("got  %s, %v\nwant %s", p, err, c.want)
			}
		})
	}
}

func TestEncodeRefusesForGood(t *testing.T) {
	for _, c := range []struct {
		name string
		in   link.Frame
		code string
	}{
		{"68 bytes", text("N0QRC-7", "N0QRB", strings.Repeat("x", 68), ""), link.CodeTooLong},
		{"a line end", text("N0QRC-7", "N0QRB", "a\r\nb", ""), link.CodeNotText},
		{"a brace", text("N0QRC-7", "N0QRB", "a{1", ""), link.CodeNotText},
		{"an umlaut", text("N0QRC-7", "N0QRB", "Grüße", ""), link.CodeNotText},
		{"an id of six characters", text("N0QRC-7", "N0QRB", "a", "123456"), link.CodeNotText},
		{"an id with a line end", text("N0QRC-7", "N0QRB", "a", "1\r\n"), link.CodeNotText},
		{"a mail address", text("N0QRC-7", "anna@county.example", "a", ""), link.CodeNoRoute},
		{"a portable addressee", text("N0QRC-7", "DL/N0QRB", "a", ""), link.CodeNotAllowed},
		{"a group of six letters", text("N0QRC-7", "RESCUE", "a", ""), link.CodeNotAllowed},
		{"a group with a colon", text("N0QRC-7", "W:X", "a", ""), link.CodeNotAllowed},
		{"an ack by who has no call sign", receiptFrame("anna@county.example", "N0QRB", "1", false), link.CodeNoCallsign},
		{"an ack for a mail address", receiptFrame("N0QRC-7", "anna@county.example", "1", false), link.CodeNotAllowed},
		{"an ack of nothing", receiptFrame("N0QRC-7", "N0QRB", "", false), link.CodeNotText},
		{"a position without a place", position("N0QRC-7", nil), link.CodeNotText},
		{"the position 0/0", position("N0QRC-7", &message.Where{}), link.CodeNotText},
		{"the position of no call sign", position("!4f2a", &message.Where{Lat: 1, Lon: 1}), link.CodeNotAllowed},
		{"a beacon", link.Frame{Message: message.Message{Kind: message.Beacon, From: "N0QRC-7"}}, link.CodeNotAllowed},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Encode(c.in, gateway, 0)
			permanent, ok := errors.AsType[*link.PermanentError](err)
			if !ok || permanent.Code != c.code {
				t.Errorf("got %q, %v, want a permanent error %s", p.Info, err, c.code)
			}
		})
	}
}

// What a stranger sends reads the same after it was printed.
func FuzzParse(f *testing.F) {
	for _, row := range []string{
		"N0QRA-7>APZ001,WIDE1-1::N0QRB-1  :Hello{01", "N0QRB-1>APZ001::N0QRA-7  :ack01", "N0QRA>APZ001,TCPIP*,qAC,X::BLN4WX   :x{MM}AA",
		"N0QRB-10>APZ001:}N0QRA-7>APZ001,TCPIP,N0QRB-10*:>x", "# logresp N0QRA verified, server X", "N0QRA>APZ001:=/5L!!<*e7>7P[",
		"N0QRA>APZ001:@092345z4903.50N/07201.75W>/A=001234 Test",
	} {
		f.Add(row)
	}
	f.Fuzz(func(t *testing.T, line string) {
		p, err := ParsePacket(line)
		if err != nil {
			return
		}
		again, err := ParsePacket(p.String())
		if err != nil || again.String() != p.String() || len(p.String()) > MaxLine-2 || strings.ContainsAny(p.String(), "\r\n") {
			t.Fatalf("%q reads as %+v, then %+v, %v", line, p, again, err)
		}
		if x, err := ParseText(p.Info); err == nil {
			if y, err := ParseText(x.String()); err != nil || x != y {
				t.Fatalf("%q reads as %+v, then %+v, %v", p.Info, x, y, err)
			}
		}
		if w, err := ParsePosition(p.Info, noon); err == nil {
			if w.Lat < -90 || w.Lat > 90 || w.Lon < -180 || w.Lon > 180 || w.Ambiguity > maxAmbiguity || !utf8.ValidString(w.Comment) {
				t.Fatalf("%q reads as %+v", p.Info, w)
			}
			if out, err := FormatPosition(w, true); err == nil && !printable(out) {
				t.Fatalf("%q prints as %q", p.Info, out)
			}
		}
	})
}

// Whatever the courier hands over: a line of printable ASCII within the limit,
// which says what it was meant to say and never acknowledges anything.
func FuzzEncode(f *testing.F) {
	f.Add("N0QRC-7", "N0QRB-9", "hello", "0A1B2")
	f.Add("anna@county.example", "WX", "ack12", "")
	f.Add("N0QRC-7", "N0QRB-9", "a\r\nN0QRA>APZ001:>x", "1\n")
	f.Fuzz(func(t *testing.T, from, to, words, id string) {
		p, err := Encode(text(from, to, words, id), gateway, 3)
		if err != nil {
			if _, ok := errors.AsType[*link.PermanentError](err); !ok || p.Info != "" {
				t.Fatalf("got %+v, %v, want nothing and a permanent error", p, err)
			}
			return
		}
		line := p.String()
		if len(line) > MaxLine-2 || !printable(line) {
			t.Fatalf("%q is too long or not printable", line)
		}
		read, err := ParsePacket(line)
		if err != nil || read.String() != line {
			t.Fatalf("%q reads as %+v, %v", line, read, err)
		}
		got, err := ParseText(read.Info)
		if err != nil || got.Sort != Words {
			t.Fatalf("%q reads as %+v, %v, want words", line, got, err)
		}
		if got.Body != words && strings.Trim(got.Body, `"`) != strings.TrimSpace(words) {
			t.Fatalf("%q became %q", words, got.Body)
		}
	})
}
