package web

import (
	"context"
	"os"
	"os/user"
	"testing"

	"posthouse/bridge/desk"
)

// namesake keeps who asked last.
type namesake struct {
	desktop
	by *string
}

func (n namesake) Quiet(_ context.Context, _, by string) error { *n.by = by; return nil }
func (n namesake) Order(_ context.Context, o desk.Order) (desk.Story, error) {
	*n.by = o.By
	return desk.Story{}, nil
}

// The log says who sent a command: the user at the other end of the socket
// (SO_PEERCRED of unix(7)), and on whose behalf sudo(8) made it that one.
func TestCommandsCarryTheirSendersName(t *testing.T) {
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	if os.Getuid() == 0 && me.Username != "root" {
		t.Fatalf("user 0 is %s", me.Username)
	}
	by := "nobody asked"
	dir := serveDesk(t, namesake{by: &by})
	for _, c := range []struct{ sudo, want string }{
		{"", me.Username},
		{me.Username, me.Username},
		{"anna", "anna as " + me.Username},
		{"anna\nlevel=ERROR", me.Username},
		{"anna operator", me.Username},
	} {
		t.Setenv("SUDO_USER", c.sudo)
		if _, err := Ask(t.Context(), dir, "quiet", LinkRequest{Link: "all"}); err != nil || by != c.want {
			t.Errorf("SUDO_USER=%q: %q, want %q (%v)", c.sudo, by, c.want, err)
		}
		by = ""
		if _, err := Ask(t.Context(), dir, "order", desk.Order{Do: desk.Hold, ID: "1", By: "somebody else"}); err != nil || by != c.want {
			t.Errorf("an order with SUDO_USER=%q: %q, want %q (%v)", c.sudo, by, c.want, err)
		}
	}
}
