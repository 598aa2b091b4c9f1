package broker

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func testCodec(t testing.TB, change ...func(*MeshOptions)) *codec {
	t.Helper()
	o := MeshOptions{Name: "valley", Call: "N0QRZ-10"}
	for _, f := range change {
		f(&o)
	}
	o.setDefaults()
	c, err := newCodec(o)
	if err != nil {
		t.Fatal(err)
	}
	return &c
}

func ptr(f float64) *float64 { return &f }

func TestDecode(t *testing.T) {
	noon := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name, in string
		want     message.Message
	}{
		{"a text (contract, section 3)", `{"id":"4f2a","from":"N0QRA-7","to":"N0QRB-9","text":"hello"}`,
			message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "4f2a", Text: "hello"}},
		{"a position (contract, section 3)", `{"from":"N0QRA-7","lat":46.5,"lon":-122.9,"alt":430,"text":"on foot"}`,
			message.Message{Kind: message.Position, From: "N0QRA-7", Where: &message.Where{Lat: 46.5, Lon: -122.9, Alt: ptr(430), Comment: "on foot"}}},
		{"a receipt (contract, section 3)", `{"from":"N0QRB-9","to":"N0QRA-7","ack":"4f2a"}`,
			message.Message{Kind: message.Receipt, From: "N0QRB-9", To: "N0QRA-7", Acks: "4f2a"}},
		{"a refusal", `{"from":"N0QRB-9","to":"N0QRA-7","nak":"4f2a"}`,
			message.Message{Kind: message.Receipt, From: "N0QRB-9", To: "N0QRA-7", Acks: "4f2a", Nak: true}},
		{"all optional members", `{"id":1,"from":"N0QRA","to":"ALL","text":"x","time":"2026-11-25T13:00:00+01:00","precedence":"emergency","snr":-7.5,"rssi":-110,"encrypted":true,"via":"N0QRC-10"}`,
			message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", OriginID: "1", Text: "x", Filed: noon, Precedence: message.Emergency,
				SNR: ptr(-7.5), RSSI: ptr(-110), Encrypted: true, Via: "N0QRC-10"}},
		{"whole numbers, however they are spelt (RFC 8259, section 6)", `{"id":1e3,"from":17.0,"to":-1.20E+1,"text":"x"}`,
			message.Message{Kind: message.Text, From: "17", To: "-12", OriginID: "1000", Text: "x"}},
		{"an id of many digits", `{"id":18446744073709551617,"from":"N0QRA","text":"x"}`, message.Message{Kind: message.Text, From: "N0QRA", OriginID: "18446744073709551617", Text: "x"}},
		{"an id of many digits that was a float on its way", `{"id":1.8446744073709552e19,"from":"N0QRA","text":"x"}`,
			message.Message{Kind: message.Text, From: "N0QRA", OriginID: "18446744073709552000", Text: "x"}},
		{"the ack of a number", `{"from":"N0QRB-9","to":"N0QRA-7","ack":4711.0}`, message.Message{Kind: message.Receipt, From: "N0QRB-9", To: "N0QRA-7", Acks: "4711"}},
		{"call signs in canonical form, other addresses as written", `{"from":"n0qra-0","to":" Someone@mail.example ","text":"x"}`,
			message.Message{Kind: message.Text, From: "N0QRA", To: "Someone@mail.example", Text: "x"}},
		{"the text is not touched", `{"from":"N0QRA","to":"ALL","text":" \u00fc \ud83d\udc4d\t\u0000 \ufffd"}`,
			message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", Text: " ü 👍\t\x00 \ufffd"}},
		{"a byte order mark (RFC 8259, section 8.1)", "\ufeff" + `{"from":"N0QRA","text":"x"}`, message.Message{Kind: message.Text, From: "N0QRA", Text: "x"}},
		{"as a string in C ends", `{"from":"N0QRA","text":"x"}` + "\x00", message.Message{Kind: message.Text, From: "N0QRA", Text: "x"}},
		{"no to, no id", `{"from":"N0QRA","text":"x"}`, message.Message{Kind: message.Text, From: "N0QRA", Text: "x"}},
		{"null and empty are absent", `{"id":"","from":"N0QRA","to":null,"text":"x","ack":"","nak":null,"lat":null,"via":""}`,
			message.Message{Kind: message.Text, From: "N0QRA", Text: "x"}},
		{"an empty text is for the rules", `{"from":"N0QRA","to":"ALL","text":""}`, message.Message{Kind: message.Text, From: "N0QRA", To: "ALL"}},
		{"encrypted without a text is for the rules", `{"from":"N0QRA","to":"ALL","encrypted":1,"payload":"q6Y="}`,
			message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", Encrypted: true}},
		{"just heard", `{"from":"N0QRA-7","snr":3,"battery":91}`, message.Message{Kind: message.Beacon, From: "N0QRA-7", SNR: ptr(3)}},
		{"0/0 is no position", `{"from":"N0QRA-7","lat":0,"lon":0.0,"text":"on foot"}`, message.Message{Kind: message.Beacon, From: "N0QRA-7"}},
		{"on the equator", `{"from":"N0QRA-7","lat":0,"lon":10}`, message.Message{Kind: message.Position, From: "N0QRA-7", Where: &message.Where{Lon: 10}}},
		{"a position for everybody", `{"from":"N0QRA-7","to":"ALL","lat":-90,"lon":180}`,
			message.Message{Kind: message.Position, From: "N0QRA-7", To: "ALL", Where: &message.Where{Lat: -90, Lon: 180}}},
		{"a text for somebody stays one, wherever it is from", `{"from":"N0QRA-7","to":"N0QRB","text":"help","lat":"broken","lon":1}`,
			message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB", Text: "help"}},
		{"unusable readings are left out", `{"from":"N0QRA","to":"ALL","text":"x","snr":"high","rssi":1e999,"time":"yesterday","precedence":"urgent"}`,
			message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", Text: "x"}},
		{"a clock that was never set", `{"from":"N0QRA","to":"ALL","text":"x","time":86400}`, message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", Text: "x"}},
		{"seconds since 1970", `{"from":"N0QRA","to":"ALL","text":"x","time":1795608000}`, message.Message{Kind: message.Text, From: "N0QRA", To: "ALL", Text: "x", Filed: noon}},
		{"unknown members are passed over", `{"x":{"y":[1,{"z":null}]},"from":"N0QRA","text":"x"}`, message.Message{Kind: message.Text, From: "N0QRA", Text: "x"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.want.Link = "valley"
			if c.want.Where != nil {
				c.want.Where.Time = c.want.Filed
			}
			got, err := testCodec(t).decode(packet{payload: []byte(c.in)})
			if err != nil || !reflect.DeepEqual(got, c.want) {
				t.Errorf("%s\n got %+v, %v\nwant %+v", c.in, got, err, c.want)
			}
		})
	}
}

// Some write all members into all that they publish: a text is none the less for it.
func TestATextThatAcknowledgesIsTwoThings(t *testing.T) {
	got, bad := testCodec(t).decodeAll([]packet{
		{payload: []byte(`{"id":5,"from":"N0QRA-7","to":"N0QRB-9","text":"hello","ack":0}`)},
		{payload: []byte(`{"id":6,"from":"N0QRA-7","to":"N0QRB-9","text":"","nak":"4f2a"}`)},
		{payload: []byte(`{"from":"N0QRA-7","to":"N0QRB-9","text":"hello","ack":"4f2b"}`)},
	})
	receipt := func(id string, nak bool) message.Message {
		return message.Message{Kind: message.Receipt, Link: "valley", From: "N0QRA-7", To: "N0QRB-9", Acks: id, Nak: nak}
	}
	want := []message.Message{
		{Kind: message.Text, Link: "valley", From: "N0QRA-7", To: "N0QRB-9", OriginID: "5", Text: "hello"},
		receipt("0", false), receipt("4f2a", true), receipt("4f2b", false), // as who has no id wants no answer
	}
	if !reflect.DeepEqual(got, want) || len(bad) > 0 {
		t.Errorf("got %+v, %v, want %+v", got, bad, want)
	}
}

func TestHostilePayloads(t *testing.T) {
	nested := func(n int) string {
		return `{"from":"N0QRA","text":"x","x":` + strings.Repeat("[", n) + strings.Repeat("]", n) + "}"
	}
	for _, c := range []struct {
		name, in string
		want     dropped
	}{
		{"nothing", "", dropEmpty},
		{"1 MB", strings.Repeat("x", 1<<20), dropTooLarge},
		{"one byte too many", `{"from":"N0QRA","text":"` + strings.Repeat("x", MaxPayload) + `"}`, dropTooLarge},
		{"not JSON", "hello", dropNotJSON},
		{"cut", `{"from":"N0QRA","text":"x"`, dropNotJSON},
		{"two values", `{"from":"N0QRA","text":"x"} {}`, dropNotJSON},
		{"trailing comma", `{"from":"N0QRA","text":"x",}`, dropNotJSON},
		{"NaN", `{"from":"N0QRA","lat":NaN,"lon":1}`, dropNotJSON},
		{"two byte order marks", "\ufeff\ufeff" + `{"from":"N0QRA","text":"x"}`, dropNotJSON},
		{"a zero byte in front", "\x00" + `{"from":"N0QRA","text":"x"}`, dropNotJSON},
		{"a raw control character", "{\"from\":\"N0QRA\",\"text\":\"a\x01b\"}", dropNotJSON},
		{"ill-formed UTF-8", "{\"from\":\"N0QRA\",\"text\":\"a\xffb\"}", dropNotUTF8},
		{"a surrogate in UTF-8", "{\"from\":\"N0QRA\",\"text\":\"\xed\xa0\x80\"}", dropNotUTF8},
		{"a lone high surrogate", `{"from":"N0QRA","text":"\ud83d"}`, dropNotUTF8},
		{"a lone low surrogate", `{"from":"N0QRA","text":"\udc4d x"}`, dropNotUTF8},
		{"two high surrogates", `{"from":"N0QRA","text":"\ud83d\ud83d"}`, dropNotUTF8},
		{"nested too deep", nested(maxDepth), dropTooDeep},
		{"nested absurdly deep", nested(30_000), dropNotJSON},
		{"a member twice", `{"from":"N0QRA","text":"x","from":"N0QRB"}`, dropTwice},
		{"a member twice, spelt differently", `{"from":"N0QRA","text":"x","fr\u006fm":"N0QRB"}`, dropTwice},
		{"a bare value", `"N0QRA"`, dropWrongType},
		{"an array", `[{"from":"N0QRA","text":"x"}]`, dropWrongType},
		{"null", `null`, dropWrongType},
		{"no from", `{"to":"N0QRA","text":"x"}`, dropNoFrom},
		{"an empty from", `{"from":"  ","text":"x"}`, dropNoFrom},
		{"from is an object", `{"from":{"call":"N0QRA"},"text":"x"}`, dropWrongType},
		{"from is a bool", `{"from":true,"text":"x"}`, dropWrongType},
		{"from is no whole number", `{"from":1.5,"text":"x"}`, dropWrongType},
		{"an id is no whole number", `{"id":15e-1,"from":"N0QRA","text":"x"}`, dropWrongType},
		{"an id has more digits than one may", `{"id":1e64,"from":"N0QRA","text":"x"}`, dropBadValue},
		{"an id is larger than any number", `{"id":1e999999999,"from":"N0QRA","text":"x"}`, dropWrongType},
		{"to is an array", `{"from":"N0QRA","to":["N0QRB"],"text":"x"}`, dropWrongType},
		{"text is a number", `{"from":"N0QRA","to":"N0QRB","text":5}`, dropWrongType},
		{"id is an object", `{"id":{},"from":"N0QRA","text":"x"}`, dropWrongType},
		{"ack is a bool", `{"from":"N0QRA","ack":true}`, dropWrongType},
		{"encrypted is a string", `{"from":"N0QRA","text":"x","encrypted":"no"}`, dropWrongType},
		{"ack and nak", `{"from":"N0QRA","ack":"1","nak":"1"}`, dropBadValue},
		{"a huge id", `{"id":"` + strings.Repeat("7", maxID+1) + `","from":"N0QRA","text":"x"}`, dropBadValue},
		{"a huge number as id", `{"id":` + strings.Repeat("7", 1000) + `,"from":"N0QRA","text":"x"}`, dropBadValue},
		{"a huge from", `{"from":"` + strings.Repeat("N", maxAddress+1) + `","text":"x"}`, dropBadValue},
		{"a line break in an address", `{"from":"N0QRA","to":"a@mail.example\r\nBcc: b@mail.example","text":"x"}`, dropBadValue},
		{"a latitude off the earth", `{"from":"N0QRA","lat":90.01,"lon":1}`, dropPosition},
		{"a longitude off the earth", `{"from":"N0QRA","lat":1,"lon":-180.5}`, dropPosition},
		{"half a position", `{"from":"N0QRA","lat":1}`, dropPosition},
		{"a position in words", `{"from":"N0QRA","lat":"46.5","lon":"-122.9"}`, dropPosition},
		{"a number beyond float64", `{"from":"N0QRA","lat":1e999,"lon":1}`, dropPosition},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := testCodec(t).decode(packet{payload: []byte(c.in)})
			if !errors.Is(err, c.want) || !reflect.DeepEqual(got, message.Message{}) {
				t.Errorf("decode gave %+v, %v, want nothing and %q", got, err, c.want)
			}
		})
	}
}

// RFC 3339 section 5.8 has these examples.
func TestTimes(t *testing.T) {
	for in, want := range map[string]string{
		"2026-04-12T23:20:50.52Z":        "2026-04-12T23:20:50.52Z",
		"2026-12-19T16:39:57-08:00":      "2026-12-20T00:39:57Z",
		"2026-12-19t16:39:57z":           "2026-12-19T16:39:57Z",
		"2026-12-31T23:59:60Z":           "2026-12-31T23:59:59Z", // as a leap second is written
		"2026-12-31T15:59:60-08:00":      "2026-12-31T23:59:59Z",
		"2037-01-01T12:00:27.87+00:20":   "2037-01-01T11:40:27.87Z",
		"2026-11-25T12:00:00-00:00":      "2026-11-25T12:00:00Z",
		"2026-11-25 12:00:00Z":           "",
		"2026-11-25T12:00:00":            "",
		"2026-02-30T12:00:00Z":           "",
		"2026-11-25T12:00:61Z":           "",
		"2026-11-25T24:00:00Z":           "",
		"1970-01-01T00:00:10Z":           "",
		"2000-01-01T00:12:00Z":           "", // a clock chip after its battery
		"2007-04-12T23:20:50Z":           "", // a receiver 1,024 weeks behind
		"9999-12-31T23:59:59Z":           "",
		"2026-11-25T12:00:60":            "",
		"2026-11-25T12:00:6":             "",
		"20\u017f6-11-25T12:00:00Z":      "",
		strings.Repeat("2", 60_000):      "",
		"2026-11-25T12:00:00Z\u0000":     "",
		"2026-11-25T12:00:00.123456789Z": "2026-11-25T12:00:00.123456789Z",
	} {
		r := &reader{tree: map[string]any{"time": in}}
		got := ""
		if at := r.time(pointer{"time"}); !at.IsZero() {
			got = at.Format(time.RFC3339Nano)
		}
		if got != want || r.err != nil {
			t.Errorf("time %.40q: got %q, %v, want %q", in, got, r.err, want)
		}
	}
}

// The example of RFC 6901 section 5.
func TestPointerExamples(t *testing.T) {
	document := `{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}`
	tree, err := readJSON([]byte(document))
	if err != nil {
		t.Fatal(err)
	}
	for in, want := range map[string]string{
		"/foo": "[bar baz]", "/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3",
		"/g|h": "4", `/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8",
		"/foo/00": "<nil>", "/foo/2": "<nil>", "/foo/-": "<nil>", "/foo/-1": "<nil>", "/foo/+1": "<nil>",
		"/nothing": "<nil>", "/a~1b/x": "<nil>", "/m~01n": "<nil>",
	} {
		p, err := parsePointer(in)
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(p.in(tree)); got != want {
			t.Errorf("%s: got %s, want %s", in, got, want)
		}
	}
	for _, bad := range []string{"foo", "/a~", "/a~2b", "/~"} {
		if p, err := parsePointer(bad); err == nil {
			t.Errorf("%q was read as %q", bad, p)
		}
	}
}

// A made-up mesh with nested members, node numbers and ids that are numbers.
func numbers(o *MeshOptions) {
	o.Fields = Fields{
		ID: "/packet/number", From: "/packet/src", To: "/packet/dst", Text: "/packet/body/chars",
		Ack: "/packet/body/confirms", Lat: "/packet/body/fix/1", Lon: "/packet/body/fix/0", Time: "/at", SNR: "/radio/snr~1dB",
	}
	o.Stations = map[string]string{"2730": "n0qra-7", "!0aab": "N0QRB-9", "77": "N0QRC", "78": "N0QRC"}
	o.ToTemplate = `{{if eq .Kind "text" "notice"}}{"dst":{{.Node}},"body":{"chars":{{json .Text}}},"seq":{{json .ID}},"gate":{{json .Via}},"src":{{json .From}}}{{end}}`
}

func TestMeshOfAnotherShape(t *testing.T) {
	c := testCodec(t, numbers)
	for in, want := range map[string]message.Message{
		`{"at":1795608000,"radio":{"snr/dB":4.5},"packet":{"number":4294967295,"src":2730,"dst":"!0aab","body":{"chars":"hello"}}}`: {
			Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "4294967295", Text: "hello", SNR: ptr(4.5),
			Filed: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)},
		`{"packet":{"src":2730,"dst":"!0aab","body":{"confirms":17}}}`:   {Kind: message.Receipt, From: "N0QRA-7", To: "N0QRB-9", Acks: "17"},
		`{"packet":{"src":"!0aab","body":{"fix":[-122.9,46.5]}}}`:        {Kind: message.Position, From: "N0QRB-9", Where: &message.Where{Lat: 46.5, Lon: -122.9}},
		`{"packet":{"src":9999,"dst":2730,"body":{"chars":"who am I"}}}`: {Kind: message.Text, From: "9999", To: "N0QRA-7", Text: "who am I"},
	} {
		want.Link = "valley"
		if got, err := c.decode(packet{payload: []byte(in)}); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s\n got %+v, %v\nwant %+v", in, got, err, want)
		}
	}
	for _, w := range []struct {
		to   string
		text string
		want string
	}{
		{"N0QRA-7", "hello", `{"dst":2730,"body":{"chars":"hello"},"seq":"4f2a9","gate":"N0QRZ-10","src":"N0QRD"}`},
		{"N0QRA-7", `","dst":"77`, `{"dst":2730,"body":{"chars":"\",\"dst\":\"77"},"seq":"4f2a9","gate":"N0QRZ-10","src":"N0QRD"}`},
		{"N0QRC", "<&>", `{"dst":77,"body":{"chars":"<&>"},"seq":"4f2a9","gate":"N0QRZ-10","src":"N0QRD"}`},
		{"N0QRB-9", "hex is no number", ""},
		{"N0QRE", "not on the list", ""},
	} {
		m := message.Message{Kind: message.Text, From: "N0QRD", To: w.to, Text: w.text}
		got, err := c.encode(link.Frame{Message: m, Text: w.text, ID: "4f2a9"})
		_, final := errors.AsType[*link.PermanentError](err)
		if string(got) != w.want || final != (w.want == "") {
			t.Errorf("to %s: got %s, %v, want %s", w.to, got, err, w.want)
		}
	}
	receipt := message.Message{Kind: message.Receipt, From: "N0QRD", To: "N0QRA-7", Acks: "17"}
	if got, err := c.encode(link.Frame{Message: receipt}); err == nil {
		t.Errorf("a kind that the template leaves out gave %s", got)
	}
}

func TestEncodeDefaultShape(t *testing.T) {
	where := &message.Where{Lat: 46.5, Lon: -122.9, Alt: ptr(430), Comment: "on foot", Time: time.Date(2026, 11, 25, 13, 0, 0, 0, time.FixedZone("", 3600))}
	for _, c := range []struct {
		name  string
		frame link.Frame
		want  string
	}{
		{"a text", link.Frame{ID: "4f2a9", Text: `<"ü" & 水>`, Message: message.Message{Kind: message.Text, From: "N0QRA", To: "N0QRB-9", OriginID: "17", Text: "all of it", Precedence: message.Routine}},
			`{"id":"4f2a9","from":"N0QRA","to":"N0QRB-9","text":"<\"ü\" & 水>","via":"N0QRZ-10"}`},
		{"an emergency to a group, without id", link.Frame{Text: "x", Message: message.Message{Kind: message.Text, From: "a@mail.example", To: "ALL", Precedence: message.Emergency}},
			`{"from":"a@mail.example","to":"ALL","text":"x","precedence":"emergency","via":"N0QRZ-10"}`},
		{"a notice is the gateway's", link.Frame{ID: "4f2a9", Text: "held", Message: message.Message{Kind: message.Notice, To: "N0QRB-9"}},
			`{"from":"N0QRZ-10","to":"N0QRB-9","text":"held","via":"N0QRZ-10"}`},
		{"a receipt", link.Frame{Message: message.Message{Kind: message.Receipt, From: "POST", To: "N0QRB-9", Acks: "17"}},
			`{"from":"POST","to":"N0QRB-9","ack":"17","via":"N0QRZ-10"}`},
		{"a refusal", link.Frame{Message: message.Message{Kind: message.Receipt, From: "N0QRA", To: "N0QRB-9", Acks: "17", Nak: true}},
			`{"from":"N0QRA","to":"N0QRB-9","nak":"17","via":"N0QRZ-10"}`},
		{"a position", link.Frame{Message: message.Message{Kind: message.Position, From: "N0QRA", Where: where}},
			`{"from":"N0QRA","text":"on foot","lat":46.5,"lon":-122.9,"alt":430,"time":"2026-11-25T12:00:00Z","via":"N0QRZ-10"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := testCodec(t).encode(c.frame)
			if err != nil || string(got) != c.want {
				t.Errorf("got  %s, %v\nwant %s", got, err, c.want)
			}
		})
	}
	for _, m := range []message.Message{{Kind: message.Beacon, From: "N0QRA"}, {Kind: message.Position, From: "N0QRA"}} {
		got, err := testCodec(t).encode(link.Frame{Message: m})
		if _, final := errors.AsType[*link.PermanentError](err); !final {
			t.Errorf("a %s gave %s, %v, want a permanent error", m.Kind, got, err)
		}
	}
}

