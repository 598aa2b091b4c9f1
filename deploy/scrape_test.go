package deploy_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// freeAddress finds a port of the loopback that nobody uses.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// background runs a program until the test ends.
func background(t *testing.T, c *exec.Cmd) {
	t.Helper()
	var log bytes.Buffer
	c.Stdout, c.Stderr = &log, &log
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGTERM) // Wait says if it had ended before
		if err := c.Wait(); err != nil || t.Failed() {
			t.Logf("%s: %v\n%s", c.Path, err, &log)
		}
	})
}

// await waits for what has to happen.
func await(t *testing.T, what string, done func() bool) {
	t.Helper()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(time.Minute); !done(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("%s: not within a minute", what)
		}
	}
}

// scraped starts a gateway with a link of each kind and a real Prometheus that
// scrapes it, with the alert rules of this folder.
func scraped(t *testing.T) (gateway, prometheus string) {
	t.Helper()
	server := prometheusProgram(t, "prometheus")
	dir := t.TempDir()
	program := posthouse(t, dir)
	command(t, program, "key", "--callsign", "N0QRZ-10", "--out", filepath.Join(dir, "signing.key"))
	write(t, filepath.Join(dir, "trust.jwk"), command(t, program, "key", "--callsign", "N0QRY-10", "--out", filepath.Join(dir, "far.key")))
	gateway, prometheus = freeAddress(t), freeAddress(t)
	daemon := exec.Command(program, "run")
	daemon.Env = []string{
		"POSTHOUSE_CALLSIGN=N0QRZ-10", "POSTHOUSE_LINKS=valley,far,aprs,post", "POSTHOUSE_DATA_DIR=" + filepath.Join(dir, "data"), "POSTHOUSE_HTTP_LISTEN=" + gateway, "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_MESH=valley", "POSTHOUSE_VALLEY_BROKER_LISTEN=127.0.0.1:0", "POSTHOUSE_VALLEY_OPEN_CHANNEL=yes",
		"POSTHOUSE_VALLEY_SF=9", "POSTHOUSE_VALLEY_BW=125", "POSTHOUSE_VALLEY_CR=4/5", "POSTHOUSE_VALLEY_OVERHEAD_BYTES=16",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_LISTEN=127.0.0.1:0",
		"POSTHOUSE_FAR_SIGNING_KEY_FILE=" + filepath.Join(dir, "signing.key"), "POSTHOUSE_FAR_TRUST_FILE=" + filepath.Join(dir, "trust.jwk"),
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=127.0.0.1:1", "POSTHOUSE_APRS_PASSCODE=13952",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST=127.0.0.1:1", "POSTHOUSE_POST_SMARTHOST_TLS=none",
	}
	background(t, daemon)
	rules, err := filepath.Abs(alerts)
	if err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(dir, "prometheus.yml")
	write(t, conf, fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [%q]\nscrape_configs:\n  - job_name: posthouse\n    static_configs: [{targets: [%q]}]\n", rules, gateway))
	background(t, exec.Command(server, "--config.file="+conf, "--storage.tsdb.path="+filepath.Join(dir, "tsdb"), "--web.listen-address="+prometheus, "--log.level=warn"))
	await(t, "two scrapes", func() bool {
		found, err := ask(prometheus, `count_over_time(posthouse_build_info[1m]) >= 2`)
		return err == nil && found > 0
	})
	return gateway, prometheus
}

// ask gives how many series a query finds.
func ask(prometheus, query string) (found int, err error) {
	resp, err := http.Get("http://" + prometheus + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var a struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		return 0, err
	}
	if a.Status != "success" {
		return 0, fmt.Errorf("prometheus says %s: %s", a.Status, a.Error)
	}
	return len(a.Data.Result), nil
}

// A real Prometheus scrapes the running daemon: promtool finds nothing to
// complain about, each question of the board has an answer, and each alert rule
// is evaluated.
func TestPrometheusScrapesTheDaemon(t *testing.T) {
	gateway, prometheus := scraped(t)
	t.Run("promtool likes the metrics", func(t *testing.T) {
		resp, err := http.Get("http://" + gateway + "/metrics")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		c := exec.Command(prometheusProgram(t, "promtool"), "check", "metrics")
		c.Stdin = resp.Body
		if out := succeed(t, c); out != "" {
			t.Errorf("promtool says:\n%s", out)
		}
	})
	t.Run("the board's questions have answers", func(t *testing.T) {
		value := strings.NewReplacer("$__rate_interval", "1m", "$__range", "1m", "$instance", ".*", "$link", ".*",
			" > 0", " >= 0") // what is zero is left out there, and nothing has happened here
		for _, q := range boardQueries(t) {
			if found, err := ask(prometheus, value.Replace(q.Expr)); err != nil || found == 0 {
				t.Errorf("%s: %q finds %d series: %v", q.Panel, q.Expr, found, err)
			}
		}
	})
	t.Run("the alert rules are evaluated", func(t *testing.T) {
		want := len(regexp.MustCompile(`(?m)^ +- alert: `).FindAllString(read(t, alerts), -1))
		await(t, "all rules", func() bool { return healthyRules(t, prometheus) == want })
	})
}

// healthyRules counts the rules that Prometheus has evaluated without an error.
func healthyRules(t *testing.T, prometheus string) (n int) {
	t.Helper()
	resp, err := http.Get("http://" + prometheus + "/api/v1/rules")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var a struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		t.Fatal(err)
	}
	for _, g := range a.Data.Groups {
		for _, r := range g.Rules {
			if r.LastError != "" {
				t.Errorf("%s: %s", r.Name, r.LastError)
			}
			if r.Health == "ok" {
				n++
			}
		}
	}
	return n
}
