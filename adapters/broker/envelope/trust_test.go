package envelope

import (
	"fmt"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestTrustFile(t *testing.T) {
	a, b, c := keyA.Public(), keyB.Public(), keyC.Public()
	file := "# the club's gateways\n\n" + a.JWK(gatewayA) + "\r\n  " + b.JWK(gatewayA) + "\n" + a.JWK(gatewayA) +
		"\n\t# far away\n" + `{"kty":"OKP","use":"sig","alg":"EdDSA","crv":"Ed25519","x":"` + c.jwk("").X + `","kid":"` + gatewayC + `","note":"since May"}`
	trust, err := ParseTrust([]byte(file))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := trust.Calls(), []string{gatewayC, gatewayA}; !reflect.DeepEqual(got, want) {
		t.Errorf("calls %q, want %q", got, want)
	}
	if got, want := trust.Keys(gatewayA), []PublicKey{a, b}; !reflect.DeepEqual(got, want) {
		t.Errorf("keys %v, want %v", got, want)
	}
	if !reflect.DeepEqual(trust.Keys(gatewayC), []PublicKey{c}) || trust.Knows("N0QRD-10") {
		t.Error("it lists what the file does not say")
	}
	if trust.Any {
		t.Error("a file makes nobody believe anyone")
	}
}

// While a key changes, events of the old and of the new one count.
func TestTwoKeysOfOneGateway(t *testing.T) {
	trust, err := ParseTrust([]byte(keyC.Public().JWK(gatewayA) + "\n" + keyA.Public().JWK(gatewayA)))
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []Key{keyA, keyC} {
		got, err := Open(seal(t, key, hello()), trust, wantB(t, Inbox(gatewayB)))
		if err != nil || got.Key != key.Public() || !got.Listed {
			t.Errorf("got %+v, %v", got, err)
		}
	}
}

func TestTrustFileFindings(t *testing.T) {
	a := keyA.Public()
	good := a.JWK(gatewayA)
	var nine []string
	for _, letter := range "123456789" {
		nine = append(nine, keyOf(string(letter)).Public().JWK(gatewayA))
	}
	for name, c := range map[string]struct{ file, want string }{
		"not JSON":                {good + "\n" + "N0QRB-10 abc", "line 2: not JSON"},
		"a JWK set":               {"[" + good + "]", "line 1: not a JSON object"},
		"two keys on a line":      {good + " " + good, "line 1: not JSON"},
		"a member twice":          {strings.Replace(good, `"crv"`, `"kid":"N0QRB-10","crv"`, 1), `line 1: member "kid" occurs twice`},
		"no kid":                  {strings.Replace(good, `"kid":"N0QRA-10",`, "", 1), "line 1: member kid is missing"},
		"a kid that is no call":   {strings.Replace(good, "N0QRA-10", "gateway", 1), `line 1: kid "gateway" is not a call sign`},
		"a kid in small letters":  {strings.Replace(good, "N0QRA-10", "n0qra-10", 1), `line 1: kid "n0qra-10" is not a call sign in capitals`},
		"a kid with SSID 0":       {strings.Replace(good, "N0QRA-10", "N0QRA-0", 1), `line 1: kid "N0QRA-0" is not`},
		"an RSA key":              {`{"kid":"N0QRA-10","kty":"RSA","n":"AQAB","e":"AQAB"}`, "line 1: kty is not OKP"},
		"another curve":           {strings.Replace(good, "Ed25519", "Ed448", 1), "line 1: crv is not Ed25519"},
		"for encryption":          {strings.Replace(good, `"crv"`, `"use":"enc","crv"`, 1), "line 1: use is not sig"},
		"another algorithm":       {strings.Replace(good, `"crv"`, `"alg":"ES256","crv"`, 1), "line 1: alg is not EdDSA"},
		"a short x":               {strings.Replace(good, a.jwk("").X, a.jwk("").X[:42], 1), "line 1: x is not 32 bytes"},
		"x with loose bits":       {strings.Replace(good, a.jwk("").X, a.jwk("").X[:42]+string(nextDigit(a.jwk("").X[42])), 1), "line 1: x is not 32 bytes"},
		"x padded":                {strings.Replace(good, a.jwk("").X, a.jwk("").X+"=", 1), "line 1: x is not 32 bytes"},
		"one key, two gateways":   {good + "\n\n" + a.JWK(gatewayB), "line 3: is the key of N0QRA-10 too"},
		"too many keys of a call": {strings.Join(nine, "\n"), "line 9: is key 9 of N0QRA-10"},
		"a line without end":      {"#\n{" + strings.Repeat(" ", maxTrustLine) + "}", "line 2: has 4098 bytes"},
		"too large":               {strings.Repeat("#", MaxTrustFile+1), "the trust file has 1048577 bytes"},
		"every wrong line":        {"a\n" + good + "\nb", "line 1: not JSON\nline 3: not JSON"},
	} {
		trust, err := ParseTrust([]byte(c.file))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
		if trust != nil {
			t.Errorf("%s: a list comes with the error", name)
		}
	}
}

// Somebody puts the private half into the list: no error shows it.
func TestPrivateKeyInTrustFile(t *testing.T) {
	d := vector(t, "rfc8037.d")
	_, err := ParseTrust(fmt.Appendf(nil, `{"kid":"N0QRA-10","kty":"OKP","crv":"Ed25519","d":"%s","x":"%s"}`, d, vector(t, "rfc8037.x")))
	if err == nil || !strings.Contains(err.Error(), "private key") || strings.Contains(err.Error(), d) {
		t.Errorf("got %v", err)
	}
}

func TestFindingsAreBounded(t *testing.T) {
	_, err := ParseTrust([]byte(strings.Repeat("x\n", 1000)))
	if n := strings.Count(err.Error(), "line "); n != maxFindings {
		t.Errorf("%d findings, want %d", n, maxFindings)
	}
}

func TestTrustHoldsWhatWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var file strings.Builder
		want := map[string][]PublicKey{}
		for i := range rapid.IntRange(0, 12).Draw(t, "lines") {
			call := genCall.Draw(t, "call")
			if len(want[call]) == maxKeysOfCall {
				continue
			}
			key := keyOf(string(rune('A' + i))).Public()
			want[call] = append(want[call], key)
			file.WriteString(key.JWK(call) + "\n")
		}
		trust, err := ParseTrust([]byte(file.String()))
		if err != nil || !reflect.DeepEqual(trust.keys, want) {
			t.Fatalf("%v\n%s", err, file.String())
		}
	})
}

// FuzzTrust: what is read can be written and is read as the same.
func FuzzTrust(f *testing.F) {
	f.Add([]byte(keyA.Public().JWK(gatewayA) + "\n# x\n" + keyC.Public().JWK(gatewayC)))
	f.Add([]byte(`{"kid":"N0QRA-10","kty":"OKP","crv":"Ed25519","x":"","d":""}`))
	f.Fuzz(func(t *testing.T, file []byte) {
		trust, err := ParseTrust(file)
		if err != nil {
			if trust != nil {
				t.Fatal("a list comes with the error")
			}
			return
		}
		var again strings.Builder
		for _, call := range trust.Calls() {
			for _, key := range trust.Keys(call) {
				again.WriteString(key.JWK(call) + "\n")
			}
		}
		second, err := ParseTrust([]byte(again.String()))
		if err != nil || !reflect.DeepEqual(second, trust) {
			t.Fatalf("%v\n%s", err, again.String())
		}
	})
}
