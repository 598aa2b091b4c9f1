package bridge_test

import (
	"testing"
	"time"
)

// Who writes to POST, or to the gateway, names the addressee in the text. So a notice names
// the addressee: POST would not tell one of several texts from another.
func TestNoticesNameWhomATextToPOSTWasFor(t *testing.T) {
	for _, to := range []string{"POST", gateway} {
		t.Run(to, func(t *testing.T) {
			inWorld(t, []string{"POSTHOUSE_LIFETIME=1h"}, func(t *testing.T, w *world) {
				w.says("valley", "N0QRC-7", to, "1", "N0QRD-9 broken leg")
				w.want(w.gets("valley", 6*time.Minute), `notice N0QRZ-10>N0QRC-7 held: N0QRD-9 never heard. Goes out when heard. "broken leg"`)
				w.want(w.gets("valley", time.Hour), `notice N0QRZ-10>N0QRC-7 not delivered to N0QRD-9: expired. "broken leg"`)
			})
		})
	}
}

// An alias is what its writer knows, not the address behind it.
func TestNoticesNameTheAliasThatWasWrittenTo(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_LIFETIME=1h", "POSTHOUSE_ALIASES=TEAM3=N0QRD-9"}, func(t *testing.T, w *world) {
		w.says("valley", "N0QRC-7", "TEAM3", "1", "broken leg")
		w.want(w.gets("valley", 6*time.Minute), `notice N0QRZ-10>N0QRC-7 held: TEAM3 never heard. Goes out when heard. "broken leg"`)
	})
}

// Where nothing is left of a text there is nothing to quote.
func TestNoticeQuotesNoEmptyText(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.says("valley", "N0QRC-7", "POST", "1", "N0QRD-9")
		w.want(w.gets("valley", time.Minute), `notice N0QRZ-10>N0QRC-7 not taken: nothing after the address (not-text).`)
	})
}