func TestCheckTemplate(t *testing.T) {
	for _, c := range []struct{ name, template, want string }{
		{"none", "", ""},
		{"JSON", `{"sender":{{json .Via}},"dest":{{json .To}},"message":{{json .Text}}}`, ""},
		{"plain text", `{{.Via}} {{.From}}>{{.To}}: {{.Text}}`, ""},
		{"the call sign in the text", `{"message":{{json (printf "%s via %s: %s" .From .Via .Text)}}}`, ""},
		{"no receipts", `{{if ne .Kind "receipt"}}{"g":{{json .Via}},"t":{{json .Text}}}{{end}}`, ""},
		{"no call sign", `{"dest":{{json .To}},"message":{{json .Text}}}`, "call sign out of a text"},
		{"no call sign on receipts", `{"t":{{json .Text}}{{if ne .Kind "receipt"}},"g":{{json .Via}}{{end}}}`, "call sign out of a receipt"},
		{"no text", `{"g":{{json .Via}}}`, "leaves out the text"},
		{"nothing", ` `, "leaves out the text"},
		{"syntax", `{{.Via`, "cannot be read"},
		{"unknown member", `{{json .Vai}}`, "does not work"},
		{"unknown function", `{{jsn .Via}}`, "cannot be read"},
		{"a text that can break out", `{"g":{{json .Via}},"t":"{{.Text}}"}`, "breaks the JSON"},
		{"an addressee that can break out", `{"g":{{json .Via}},"t":{{json .Text}},"to":"{{.To}}"}`, "breaks the JSON"},
		{"no quotes", `{"g":{{json .Via}},"t":{{.Text}}}`, "broken JSON"},
		{"a loop without end", `{{define "a"}}{{template "a" .}}{{end}}{{template "a" .}}`, "does not work"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := CheckTemplate(c.template)
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Errorf("CheckTemplate gave %v, want an error with %q", err, c.want)
			}
		})
	}
}

