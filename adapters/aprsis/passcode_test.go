package aprsis

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

func rows(t testing.TB, file string) [][]string {
	t.Helper()
	b, err := os.ReadFile("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for line := range strings.Lines(string(b)) {
		out = append(out, strings.Split(strings.TrimRight(line, "\n"), ","))
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", file)
	}
	return out
}

func TestPasscode(t *testing.T) {
	for _, row := range rows(t, "passcodes.csv") {
		if got := strconv.Itoa(Passcode(row[0])); got != row[1] {
			t.Errorf("Passcode(%s) = %s, want %s", row[0], got, row[1])
		}
	}
}

func TestPasscodeHasToFitTheCallSign(t *testing.T) {
	right := strconv.Itoa(Passcode("N0QRA"))
	for _, c := range []struct{ passcode, want string }{
		{right, right},
		{" " + right + "\n", right}, // as read from a file
		{"", ReceiveOnly},
		{"none", ReceiveOnly},
		{"-1", ReceiveOnly},
		{"0", ""},
		{"12345", ""},
		{right + "0", ""},
		{"secret", ""},
	} {
		got, err := checkPasscode("N0QRA-10", c.passcode)
		if got != c.want || (err == nil) != (c.want != "") {
			t.Errorf("checkPasscode(%q) = %q, %v, want %q", c.passcode, got, err, c.want)
		}
		if err != nil && (!strings.Contains(err.Error(), "N0QRA-10") || strings.Contains(err.Error(), c.passcode) && c.passcode != "0") {
			t.Errorf("error %q has to name the call sign and hide the passcode", err)
		}
	}
}
