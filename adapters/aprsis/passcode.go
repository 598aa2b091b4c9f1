package aprsis

import (
	"fmt"
	"strconv"
	"strings"
)

// ReceiveOnly is the passcode of a client that only listens.
const ReceiveOnly = "-1"

// Passcode computes the passcode of a call sign, 0 to 32767; the SSID does not
// count. It is common knowledge and proves nothing (algorithm: common practice,
// no published source).
func Passcode(call string) int {
	base, _, _ := strings.Cut(strings.ToUpper(call), "-")
	code := 0x73E2
	for i := 0; i < len(base); i++ {
		if i%2 == 0 {
			code ^= int(base[i]) << 8
		} else {
			code ^= int(base[i])
		}
	}
	return code & 0x7FFF
}

// checkPasscode gives the passcode to log in with. Empty, "none" and "-1" mean
// that the link only receives; anything else has to fit the call sign.
func checkPasscode(call, passcode string) (string, error) {
	switch p := strings.TrimSpace(passcode); strings.ToLower(p) {
	case "", "none", ReceiveOnly:
		return ReceiveOnly, nil
	case strconv.Itoa(Passcode(call)):
		return p, nil
	default:
		return "", fmt.Errorf("the passcode does not belong to %s: get the one for this call sign, or set %s to only receive", call, ReceiveOnly)
	}
}

// CheckPasscode tells what is wrong with a passcode for a call sign; its error
// does not hold the passcode. None at all is right: the link then only receives.
func CheckPasscode(call, passcode string) error {
	_, err := checkPasscode(call, passcode)
	return err
}
