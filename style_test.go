package posthouse

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/metrics"
)

const module = "posthouse/"

// source is one Go file; dir is its folder, from the top, "." being the top.
type source struct {
	*ast.File
	name, dir string
	test      bool
}

// parsed is every Go file of the module, once read.
var parsed []source

func sources(t *testing.T) []source {
	t.Helper()
	if parsed != nil {
		return parsed
	}
	files, all := token.NewFileSet(), []source{}
	walk(t, func(name string) {
		if !strings.HasSuffix(name, ".go") || strings.Contains(name, "testdata/") {
			return
		}
		f, err := parser.ParseFile(files, name, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, source{f, name, path.Dir(name), strings.HasSuffix(name, "_test.go")})
	})
	if len(all) == 0 {
		t.Fatal("no Go files found")
	}
	parsed = all
	return all
}

// walk calls do with the name of every file of the project.
func walk(t *testing.T, do func(name string)) {
	t.Helper()
	err := filepath.WalkDir(".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != "." && strings.HasPrefix(d.Name(), ".") && d.Name() != ".ci":
			return filepath.SkipDir
		case !d.IsDir():
			do(filepath.ToSlash(name))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// imports lists what a file imports of ours, from the top.
func (s source) imports() (all []string) {
	for _, spec := range s.Imports {
		if name, err := strconv.Unquote(spec.Path.Value); err == nil && strings.HasPrefix(name, module) {
			all = append(all, strings.TrimPrefix(name, module))
		}
	}
	return all
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	docs := map[string]int{}
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		docs[s.dir] += 0 // there is such a package
		if s.Doc == nil {
			continue
		}
		docs[s.dir]++
		want := "Package " + s.Name.Name + " "
		if s.Name.Name == "main" {
			want = "Command " + path.Base(s.dir) + " "
		}
		if !strings.HasPrefix(s.Doc.Text(), want) {
			t.Errorf("%s: the package comment does not begin with %q", s.name, want)
		}
	}
	for dir, n := range docs {
		if n != 1 {
			t.Errorf("%s has %d package comments, want one", dir, n)
		}
	}
}

// The rooms, from the ground up. A package may import what its room lists, and
// what lies in its own folder.
var (
	leaves = []string{"bridge/message", "bridge/link", "bridge/clock", "bridge/presence", "bridge/fit", "bridge/callsign"}
	pure   = append([]string{"bridge/rules", "bridge/airtime", "bridge/route", "bridge/config", "bridge/desk", "bridge/desk/report"}, leaves...)
	queue  = append([]string{"queue"}, pure...)
	core   = append([]string{"bridge"}, queue...)
)

// The way of a message is the table of contents in bridge/doc.go, and a file that is
// not in it nobody finds.
func TestBridgeTellsOfEachOfItsFiles(t *testing.T) {
	var have []string
	for _, s := range sources(t) {
		if name := path.Base(s.name); s.dir == "bridge" && !s.test && name != "doc.go" {
			have = append(have, name)
		}
	}
	var told []string
	for _, m := range regexp.MustCompile(`(?m)^//\t(\w+\.go) +\w`).FindAllStringSubmatch(text(t, "bridge/doc.go"), -1) {
		told = append(told, m[1])
	}
	slices.Sort(told)
	if !slices.Equal(have, told) {
		t.Errorf("bridge has   %q\nbridge/doc.go tells of %q", have, told)
	}
}

// A guide must not point to a file that has moved.
func TestGuideNamesFilesThatAreThere(t *testing.T) {
	there := map[string]bool{}
	walk(t, func(name string) { there[path.Base(name)] = true })
	named := regexp.MustCompile("`[^`\n ]*?([\\w-]+\\.(?:go|md|txtar|yml|json))`").FindAllStringSubmatch(text(t, "DEVELOPERS.md"), -1)
	if len(named) < 50 {
		t.Fatalf("only %d names of files found", len(named))
	}
	for _, m := range named {
		if !there[m[1]] {
			t.Errorf("there is no %s", m[0])
		}
	}
}

// A link in a document leads to a file that is there, and to a heading in it.
func TestLinksLeadSomewhere(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^):#]*)(?:#([^)]+))?\)`)
	n := 0
	walk(t, func(name string) {
		if path.Ext(name) != ".md" {
			return
		}
		for _, m := range link.FindAllStringSubmatch(text(t, name), -1) {
			n++
			to := name
			if m[1] != "" {
				to = path.Join(path.Dir(name), m[1])
			}
			if _, err := os.Stat(to); err != nil {
				t.Errorf("%s: %s leads to no file", name, m[0])
			} else if m[2] != "" && !slices.Contains(anchors(text(t, to)), m[2]) {
				t.Errorf("%s: %s leads to no heading", name, m[0])
			}
		}
	})
	if n < 40 {
		t.Fatalf("only %d links found", n)
	}
}

