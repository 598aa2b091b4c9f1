package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// vetSettings are those of a gateway with each kind of link.
func vetSettings(t *testing.T) []string {
	t.Helper()
	stations := filepath.Join(t.TempDir(), "stations")
	list := "4711 N0QRA-7 Ann\n4712 N0QRB Ben may=text\n4713 N0QRC Cora may=mail\n4799 - Child without a licence\n"
	if err := os.WriteFile(stations, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	return []string{
		"POSTHOUSE_CALLSIGN=N0QRZ-10", "POSTHOUSE_LINKS=valley,aprs,post", "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_ALIASES=EOC=eoc@county.example", "POSTHOUSE_BLOCK=N0QRX,*@spam.example",
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_BROKER_URL=tcp://127.0.0.1:1883", "POSTHOUSE_VALLEY_STATIONS_FILE=" + stations,
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=127.0.0.1:14580", "POSTHOUSE_APRS_PASSCODE=1",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST=127.0.0.1:25", "POSTHOUSE_POST_SMARTHOST_TLS=none",
		"POSTHOUSE_POST_LISTEN=127.0.0.1:2525", "POSTHOUSE_POST_ALLOW=ann@club.example=N0QRA,*@county.example",
	}
}

// asked is one line for vet.
func asked(from, to, text, link string) string {
	b, _ := json.Marshal(map[string]string{"from": from, "to": to, "text": text, "link": link}) // plain texts: cannot fail
	return string(b)
}

// The names are the specification: what vet says to each, with the rule's code
// ("pass" if it passes), and what the first part begins with.
func TestVetVerdicts(t *testing.T) {
	bytes24 := "k9Xb3vQz7LmN2pRt8sWy4uCd6eFg1hJa"
	for name, c := range map[string]struct{ line, want, part string }{
		"a text between two stations":                   {asked("N0QRA-7", "N0QRB-9", "hello", ""), "pass", "hello"},
		"a station by its node id":                      {asked("4711", "N0QRB-9", "hello", ""), "pass", "hello"},
		"a node id without a call sign":                 {asked("4799", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"a node id nobody listed":                       {asked("!4f2a91cc", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"nobody":                                        {asked("", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"the placeholder":                               {asked("N0CALL", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"the placeholder with SSID":                     {asked("N0CALL-7", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"a start that no country has":                   {asked("Q1ABC", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"a call sign without a figure":                  {asked("NOCALL", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"an SSID over 15":                               {asked("N0QRA-16", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"a Greek letter in a call sign":                 {asked("Ν0QRA", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"a hidden character in a call sign":             {asked("N0QRA\u200b", "N0QRB-9", "hello", ""), "no-callsign", ""},
		"small letters in a call sign":                  {asked("n0qra-7", "n0qrb-9", "hello", ""), "pass", "hello"},
		"a portable form":                               {asked("DL/N0QRA", "N0QRB-9", "hello", ""), "pass", "hello"},
		"a portable form on APRS":                       {asked("DL/N0QRA", "N0QRB-9", "hello", "aprs"), "no-callsign", ""},
		"the gateway's own call from outside":           {asked("N0QRZ-10", "N0QRB-9", "hello", ""), "looped", ""},
		"a blocked station, any SSID":                   {asked("N0QRX-3", "N0QRB-9", "hello", ""), "blocked", ""},
		"a blocked station, portable":                   {asked("N0QRX/P", "N0QRB-9", "hello", ""), "blocked", ""},
		"to a blocked station":                          {asked("N0QRA-7", "N0QRX", "hello", ""), "blocked", ""},
		"a blocked mail domain":                         {asked("x@spam.example", "N0QRB-9", "hello", ""), "blocked", ""},
		"to a blocked mail domain":                      {asked("N0QRA-7", "X@SPAM.example", "hello", ""), "blocked", ""},
		"mail from a station that may":                  {asked("N0QRC-1", "ann@club.example", "hello", ""), "pass", "hello"},
		"mail from a station that may not":              {asked("N0QRB-1", "ann@club.example", "hello", ""), "not-allowed", ""},
		"a text from a station that may mail only":      {asked("N0QRC-1", "N0QRA-7", "hello", ""), "not-allowed", ""},
		"an unlisted station":                           {asked("N0QRD", "N0QRB-9", "hello", ""), "pass", "hello"},
		"an alias":                                      {asked("N0QRA-7", "eoc", "hello", ""), "pass", "hello"},
		"POST with an address":                          {asked("N0QRA-7", "POST", "ann@club.example see you", ""), "pass", "see you"},
		"POST with a group":                             {asked("N0QRA-7", "POST", "ALL net at 1900Z", ""), "pass", "net at 1900Z"},
		"POST with nothing behind":                      {asked("N0QRA-7", "POST", "N0QRB", ""), "not-text", ""},
		"POST without an address":                       {asked("N0QRA-7", "POST", "hello there", ""), "no-route", ""},
		"to the gateway without an address":             {asked("N0QRA-7", "N0QRZ-10", "hello there", ""), "no-route", ""},
		"an unknown group":                              {asked("N0QRA-7", "NOBODY", "hello", ""), "no-route", ""},
		"a licensed mail writer":                        {asked("ann@club.example", "N0QRB-9", "hello", ""), "pass", "hello"},
		"an unlicensed one to the own mesh":             {asked("x@county.example", "N0QRB-9", "hello", ""), "pass", "hello"},
		"an unlicensed one to APRS":                     {asked("x@county.example", "N0QRB-9", "hello", "aprs"), "third-party", ""},
		"an unlicensed one abroad":                      {asked("x@county.example", "OE1XYZ", "hello", "trunk"), "third-party", ""},
		"an unlicensed emergency abroad, RR 25.3":       {asked("x@county.example", "OE1XYZ", "EMERGENCY help", "trunk"), "pass", "EMERGENCY help"},
		"a mail writer who is not on the list":          {asked("eve@elsewhere.example", "N0QRB-9", "hello", ""), "not-allowed", ""},
		"mail to mail":                                  {asked("ann@club.example", "ben@club.example", "hello", ""), "no-route", ""},
		"an empty text":                                 {asked("N0QRA-7", "N0QRB-9", "", ""), "not-text", ""},
		"spaces only":                                   {asked("N0QRA-7", "N0QRB-9", " \n\t ", ""), "not-text", ""},
		"a control character":                           {asked("N0QRA-7", "N0QRB-9", "a\x07b", ""), "not-text", ""},
		"an escape sequence":                            {asked("N0QRA-7", "N0QRB-9", "\x1b[31mred", ""), "not-text", ""},
		"a right-to-left override":                      {asked("N0QRA-7", "N0QRB-9", "abc\u202edef", ""), "not-text", ""},
		"zero-width characters":                         {asked("N0QRA-7", "N0QRB-9", "he\u200bl\u200clo", ""), "not-text", ""},
		"tag characters":                                {asked("N0QRA-7", "N0QRB-9", "hi\U000E0041", ""), "not-text", ""},
		"200 marks on one letter":                       {asked("N0QRA-7", "N0QRB-9", "a"+strings.Repeat("\u0323", 200), ""), "not-text", ""},
		"a line end in an address":                      {asked("N0QRA-7", "N0QRB-9\nBCC", "hello", ""), "not-text", ""},
		"Arabic with marks of its own":                  {asked("N0QRA-7", "N0QRB-9", "نحن على الجبل", ""), "pass", "نحن"},
		"a family of emoji":                             {asked("N0QRA-7", "N0QRB-9", "👨‍👩‍👧 ok", ""), "pass", "👨‍👩‍👧 ok"},
		"umlauts on APRS":                               {asked("N0QRA-7", "N0QRB-9", "Grüße", "aprs"), "pass", "Gruesse"},
		"a text that reads as an ack on APRS":           {asked("N0QRA-7", "N0QRB-9", "ack4f2a", "aprs"), "not-text", ""},
		"the same on a mesh":                            {asked("N0QRA-7", "N0QRB-9", "ack4f2a", "valley"), "pass", "ack4f2a"},
		"24 random bytes in base64":                     {asked("N0QRA-7", "N0QRB-9", bytes24, ""), "looks-encrypted", ""},
		"the same in words of four":                     {asked("N0QRA-7", "N0QRB-9", "k9Xb 3vQz 7LmN 2pRt 8sWy 4uCd 6eFg 1hJa", ""), "looks-encrypted", ""},
		"OpenPGP armour":                                {asked("N0QRA-7", "N0QRB-9", "-----BEGIN PGP MESSAGE-----\n\nhF4D", ""), "looks-encrypted", ""},
		"a commit in prose":                             {asked("N0QRA-7", "N0QRB-9", "fixed in 3f786850e387550fdab836ed7e6dc881de23001b", ""), "pass", "fixed in"},
		"a signed JSON token's header":                  {asked("N0QRA-7", "N0QRB-9", "eyJhbGciOiJSU0EtT0FFUCIsImVuYyI6IkEyNTZHQ00ifQ", ""), "pass", "eyJ"},
		"more than 16 KiB":                              {asked("N0QRA-7", "N0QRB-9", strings.Repeat("water ", 3000), ""), "too-long", ""},
		"more parts than the mesh takes":                {asked("N0QRA-7", "N0QRB-9", strings.Repeat("water is rising ", 50), ""), "too-long", ""},
		"more parts than APRS takes":                    {asked("N0QRA-7", "N0QRB-9", strings.Repeat("water is rising ", 15), "aprs"), "too-long", ""},
		"mail has no such limit":                        {asked("N0QRA-7", "ann@club.example", strings.Repeat("water is rising ", 50), ""), "pass", "water"},
		"EMERGENCY of a listed station":                 {asked("N0QRA-7", "N0QRB-9", "EMERGENCY fire", ""), "pass", "EMERGENCY fire"},
		"EMERGENCY of an unlisted one goes as priority": {asked("N0QRD", "N0QRB-9", "EMERGENCY fire", ""), "pass", "EMERGENCY fire"},
		"TEST marks first and last":                     {asked("N0QRA-7", "N0QRB-9", "TEST PRIORITY bridge gone", ""), "pass", "TEST PRIORITY bridge gone TEST"},
		"EXERCISE marks are not doubled":                {asked("N0QRA-7", "N0QRB-9", "EXERCISE all ok EXERCISE", ""), "pass", "EXERCISE all ok EXERCISE"},
		"REAL EMERGENCY is never marked":                {asked("N0QRA-7", "N0QRB-9", "REAL EMERGENCY fire", ""), "pass", "REAL EMERGENCY fire"},
		"a number for a text":                           {`{"from":"N0QRA-7","to":"N0QRB-9","text":5}`, "not-text", ""},
		"null for a text":                               {`{"from":"N0QRA-7","to":"N0QRB-9","text":null}`, "not-text", ""},
		"no members at all":                             {`{}`, "no-callsign", ""},
		"an array":                                      {`[1,2]`, "not-text", ""},
		"an unknown member is not minded":               {`{"from":"N0QRA-7","to":"N0QRB-9","text":"hello","snr":6.25}`, "pass", "hello"},
		"a member twice: the last counts":               {`{"from":"N0CALL","from":"N0QRA-7","to":"N0QRB-9","text":"hello"}`, "pass", "hello"},
		"half a character pair":                         {`{"from":"N0QRA-7","to":"N0QRB-9","text":"\ud83d ok"}`, "pass", "\uFFFD ok"},
		"invalid UTF-8":                                 {"{\"from\":\"N0QRA-7\",\"to\":\"N0QRB-9\",\"text\":\"\xff\xfe\"}", "not-text", ""},
		"two objects on a line":                         {`{"from":"N0QRA-7","to":"N0QRB-9","text":"a"}{"from":"N0QRA-7"}`, "not-text", ""},
		"half an object":                                {`{"from":"N0QRA-7","to":`, "not-text", ""},
		"nested a thousand deep":                        {strings.Repeat("[", 20000), "not-text", ""},
		"a line of 900 KiB":                             {asked("N0QRA-7", "N0QRB-9", strings.Repeat("x", 900<<10), ""), "too-long", ""},
	} {
		t.Run(name, func(t *testing.T) {
			var out, errs bytes.Buffer
			run([]string{"vet"}, streams{in: strings.NewReader(c.line + "\n"), out: &out, err: &errs}, vetSettings(t))
			var got vetAnswer
			if err := json.Unmarshal(out.Bytes(), &got); err != nil {
				t.Fatalf("%v: %q %q", err, out.String(), errs.String())
			}
			if got.Verdict == "pass" {
				got.Rule = "pass"
			} else if got.Why == "" {
				t.Error("refused without a reason")
			}
			part := strings.Join(got.Parts, "|")
			if got.Rule != c.want || !strings.HasPrefix(part, c.part) {
				t.Errorf("got %s (%s) %.80q, want %s %q", got.Rule, got.Why, part, c.want, c.part)
			}
		})
	}
}

// A line over 1 MiB is refused like any that is no message (EX_DATAERR in the
// end), and the lines around it have their answers.
func TestVetAnswersAHugeLine(t *testing.T) {
	var out, errs bytes.Buffer
	hello := asked("N0QRA-7", "N0QRB-9", "hello", "") + "\n"
	code := run([]string{"vet"}, streams{in: strings.NewReader(hello + strings.Repeat("x", 2<<20) + "\n" + hello), out: &out, err: &errs}, nil)
	if code != exitData || strings.Count(out.String(), `"verdict":"pass"`) != 2 || strings.Count(out.String(), `"rule":"not-text"`) != 1 || !strings.Contains(errs.String(), "line 2") {
		t.Errorf("exit %d, %s%s", code, out.String(), errs.String())
	}
}
