package standin_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"maps"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"posthouse/adapters/aprsis"
	"posthouse/adapters/aprsis/standin"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// client is somebody who speaks the protocol by hand.
type client struct {
	*testing.T
	conn  net.Conn
	lines chan string
}

// join connects a client in a bubble; login may be empty.
func join(t *testing.T, s *standin.Server, login string) *client {
	ours, theirs := net.Pipe()
	go s.ServeConn(theirs)
	c := &client{t, ours, make(chan string, 1000)}
	go func() {
		defer close(c.lines)
		for in := bufio.NewScanner(ours); in.Scan(); {
			c.lines <- in.Text()
		}
	}()
	t.Cleanup(func() { ours.Close() })
	if login != "" {
		c.tell(login)
	}
	return c
}

func verified(call, filter string) string {
	return fmt.Sprintf("user %s pass %d vers test 1 filter %s", call, aprsis.Passcode(call), filter)
}

func (c *client) tell(lines ...string) {
	for _, line := range lines {
		_, _ = io.WriteString(c.conn, line+"\r\n")
	}
	synctest.Wait()
}

// got gives what came since the last time, without comments.
func (c *client) got() (frames, comments []string) {
	synctest.Wait()
	for {
		select {
		case line, open := <-c.lines:
			if !open {
				return frames, comments
			}
			if strings.HasPrefix(line, "#") {
				comments = append(comments, line)
			} else {
				frames = append(frames, line)
			}
		default:
			return frames, comments
		}
	}
}

func bubble(t *testing.T, f func(t *testing.T, s *standin.Server)) {
	synctest.Test(t, func(t *testing.T) {
		s := standin.New(t.Context())
		f(t, s)
		s.Close()
	})
}

func TestLogin(t *testing.T) {
	for login, answer := range map[string]string{
		verified("N0QRB-9", ""):                                "# logresp N0QRB-9 verified, server STANDIN",
		"user n0qrb-9 pass -1 vers x 1":                        "# logresp N0QRB-9 unverified, server STANDIN",
		"user N0QRB-9":                                         "# logresp N0QRB-9 unverified, server STANDIN",
		"user N0QRB-9 pass 1 vers x 1":                         "# logresp N0QRB-9 unverified, server STANDIN",
		"user DEADBEEF pass -1 vers x 1":                       "# bad login", // 8 hex digits
		"N0QRB>APZ001:>frame before login":                     "# bad login",
		"user N0QRBCDEFG pass 1 vers x 1":                      "# bad login",
		"user N0Q>B pass 1 vers x 1 filter g/N0QRA b/N0QRA*/x": "# bad login",
	} {
		bubble(t, func(t *testing.T, s *standin.Server) {
			_, comments := join(t, s, login).got()
			if len(comments) != 2 || comments[1] != answer {
				t.Errorf("%s: answered %q, want a banner and %q", login, comments, answer)
			}
		})
	}
}

func TestPathOfWhatIsPassedOn(t *testing.T) {
	for _, c := range []struct{ name, line, want string }{
		{"own frame", "N0QRB-9>APZ001,TCPIP*:>a", "N0QRB-9>APZ001,TCPIP*,qAC,STANDIN:>a"},
		{"own frame without a path", "N0QRB-9>APZ001:>a", "N0QRB-9>APZ001,TCPIP*,qAC,STANDIN:>a"},
		{"gated", "N0QRC>APZ001,WIDE1-1,qAR,N0QRB-9:>a", "N0QRC>APZ001,WIDE1-1,qAR,N0QRB-9:>a"},
		{"gated, in the old form", "N0QRC>APZ001,WIDE1-1,N0QRB-9,I:>a", "N0QRC>APZ001,WIDE1-1,qAR,N0QRB-9:>a"},
		{"from elsewhere", "N0QRC>APZ001,TCPIP*:>a", "N0QRC>APZ001,TCPIP*,qAS,N0QRB-9:>a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bubble(t, func(t *testing.T, s *standin.Server) {
				listener := join(t, s, verified("N0QRD", "t/s"))
				join(t, s, verified("N0QRB-9", "")).tell(c.line)
				if frames, _ := listener.got(); !slices.Equal(frames, []string{c.want}) {
					t.Errorf("passed on %q, want %q", frames, c.want)
				}
			})
		})
	}
}

func TestRefuses(t *testing.T) {
	for line, why := range map[string]string{
		"hello":                                         "malformed",
		"N0QRB-9>APZ001,NOGATE:>a":                      "not to be gated",
		"N0QRB-9>APZ001,TCPXX*:>a":                      "not to be gated",
		"N0QRB-9>APZ001,TCPIP*:}N0QRC>APZ001:>a":        "third party or general query",
		"N0QRB-9>APZ001,TCPIP*:?APRS?":                  "third party or general query",
		"N0QRC>APZ001,qAC,STANDIN:>a":                   "loop",
		"N0QRC>APZ001,qAZ,N0QRB-9:>a":                   "not to be passed on",
		"N0QRB-9>APZ001:>" + strings.Repeat("x", 1_000): "line too long",
	} {
		bubble(t, func(t *testing.T, s *standin.Server) {
			join(t, s, verified("N0QRB-9", "")).tell(line)
			if got := s.Refused(); !maps.Equal(got, map[string]int{why: 1}) || len(s.Seen()) != 0 {
				t.Errorf("%.40s: refused %v, passed %q, want %q", line, got, s.Seen(), why)
			}
		})
	}
	bubble(t, func(t *testing.T, s *standin.Server) {
		join(t, s, "user N0QRB-9 pass -1 vers x 1").tell("N0QRB-9>APZ001,TCPIP*:>a")
		if got := s.Refused()["unverified"]; got != 1 || len(s.Seen()) != 0 {
			t.Errorf("refused %v, passed %q", s.Refused(), s.Seen())
		}
	})
}