func text(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

var (
	headings = regexp.MustCompile(`(?m)^#+ (.*)$|<a id="(.*?)">`)
	unsaid   = regexp.MustCompile(`[^\w -]`) // what an anchor leaves out of its heading
)

// anchors lists what a document's headings are called in links.
func anchors(doc string) (all []string) {
	for _, m := range headings.FindAllStringSubmatch(doc, -1) {
		all = append(all, m[2], strings.ReplaceAll(unsaid.ReplaceAllString(strings.ToLower(m[1]), ""), " ", "-"))
	}
	return all
}

// mayImport lists what the packages of a room may import of ours; everything:
// nil and true.
func mayImport(dir string) (allowed []string, everything, known bool) {
	switch first, _, _ := strings.Cut(dir, "/"); {
	case slices.Contains(leaves, dir):
		return leaves, false, true
	case inside(dir, pure):
		return pure, false, true
	case dir == "bridge":
		return queue, false, true
	case dir == "bridge/simulation": // stands beside the house and looks in; tests alone import it
		return nil, true, true
	case first == "queue":
		return queue, false, true
	case first == "metrics":
		return core, false, true
	case dir == "adapters": // kinds.go, the list
		return append([]string{"adapters/aprsis", "adapters/broker", "adapters/mail", "adapters/keypair", "adapters/reach"}, pure...), false, true
	case strings.HasSuffix(dir, "test") && first == "adapters": // starts a real program
		return append([]string{"adapters/realtest"}, pure...), false, true
	case first == "adapters":
		return append([]string{"adapters/keypair", "adapters/reach"}, pure...), false, true
	case first == "cmd":
		return nil, true, true
	}
	return nil, false, false
}

func inside(dir string, parents []string) bool {
	return slices.ContainsFunc(parents, func(p string) bool { return dir == p || strings.HasPrefix(dir, p+"/") })
}

// Imports point one way: cmd -> adapters, metrics -> bridge -> queue -> leaves
// and pure packages. Tests may look around.
func TestImportsPointOneWay(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		allowed, everything, known := mayImport(s.dir)
		for _, name := range s.imports() {
			switch {
			case everything || slices.Contains(allowed, name) || inside(name, []string{room(s.dir)}):
			case !known:
				t.Errorf("%s: %s is no room of the house; say in mayImport what it may import", s.name, s.dir)
			default:
				t.Errorf("%s imports %s, which is not below it", s.name, name)
			}
		}
	}
}

// room is the folder in which packages may import each other: the queue, one
// adapter, one pure package.
func room(dir string) string {
	parts := strings.SplitN(dir, "/", 3)
	if parts[0] == "queue" || len(parts) == 1 {
		return parts[0]
	}
	return parts[0] + "/" + parts[1]
}

// Codes that no rule produces, and the package that does.
var codesFromElsewhere = map[string]string{
	link.CodeDuplicate:    "bridge",
	link.CodeFull:         "bridge",
	link.CodeNoRoute:      "bridge",
	link.CodeTooMany:      "bridge",
	link.CodeBadSignature: "adapters/broker/envelope",
}

func TestEveryRefusalCodeIsUsedAndTested(t *testing.T) {
	used, tested := codeUses(t)
	for _, code := range link.Codes {
		dir, elsewhere := codesFromElsewhere[code]
		if elsewhere && dir == "" {
			continue
		}
		if !elsewhere {
			dir = "bridge/rules"
		}
		if !slices.Contains(used[code], dir) {
			t.Errorf("%s is not used in %s (it is in %q)", code, dir, used[code])
		}
		if len(tested[code]) == 0 {
			t.Errorf("no test mentions %s", code)
		}
	}
}

// codeUses tells in which folders each code is used, by name or by value, by
// the program and by its tests.
func codeUses(t *testing.T) (program, tests map[string][]string) {
	names := map[string]string{}
	program, tests = map[string][]string{}, map[string][]string{}
	all := sources(t)
	for _, s := range all {
		if s.dir == "bridge/link" {
			constants(s, func(name, value string) { names[name] = value })
		}
	}
	for _, s := range all {
		if s.dir == "bridge/link" || s.dir == "." {
			continue
		}
		into := program
		if s.test {
			into = tests
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			code := ""
			switch n := n.(type) {
			case *ast.SelectorExpr:
				code = names[n.Sel.Name]
			case *ast.BasicLit:
				code, _ = strconv.Unquote(n.Value)
			}
			if slices.Contains(link.Codes, code) && !slices.Contains(into[code], s.dir) {
				into[code] = append(into[code], s.dir)
			}
			return true
		})
	}
	return program, tests
}