// The law: what was read is written so that it is read as the same.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"id":"4f2a","from":"N0QRA-7","to":"N0QRB-9","text":"hello \ud83d\udc4d \\ud83d"}`,
		`{"from":"N0QRA-7","lat":46.5,"lon":-122.9,"alt":430,"text":"on foot","time":"2026-12-31T23:59:60Z"}`,
		`{"from":"N0QRB-9","to":"N0QRA-7","ack":"4f2a"}`, `{"from":7,"nak":8}`, `{"from":"n0qra-0","encrypted":true}`,
		`{"from":"N0QRA","precedence":"EMERGENCY","text":"\u0000"}`, `[[[[]]]]`, "{\"from\":\"\xff\"}", `{"a":1,"a":2}`,
	} {
		f.Add([]byte(seed))
	}
	c := testCodec(f)
	f.Fuzz(func(t *testing.T, payload []byte) {
		m, err := c.decode(packet{payload: payload})
		if err != nil {
			if _, ok := errors.AsType[dropped](err); !ok || !reflect.DeepEqual(m, message.Message{}) {
				t.Fatalf("got %+v with error %v, want a drop and nothing else", m, err)
			}
			return
		}
		if !json.Valid(bare(payload)) || len(payload) > MaxPayload || m.From == "" || len(m.Text) > len(payload) {
			t.Fatalf("%q was read as %+v", payload, m)
		}
		if len(m.From) > maxAddress || len(m.To) > maxAddress || len(m.OriginID) > maxID || len(m.Acks) > maxID {
			t.Fatalf("too long: %+v", m)
		}
		if m.Kind == message.Beacon {
			return // never sent
		}
		written, err := c.encode(link.Frame{Message: m, Text: m.Text, ID: m.OriginID})
		if err != nil {
			t.Fatalf("%+v cannot be written: %v", m, err)
		}
		again, err := c.decode(packet{payload: written})
		if err != nil && len(written) <= MaxPayload {
			t.Fatalf("%s cannot be read back: %v", written, err)
		}
		if err == nil && !reflect.DeepEqual(kernel(again), kernel(m)) {
			t.Fatalf("%s\n got %+v\nwant %+v", written, kernel(again), kernel(m))
		}
	})
}

// kernel is what a frame carries of a message.
func kernel(m message.Message) message.Message {
	k := message.Message{Kind: m.Kind, From: m.From, To: m.To, Text: m.Text, OriginID: m.OriginID, Acks: m.Acks, Nak: m.Nak}
	if m.Precedence != message.Routine {
		k.Precedence = m.Precedence
	}
	if m.Where != nil {
		w := *m.Where
		w.Time = w.Time.Truncate(time.Second)
		k.Where = &w
	}
	return k
}
