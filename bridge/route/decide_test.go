package route

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"posthouse/bridge/link"
	"posthouse/bridge/rules"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// routes are written as in the settings: PATTERN=link.
func routes(t testing.TB, list ...string) []Route {
	var rs []Route
	for _, s := range list {
		pattern, name, _ := strings.Cut(s, "=")
		p, err := rules.ParsePattern(pattern)
		if err != nil {
			t.Fatal(err)
		}
		rs = append(rs, Route{Pattern: p, Link: name})
	}
	return rs
}

// table is a gateway with two meshes, a trunk, APRS, mail, and a mesh to which
// it only listens.
func table() *Table {
	all := []string{"ALL", "NET"}
	return &Table{
		Own: "N0QRZ-10",
		Links: []Link{
			{Name: "valley", Kind: Mesh, Mesh: "VALLEY", Groups: all, Heard: 24 * time.Hour},
			{Name: "ridge", Kind: Mesh, Mesh: "RIDGE", Groups: []string{"ALL"}, Heard: 24 * time.Hour},
			{Name: "far", Kind: Trunk, Groups: []string{"ALL"}, Heard: 24 * time.Hour},
			{Name: "aprs", Kind: APRS, Heard: time.Hour},
			{Name: "post", Kind: Mail},
			{Name: "ear", Kind: Mesh, InOnly: true, Groups: all},
		},
		Aliases: map[string]string{"EOC": "eoc@county.example", "TEAM3": "N0QRC-3"},
	}
}

func heard(call, on string, ago time.Duration) Hearing {
	return Hearing{Call: call, Link: on, Ago: ago, Radio: on != "far" && on != "aprs", Messaging: true}
}

func targets(list ...string) Decision {
	var d Decision
	for i := 0; i < len(list); i += 2 {
		d.Targets = append(d.Targets, Target{list[i], list[i+1]})
	}
	return d
}

var (
	held  = Decision{Hold: true}
	local = Decision{Local: true}
)

