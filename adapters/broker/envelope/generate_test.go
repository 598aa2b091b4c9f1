package envelope

import (
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/message"
)

// Generators of events that the limits allow.
var (
	genCall  = rapid.SampledFrom([]string{gatewayA, "N0QRD", "N0QRE-7", "DL/N0QRF/P-3", "N0QRG/MM"})
	genMesh  = rapid.SampledFrom([]string{"valley", "Hill-2", "a_b", "0"})
	genGroup = rapid.SampledFrom([]string{"ALL", "NET1", "0"})
	genID    = rapid.StringMatching(`[!-~]{1,64}`)
	genWord  = rapid.StringMatching(`([a-z]{1,8}(-[a-z]{1,8})?)?`)
	genText  = rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{
		"", "<a> & \"b\" \\ /", "line\nfeed\ttab", "Grüße, 日本 🙂", "\u2028\u2029\u0000\u007f", "\uFFFD", `{"payload":1}`, `\u0041 \ud800`,
	}))
	genLevel = rapid.Map(rapid.Uint8Range(0, 4), func(n uint8) message.Precedence { return message.Precedence(n) })
	genTime  = rapid.Map(rapid.Int64Range(0, 4e9), func(s int64) time.Time { return time.Unix(s, 0).UTC() })
	genHash  = rapid.Map(rapid.SliceOfN(rapid.Byte(), 16, 16), func(b []byte) Hash { return Hash(b) })
	genAck   = rapid.Custom(func(t *rapid.T) Ack {
		return Ack{Station: "N0QRC-7", To: "N0QRD-9", ID: genID.Draw(t, "frame"), Nak: rapid.Bool().Draw(t, "nak"), Why: rapid.StringN(0, 20, 80).Draw(t, "why")}
	})
	genAge = rapid.Map(rapid.Int64Range(0, int64(MaxLifetime/time.Second)), func(s int64) Seconds { return Seconds(s) })
)

// some gives a list of at most n, nil when it is empty: as it is read back.
func some[T any](t *rapid.T, g *rapid.Generator[T], n int, label string) []T {
	if list := rapid.SliceOfN(g, 0, n).Draw(t, label); len(list) > 0 {
		return list
	}
	return nil
}

func genFloat(t *rapid.T, low, high float64, label string) *float64 {
	if !rapid.Bool().Draw(t, label+"?") {
		return nil
	}
	v := rapid.Float64Range(low, high).Draw(t, label)
	return &v
}

func genTextBody(t *rapid.T, group string) Text {
	text := Text{
		From: "f" + genText.Draw(t, "from"), SenderCall: genText.Draw(t, "sender call"), ThirdParty: rapid.Bool().Draw(t, "third party"),
		To: "t" + genText.Draw(t, "to"), Written: genText.Draw(t, "written"), OriginID: genText.Draw(t, "origin id"),
		Subject: genText.Draw(t, "subject"), Text: genText.Draw(t, "text"), Precedence: genLevel.Draw(t, "precedence"),
		Claimed: genLevel.Draw(t, "claimed"), Filed: genTime.Draw(t, "filed"), Exercise: genText.Draw(t, "exercise"),
		MailID: genText.Draw(t, "mail id"), InReplyTo: genText.Draw(t, "in reply to"), Mesh: genMesh.Draw(t, "mesh"),
		Hops: append(some(t, genCall, MaxHandOvers-1, "hops"), gatewayA),
	}
	if group != "" {
		text.To = group
	}
	return text
}

