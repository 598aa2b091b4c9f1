package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs the program as a person would. Beside testscript's own
// commands there are:
//
//	exits CODE COMMAND…     the command ends with exactly this code
//	ready                   waits until the gateway at $HTTP is ready
//	gone                    waits until nobody answers at $HTTP
//	shows PATH REGEXP       waits until that page shows it
//	says TOPIC FILE         publishes a file's lines at $BROKER, each confirmed
//	hears TOPIC REGEXP      subscribes at $BROKER until something like it comes
//	stops                   SIGTERM to what runs in the background, which ends within 5 s
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("HTTP", freePort(t))
			e.Setenv("BROKER", freePort(t))
			e.Setenv("BROKER2", freePort(t))
			e.Setenv("GORACE", fastExit)
			e.Setenv("POSTHOUSE_DATA_DIR", e.WorkDir+"/data")
			e.Setenv("POSTHOUSE_HTTP_LISTEN", e.Getenv("HTTP"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits, "ready": ready, "gone": gone, "shows": shows, "says": says, "hears": hears, "stops": stops,
		},
	})
}

func usage(ts *testscript.TestScript, neg, ok bool, text string) {
	if neg || !ok {
		ts.Fatalf("usage: %s", text)
	}
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) >= 2, "exits CODE COMMAND…")
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	err = ts.Exec(args[1], args[2:]...)
	if failed, ok := errors.AsType[*exec.ExitError](err); ok {
		got = failed.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

func ready(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 0, "ready")
	shows(ts, false, []string{"/readyz", "^ready"})
}

func gone(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 0, "gone")
	poll(ts, "nobody to answer", func() bool { _, err := fetch(ts, "/healthz"); return err != nil })
}

func shows(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 2, "shows PATH REGEXP")
	like, err := regexp.Compile("(?m)" + args[1])
	ts.Check(err)
	var page string
	defer func() { ts.Logf("%s: last seen:\n%s", args[0], like.FindString(page)) }()
	poll(ts, args[0]+" to show "+args[1], func() bool {
		page, err = fetch(ts, args[0])
		return err == nil && like.MatchString(page)
	})
}

func fetch(ts *testscript.TestScript, path string) (string, error) {
	resp, err := client.Get("http://" + ts.Getenv("HTTP") + path)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", path, resp.Status)
	}
	return string(b), err
}

func poll(ts *testscript.TestScript, what string, is func() bool) {
	if !becomes(patience, is) {
		ts.Fatalf("waited %v for %s", patience, what)
	}
}

func says(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 2, "says TOPIC FILE")
	c := connect(ts, "says", nil)
	defer c.Disconnect(100)
	for line := range strings.Lines(ts.ReadFile(args[1])) {
		if t := c.Publish(args[0], 1, false, strings.TrimSpace(line)); !t.WaitTimeout(patience) || t.Error() != nil {
			ts.Fatalf("no PUBACK for %s: %v", line, t.Error())
		}
	}
}

func hears(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 2, "hears TOPIC REGEXP")
	like, err := regexp.Compile(args[1])
	ts.Check(err)
	heard := make(chan string, 100)
	c := connect(ts, "hears", func(_ mqtt.Client, m mqtt.Message) { heard <- string(m.Payload()) })
	ts.Defer(func() { c.Disconnect(0) }) // not before: what it heard is still to be acknowledged
	if t := c.Subscribe(args[0], 1, nil); !t.WaitTimeout(patience) || t.Error() != nil {
		ts.Fatalf("subscribe: %v", t.Error())
	}
	late := time.After(patience)
	for {
		select {
		case said := <-heard:
			ts.Logf("heard %s", said)
			if like.MatchString(said) {
				return
			}
		case <-late:
			ts.Fatalf("waited %v for %s", patience, args[1])
		}
	}
}

func connect(ts *testscript.TestScript, id string, on mqtt.MessageHandler) mqtt.Client {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + ts.Getenv("BROKER")).SetClientID(id).
		SetProtocolVersion(4).SetOrderMatters(false).SetAutoReconnect(false).SetDefaultPublishHandler(on).SetConnectTimeout(5 * time.Second))
	if t := c.Connect(); !t.WaitTimeout(patience) || t.Error() != nil {
		ts.Fatalf("connect to %s: %v", ts.Getenv("BROKER"), t.Error())
	}
	return c
}

// stops sends SIGTERM to what runs in the background and demands that it ends in
// time; 'wait' then tells how.
func stops(ts *testscript.TestScript, neg bool, args []string) {
	usage(ts, neg, len(args) == 0, "stops")
	for _, cmd := range ts.BackgroundCmds() {
		ts.Check(cmd.Process.Signal(syscall.SIGTERM))
	}
	ended := becomes(stopTime, func() bool {
		for _, cmd := range ts.BackgroundCmds() {
			if cmd.Process.Signal(syscall.Signal(0)) == nil { // somebody waits for it: it is no zombie
				return false
			}
		}
		return true
	})
	if !ended {
		ts.Fatalf("still there %v after SIGTERM", stopTime)
	}
}