func TestDecide(t *testing.T) {
	tracker := heard("N0QRA-9", "aprs", time.Minute)
	tracker.Messaging = false
	farMesh := heard("N0QRA-7", "far", 2*time.Minute)
	farMesh.Mesh = "COAST"
	sibling := heard("N0QRA-7", "far", 2*time.Minute)
	sibling.Mesh = "VALLEY"

	for name, c := range map[string]struct {
		routes  []string
		unheard string
		ask     Query
		want    Decision
	}{
		"a group goes to each link that carries it, but the one it came from": {
			ask: Query{To: "ALL", In: "valley"}, want: targets("ridge", "ALL", "far", "ALL")},
		"a group does not go back to the mesh it came from through another link": {
			ask: Query{To: "ALL", In: "far", Mesh: "RIDGE"}, want: targets("valley", "ALL")},
		"a group of the gateway's own goes to all": {
			ask: Query{To: "ALL"}, want: targets("valley", "ALL", "ridge", "ALL", "far", "ALL")},
		"a group that only its own mesh carries is nobody else's business": {
			ask: Query{To: "NET", In: "valley"}, want: local},
		"a group is never sent to a link that only listens": {
			ask: Query{To: "NET", In: "ridge"}, want: targets("valley", "NET")},
		"a group's name may be written in any case": {
			ask: Query{To: "net", In: "ridge"}, want: targets("valley", "NET")},

		"mail goes to the mail link": {
			ask: Query{To: "ops@club.example", In: "valley"}, want: targets("post", "ops@club.example")},
		"mail goes by a static route first": {
			routes: []string{"*@*=far"}, ask: Query{To: "ops@club.example", In: "valley"}, want: targets("far", "ops@club.example")},
		"mail does not go back by the route it came": {
			routes: []string{"*@*=far"}, ask: Query{To: "ops@club.example", In: "far"}, want: targets("post", "ops@club.example")},
		"a route for stations is none for mail": {
			routes: []string{"*=far"}, ask: Query{To: "ops@club.example", In: "valley"}, want: targets("post", "ops@club.example")},

		"a static route goes before the heard list": {
			routes: []string{"N0QRA*=far"}, ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-7", "ridge", time.Minute)}}, want: targets("far", "N0QRA-7")},
		"the first match of the static routes wins": {
			routes: []string{"N0QRA-7=ridge", "N0QRA*=far"}, ask: Query{To: "N0QRA-7", In: "valley"}, want: targets("ridge", "N0QRA-7")},
		"a static route to the mesh it came from means that both hear each other": {
			routes: []string{"N0QRA*=valley"}, ask: Query{To: "N0QRA-7", In: "valley"}, want: local},

		"a to with an SSID matches only that station": {
			ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-9", "ridge", time.Minute)}}, want: held},
		"a portable station is another one": {
			ask: Query{To: "N0QRA/P", In: "valley", Heard: []Hearing{heard("N0QRA", "ridge", time.Minute)}}, want: held},
		"without an SSID the station of that call heard last becomes the to": {
			ask:  Query{To: "N0QRA", In: "valley", Heard: []Hearing{heard("N0QRA-7", "ridge", time.Hour), heard("N0QRA-9", "ridge", time.Minute)}},
			want: targets("ridge", "N0QRA-9")},
		"hearing on a mesh goes before hearing on APRS": {
			ask:  Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-7", "aprs", time.Minute), heard("N0QRA-7", "ridge", 5*time.Hour)}},
			want: targets("ridge", "N0QRA-7")},
		"without an SSID a station that takes no messages does not count on APRS": {
			ask: Query{To: "N0QRA", In: "valley", Heard: []Hearing{tracker}}, want: held},
		"with its SSID it does": {
			ask: Query{To: "N0QRA-9", In: "valley", Heard: []Hearing{tracker}}, want: targets("aprs", "N0QRA-9")},
		"our own hearing within ten minutes goes before what others tell": {
			ask:  Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{farMesh, heard("N0QRA-7", "ridge", 9*time.Minute)}},
			want: targets("ridge", "N0QRA-7")},
		"later than that the latest goes": {
			ask:  Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{farMesh, heard("N0QRA-7", "ridge", 11*time.Minute)}},
			want: targets("far", "N0QRA-7")},
		"a hearing counts for as long as its link says": {
			ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-7", "aprs", 61*time.Minute)}}, want: held},
		"a link that only listens is no way": {
			ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-7", "ear", time.Minute)}}, want: held},

		"sender and addressee on one mesh: not the bridge's business": {
			ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{heard("N0QRA-7", "valley", time.Minute)}}, want: local},
		"one mesh with two gateways is one mesh": {
			ask: Query{To: "N0QRA-7", In: "valley", Heard: []Hearing{sibling}}, want: local},
		"both on APRS hear each other": {
			ask: Query{To: "N0QRA-7", In: "aprs", Heard: []Hearing{heard("N0QRA-7", "aprs", time.Minute)}}, want: local},
		"a text that the gateway was asked to pass on goes back to the same mesh": {
			ask: Query{To: "N0QRA-7", In: "valley", Asked: true, Heard: []Hearing{heard("N0QRA-7", "valley", time.Minute)}}, want: targets("valley", "N0QRA-7")},
		"a station that roams is followed back over the trunk": {
			ask: Query{To: "N0QRA-7", In: "far", Heard: []Hearing{farMesh}}, want: targets("far", "N0QRA-7")},

		"nobody has heard it: hold": {
			ask: Query{To: "N0QRA-7", In: "valley"}, want: held},
		"nobody has heard it: the link that the operator names": {
			unheard: "aprs", ask: Query{To: "N0QRA-7", In: "valley"}, want: targets("aprs", "N0QRA-7")},
		"but not back where it came from": {
			unheard: "aprs", ask: Query{To: "N0QRA-7", In: "aprs"}, want: held},
	} {
		t.Run(name, func(t *testing.T) {
			tab := table()
			tab.Routes, tab.Unheard = routes(t, c.routes...), c.unheard
			if got := tab.Decide(c.ask); !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %+v, want %+v", got, c.want)
			}
		})
	}
}

// without takes the links of some kinds off a table.
func without(t *Table, kinds ...string) *Table {
	t.Links = slices.DeleteFunc(t.Links, func(l Link) bool { return slices.Contains(kinds, l.Kind) })
	return t
}

func TestMailWithoutAMailLinkGoesThroughAFarGateway(t *testing.T) {
	tab, ask := without(table(), Mail), Query{To: "ops@club.example", In: "valley"}
	if got, want := tab.Decide(ask), targets("far", "ops@club.example"); !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	ask.In = "far"
	if got := tab.Decide(ask); got.Refusal == nil {
		t.Errorf("back by the trunk that it came from: %+v", got)
	}
}

