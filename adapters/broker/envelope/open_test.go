package envelope

import (
	"crypto"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/link"
)

// signed puts any header and payload on the wire, rightly signed.
func signed(t testing.TB, key Key, header, payload string) []byte {
	t.Helper()
	encoded := base64.RawURLEncoding.EncodeToString([]byte(header))
	return flattened(t, payload, encoded, base64.RawURLEncoding.EncodeToString(sign(key, encoded, payload)))
}

func sign(key Key, encoded, payload string) []byte {
	s, err := key.private.Sign(nil, signingInput(encoded, []byte(payload)), crypto.Hash(0))
	if err != nil {
		panic(err)
	}
	return s
}

func flattened(t testing.TB, payload, header, signature string) []byte {
	t.Helper()
	wire, err := json.Marshal(jws{payload, header, signature})
	if err != nil {
		t.Fatal(err)
	}
	return wire
}

const goodHeader = `{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`

func payloadOf(t testing.TB, e Event) string {
	t.Helper()
	payload, err := e.encode()
	if err != nil {
		t.Fatal(err)
	}
	return string(payload)
}

// The protected header as RFC 7515, 7797 and 8037 want it, and no other.
func TestHeader(t *testing.T) {
	e := hello()
	payload, trust, want := payloadOf(t, e), trustAB(t), wantB(t, e.Topic)
	for name, c := range map[string]struct {
		header string
		err    error
	}{
		"as we write it":                         {goodHeader, nil},
		"in another order, with spaces":          {` { "kid" : "N0QRA-10" , "crit" : [ "b64" ] , "b64" : false , "alg" : "EdDSA" } `, nil},
		"a member that nobody must know":         {`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10","typ":"JOSE+JSON"}`, nil},
		"alg none (RFC 7515 section 8.5)":        {`{"alg":"none","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"alg of another kind":                    {`{"alg":"HS256","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"alg in other letters":                   {`{"alg":"eddsa","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"alg missing":                            {`{"b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"b64 missing":                            {`{"alg":"EdDSA","crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"b64 true":                               {`{"alg":"EdDSA","b64":true,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"b64 null":                               {`{"alg":"EdDSA","b64":null,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"b64 a string":                           {`{"alg":"EdDSA","b64":"false","crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"no crit (RFC 7797 section 6)":           {`{"alg":"EdDSA","b64":false,"kid":"N0QRA-10"}`, ErrMalformed},
		"empty crit":                             {`{"alg":"EdDSA","b64":false,"crit":[],"kid":"N0QRA-10"}`, ErrMalformed},
		"crit with a name that we do not know":   {`{"alg":"EdDSA","b64":false,"crit":["b64","exp"],"exp":1,"kid":"N0QRA-10"}`, ErrMalformed},
		"crit with b64 twice":                    {`{"alg":"EdDSA","b64":false,"crit":["b64","b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"a member twice (RFC 7515 section 4)":    {`{"alg":"none","alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"a member twice, once escaped":           {`{"\u0061lg":"none","alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"a member in capitals is another member": {`{"ALG":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10"}`, ErrMalformed},
		"kid missing":                            {`{"alg":"EdDSA","b64":false,"crit":["b64"]}`, ErrMalformed},
		"kid in small letters":                   {`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"n0qra-10"}`, ErrMalformed},
		"kid of nobody we know":                  {`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRD-10"}`, ErrUnlisted},
		"kid of another gateway":                 {`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRB-7"}`, ErrUnlisted},
		"an array":                               {`[]`, ErrMalformed},
		"null":                                   {`null`, ErrMalformed},
		"nothing":                                {``, ErrMalformed},
		"two values":                             {goodHeader + "{}", ErrMalformed},
		"a jwk that is not one":                  {`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"N0QRA-10","jwk":{"kty":"RSA"}}`, ErrMalformed},
	} {
		got, err := Open(signed(t, keyA, c.header, payload), trust, want)
		if !errors.Is(err, c.err) || (err == nil) != (got != nil) {
			t.Errorf("%s: got %v, want %v", name, err, c.err)
		}
		if err != nil && Code(err) != link.CodeBadSignature {
			t.Errorf("%s: code %q", name, Code(err))
		}
	}
}

// The outer object has three members, once each, and nothing unsigned.
func TestOuterObject(t *testing.T) {
	e := hello()
	good := seal(t, keyA, e)
	var j jws
	if err := json.Unmarshal(good, &j); err != nil {
		t.Fatal(err)
	}
	payload, err := json.Marshal(j.Payload)
	if err != nil {
		t.Fatal(err)
	}
	members := fmt.Sprintf(`"payload":%s,"protected":"%s","signature":"%s"`, payload, j.Protected, j.Signature)
	escaped := strings.Replace(members, "Water", `\u0057ater`, 1)
	last := j.Signature[:85] + string(nextDigit(j.Signature[85]))
	for name, c := range map[string]struct {
		wire string
		ok   bool
	}{
		"as it is":                            {`{` + members + `}`, true},
		"with spaces around":                  {" {" + members + " }\n", true},
		"other escapes, the same payload":     {`{` + escaped + `}`, true},
		"an unprotected header":               {`{` + members + `,"header":{"kid":"N0QRA-10"}}`, false},
		"an empty unprotected header":         {`{` + members + `,"header":{}}`, false},
		"the general form's signatures":       {`{` + members + `,"signatures":[]}`, false},
		"payload twice":                       {`{"payload":"{}",` + members + `}`, false},
		"payload twice, once in capitals":     {`{` + members + `,"Payload":"{}"}`, false},
		"payload missing (detached)":          {fmt.Sprintf(`{"protected":"%s","signature":"%s"}`, j.Protected, j.Signature), false},
		"payload an object":                   {strings.Replace(`{`+members+`}`, string(payload), j.Payload, 1), false},
		"payload null":                        {strings.Replace(`{`+members+`}`, string(payload), "null", 1), false},
		"signature empty":                     {strings.Replace(`{`+members+`}`, j.Signature, "", 1), false},
		"signature with loose bits":           {strings.Replace(`{`+members+`}`, j.Signature, last, 1), false},
		"signature with a line feed":          {strings.Replace(`{`+members+`}`, j.Signature, j.Signature[:40]+`\n`+j.Signature[40:], 1), false},
		"signature padded":                    {strings.Replace(`{`+members+`}`, j.Signature, j.Signature+"==", 1), false},
		"header with a line feed":             {strings.Replace(`{`+members+`}`, j.Protected, j.Protected+`\n`, 1), false},
		"something behind":                    {`{` + members + `}{}`, false},
		"the compact form":                    {j.Protected + ".." + j.Signature, false},
		"empty":                               {"", false},
		"not UTF-8":                           {"{" + members + ",\"x\":\"\xff\"}", false},
		"as large as may be, but for a byte":  {`{` + members + strings.Repeat(" ", MaxWire-len(members)-2) + `}`, true},
		"too large by a byte":                 {`{` + members + strings.Repeat(" ", MaxWire-len(members)-1) + `}`, false},
		"nested without end":                  {strings.Repeat(`[`, MaxWire), false},
		"nested deeper than any event can be": {`{"payload":` + strings.Repeat(`[`, 20) + strings.Repeat(`]`, 20) + `}`, false},
	} {
		got, err := Open([]byte(c.wire), trustAB(t), wantB(t, e.Topic))
		if (err == nil) != c.ok || err == nil && !reflect.DeepEqual(got.Event, e) {
			t.Errorf("%s: got %v, %v", name, got, err)
		}
		if !c.ok && !errors.Is(err, ErrMalformed) {
			t.Errorf("%s: got %v, want %v", name, err, ErrMalformed)
		}
	}
}

// nextDigit gives a base64 digit that differs in the lowest bit alone: of the
// last digit of 64 bytes, four bits are loose.
func nextDigit(ch byte) byte {
	const digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	return digits[strings.IndexByte(digits, ch)^1]
}

// A signed payload that says what no event says.
func TestSignedButNoEvent(t *testing.T) {
	e := hello()
	good := payloadOf(t, e)
	for name, c := range map[string]struct {
		old, new string
		err      error
	}{
		"as it is":                            {``, ``, nil},
		"an attribute that we do not know":    {`"id":`, `"traceparent":"x","id":`, nil},
		"another version of CloudEvents":      {`"1.0"`, `"0.3"`, ErrMalformed},
		"another version of the type":         {`text.v1`, `text.v2`, ErrUnknown},
		"a member twice":                      {`"from":`, `"from":"N0QRD","from":`, ErrMalformed},
		"a member twice, deep in the data":    {`"hops":["N0QRA-10"]`, `"x":[{"a":1,"a":2}],"hops":["N0QRA-10"]`, ErrMalformed},
		"a member in capitals":                {`"from":`, `"FROM":"N0QRD","from":`, ErrMalformed},
		"a member with a letter that folds":   {`"source":`, `"ſource":"N0QRD","source":`, ErrMalformed},
		"id missing":                          {`"id":"N0QRA-10.1234",`, ``, ErrMalformed},
		"id with a space":                     {`"N0QRA-10.1234"`, `"N0QRA-10 1234"`, ErrMalformed},
		"id too long":                         {`"N0QRA-10.1234"`, `"` + strings.Repeat("x", MaxID+1) + `"`, ErrMalformed},
		"a number for a text":                 {`"text":"`, `"text":5,"x":"`, ErrMalformed},
		"no from":                             {`"from":"N0QRA-7"`, `"from":""`, ErrMalformed},
		"data missing":                        {`"data":`, `"dada":`, ErrMalformed},
		"data null":                           {`"data":`, `"data":null,"dada":`, ErrMalformed},
		"data a string":                       {`"data":`, `"data":"{}","dada":`, ErrMalformed},
		"a precedence that is none":           {`"priority"`, `"urgent"`, ErrMalformed},
		"another gateway's name":              {`"source":"N0QRA-10"`, `"source":"N0QRD-10"`, ErrMalformed}, // the hops tell
		"another gateway's name and hops":     {`N0QRA-10"`, `N0QRD-10"`, ErrSource},
		"hops without the sender":             {`"hops":["N0QRA-10"]`, `"hops":[]`, ErrMalformed},
		"another root":                        {`posthouse/1/`, `posthouse/2/`, ErrTopic},
		"a longer root":                       {`posthouse/1/`, `x/posthouse/1/`, ErrTopic},
		"another inbox":                       {`in/N0QRB-10`, `in/N0QRD-10`, ErrTopic},
		"an inbox that we write otherwise":    {`in/N0QRB-10`, `in/n0qrb-10`, ErrTopic},
		"a group":                             {`in/N0QRB-10`, `group/ALL`, ErrMalformed}, // the text is to a station
		"a wildcard":                          {`in/N0QRB-10`, `in/+`, ErrTopic},
		"a presence topic":                    {`in/N0QRB-10`, `bridge/valley/N0QRA-10`, ErrMalformed},
		"number zero":                         {`"sequence":"0001795615500000"`, `"sequence":"0000000000000000"`, ErrMalformed},
		"number too large":                    {`"sequence":"0001795615500000"`, `"sequence":"9007199254740992"`, ErrMalformed},
		"number with more digits than a word": {`"sequence":"0001795615500000"`, `"sequence":"99999999999999999999999"`, ErrMalformed},
		"number with a sign":                  {`"sequence":"0001795615500000"`, `"sequence":"-001795615500000"`, ErrMalformed},
		"number that is a JSON number":        {`"sequence":"0001795615500000"`, `"sequence":1795615500000`, ErrMalformed},
		"expirytime missing":                  {`"expirytime":"2026-11-26T14:05:00.000Z",`, ``, ErrMalformed},
		"expires before it was signed":        {`"expirytime":"2026-11-26`, `"expirytime":"2026-11-24`, ErrMalformed},
		"lives for years":                     {`"expirytime":"2026-11-26`, `"expirytime":"2030-11-26`, ErrMalformed},
		"time and lifetime":                   {`"time":`, `"lifetime":60,"time":`, ErrMalformed},
		"no such day":                         {`"time":"2026-11-25`, `"time":"2026-11-31`, ErrMalformed},
		"nested too deep":                     {`"id":`, `"x":` + strings.Repeat(`[`, 9) + strings.Repeat(`]`, 9) + `,"id":`, ErrMalformed},
	} {
		payload := strings.ReplaceAll(good, c.old, c.new)
		if c.old == "" {
			payload = good
		} else if payload == good {
			t.Fatalf("%s: nothing to replace in %s", name, good)
		}
		_, err := Open(signed(t, keyA, goodHeader, payload), trustAB(t), wantB(t, e.Topic))
		if !errors.Is(err, c.err) {
			t.Errorf("%s: got %v, want %v", name, err, c.err)
		}
	}
}

// Who may say what: the list, and any.
func TestTrust(t *testing.T) {
	text, custody := hello(), hello()
	custody.Body = Custody{About: "N0QRB-10.5"}
	listed, anyone := trustAB(t), trustAB(t)
	anyone.Any = true
	from := func(e Event, call string) Event {
		e.Source = call
		if body, isText := e.Body.(Text); isText {
			body.Hops = []string{call}
			e.Body = body
		}
		return e
	}
	bare := signed(t, keyC, strings.Replace(goodHeader, gatewayA, gatewayC, 1), payloadOf(t, from(text, gatewayC)))
	for name, c := range map[string]struct {
		wire  []byte
		trust *Trust
		err   error
	}{
		"a listed gateway":                          {seal(t, keyA, text), listed, nil},
		"a listed gateway, where any is believed":   {seal(t, keyA, text), anyone, nil},
		"a receipt of a listed gateway":             {seal(t, keyA, custody), listed, nil},
		"an unlisted gateway":                       {seal(t, keyC, from(text, gatewayC)), listed, ErrUnlisted},
		"an unlisted gateway, no list at all":       {seal(t, keyC, from(text, gatewayC)), nil, ErrUnlisted},
		"an unlisted gateway, an empty list":        {seal(t, keyC, from(text, gatewayC)), &Trust{}, ErrUnlisted},
		"an unlisted gateway, any is believed":      {seal(t, keyC, from(text, gatewayC)), anyone, nil},
		"any is believed, and there is no list":     {seal(t, keyC, from(text, gatewayC)), &Trust{Any: true}, nil},
		"any is believed, but it brings no key":     {bare, anyone, ErrUnlisted},
		"a receipt of an unlisted gateway":          {signed(t, keyC, headerWithKey(t, keyC, gatewayC), payloadOf(t, from(custody, gatewayC))), anyone, ErrUnlisted},
		"it brings another key than it signed with": {signed(t, keyC, headerWithKey(t, keyB, gatewayC), payloadOf(t, from(text, gatewayC))), anyone, ErrSignature},
		"in a listed gateway's name, its own key":   {seal(t, keyC, text), listed, ErrSignature},
		"the same, where any is believed":           {seal(t, keyC, text), anyone, ErrSignature},
		"a listed key in another's name":            {seal(t, keyB, text), listed, ErrSignature},
		"an unlisted key in another unlisted name":  {signed(t, keyC, headerWithKey(t, keyC, gatewayC), payloadOf(t, from(text, "N0QRD-10"))), anyone, ErrSource},
		"our own":                      {seal(t, keyB, from(text, gatewayB)), listed, ErrOwn},
		"a stranger who uses our name": {seal(t, keyC, from(text, gatewayB)), anyone, ErrOwn},
	} {
		got, err := Open(c.wire, c.trust, wantB(t, text.Topic))
		if !errors.Is(err, c.err) {
			t.Errorf("%s: got %v, want %v", name, err, c.err)
		}
		if err == nil && got.Listed != (got.Source == gatewayA) {
			t.Errorf("%s: listed is %v for %s", name, got.Listed, got.Source)
		}
	}
}

func headerWithKey(t testing.TB, key Key, call string) string {
	t.Helper()
	j := key.Public().jwk("")
	header, err := compact(protected{Alg: algorithm, Crit: []string{"b64"}, KID: call, JWK: &j})
	if err != nil {
		t.Fatal(err)
	}
	return string(header)
}

// A gateway may read its own events when it asks for everybody's.
func TestOwnPresenceWhenAskedFor(t *testing.T) {
	e := Event{
		ID: "p", Source: gatewayB, Root: root, Topic: PresenceAt("hill", gatewayB), Number: 1, Signed: now,
		Lifetime: time.Minute, Body: Presence{Mesh: "hill", Boot: 1},
	}
	want := wantB(t, e.Topic)
	want.Own = ""
	if got, err := Open(seal(t, keyB, e), trustAB(t), want); err != nil || got.Source != gatewayB {
		t.Errorf("got %v, %v", got, err)
	}
}

// Time and way, and what each counts as.
func TestGenuineButRefused(t *testing.T) {
	text := func(change func(*Event, *Text)) Event {
		e := hello()
		body := e.Body.(Text)
		change(&e, &body)
		e.Body = body
		return e
	}
	plain := func(*Event, *Text) {}
	toAll := func(e *Event, body *Text) { e.Topic, body.To = Group("ALL"), "ALL" }
	for name, c := range map[string]struct {
		event   Event
		at      time.Duration // now, counted from the signing
		trusted bool
		err     error
		code    string
	}{
		"fresh":                          {text(plain), 0, true, nil, ""},
		"on its last moment":             {text(plain), 24 * time.Hour, true, nil, ""},
		"over":                           {text(plain), 24*time.Hour + time.Millisecond, true, ErrExpired, link.CodeExpired},
		"over by a clock not trusted":    {text(plain), 24*time.Hour + time.Millisecond, false, ErrSkew, ""},
		"a clock an hour ahead of ours":  {text(plain), -MaxSkew, true, nil, ""},
		"from the future":                {text(plain), -MaxSkew - time.Millisecond, true, ErrFuture, link.CodeExpired},
		"from the future of a bad clock": {text(plain), -MaxSkew - time.Millisecond, false, ErrSkew, ""},
		"signed in 2099, our clock good": {text(func(e *Event, _ *Text) { e.Signed = time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC) }), 0, true, ErrFuture, link.CodeExpired},
		"our clock says 1970":            {text(plain), -56 * 365 * 24 * time.Hour, false, ErrSkew, ""},
		"its sender has no clock":        {text(func(e *Event, _ *Text) { e.Signed = time.Time{} }), 24000 * time.Hour, true, nil, ""},
		"a direct text that comes back":  {text(func(_ *Event, b *Text) { b.Hops = []string{gatewayA, gatewayB, gatewayA} }), 0, true, nil, ""},
		"a direct text's eighth gateway": {text(func(_ *Event, b *Text) { b.Hops = hops(8) }), 0, true, nil, ""},
		"a group text":                   {text(toAll), 0, true, nil, ""},
		"a group text that comes back": {text(func(e *Event, b *Text) {
			toAll(e, b)
			b.Hops = []string{gatewayB, gatewayA}
		}), 0, true, ErrLooped, link.CodeLooped},
		"a group text that comes back late, our clock bad": {text(func(e *Event, b *Text) {
			toAll(e, b)
			b.Hops = []string{gatewayB, gatewayA}
		}), 48 * time.Hour, false, ErrLooped, link.CodeLooped},
	} {
		want := wantB(t, c.event.Topic)
		want.Now, want.ClockTrusted = now.Add(c.at), c.trusted
		checkRefused(t, name, seal(t, keyA, c.event), want, c.event, c.err, c.code)
	}
	tooFar := text(func(_ *Event, b *Text) { b.Hops = hops(9) })
	if _, err := Seal(keyA, tooFar); !errors.Is(err, ErrLooped) {
		t.Errorf("sealed for the ninth gateway: %v", err)
	}
	checkRefused(t, "handed on too often", signed(t, keyA, goodHeader, payloadOf(t, tooFar)), wantB(t, tooFar.Topic), tooFar, ErrLooped, link.CodeLooped)
}

// hops gives n gateways, A being the last.
func hops(n int) []string {
	list := make([]string, n)
	for i := range list {
		list[i] = "N0QRD-" + []string{"1", "2"}[i%2]
	}
	list[n-1] = gatewayA
	return list
}

// checkRefused: a refusal tells what was refused, so that it can be answered.
func checkRefused(t *testing.T, name string, wire []byte, want Want, e Event, wantErr error, code string) {
	t.Helper()
	got, err := Open(wire, trustAB(t), want)
	if !errors.Is(err, wantErr) || Code(err) != code {
		t.Errorf("%s: got %v with code %q, want %v with %q", name, err, Code(err), wantErr, code)
		return
	}
	if err != nil {
		refused, ok := errors.AsType[*Refused](err)
		if !ok || got != nil {
			t.Errorf("%s: got %v with %T", name, got, err)
			return
		}
		got = refused.Received
	}
	if !reflect.DeepEqual(got.Event, e) {
		t.Errorf("%s: got %+v, want %+v", name, got.Event, e)
	}
}

// A genuine event that somebody publishes again elsewhere.
func TestCopiesToOtherPlaces(t *testing.T) {
	presence := Event{
		ID: "p", Source: gatewayA, Root: root, Topic: PresenceAt("valley", gatewayA), Number: 1, Signed: now,
		Lifetime: time.Minute, Body: Presence{Mesh: "valley", Boot: 1},
	}
	toAll := hello()
	body := toAll.Body.(Text)
	body.To, toAll.Topic = "NET1", Group("NET1")
	toAll.Body = body
	for name, c := range map[string]struct {
		event Event
		want  func(*Want)
		err   error
	}{
		"our inbox":                      {hello(), func(*Want) {}, nil},
		"a text for us on a group":       {hello(), func(w *Want) { w.Topic = root + "/group/ALL" }, ErrTopic},
		"a text for B in C's inbox":      {hello(), func(w *Want) { w.Own, w.Topic = gatewayC, root+"/in/DL%2FN0QRC-10" }, ErrTopic},
		"a text for B, read by C":        {hello(), func(w *Want) { w.Own = gatewayC }, ErrTopic},
		"on another trunk":               {hello(), func(w *Want) { w.Root, w.Topic = "club/1", "club/1/in/N0QRB-10" }, ErrTopic},
		"on another trunk that we serve": {hello(), func(w *Want) { w.Topic = "club/1/in/N0QRB-10" }, ErrTopic},
		"a group that we carry":          {toAll, func(w *Want) { w.Groups = []string{"ALL", "NET1"} }, nil},
		"a group that we do not carry":   {toAll, func(*Want) {}, ErrTopic},
		"a presence":                     {presence, func(*Want) {}, nil},
		"a presence of another mesh":     {presence, func(w *Want) { w.Topic = root + "/bridge/hill/N0QRA-10" }, ErrTopic},
		"a presence of another gateway":  {presence, func(w *Want) { w.Topic = root + "/bridge/valley/N0QRD-10" }, ErrTopic},
	} {
		want := wantB(t, c.event.Topic)
		c.want(&want)
		if _, err := Open(seal(t, keyA, c.event), trustAB(t), want); !errors.Is(err, c.err) {
			t.Errorf("%s: got %v, want %v", name, err, c.err)
		}
	}
}

// A state has one writer, and speaks of what its topic says.
func TestStatesFitTheirTopics(t *testing.T) {
	nan := 0.0
	nan /= nan
	for name, c := range map[string]struct {
		topic Topic
		body  Body
		ok    bool
	}{
		"presence":                         {PresenceAt("valley", gatewayA), Presence{Mesh: "valley"}, true},
		"presence in another's name":       {PresenceAt("valley", gatewayB), Presence{Mesh: "valley"}, false},
		"presence of another mesh":         {PresenceAt("valley", gatewayA), Presence{Mesh: "hill"}, false},
		"presence in an inbox":             {Inbox(gatewayB), Presence{Mesh: "valley"}, false},
		"presence with a group of letters": {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Groups: []string{"all"}}, false},
		"presence with too many groups":    {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Groups: many("ALL", maxOffers+1)}, false},
		"presence that hears a crowd":      {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Hears: make([]Word, MaxHears+1)}, false},
		"presence that hears nobody known": {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Hears: []Word{{Gateway: "all"}}}, false},
		"presence with a strange offer":    {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Offers: []string{"a b"}}, false},
		"presence with a huge counter":     {PresenceAt("valley", gatewayA), Presence{Mesh: "valley", Counter: MaxNumber + 1}, false},
		"heard":                            {HeardAt("N0QRA-7", gatewayA), Heard{Station: "N0QRA-7", Mesh: "valley"}, true},
		"heard in another's name":          {HeardAt("N0QRA-7", gatewayB), Heard{Station: "N0QRA-7", Mesh: "valley"}, false},
		"heard, another station":           {HeardAt("N0QRA-7", gatewayA), Heard{Station: "N0QRA-9", Mesh: "valley"}, false},
		"heard in the future":              {HeardAt("N0QRA-7", gatewayA), Heard{Station: "N0QRA-7", Age: -1}, false},
		"taken":                            {TakenAt("valley"), Taken{Mesh: "valley"}, true},
		"taken, another mesh":              {TakenAt("valley"), Taken{Mesh: "hill"}, false},
		"taken, as much as there may be":   {TakenAt("valley"), Taken{Mesh: "valley", Identities: make([]Hash, MaxTaken), Bodies: make([]Hash, MaxTaken), Frames: make([]Hash, MaxTaken)}, true},
		"taken, acks":                      {TakenAt("valley"), Taken{Mesh: "valley", Acks: []Ack{{Station: "N0QRC-7", To: "N0QRD-9", ID: "4f2a1", Nak: true, Why: "no"}}}, true},
		"taken, an ack of nothing":         {TakenAt("valley"), Taken{Mesh: "valley", Acks: []Ack{{Station: "N0QRC-7", To: "N0QRD-9"}}}, false},
		"taken, an ack by nobody":          {TakenAt("valley"), Taken{Mesh: "valley", Acks: []Ack{{Station: "a station", ID: "4f2a1"}}}, false},
		"taken, too many acks":             {TakenAt("valley"), Taken{Mesh: "valley", Acks: slices.Repeat([]Ack{{Station: "N0QRC-7", ID: "4f2a1"}}, MaxAcks+1)}, false},
		"taken, too much":                  {TakenAt("valley"), Taken{Mesh: "valley", Frames: make([]Hash, MaxTaken+1)}, false},
		"position":                         {Group("ALL"), Position{Station: "N0QRA-7", Lat: 46.5, Lon: -122.9}, true},
		"position off the earth":           {Group("ALL"), Position{Station: "N0QRA-7", Lat: 90.1}, false},
		"position that is no number":       {Group("ALL"), Position{Station: "N0QRA-7", Lon: nan}, false},
		"position of no station":           {Group("ALL"), Position{Station: "valley"}, false},
		"custody":                          {Inbox(gatewayB), Custody{About: "N0QRB-10.5"}, true},
		"custody on a group":               {Group("ALL"), Custody{About: "N0QRB-10.5"}, false},
		"custody about nothing":            {Inbox(gatewayB), Custody{}, false},
		"receipt":                          {Inbox(gatewayB), Receipt{About: "N0QRB-10.5", Station: "N0QRA-7", Result: ResultNak}, true},
		"receipt with another result":      {Inbox(gatewayB), Receipt{About: "N0QRB-10.5", Station: "N0QRA-7", Result: "perhaps"}, false},
		"receipt with a long story":        {Inbox(gatewayB), Receipt{About: "N0QRB-10.5", Station: "N0QRA-7", Result: ResultFailed, Why: strings.Repeat("x", maxWhy+1)}, false},
		"notice":                           {Inbox(gatewayB), Notice{From: gatewayA, To: "N0QRB-9", Text: "held"}, true},
		"notice of nobody":                 {Inbox(gatewayB), Notice{To: "N0QRB-9", Text: "held"}, false},
		"text that is larger than may be":  {Inbox(gatewayB), Text{From: "a", To: "b", Hops: []string{gatewayA}, Text: strings.Repeat("x", MaxWire)}, false},
		"text with a hop that is no call":  {Inbox(gatewayB), Text{From: "a", To: "b", Hops: []string{"valley", gatewayA}}, false},
		"text of a mesh that is none":      {Inbox(gatewayB), Text{From: "a", To: "b", Hops: []string{gatewayA}, Mesh: "a/b"}, false},
		"custody with a code of two words": {Inbox(gatewayB), Custody{About: "N0QRB-10.5", Code: "too long"}, false},
		"receipt for nobody":               {Inbox(gatewayB), Receipt{About: "N0QRB-10.5", Result: ResultNak}, false},
		"notice about what is no id":       {Inbox(gatewayB), Notice{From: gatewayA, To: "N0QRB-9", About: "a b"}, false},
		"notice to nobody":                 {Inbox(gatewayB), Notice{From: gatewayA, Text: "held"}, false},
		"heard on a mesh that is none":     {HeardAt("N0QRA-7", gatewayA), Heard{Station: "N0QRA-7", Mesh: "+"}, false},
		"position on a mesh that is none":  {Group("ALL"), Position{Station: "N0QRA-7", Mesh: "+"}, false},
		"position with a long comment":     {Group("ALL"), Position{Station: "N0QRA-7", Comment: strings.Repeat("x", maxComment+1)}, false},
		"position with false ambiguity":    {Group("ALL"), Position{Station: "N0QRA-7", Ambiguity: 5}, false},
		"position from the future":         {Group("ALL"), Position{Station: "N0QRA-7", Age: -1}, false},
		"nothing":                          {Inbox(gatewayB), nil, false},
	} {
		e := hello()
		e.Topic, e.Body = c.topic, c.body
		wire, err := Seal(keyA, e)
		if (err == nil) != c.ok {
			t.Errorf("%s: %v", name, err)
		}
		if err != nil {
			continue
		}
		if _, err := Open(wire, trustAB(t), wantB(t, e.Topic)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Seal refuses what no reader would take, and says which member.
func TestSealFindings(t *testing.T) {
	for want, change := range map[string]func(*Event){
		`source "gateway"`:        func(e *Event) { e.Source = "gateway" },
		`id ""`:                   func(e *Event) { e.ID = "" },
		"number 0":                func(e *Event) { e.Number = 0 },
		"number 9007199254740992": func(e *Event) { e.Number = MaxNumber + 1 },
		"lifetime 999ms":          func(e *Event) { e.Lifetime = 999 * time.Millisecond },
		"lifetime 744h0m1s":       func(e *Event) { e.Lifetime = MaxLifetime + time.Second },
		"year 1969":               func(e *Event) { e.Signed = time.Unix(-1, 0).UTC() },
		"root of the trunk":       func(e *Event) { e.Root = "a/#" },
		"no topic":                func(e *Event) { e.Topic = Topic{} },
	} {
		e := hello()
		change(&e)
		if wire, err := Seal(keyA, e); err == nil || wire != nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %s, %v", want, wire, err)
		}
	}
}

func many(s string, n int) []string { return strings.Split(strings.Repeat(s+" ", n-1)+s, " ") }