// constants calls do with the string constants that a file declares.
func constants(s source, do func(name, value string)) {
	ast.Inspect(s.File, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		for i, v := range spec.Values {
			if lit, ok := v.(*ast.BasicLit); ok && lit.Kind == token.STRING {
				value, _ := strconv.Unquote(lit.Value)
				do(spec.Names[i].Name, value)
			}
		}
		return true
	})
}

// The adapters name their reasons in constants drop…; an unlisted one would be
// counted as other.
func TestEveryDropReasonHasItsSeries(t *testing.T) {
	var known []string
	for _, reasons := range metrics.DropReasons {
		known = append(known, reasons...)
	}
	found := 0
	for _, s := range sources(t) {
		if s.test || !strings.HasPrefix(s.dir, "adapters/") {
			continue
		}
		constants(s, func(name, value string) {
			if !strings.HasPrefix(name, "drop") {
				return
			}
			found++
			if !slices.Contains(known, value) {
				t.Errorf("%s: %s = %q is not in metrics.DropReasons", s.name, name, value)
			}
		})
	}
	if found == 0 {
		t.Error("no adapter has a constant that begins with drop: this test looks at nothing")
	}
}

// A test that sleeps hopes that the machine is fast enough. In a bubble of
// testing/synctest it only moves the clock: there the file, or outside of
// adapters and commands with their real sockets the package, imports synctest.
func TestNoTestSleepsForLuck(t *testing.T) {
	all := sources(t)
	bubbles := map[string]bool{}
	for _, s := range all {
		if slices.ContainsFunc(s.Imports, func(i *ast.ImportSpec) bool { return i.Path.Value == `"testing/synctest"` }) {
			bubbles[s.name], bubbles[s.dir] = true, !inside(s.dir, []string{"adapters", "cmd"})
		}
	}
	for _, s := range all {
		if s.test && !bubbles[s.name] && !bubbles[s.dir] && sleeps(s) {
			t.Errorf("%s sleeps, and not in a bubble: wait for what has to happen", s.name)
		}
	}
}

func sleeps(s source) (found bool) {
	ast.Inspect(s.File, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok && sel.Sel.Name == "Sleep" {
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" {
				found = true
			}
		}
		return !found
	})
	return found
}

// firstCells gives the code words that begin the rows of a Markdown table.
var firstCells = regexp.MustCompile("(?m)^\\| `([A-Z_<>a-z]+)")

func TestReadmeNamesEveryVariable(t *testing.T) {
	readme := text(t, "README.md")
	var reference strings.Builder
	if err := config.Reference(&reference); err != nil {
		t.Fatal(err)
	}
	rows := firstCells.FindAllStringSubmatch(reference.String(), -1)
	if len(rows) == 0 {
		t.Fatal("config.Reference has no rows: this test looks at nothing")
	}
	for _, row := range rows {
		if !strings.Contains(readme, row[1]) {
			t.Errorf("README.md does not name the variable %s", row[1])
		}
	}
}

func TestReadmeNamesEveryMetric(t *testing.T) {
	readme := text(t, "README.md")
	known := map[string]bool{}
	for line := range strings.Lines(text(t, "metrics/testdata/names.golden")) {
		name, _, _ := strings.Cut(line, " ")
		known[name] = true
		if !strings.Contains(readme, name) {
			t.Errorf("README.md does not name the metric %s", name)
		}
	}
	for _, name := range metricNames.FindAllString(readme, -1) {
		base := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(name, "_bucket"), "_sum"), "_count")
		if !known[name] && !known[base] {
			t.Errorf("README.md names the metric %s, which does not exist", name)
		}
	}
}

var metricNames = regexp.MustCompile(`\bposthouse_[a-z_]+[a-z]`)

// Values that come from outside name their source.
func TestTestdataNamesItsSources(t *testing.T) {
	folders := map[string]bool{}
	walk(t, func(name string) {
		if before, after, ok := strings.Cut(name, "testdata/"); ok && (strings.HasSuffix(after, ".csv") || strings.HasSuffix(after, ".txt")) {
			folders[before+"testdata"] = true
		}
	})
	for dir := range folders {
		if _, err := os.Stat(path.Join(dir, "SOURCES.md")); err != nil {
			t.Errorf("%s has values, but no SOURCES.md that says where they come from", dir)
		}
	}
}