func TestNoRoute(t *testing.T) {
	noMail := without(table(), Mail, Trunk)
	for name, c := range map[string]struct {
		t   *Table
		ask Query
	}{
		"mail is never relayed from mail to mail": {table(), Query{To: "ops@club.example", In: "post"}},
		"mail without a mail link or a trunk":     {noMail, Query{To: "ops@club.example", In: "valley"}},
		"a name that is nothing":                  {table(), Query{To: "SOMEBODY", In: "valley"}},
		"a call sign that no country has":         {table(), Query{To: "E81QRA", In: "valley"}},
		"a group that only a listening link has": {&Table{Links: []Link{{Name: "ear", Kind: Mesh, InOnly: true, Groups: []string{"ALL"}}, {Name: "valley", Kind: Mesh}}},
			Query{To: "ALL", In: "valley"}},
	} {
		d := c.t.Decide(c.ask)
		if d.Refusal == nil || d.Refusal.Code != link.CodeNoRoute || d.Hold || d.Local || d.Targets != nil {
			t.Errorf("%s: got %+v", name, d)
		}
		if d.Refusal != nil && len(d.Refusal.Why) > 60 {
			t.Errorf("%s: %q is too long for a notice", name, d.Refusal.Why)
		}
	}
}

// Whatever is asked: one outcome, no listening link, no group back where it
// came from, no mail from mail.
func TestDecideKeepsItsPromises(t *testing.T) {
	names := []string{"", "valley", "ridge", "far", "aprs", "post", "ear", "nowhere"}
	calls := []string{"N0QRA", "N0QRA-7", "N0QRA-9", "DL/N0QRA/P", "N0QRB"}
	rapid.Check(t, func(r *rapid.T) {
		tab := table()
		tab.Unheard = rapid.SampledFrom(names).Draw(r, "unheard")
		tab.Routes = routes(t, rapid.SliceOfN(rapid.SampledFrom([]string{"N0QRA*=far", "*=ear", "*@*=far", "*=valley", "N0QRB=post", "*=nowhere"}), 0, 3).Draw(r, "routes")...)
		ask := Query{
			To:    rapid.SampledFrom(append([]string{"ALL", "NET", "x@y.example", "??"}, calls...)).Draw(r, "to"),
			In:    rapid.SampledFrom(names).Draw(r, "in"),
			Mesh:  rapid.SampledFrom([]string{"", "VALLEY", "RIDGE", "COAST"}).Draw(r, "mesh"),
			Asked: rapid.Bool().Draw(r, "asked"),
		}
		for range rapid.IntRange(0, 4).Draw(r, "heard") {
			ask.Heard = append(ask.Heard, Hearing{
				Call: rapid.SampledFrom(calls).Draw(r, "call"), Link: rapid.SampledFrom(names).Draw(r, "on"),
				Mesh: rapid.SampledFrom([]string{"", "VALLEY", "COAST"}).Draw(r, "far mesh"),
				Ago:  time.Duration(rapid.IntRange(0, 2000).Draw(r, "ago")) * time.Minute, Radio: rapid.Bool().Draw(r, "radio"), Messaging: rapid.Bool().Draw(r, "messaging"),
			})
		}
		d := tab.Decide(ask)
		outcomes := 0
		for _, is := range []bool{len(d.Targets) > 0, d.Hold, d.Local, d.Refusal != nil} {
			if is {
				outcomes++
			}
		}
		if outcomes != 1 {
			r.Fatalf("%+v is not one outcome", d)
		}
		_, group := tab.Group(ask.To)
		for _, target := range d.Targets {
			l := tab.link(target.Link)
			switch {
			case l == nil || l.InOnly:
				r.Fatalf("sent to %q", target.Link)
			case group && (l.Name == ask.In || ask.Mesh != "" && l.Mesh == ask.Mesh):
				r.Fatalf("group back to %q", l.Name)
			case target.To != ask.To && !slices.ContainsFunc(ask.Heard, func(h Hearing) bool { return h.Call == target.To && h.Link == target.Link }):
				r.Fatalf("addressee %q out of nowhere", target.To)
			case l.Kind == Mail && (ask.In == "post" || ask.To != "x@y.example"):
				r.Fatalf("mail link got %+v for %+v", target, ask)
			}
		}
	})
}

