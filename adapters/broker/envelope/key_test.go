package envelope

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"log/slog"
	"strings"
	"testing"
)

func TestKeyFileKeepsTheKey(t *testing.T) {
	key, err := MakeKey()
	if err != nil {
		t.Fatal(err)
	}
	file, err := key.PEM()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseKey(append(file, " \n"...))
	if err != nil || again.Public() != key.Public() {
		t.Errorf("got %v, %v", again, err)
	}
	other, err := MakeKey()
	if err != nil || other.Public() == key.Public() {
		t.Errorf("two keys are the same (%v)", err)
	}
}

func TestKeyFileFindings(t *testing.T) {
	ec, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(ec)
	if err != nil {
		t.Fatal(err)
	}
	good, err := keyA.PEM()
	if err != nil {
		t.Fatal(err)
	}
	secret := strings.Split(string(good), "\n")[1]
	for name, c := range map[string]struct{ file, want string }{
		"empty":            {"", "not one PEM block"},
		"a JWK":            {keyA.Public().JWK(gatewayA), "not one PEM block"},
		"two keys":         {string(good) + string(good), "not one PEM block"},
		"a public key":     {strings.ReplaceAll(string(good), "PRIVATE", "PUBLIC"), "not one PEM block"},
		"an older form":    {strings.ReplaceAll(string(good), "PRIVATE", "EC PRIVATE"), "not one PEM block"},
		"a damaged one":    {strings.Replace(string(good), secret, secret[:40], 1), "damaged"},
		"of another curve": {string(pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: der})), "not an Ed25519 key"},
	} {
		key, err := ParseKey([]byte(c.file))
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), secret[20:40]) {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
		if !key.IsZero() {
			t.Errorf("%s: a key comes with the error", name)
		}
	}
}

// However it is printed, it does not show.
func TestKeyPrintsAsStars(t *testing.T) {
	var logged bytes.Buffer
	holder := struct{ key Key }{keyA}
	slog.New(slog.NewTextHandler(&logged, nil)).Info("key", "key", keyA, "holder", holder)
	encoded, err := json.Marshal(map[string]Key{"key": keyA})
	if err != nil {
		t.Fatal(err)
	}
	out := fmt.Sprintf("%v %+v %#v %s %q %x %d", keyA, keyA, keyA, keyA, keyA, keyA, keyA) +
		fmt.Sprintf("%v %+v %#v %x", holder, holder, holder, holder) + logged.String() + string(encoded)
	seed := keyA.private.Seed()
	for _, secret := range []string{
		fmt.Sprintf("%x", seed), fmt.Sprintf("%d", seed[0]) + " " + fmt.Sprintf("%d", seed[1]), string(seed), "0x61, 0x61",
		base64.RawURLEncoding.EncodeToString(seed), base64.StdEncoding.EncodeToString(seed),
	} {
		if strings.Contains(out, secret) {
			t.Errorf("it shows %q in %s", secret, out)
		}
	}
	if !strings.Contains(out, "***") {
		t.Errorf("no stars in %s", out)
	}
}

func TestNoKeySealsNothing(t *testing.T) {
	if _, err := Seal(Key{}, hello()); err != errNoKey {
		t.Errorf("got %v", err)
	}
	if _, err := (Key{}).PEM(); err != errNoKey {
		t.Errorf("got %v", err)
	}
	if (Key{}).Public() != (PublicKey{}) {
		t.Error("no key has a public half")
	}
}
