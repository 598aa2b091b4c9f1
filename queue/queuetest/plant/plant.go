// Package plant plants bugs into copies of the program's files, and checks that a test
// which plays worlds from seeds finds each for what it is. The program itself is not
// changed: the copies reach only the compiler (go build -overlay).
package plant

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

// Bug is a mistake. Where the file has Old, which must be there once, it gets Planted, in
// which planted(%q) is true as long as the environment asks for this bug.
type Bug struct {
	Name    string
	File    string // from the top of the module
	Old     string
	Planted string
	Finds   string // what the test says of it, as a pattern
	Seed    uint64 // of a world that finds it; others follow when that changes
}

// Field is where bugs are sought: in the worlds of a test of the package in whose folder
// the test runs. The test has a subtest for each seed, named by it, and knows the flags
// -from and -seeds.
type Field struct {
	Test  string
	Flags []string // others that it gets
	Tags  string   // that its package is built with
	Tries int      // in how many worlds, from its seed on, a bug has to be found
}

// asked names the bug that a process is to have.
const asked = "POSTHOUSE_PLANTED"

// Find builds the package's tests with every bug planted in them, and has the field's
// test look for one after the other.
func (f Field) Find(t *testing.T, bugs []Bug) {
	program := f.build(t, bugs)
	for _, b := range bugs {
		t.Run(b.Name, func(t *testing.T) {
			t.Parallel()
			f.seek(t, program, b)
		})
	}
}

func (f Field) seek(t *testing.T, program string, b Bug) {
	begin, n := b.Seed, f.Tries
	if *hunt > 0 {
		begin, n = 1, *hunt
	}
	cmd := exec.Command(program, append(f.Flags, "-test.run=^"+f.Test+"$", fmt.Sprint("-from=", begin), fmt.Sprint("-seeds=", n))...)
	cmd.Env = append(os.Environ(), asked+"="+b.Name)
	out, err := cmd.CombinedOutput()
	found := regexp.MustCompile(`--- FAIL: ` + f.Test + `/(\d+) .*\n(?:.*\n)*?.*(?:` + b.Finds + `)`).FindStringSubmatch(string(out))
	switch {
	case err == nil:
		t.Errorf("not found in %d worlds from %d on", n, begin)
	case found == nil:
		t.Errorf("found, but not for what it is (%v):\n%.2000s", err, out)
	default:
		t.Logf("found by seed %s", found[1])
	}
}

func (f Field) build(t *testing.T, bugs []Bug) (program string) {
	t.Helper()
	dir := t.TempDir()
	overlay, err := json.Marshal(map[string]any{"Replace": copies(t, dir, bugs)})
	if err != nil {
		t.Fatal(err)
	}
	replace := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(replace, overlay, 0o600); err != nil {
		t.Fatal(err)
	}
	program = filepath.Join(dir, "planted.test")
	build := exec.Command("go", "test", "-c", "-tags", f.Tags, "-vet=off", "-overlay", replace, "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0") // compiled already for the other tests
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building with bugs: %v\n%s", err, out)
	}
	return program
}

// copies writes the files with the bugs into dir, and tells which stands for which.
func copies(t *testing.T, dir string, bugs []Bug) (replace map[string]string) {
	t.Helper()
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}").Output()
	if err != nil {
		t.Fatal(err)
	}
	top := strings.TrimSpace(string(out))
	texts := map[string]string{}
	for _, b := range bugs {
		if _, ok := texts[b.File]; !ok {
			text, err := os.ReadFile(filepath.Join(top, b.File))
			if err != nil {
				t.Fatal(err)
			}
			texts[b.File] = string(text)
			folder := filepath.Dir(b.File)
			texts[filepath.Join(folder, "planted.go")] = "package " + filepath.Base(folder) +
				"\n\nimport \"os\"\n\nfunc planted(name string) bool { return os.Getenv(\"" + asked + "\") == name }\n"
		}
		if strings.Count(texts[b.File], b.Old) != 1 {
			t.Fatalf("%s: the place in %s is not there once any more:\n%s", b.Name, b.File, b.Old)
		}
		texts[b.File] = strings.Replace(texts[b.File], b.Old, fmt.Sprintf(b.Planted, b.Name), 1)
	}
	replace = map[string]string{}
	for name, text := range texts {
		to := filepath.Join(dir, strings.ReplaceAll(name, "/", "_"))
		if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		replace[filepath.Join(top, name)] = to
	}
	return replace
}