func TestAddress(t *testing.T) {
	for _, c := range []struct{ text, to, rest string }{
		{"N0QRB-9 hello there", "N0QRB-9", "hello there"},
		{"n0qrb-9: hello", "N0QRB-9", "hello"}, // a phone writes as it likes
		{"N0QRB,hello", "", "N0QRB,hello"},     // no space: one word
		{"N0QRB, hello", "N0QRB", "hello"},
		{"N0QRB:hello", "N0QRB", "hello"},
		{"\n N0QRB-0\nhello", "N0QRB", "hello"},
		{"ALL meeting at 8", "ALL", "meeting at 8"},
		{"all well here", "", "all well here"}, // an ordinary word
		{"all: well here", "ALL", "well here"}, // the colon tells
		{"EOC shelter is full", "eoc@county.example", "shelter is full"},
		{"team3: come back", "N0QRC-3", "come back"},
		{"ops@Club.Example: all fine", "ops@club.example", "all fine"},
		{"Ops.Team+1@club.example all fine", "Ops.Team+1@club.example", "all fine"},
		{"N0QRB", "N0QRB", ""},
		{"EMERGENCY N0QRB-9 broken leg", "N0QRB-9", "EMERGENCY broken leg"}, // the precedence stays
		{"EMERGENCY: N0QRB-9 broken leg", "N0QRB-9", "EMERGENCY: broken leg"},
		{"(EMERGENCY) - N0QRB-9: broken leg", "N0QRB-9", "(EMERGENCY) - broken leg"},
		{"EXERCISE: EMERGENCY! N0QRB-9 broken leg", "N0QRB-9", "EXERCISE: EMERGENCY! broken leg"},
		{"EXERCISE PRIORITY ALL: report", "ALL", "EXERCISE PRIORITY report"},
		{"EMERGENCY help", "", "EMERGENCY help"},
		{"thanks, see you", "", "thanks, see you"},
		{"meet @ 8", "", "meet @ 8"},
		{"@club.example hi", "", "@club.example hi"},
		{"a@b hi", "", "a@b hi"},
		{"<ops@club.example> hi", "", "<ops@club.example> hi"},
		{"ops@-club.example hi", "", "ops@-club.example hi"},
		{"", "", ""},
	} {
		to, rest, ok := table().Address(c.text)
		if to != c.to || rest != c.rest && ok || ok != (c.to != "") {
			t.Errorf("%q: got %q, %q, %v, want %q, %q", c.text, to, rest, ok, c.to, c.rest)
		}
	}
}

// A word of precedence with a colon may be a name.
func TestAddressOfAnAliasThatIsAWordOfPrecedence(t *testing.T) {
	tab := table()
	tab.Aliases["WELFARE"] = "welfare@county.example"
	if to, rest, _ := tab.Address("PRIORITY WELFARE: all fine"); to != "welfare@county.example" || rest != "PRIORITY all fine" {
		t.Errorf("got %q, %q", to, rest)
	}
}

// What Address takes off is an address, and what it leaves was there before.
func FuzzAddress(f *testing.F) {
	for _, s := range []string{"N0QRB-9: hello", "EMERGENCY N0QRB-9 broken leg", "(TEST) - ALL: hi", "ops@club.example\nhi", "ALL,x", ":", "EOC:"} {
		f.Add(s)
	}
	tab := table()
	f.Fuzz(func(t *testing.T, text string) {
		to, rest, ok := tab.Address(text)
		if !ok {
			if to != "" || rest != text {
				t.Fatalf("%q: not ok, yet %q, %q", text, to, rest)
			}
			return
		}
		if len(rest) >= len(text) {
			t.Fatalf("%q: nothing was taken off: %q", text, rest)
		}
		if d := tab.Decide(Query{To: to, In: "valley", Asked: true}); d.Refusal != nil {
			t.Fatalf("%q: %q is no address: %+v", text, to, d.Refusal)
		}
	})
}

func BenchmarkDecide(b *testing.B) {
	b.ReportAllocs()
	tab := table()
	tab.Routes = routes(b, "N0QRB*=far", "*@*=post")
	ask := Query{To: "N0QRA", In: "valley", Heard: []Hearing{heard("N0QRA-7", "ridge", time.Hour), heard("N0QRA-9", "aprs", time.Minute)}}
	for b.Loop() {
		if d := tab.Decide(ask); len(d.Targets) != 1 {
			b.Fatal(d)
		}
	}
}
