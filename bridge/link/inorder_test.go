package link_test

import (
	"errors"
	"slices"
	"testing"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func TestNothingIsOfferedBehindWhatIsToComeAgain(t *testing.T) {
	frame := func(from, to, text string) link.Frame {
		return link.Frame{Message: message.Message{From: from, To: to}, Text: text}
	}
	busy := errors.New("busy")
	var offered []string
	errs := link.OneByOne([]link.Frame{
		frame("N0QRA", "N0QRB", "too long"), frame("N0QRA", "N0QRB", "first"), frame("N0QRA", "N0QRB", "second"),
		frame("N0QRC", "N0QRB", "other writer"), frame("N0QRA", "N0QRD", "other addressee"), frame("N0QRA", "N0QRB", "third"),
	}, func(f link.Frame) error {
		offered = append(offered, f.Text)
		switch f.Text {
		case "too long":
			return link.Permanent(link.CodeTooLong, errors.New("too long"))
		case "first":
			return link.RetryAfter(60, busy)
		}
		return nil
	})
	if want := []string{"too long", "first", "other writer", "other addressee"}; !slices.Equal(offered, want) {
		t.Errorf("offered %q, want %q", offered, want)
	}
	for i, want := range []bool{false, true, true, false, false, true} {
		if got := errors.Is(errs[i], busy); got != want {
			t.Errorf("frame %d: %v", i, errs[i])
		}
	}
}
