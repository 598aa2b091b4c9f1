package bridge_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"posthouse/bridge"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

// judge makes a judge by the settings of a gateway, and more.
func judge(t *testing.T, extra ...string) *bridge.Judge {
	t.Helper()
	return bridge.NewJudge(judgeConfig(t, extra...))
}

func judgeConfig(t testing.TB, extra ...string) *config.Config {
	t.Helper()
	cfg, findings := config.Load(settings(extra...), config.Hooks{})
	if config.HasErrors(findings) {
		t.Fatal(findings)
	}
	return cfg
}

func TestVet(t *testing.T) {
	stations := filepath.Join(t.TempDir(), "stations")
	if err := os.WriteFile(stations, []byte("4711 N0QRA-7 Ann\n4712 N0QRB Ben may=text\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	listed := []string{"POSTHOUSE_VALLEY_STATIONS_FILE=" + stations}
	local := append(listed, "POSTHOUSE_VALLEY_UNKNOWN=local")
	refuse := append(listed, "POSTHOUSE_VALLEY_UNKNOWN=refuse")
	mail := []string{"POSTHOUSE_POST_LISTEN=127.0.0.1:2525", "POSTHOUSE_POST_ALLOW=ann@club.example=N0QRA,*@county.example"}
	exercise := []string{"POSTHOUSE_EXERCISE=RIDGE", "POSTHOUSE_EXERCISE_STATIONS=N0QRA"}
	slow := []string{"POSTHOUSE_VALLEY_SF=12", "POSTHOUSE_VALLEY_BW=7.8", "POSTHOUSE_VALLEY_CR=4/8", "POSTHOUSE_VALLEY_AIRTIME=1"}
	long := strings.Repeat("water is up to the porch ", 40)
	seen := map[string]bool{}
	for name, c := range map[string]struct {
		settings             []string
		from, to, text, link string
		code                 string // empty: passes
		parts                []string
		note                 string
	}{
		"a text between stations passes":           {parts: []string{"hello"}},
		"no call sign":                             {from: "node4711", code: link.CodeNoCallsign},
		"the placeholder":                          {from: "N0CALL-7", code: link.CodeNoCallsign},
		"a portable call sign on APRS":             {from: "N0QRA/P", link: "aprs", code: link.CodeNoCallsign},
		"an empty text":                            {text: " \n", code: link.CodeNotText},
		"a text that hides something":              {text: "abc\u202edef", code: link.CodeNotText},
		"a text that imitates an ack on APRS":      {text: "ack4f2a", link: "aprs", code: link.CodeNotText},
		"nothing after the address":                {to: "POST", text: "N0QRB", code: link.CodeNotText},
		"ciphertext":                               {text: "U2FsdGVkX19w0vQ3mXy7Jb1kq8R2hZt6cYd4LsPzNfE=", code: link.CodeLooksEncrypted},
		"a text over every limit":                  {text: strings.Repeat(long, 20), code: link.CodeTooLong},
		"a text over the parts of a mesh":          {text: long, code: link.CodeTooLong},
		"a text over the parts of APRS":            {text: long[:300], link: "aprs", code: link.CodeTooLong},
		"a frame that costs more than the hour":    {settings: slow, text: long[:100], code: link.CodeTooLong},
		"an emergency may exceed the budget":       {settings: slow, text: "EMERGENCY " + long[:100], parts: []string{"EMERGENCY " + long[:99]}},
		"the gateway's own call from outside":      {from: gateway, code: link.CodeLooped},
		"a blocked sender":                         {settings: []string{"POSTHOUSE_BLOCK=N0QRA"}, code: link.CodeBlocked},
		"a blocked addressee":                      {settings: []string{"POSTHOUSE_BLOCK=N0QRB"}, code: link.CodeBlocked},
		"a sender who looks like a station":        {from: "n0qſa", code: link.CodeNoCallsign},
		"an addressee who looks like a station":    {to: "n0qſa-7", code: link.CodeNoRoute},
		"an addressee with a dotless i":            {to: "n0qrı", code: link.CodeNoRoute},
		"nobody's name":                            {to: "NOBODY", code: link.CodeNoRoute},
		"a text to the gateway without an address": {to: gateway, text: "hello all", code: link.CodeNoRoute},
		"mail to mail":                             {settings: mail, from: "ann@club.example", to: "ben@club.example", code: link.CodeNoRoute},
		"an alias":                                 {settings: []string{"POSTHOUSE_ALIASES=EOC=eoc@county.example"}, to: "eoc", parts: []string{"hello"}},
		"a text that begins with its address":      {to: "POST", text: "N0QRB: hello", parts: []string{"hello"}},
		"a third party to APRS":                    {from: "ann@club.example", link: "aprs", code: link.CodeThirdParty},
		"a third party to APRS, allowed":           {settings: []string{"POSTHOUSE_APRS_THIRD_PARTY=yes"}, from: "ann@club.example", link: "aprs", parts: []string{"ann@club.example: hello"}},
		"a third party to the own mesh":            {from: "ann@club.example", parts: []string{"hello"}},
		"a mail writer who is not on the list":     {settings: mail, from: "eve@spam.example", code: link.CodeNotAllowed},
		"a licensed mail writer to APRS":           {settings: mail, from: "ann@club.example", link: "aprs", parts: []string{"ann@club.example: hello"}},
		"a listed station by its node id":          {settings: refuse, from: "4711", parts: []string{"hello"}},
		"a station that may not mail":              {settings: listed, from: "N0QRB-3", to: "ann@club.example", code: link.CodeNotAllowed},
		"an unlisted station passes":               {settings: listed, from: "N0QRC", parts: []string{"hello"}},
		"or is refused":                            {settings: refuse, from: "N0QRC", code: link.CodeNotAllowed},
		"or stays local":                           {settings: local, from: "N0QRC", to: "ann@club.example", code: link.CodeNotAllowed},
		"nor on another mesh":                      {settings: local, from: "N0QRC", link: "hill", code: link.CodeNotAllowed},
		"and local is on the mesh":                 {settings: local, from: "N0QRC", link: "valley", parts: []string{"hello"}},
		"an unlisted station's emergency":          {settings: listed, from: "N0QRC", text: "EMERGENCY fire", parts: []string{"EMERGENCY fire"}, note: "goes as priority: the station is not on the list"},
		"an emergency of who may only answer":      {from: "ann@club.example", text: "EMERGENCY fire", parts: []string{"EMERGENCY fire"}, note: "goes as priority: its writer is not on the allow list"},
		"an unlicensed writer's emergency":         {settings: mail, from: "x@county.example", text: "EMERGENCY fire", parts: []string{"EMERGENCY fire"}},
		"an exercise marks each part":              {settings: append(exercise, "POSTHOUSE_VALLEY_MAX_BYTES=40"), text: "flood at the mill, sixteen people on the roof", parts: []string{"EXERCISE 1/3 flood at the mill, EXERCISE", "EXERCISE 2/3 sixteen people on EXERCISE", "EXERCISE 3/3 the roof EXERCISE"}},
		"who takes no part is not marked":          {settings: exercise, from: "N0QRC", parts: []string{"hello"}},
		"a real emergency is never marked":         {settings: exercise, text: "REAL EMERGENCY fire", parts: []string{"REAL EMERGENCY fire"}},
	} {
		t.Run(name, func(t *testing.T) {
			from, to, text := "N0QRA-7", "N0QRB-9", "hello"
			for _, s := range []struct{ set, to *string }{{&c.from, &from}, {&c.to, &to}, {&c.text, &text}} {
				if *s.set != "" {
					*s.to = *s.set
				}
			}
			got, err := judge(t, c.settings...).Vet(bridge.Question{From: from, To: to, Text: text, Link: c.link})
			if err != nil {
				t.Fatal(err)
			}
			seen[c.code] = true
			code := ""
			if got.Refusal != nil {
				code = got.Refusal.Code
			}
			if code != c.code || !slices.Equal(got.Parts, c.parts) || got.Note != c.note {
				t.Errorf("got %q (%+v) %q %q, want %q %q %q", code, got.Refusal, got.Parts, got.Note, c.code, c.parts, c.note)
			}
		})
	}
	for _, code := range link.Codes {
		running := slices.Contains([]string{link.CodeBadSignature, link.CodeFull}, code) || slices.Contains([]string{link.CodeExpired, link.CodeDuplicate, link.CodeTooMany}, code) // the latter in judgeturn_test.go
		if !running && !seen[code] {                                                                                                                                                // what needs a running gateway vet cannot know
			t.Errorf("no case for %s", code)
		}
	}
}

func TestVetKnowsNoLinkOfThisName(t *testing.T) {
	if _, err := judge(t).Vet(bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: "hello", Link: "pigeon"}); err == nil || !strings.Contains(err.Error(), "pigeon") {
		t.Errorf("got %v", err)
	}
}
