//go:build hub

package etcdstore

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var hunt = flag.Int("hunt", 0, "look for each planted bug from seed 1 on, in as many worlds, and say where it was found")

// bug is a mistake that is planted into a copy of a file of the store, to see that
// TestWorlds finds it, as in bridge/simulation.
type bug struct {
	name         string
	file         string
	old, planted string
	finds        string // what is said of it, as a pattern
	seed         uint64 // of a world that finds it
}

// tries is in how many worlds from its seed on a bug has to be found.
const tries = 60

var bugs = []bug{
	{
		name: "a record is changed without a look at its revision", file: "plan.go",
		old:     "		t.expect(k.record(seq), d.revision)\n",
		planted: "		if !planted(%q) || d.revision == 0 {\n			t.expect(k.record(seq), d.revision)\n		}\n",
		finds:   `was changed \d+ times`, seed: 1,
	},
	{
		name: "a text is stored without a look whether it is known", file: "plan.go",
		old:     "		if m.changed || !m.known {\n",
		planted: "		if !planted(%q) && (m.changed || !m.known) {\n",
		finds:   `is there 2 times|is record \d+ and record`, seed: 1,
	},
	{
		name: "whoever was taken for dead may write", file: "settle.go",
		old:     "	compare := append(t.compare, clientv3.Compare(clientv3.CreateRevision(mine), \"=\", life))\n",
		planted: "	compare := append(t.compare, clientv3.Compare(clientv3.CreateRevision(mine), \"=\", life))\n	if planted(%q) {\n		compare = t.compare\n	}\n",
		finds:   `wrote after its lease had ended`, seed: 1,
	},
	{
		name: "a process takes its lease for good for longer than etcd does", file: "hub.go",
		old:     "func (n *session) holds() time.Duration { return n.ttl * 4 / 5 }\n",
		planted: "func (n *session) holds() time.Duration {\n	if planted(%q) {\n		return 2 * n.ttl\n	}\n	return n.ttl * 4 / 5\n}\n",
		finds:   `has two owners`, seed: 1,
	},
	{
		name: "a share is given up with something on its way", file: "own.go",
		old:     "			if p != nil && p.leaving && p.out == 0 {\n",
		planted: "			if p != nil && p.leaving && (p.out == 0 || planted(%q)) {\n",
		finds:   `was sent twice|has two owners`, seed: 1,
	},
	{
		name: "a write without an answer is taken for one that failed", file: "settle.go",
		old:     "	return s.settle(next)\n",
		planted: "	if planted(%q) {\n		return false, nil\n	}\n	return s.settle(next)\n",
		finds:   `was changed \d+ times`, seed: 1,
	},
}

// asked names the planted bug that a process is to have.
const asked = "POSTHOUSE_PLANTED"

func TestPlantedBugsAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a program with every bug in it")
	}
	program := plant(t)
	for _, b := range bugs {
		t.Run(b.name, func(t *testing.T) { seek(t, program, b) })
	}
}

// seek runs worlds with one bug until one is found.
func seek(t *testing.T, program string, b bug) {
	begin, n := b.seed, tries
	if *hunt > 0 {
		begin, n = 1, *hunt
	}
	cmd := exec.Command(program, "-test.run=^TestWorlds$", "-test.failfast", "-test.timeout=2m", fmt.Sprint("-from=", begin), fmt.Sprint("-seeds=", n))
	cmd.Env = append(os.Environ(), asked+"="+b.name)
	out, err := cmd.CombinedOutput()
	found := regexp.MustCompile(`--- FAIL: TestWorlds/(\d+) .*\n(?:.*\n)*?.*(?:` + b.finds + `)`).FindStringSubmatch(string(out))
	switch {
	case err == nil:
		t.Errorf("not found in %d worlds from %d on", n, begin)
	case found == nil:
		t.Errorf("found, but not for what it is (%v):\n%.2000s", err, out)
	default:
		t.Logf("found by seed %s", found[1])
	}
}

// plant builds this package's tests from files with every bug planted in them.
func plant(t *testing.T) (program string) {
	dir, replace, texts := t.TempDir(), map[string]string{}, map[string]string{
		"planted.go": "//go:build hub\n\npackage etcdstore\n\nimport \"os\"\n\nfunc planted(name string) bool { return os.Getenv(\"" + asked + "\") == name }\n",
	}
	for _, b := range bugs {
		if _, ok := texts[b.file]; !ok {
			text, err := os.ReadFile(b.file)
			if err != nil {
				t.Fatal(err)
			}
			texts[b.file] = string(text)
		}
		if strings.Count(texts[b.file], b.old) != 1 {
			t.Fatalf("%s: the place in %s is not there once any more:\n%s", b.name, b.file, b.old)
		}
		texts[b.file] = strings.Replace(texts[b.file], b.old, fmt.Sprintf(b.planted, b.name), 1)
	}
	for name, text := range texts {
		to := filepath.Join(dir, name)
		if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		from, err := filepath.Abs(name)
		if err != nil {
			t.Fatal(err)
		}
		replace[from] = to
	}
	overlay, _ := json.Marshal(map[string]any{"Replace": replace}) // strings: cannot fail
	if err := os.WriteFile(filepath.Join(dir, "overlay.json"), overlay, 0o600); err != nil {
		t.Fatal(err)
	}
	program = filepath.Join(dir, "planted.test")
	build := exec.Command("go", "test", "-c", "-tags=hub", "-vet=off", "-overlay", filepath.Join(dir, "overlay.json"), "-o", program, ".")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building with bugs: %v\n%s", err, out)
	}
	return program
}