// genBody gives a body and a topic for it.
func genBody(t *rapid.T) (Body, Topic) {
	call, mesh, group := genCall.Draw(t, "call"), genMesh.Draw(t, "on mesh"), genGroup.Draw(t, "on group")
	about, code, why := genID.Draw(t, "about"), genWord.Draw(t, "code"), rapid.StringN(0, 100, maxWhy).Draw(t, "why")
	switch kind := rapid.SampledFrom([]string{
		TypeText, TypeText, "group text", TypeNotice, TypeReceipt, TypeCustody, TypePosition, TypePresence, TypeHeard, TypeTaken,
	}).Draw(t, "type"); kind {
	case TypeText:
		return genTextBody(t, ""), Inbox(gatewayB)
	case "group text":
		return genTextBody(t, group), Group(group)
	case TypeNotice:
		return Notice{
			From: call, To: "t" + genText.Draw(t, "to"), Text: genText.Draw(t, "text"), About: about,
			Subject: genText.Draw(t, "subject"), InReplyTo: genText.Draw(t, "in reply to"), Filed: genTime.Draw(t, "filed"),
		}, Inbox(gatewayB)
	case TypeReceipt:
		return Receipt{
			About: about, Station: call, Result: rapid.SampledFrom(Results).Draw(t, "result"), Code: code, Why: why, At: genTime.Draw(t, "at"),
		}, Inbox(gatewayB)
	case TypeCustody:
		return Custody{About: about, Code: code, Why: why}, Inbox(gatewayB)
	case TypePosition:
		return Position{
			Station: call, Mesh: mesh, Lat: rapid.Float64Range(-90, 90).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon"),
			Alt: genFloat(t, -500, 9000, "alt"), Age: genAge.Draw(t, "age"), Ambiguity: rapid.IntRange(0, 4).Draw(t, "ambiguity"),
			Comment: rapid.StringN(0, 60, maxComment).Draw(t, "comment"), Messaging: rapid.Bool().Draw(t, "messaging"), SNR: genFloat(t, -30, 30, "snr"),
		}, Group(group)
	case TypePresence:
		return Presence{
			Mesh: mesh, Boot: rapid.Uint64Range(0, MaxNumber).Draw(t, "boot"), Counter: rapid.Uint64Range(0, MaxNumber).Draw(t, "counter"),
			Up: rapid.Bool().Draw(t, "up"), Transmits: rapid.Bool().Draw(t, "transmits"), Standby: rapid.Bool().Draw(t, "standby"), Gone: rapid.Bool().Draw(t, "gone"),
			Closed: rapid.Bool().Draw(t, "closed"), Hears: some(t, genHeardWord, 3, "hears"),
			Groups: some(t, genGroup, 5, "groups"), Offers: some(t, rapid.SampledFrom([]string{"mail", "aprs"}), 2, "offers"),
		}, PresenceAt(mesh, gatewayA)
	case TypeHeard:
		return Heard{
			Station: call, Mesh: mesh, Age: genAge.Draw(t, "age"), Messaging: rapid.Bool().Draw(t, "messaging"), SNR: genFloat(t, -30, 30, "snr"),
		}, HeardAt(call, gatewayA)
	default:
		return Taken{
			Mesh: mesh, Identities: some(t, genHash, 5, "identities"), Bodies: some(t, genHash, 5, "bodies"), Frames: some(t, genHash, 5, "frames"),
			Acks: some(t, genAck, 5, "acks"),
		}, TakenAt(mesh)
	}
}

var genHeardWord = rapid.Custom(func(t *rapid.T) Word {
	return Word{
		Gateway: rapid.SampledFrom([]string{gatewayA, gatewayB}).Draw(t, "gateway"),
		Boot:    rapid.Uint64Range(0, MaxNumber).Draw(t, "boot"), Counter: rapid.Uint64Range(0, MaxNumber).Draw(t, "counter"),
	}
})

// genEvent gives an event of gateway A that B may take at now, and B's Want.
func genEvent(t *rapid.T) (Event, Want) {
	e := Event{
		ID: genID.Draw(t, "id"), Source: gatewayA, Root: rapid.SampledFrom([]string{root, "a", "ü/%2F/x y"}).Draw(t, "root"),
		Number: rapid.Uint64Range(1, MaxNumber).Draw(t, "number"),
	}
	life := rapid.Int64Range(1, int64(MaxLifetime/time.Second)).Draw(t, "lifetime")
	e.Lifetime = time.Duration(life) * time.Second
	if rapid.Bool().Draw(t, "sure") { // between just expiring and MaxSkew ahead
		ms := rapid.Int64Range(-e.Lifetime.Milliseconds(), MaxSkew.Milliseconds()).Draw(t, "signed")
		e.Signed = now.Add(time.Duration(ms) * time.Millisecond)
	}
	e.Body, e.Topic = genBody(t)
	topic, err := e.Topic.Under(e.Root)
	if err != nil {
		t.Fatal(err)
	}
	return e, Want{Root: e.Root, Topic: topic, Own: gatewayB, Groups: []string{"ALL", "NET1", "0"}, Now: now, ClockTrusted: true}
}
