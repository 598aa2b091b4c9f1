package web

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"posthouse/bridge/desk"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desktop is a desk whose lists and errors the test decides.
type desktop struct {
	rows int
	err  error // after the rows
}

func (d desktop) Queue(_ context.Context, most int, each func(desk.Row) error) error {
	for i := range d.rows {
		if most > 0 && i >= most {
			break
		}
		if err := each(desk.Row{Head: desk.Head{ID: "N0QRZ-10.1", Text: strings.Repeat("x", 100)}}); err != nil {
			return err
		}
	}
	return d.err
}
func (d desktop) Log(context.Context, desk.Span, bool, func(desk.Line) error) error { return d.err }
func (d desktop) Recent(context.Context, int) ([]desk.Line, error)                  { return nil, d.err }
func (d desktop) Story(context.Context, string) (desk.Story, error)                 { return desk.Story{}, d.err }
func (d desktop) Order(context.Context, desk.Order) (desk.Story, error)             { return desk.Story{}, d.err }
func (d desktop) OrderRestored(context.Context, desk.Order) (int, error)            { return d.rows, d.err }
func (d desktop) Send(context.Context, desk.Draft) (string, error)                  { return "", d.err }
func (d desktop) Quiet(context.Context, string, string) error                       { return d.err }
func (d desktop) Resume(context.Context, string, string) error                      { return d.err }
func (d desktop) Block(context.Context, string, string, string) error               { return d.err }
func (d desktop) Unblock(context.Context, string, string) error                     { return d.err }
func (d desktop) StartExercise(context.Context, string, string) (desk.Exercise, error) {
	return desk.Exercise{}, d.err
}
func (d desktop) StopExercise(context.Context, string) (desk.Exercise, error) {
	return desk.Exercise{}, d.err
}
func (desktop) QuietLinks() []string     { return nil }
func (desktop) Blocks() []desk.Block     { return nil }
func (desktop) Links() []desk.LinkState  { return nil }
func (desktop) Day() []desk.Slot         { return nil }
func (desktop) Stations() []desk.Station { return nil }
func (desktop) Exercise() desk.Exercise  { return desk.Exercise{} }
func (d desktop) Waiting() int           { return d.rows }
func (desktop) Station() string          { return "N0QRZ-10" }

// serveDesk serves a desk in a folder of its own until the test ends.
func serveDesk(t *testing.T, d Desk) (dir string) {
	t.Helper()
	dir = t.TempDir()
	l, err := ListenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var serving sync.WaitGroup
	serving.Go(func() { ServeControl(ctx, l, d, nil, slog.New(slog.DiscardHandler)) })
	t.Cleanup(func() { cancel(); serving.Wait() })
	return dir
}

func TestListComesWhole(t *testing.T) {
	dir := serveDesk(t, desktop{rows: 5000})
	for most, want := range map[int]int{0: 5000, 3: 3} {
		n := 0
		end, err := List(t.Context(), dir, "queue", QueueRequest{Most: most}, func(r desk.Row) error {
			if n++; r.ID != "N0QRZ-10.1" {
				t.Errorf("row %+v", r)
			}
			return nil
		})
		if err != nil || n != want || end.Waiting != 5000 || end.Station != "N0QRZ-10" {
			t.Errorf("at most %d: %d rows, end %+v, %v", most, n, end, err)
		}
	}
}

// A list that ends early is never taken for a whole one.
func TestListThatIsCutIsAnError(t *testing.T) {
	dir := serveDesk(t, desktop{rows: 2, err: errors.New("the disk is gone")})
	n := 0
	_, err := List(t.Context(), dir, "queue", QueueRequest{}, func(desk.Row) error { n++; return nil })
	if n != 2 || !errors.Is(err, errCut) || !strings.Contains(err.Error(), "the disk is gone") {
		t.Errorf("%d rows, %v", n, err)
	}
}

// A daemon that dies in the middle leaves no end behind.
func TestListFromADaemonThatDies(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("unix", filepath.Join(dir, SocketName))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		c.Read(make([]byte, 4096))
		io.WriteString(c, "HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n"+`{"row":{"id":"N0QRZ-10.1"}}`+"\n"+`{"row":{"id"`)
		c.Close()
	}()
	n := 0
	_, err = List(t.Context(), dir, "queue", QueueRequest{}, func(desk.Row) error { n++; return nil })
	if n != 1 || !errors.Is(err, errCut) {
		t.Errorf("%d rows, %v", n, err)
	}
}

// Who reads no further ends the list at both ends.
func TestReaderThatHasEnough(t *testing.T) {
	dir := serveDesk(t, desktop{rows: 100000})
	enough := errors.New("enough")
	_, err := List(t.Context(), dir, "queue", QueueRequest{}, func(desk.Row) error { return enough })
	if !errors.Is(err, enough) {
		t.Errorf("%v", err)
	}
}

func TestErrorsKeepTheirKindAndText(t *testing.T) {
	for _, c := range []struct {
		err, want error
		rule      string
	}{
		{desk.ErrUsage, ErrRequest, ""},
		{desk.ErrUnknown, ErrUnknown, ""},
		{&desk.Refused{Code: "too-long", Why: "does not fit"}, ErrRefused, "too-long"},
		{errors.New("the disk is gone"), nil, ""},
	} {
		dir := serveDesk(t, desktop{err: c.err})
		a, err := Ask(t.Context(), dir, "order", desk.Order{Do: desk.Hold, ID: "1"})
		if err == nil || err.Error() != c.err.Error() || a.Rule != c.rule || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%v: got %v, rule %q", c.err, err, a.Rule)
		}
	}
}

func TestNobodyAnswers(t *testing.T) {
	if _, err := Ask(t.Context(), t.TempDir(), "show", MessageRequest{}); !errors.Is(err, ErrUnreachable) {
		t.Errorf("%v", err)
	}
	if _, err := List(t.Context(), t.TempDir(), "log", LogRequest{}, func(desk.Line) error { return nil }); !errors.Is(err, ErrUnreachable) {
		t.Errorf("%v", err)
	}
}

// A request that is not understood is refused, and too long ones are not read.
func TestRequestsAreBounded(t *testing.T) {
	dir := serveDesk(t, desktop{})
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", filepath.Join(dir, SocketName))
	}}}
	for name, body := range map[string]string{
		"an unknown member": `{"id":"1","force":true}`, "no JSON": "hold 1", "far too long": `{"id":"` + strings.Repeat("1", maxRequest) + `"}`,
	} {
		for _, command := range []string{"show", "queue"} {
			resp, err := client.Post("http://localhost/"+command, "application/json", strings.NewReader(body))
			if err != nil {
				t.Fatal(err)
			}
			said, _ := io.ReadAll(resp.Body)
			resp.Body.Close()
			if resp.StatusCode != http.StatusBadRequest || strings.Contains(string(said), "too long") != (name == "far too long") {
				t.Errorf("%s to %s: %s %s", name, command, resp.Status, said)
			}
		}
	}
	if st, err := os.Stat(filepath.Join(dir, SocketName)); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the socket's mode: %v %v", st.Mode(), err)
	}
}

func TestAControlSocketWithTooLongAPathSaysSo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("x", maxSocketPath))
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if l, err := ListenControl(dir); err == nil {
		l.Close()
		t.Error("it listens")
	} else if !strings.Contains(err.Error(), "shorter POSTHOUSE_DATA_DIR") {
		t.Errorf("%v does not say what to do", err)
	}
}