func TestCopiesWithin30SecondsAreDropped(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		c := join(t, s, verified("N0QRB-9", ""))
		c.tell("N0QRB-9>APZ001,TCPIP*:>a", "N0QRB-9>APZ001,WIDE1-1:>a") // the path is not part of it
		time.Sleep(29 * time.Second)
		c.tell("N0QRB-9>APZ001,TCPIP*:>a")
		time.Sleep(time.Second)
		c.tell("N0QRB-9>APZ001,TCPIP*:>a")
		if n, copies := len(s.Seen()), s.Refused()["copy"]; n != 2 || copies != 2 {
			t.Errorf("passed %d, dropped %d copies, want 2 and 2", n, copies)
		}
	})
}

func TestMessagesFindTheirClient(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		gate, other := join(t, s, verified("N0QRA-10", "")), join(t, s, verified("N0QRD", ""))
		gate.tell("N0QRC-7>APZ001,qAR,N0QRA-10:>on foot")
		for _, to := range []string{"N0QRA-10", "N0QRC-7 ", "N0QRE   "} {
			other.tell(fmt.Sprintf("N0QRD>APZ001,TCPIP*::%-9s:hello", to))
		}
		frames, _ := gate.got()
		want := []string{"N0QRD>APZ001,TCPIP*,qAC,STANDIN::N0QRA-10 :hello", "N0QRD>APZ001,TCPIP*,qAC,STANDIN::N0QRC-7  :hello"}
		if !slices.Equal(frames, want) {
			t.Errorf("the gate got %q, want %q", frames, want)
		}
		if frames, _ := other.got(); len(frames) != 0 {
			t.Errorf("the sender got %q", frames)
		}
	})
}

func TestFilters(t *testing.T) {
	frames := map[string]string{
		"near":    "N0QRB-9>APZ001,TCPIP*:=4812.00N/01622.00E-",
		"distant": "N0QRB-9>APZ001,TCPIP*:=4903.50N/07201.75W-",
		"status":  "N0QRB-9>APZ001,TCPIP*:>a",
		"message": "N0QRB-9>APZ001,TCPIP*::N0QRC    :a",
		"object":  "N0QRB-9>APZ001,TCPIP*:;LEADER   *092345z4812.00N/01622.00E>",
	}
	for filter, want := range map[string][]string{
		"":                       nil,
		"r/48.2/16.4/50":         {"near"},
		"r/48.2/16.4":            nil,
		"r/x/16.4/50":            nil,
		"m/50":                   {"near"},
		"p/N0QRB":                {"distant", "message", "near", "object", "status"},
		"p/N0QRC/":               nil,
		"b/N0QRB-9":              {"distant", "message", "near", "object", "status"},
		"b/N0QRB":                nil,
		"b/N0QRC/N0QRB*":         {"distant", "message", "near", "object", "status"},
		"g/N0QRC":                {"message"},
		"t/m":                    {"message"},
		"t/po":                   {"distant", "near", "object"},
		"t/p/N0QRD/50":           {"near"},
		"b/N0QRB* -t/m":          {"distant", "near", "object", "status"},
		"b/N0QRB* -r/48.2/16/60": {"distant", "message", "object", "status"},
		"x/unknown":              nil,
	} {
		bubble(t, func(t *testing.T, s *standin.Server) {
			listener, speaker := join(t, s, verified("N0QRD", "")), join(t, s, verified("N0QRB-9", ""))
			listener.tell("N0QRD>APZ001,TCPIP*:=4812.00N/01622.00E-", "#filter "+filter)
			var got []string
			for name, line := range frames {
				speaker.tell(line)
				if passed, _ := listener.got(); len(passed) > 0 {
					got = append(got, name)
				}
			}
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Errorf("%q passes %v, want %v", filter, got, want)
			}
		})
	}
}

func TestIdleClientsHearAComment(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		c := join(t, s, verified("N0QRB-9", ""))
		c.got()
		time.Sleep(61 * time.Second)
		if _, comments := c.got(); len(comments) != 3 {
			t.Errorf("in a minute %q, want 3 comments", comments)
		}
	})
}

func TestALoginIsUnique(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		first := join(t, s, verified("N0QRB-9", ""))
		first.got()
		second := join(t, s, verified("N0QRB-9", ""))
		synctest.Wait()
		if _, open := <-first.lines; open {
			t.Error("the first connection is still there")
		}
		second.tell("N0QRB-9>APZ001,TCPIP*:>a")
		if len(s.Seen()) != 1 {
			t.Error("the second one is not")
		}
	})
}

func TestWhoDoesNotLogInGoes(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		c := join(t, s, "")
		time.Sleep(61 * time.Second)
		c.got()
		if _, open := <-c.lines; open {
			t.Error("still connected")
		}
	})
}

func TestWaitGivesPastAndComingFrames(t *testing.T) {
	bubble(t, func(t *testing.T, s *standin.Server) {
		c := join(t, s, verified("N0QRB-9", ""))
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		found := make(chan string, 1)
		go func() {
			line, _ := s.Wait(ctx, func(line string) bool { return strings.HasSuffix(line, ":>b") })
			found <- line
		}()
		c.tell("N0QRB-9>APZ001,TCPIP*:>a", "N0QRB-9>APZ001,TCPIP*:>b")
		if line := <-found; line != "N0QRB-9>APZ001,TCPIP*,qAC,STANDIN:>b" {
			t.Errorf("found %q", line)
		}
		if _, err := s.Wait(ctx, func(string) bool { return false }); err == nil {
			t.Error("found what never came")
		}
	})
}
