package bridge_test

import (
	"os"
	"strings"
	"testing"
)

// TestFirstMessageOfTheReadme: who follows README.md copies the frame's id from it into
// the acknowledgement.
func TestFirstMessageOfTheReadme(t *testing.T) {
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "POST", "1", "N0QRB-9 hello from the hill")
		w.beacon("valley", "N0QRB-9")
		f := w.gets("valley", soon)
		for _, says := range []string{`{"id":"` + f.ID + `","from":"N0QRA-7"`, `"ack":"` + f.ID + `"}`} {
			if !strings.Contains(string(readme), says) {
				t.Errorf("README.md does not show %s", says)
			}
		}
		w.ack("valley", f)
		w.want(w.gets("valley", soon), "receipt POST>N0QRA-7 1")
	})
}
