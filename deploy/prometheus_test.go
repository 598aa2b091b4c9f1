package deploy_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const (
	alerts = "prometheus/alerts.yml"
	board  = "grafana/posthouse.json"
)

func TestAlertsFireAndEnd(t *testing.T) {
	t.Log(command(t, prometheusProgram(t, "promtool"), "test", "rules", "prometheus/alerts_test.yml"))
}

func TestEveryAlertIsTested(t *testing.T) {
	tests := read(t, "prometheus/alerts_test.yml")
	all := regexp.MustCompile(`(?m)^ +- alert: (\w+)$`).FindAllStringSubmatch(read(t, alerts), -1)
	if len(all) == 0 {
		t.Fatal("no alert found")
	}
	for _, alert := range all {
		if !regexp.MustCompile(`\n +alertname: ` + alert[1] + `\n +exp_alerts:\n`).MatchString(tests) {
			t.Errorf("no test sees %s fire", alert[1])
		}
		if !strings.Contains(tests, "alertname: "+alert[1]+", exp_alerts: []") {
			t.Errorf("no test sees %s silent", alert[1])
		}
	}
}

// labels maps each series that the gateway publishes to its labels, by the list
// to which the metrics are held; how histograms are written is Prometheus'
// exposition format.
func labels(t *testing.T) map[string][]string {
	t.Helper()
	known := map[string][]string{"process_start_time_seconds": nil}
	for line := range strings.Lines(read(t, "../metrics/testdata/names.golden")) {
		f := strings.SplitN(line, " ", 4)
		of := strings.Split(strings.Trim(f[2], "{}"), ",")
		if f[1] != "histogram" {
			known[f[0]] = of
			continue
		}
		known[f[0]+"_bucket"], known[f[0]+"_sum"], known[f[0]+"_count"] = append(of, "le"), of, of
	}
	return known
}

var (
	series  = regexp.MustCompile(`\b((?:posthouse|process|go)_\w+)(?:\{([^}]*)\})?`)
	matcher = regexp.MustCompile(`(\w+) *(?:=~|!~|!=|=)`)
)

// checkQuery holds a query against the series and labels that exist. Instance
// and job come from the scrape.
func checkQuery(t *testing.T, known map[string][]string, where, query string) {
	t.Helper()
	found := series.FindAllStringSubmatch(query, -1)
	if len(found) == 0 {
		t.Errorf("%s: no metric of the gateway in %q", where, query)
	}
	for _, s := range found {
		of, ok := known[s[1]]
		if !ok {
			t.Errorf("%s: there is no metric %s", where, s[1])
		}
		for _, m := range matcher.FindAllStringSubmatch(s[2], -1) {
			if m[1] != "instance" && m[1] != "job" && !slices.Contains(of, m[1]) {
				t.Errorf("%s: %s has no label %s", where, s[1], m[1])
			}
		}
	}
}

func TestAlertsAskForWhatExists(t *testing.T) {
	known := labels(t)
	for _, expr := range regexp.MustCompile(`(?m)^ +expr: (.+(?:\n {10}.+)*)`).FindAllStringSubmatch(read(t, alerts), -1) {
		if !strings.HasPrefix(expr[1], `up{`) && !strings.Contains(expr[1], `{job="etcd"}`) { // made by Prometheus itself, or by etcd
			checkQuery(t, known, alerts, expr[1])
		}
	}
}

// query is one question of the board.
type query struct{ Panel, Expr string }

func boardQueries(t *testing.T) (all []query) {
	t.Helper()
	var b struct {
		Panels []struct {
			ID      int
			Title   string
			Targets []struct{ Expr string }
		}
		Templating struct{ List []struct{ Name, Type string } }
	}
	if err := json.Unmarshal([]byte(read(t, board)), &b); err != nil {
		t.Fatalf("%s: %v", board, err)
	}
	ids := map[int]bool{}
	for _, p := range b.Panels {
		if ids[p.ID] {
			t.Errorf("two panels have the id %d", p.ID)
		}
		ids[p.ID] = true
		for _, q := range p.Targets {
			all = append(all, query{p.Title, q.Expr})
		}
	}
	if len(all) == 0 {
		t.Fatal("the board asks for nothing")
	}
	return all
}

func TestBoardAsksForWhatExists(t *testing.T) {
	known := labels(t)
	for _, q := range boardQueries(t) {
		checkQuery(t, known, q.Panel, q.Expr)
	}
}

// Prometheus itself parses each query, as a rule whose variables have a value.
func TestPrometheusParsesTheBoard(t *testing.T) {
	tool := prometheusProgram(t, "promtool")
	value := strings.NewReplacer("$__rate_interval", "5m", "$instance", ".*", "$link", ".*")
	var rules strings.Builder
	fmt.Fprintln(&rules, "groups:\n  - name: board\n    rules:")
	for i, q := range boardQueries(t) {
		fmt.Fprintf(&rules, "      - {record: \"board:%d\", expr: %q}\n", i, value.Replace(q.Expr))
	}
	file := filepath.Join(t.TempDir(), "board.yml")
	if err := os.WriteFile(file, []byte(rules.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Log(command(t, tool, "check", "rules", file))
}
