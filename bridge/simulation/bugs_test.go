package simulation

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

// bug is a mistake that is planted into a copy of a file of the program, to see
// that the simulation finds it. Where the file has old it gets planted, as long as
// the environment asks for this bug. The program itself knows nothing of it.
type bug struct {
	name    string
	file    string // from the top of the module
	old     string
	planted string
	finds   string // what the verdict says of it, as a pattern
	seed    uint64 // of a world that finds it; others follow when that changes
}

// tries is in how many worlds from its seed on a bug has to be found.
const tries = 20

var bugs = []bug{
	{
		name: "confirmed before it is on disk", file: "bridge/accept.go",
		old:     "	verdicts, err := b.carryOut(ctx, ln, plans)\n",
		planted: "	if planted(%q) && len(plans) == 1 && len(plans[0].ops) > 0 && plans[0].ops[0].New != nil && plans[0].ops[0].New.Message.Kind == message.Text {\n		go func() { time.Sleep(5 * time.Second); b.carryOut(context.Background(), ln, plans) }()\n		return make([]link.Verdict, len(in)), nil\n	}\n	verdicts, err := b.carryOut(ctx, ln, plans)\n",
		finds:   `invariant 1`, seed: 12,
	},
	{
		name: "duplicates are looked for before the write and not in it", file: "bridge/accept.go",
		old:     "	deliveries, ref := b.consider(ln, home, m, !known)\n",
		planted: "	deliveries, ref := b.consider(ln, home, m, !known)\n	if planted(%q) && !known {\n		time.Sleep(50 * time.Millisecond)\n		same = 0\n	}\n",
		finds:   `invariant 2`, seed: 16,
	},
	{
		name: "the writer gets no receipt", file: "bridge/receipt.go",
		old:     "		if b.takesReceipts(m) {\n			r.Receipted",
		planted: "		if b.takesReceipts(m) && !planted(%q) {\n			r.Receipted",
		finds:   `never heard of it`, seed: 1,
	},
	{
		name: "a failure is not told", file: "bridge/receipt.go",
		old:     "		if told == untold {\n",
		planted: "		if planted(%q) || told == untold {\n",
		finds:   `not told`, seed: 2,
	},
	{
		name: "the last frame of an hour is not counted", file: "bridge/airtime/budget.go",
		old:     "return used+s.cost <= s.max ||",
		planted: "return used+s.cost <= s.max || planted(%q) && used <= s.max ||",
		finds:   `invariant 5`, seed: 6,
	},
	{
		name: "a restart forgets the airtime", file: "bridge/pace.go",
		old:     "	case saved != nil:\n",
		planted: "	case planted(%q):\n	case saved != nil:\n",
		finds:   `invariant 5`, seed: 28,
	},
	{
		name: "a shadow is never taken on", file: "bridge/shadow.go",
		old:     "	items, err := b.store.Due(ctx, \"\", until, atATime)\n	if err != nil {",
		planted: "	items, err := b.store.Due(ctx, \"\", until, atATime)\n	if err != nil || planted(%q) {",
		finds:   `invariant [16]`, seed: 13,
	},
	{
		name: "two gateways of a mesh wait for each other", file: "bridge/custody.go",
		old:     "	if j := leftToAnother(r); j >= 0 && m.Handed",
		planted: "	if j := leftToAnother(r); j >= 0 && m.Handed && !planted(%q)",
		finds:   `invariant 1`, seed: 1,
	},
	{
		name: "each repetition has a new frame id", file: "bridge/carry.go",
		old:     "t.d.Parts[0].ID != \"\" || !c.wantsAck(t)",
		planted: "t.d.Parts[0].ID != \"\" && !planted(%q) || !c.wantsAck(t)",
		finds:   `and again as`, seed: 1,
	},
	{
		name: "what failed once lets those behind it pass", file: "bridge/carry.go",
		old:     "	begun := t.d.Begun ||",
		planted: "	begun := planted(%q) || t.d.Begun ||",
		finds:   `was taken before it and had failed`, seed: 62,
	},
	{
		name: "lifetimes go by the clock on the wall", file: "bridge/clock/clock.go",
		old:     "t := now(); return t.Round(0), t.Sub(start) }",
		planted: "t := now(); if planted(%q) { return t.Round(0), max(t.Sub(start), t.Round(0).Sub(start.Round(0))) }; return t.Round(0), t.Sub(start) }",
		finds:   `invariant`, seed: 1,
	},
	{
		name: "a station is acknowledged for at once", file: "bridge/accept.go",
		old:     "	if len(put) > 0 {\n		p.ops",
		planted: "	if planted(%q) && b.takesReceipts(m) {\n		p.ops = append(p.ops, queue.Op{New: b.receiptRecord(r, m.OriginID, b.stamp(), false)})\n	}\n	if len(put) > 0 {\n		p.ops",
		finds:   `who had acknowledged nothing`, seed: 1,
	},
	{
		name: "a restart forgets that the operator wants silence", file: "bridge/control.go",
		old:     "	for key := range quiet {\n",
		planted: "	for key := range quiet {\n		if planted(%q) { break }\n",
		finds:   `said quiet`, seed: 10,
	},
	{
		name: "the settings' block list is left out", file: "bridge/control.go",
		old:     "	list := slices.Clone(b.cfg.Block)\n",
		planted: "	list := slices.Clone(b.cfg.Block)\n	if planted(%q) { list = nil }\n",
		finds:   `although its writer is blocked`, seed: 2,
	},
	{
		name: "every gateway of a mesh transmits", file: "bridge/sibling.go",
		old:     "return ln.vote == nil || ln.elected.Load() }",
		planted: "return ln.vote == nil || ln.elected.Load() || planted(%q) }",
		finds:   `invariant 2`, seed: 1,
	},
	{
		name: "a receipt is believed from any gateway", file: "bridge/farreceipt.go",
		old:     "	i := b.passedBy(r, m.Via)\n	if i < 0 && endedAs(m)",
		planted: "	i := b.passedBy(r, m.Via)\n	if i < 0 && planted(%q) && len(r.Deliveries) == 1 {\n		i = 0\n	}\n	if i < 0 && endedAs(m)",
		finds:   `who had acknowledged nothing`, seed: 49,
	},
	{
		name: "texts are handed to gateways that are not alive", file: "bridge/astray.go",
		old:     "	return c.b.far.table.IsAlive(d.Gateway, now)\n",
		planted: "	return c.b.far.table.IsAlive(d.Gateway, now) || planted(%q)\n",
		finds:   `which had been off`, seed: 2,
	},
	{
		name: "a transmitter's own limit does not count", file: "bridge/airtime/budget.go",
		old:     "	if l.Duty > 0 {\n		list = append(",
		planted: "	if l.Duty > 0 && !planted(%q) {\n		list = append(",
		finds:   `its transmitter may`, seed: 2,
	},
	{
		name: "the last part of an exercise's text has no mark behind it", file: "bridge/route.go",
		old:     "	if m.Kind != message.Text {\n		return fit.Mark{}, m.Text\n	}\n",
		planted: "	if m.Kind != message.Text {\n		return fit.Mark{}, m.Text\n	}\n	if planted(%q) {\n		after = \"\"\n	}\n",
		finds:   `without its marks`, seed: 2,
	},
	{
		name: "texts of people without a call sign go out on APRS", file: "bridge/rules/thirdparty.go",
		old:     "		if out.Kind == \"aprs\" && !out.ThirdParty && ThirdParty(m) {\n",
		planted: "		if out.Kind == \"aprs\" && !out.ThirdParty && ThirdParty(m) && !planted(%q) {\n",
		finds:   `its writer has no call sign`, seed: 1,
	},
	{
		name: "a group text goes back to where it was written", file: "bridge/route/decide.go",
		old:     "		if !t.origin(ask, l) {\n			d.Targets",
		planted: "		if !t.origin(ask, l) || planted(%q) {\n			d.Targets",
		finds:   `where it was written`, seed: 5,
	},
	{
		name: "what is held stays so when its station is heard", file: "bridge/release.go",
		old:     "	if len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {\n",
		planted: "	if planted(%q) || len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {\n",
		finds:   `it was never tried`, seed: 15,
	},
	{
		name: "a station that refuses is taken for one that acknowledges", file: "bridge/receipt.go",
		old:     "		if m.Nak {\n			if d.State == queue.Failed {",
		planted: "		if m.Nak && !planted(%q) {\n			if d.State == queue.Failed {",
		finds:   `who had acknowledged nothing`, seed: 1,
	},
	{
		name: "what waits of a blocked station goes out", file: "bridge/sweep.go",
		old:     "	case m.Kind != message.Text:\n		return nil\n",
		planted: "	case m.Kind != message.Text || planted(%q):\n		return nil\n",
		finds:   `had blocked`, seed: 34,
	},
	{
		name: "a writer who has had his notices is not told afterwards", file: "bridge/receipt.go",
		old:     "		if told == inTurn {\n",
		planted: "		if planted(%q) && told == inTurn {\n			return nil\n		}\n		if told == inTurn {\n",
		finds:   `its writer was not told`, seed: 14,
	},
	{
		name: "two gateways that both listen hand over to each other", file: "bridge/sibling.go",
		old:     "	return b.far.table.Ahead(own, time.Now())\n",
		planted: "	if planted(%q) {\n		return b.far.table.Transmitter(own.Mesh, time.Now())\n	}\n	return b.far.table.Ahead(own, time.Now())\n",
		finds:   `to and fro`, seed: 8,
	},
	{
		name: "the age jumps once the clock is set", file: "bridge/clock/clock.go",
		old:     "	case c.isSynced:\n",
		planted: "	case c.isSynced:\n		if planted(%q) && !c.saved.IsZero() {\n			c.base, c.saved = c.base.Add(max(0, t.wall.Sub(c.saved)-t.ran)), time.Time{}\n		}\n",
		finds:   `called expired`, seed: 12,
	},

	{
		name: "a receipt that is handed over has no precedence", file: "bridge/farreceipt.go",
		old:     "	m.Precedence = cmp.Or(m.Precedence, message.Routine) //",
		planted: "	if !planted(%q) {\n		m.Precedence = cmp.Or(m.Precedence, message.Routine)\n	} //",
		finds:   `never heard of it`, seed: 1,
	},

	// These need worlds in which nothing else goes wrong (calm.go).
	{
		name: "a gateway with a full disk goes on transmitting", file: "bridge/sibling.go",
		old:     "b.control.isQuiet(ln.Name) || b.kin.isFull()\n",
		planted: "b.control.isQuiet(ln.Name) || b.kin.isFull() && !planted(%q)\n",
		finds:   `nothing went wrong, and it did not arrive`, seed: 5,
	},
	{
		name: "what comes back since its station roams is not taken up again", file: "bridge/custody.go",
		old:     "		if i >= 0 {\n			b.takeBack",
		planted: "		if i >= 0 && planted(%q) {\n			return nil, queue.ErrSkip\n		}\n		if i >= 0 {\n			b.takeBack",
		finds:   `nothing went wrong, and it did not arrive`, seed: 141,
	},
	{
		name: "what a bridge of somebody else's brings back is a new text", file: "bridge/accept.go",
		old:     "	if home != ln && b.kin.isFrame(m) ||",
		planted: "	ours = ours && !planted(%q)\n	if home != ln && b.kin.isFrame(m) ||",
		finds:   `was transmitted \d+ times`, seed: 85,
	},

	{
		name: "what the transmitter has under other words is left to it, heard or not", file: "bridge/shadow.go",
		old:     "	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(&m))); ok {\n",
		planted: "	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(&m))); ok {\n		if planted(%q) {\n			return nil, \"\", \"\", nil\n		}\n",
		finds:   `nothing went wrong, and it did not arrive`, seed: 61,
	},
	{
		name: "a gateway is believed for what it was never given", file: "bridge/custody.go",
		old:     "			i := b.passedBy(r, m.From)\n			if i < 0 || !r.Deliveries[i]",
		planted: "			i := b.passedBy(r, m.From)\n			if i < 0 && planted(%q) && len(r.Deliveries) == 1 {\n				i = 0\n			}\n			if i < 0 || !r.Deliveries[i]",
		finds:   `nothing went wrong, and it did not arrive`, seed: 7,
	},
	{
		name: "what comes by a trunk is in nobody's turn", file: "bridge/accept.go",
		old:     "	if ref == nil && !known && m.Precedence != message.Emergency && !b.rate",
		planted: "	if ref == nil && !known && !(planted(%q) && ln.trunk != nil) && m.Precedence != message.Emergency && !b.rate",
		finds:   `texts of a flood went out`, seed: 7,
	},
	{
		name: "what a gateway without a clock cannot judge it refuses", file: "adapters/broker/envelope/open.go",
		old:     "	if err != nil && !w.ClockTrusted {\n",
		planted: "	if err != nil && !w.ClockTrusted && !planted(%q) {\n",
		finds:   `(nothing went wrong, and it did not arrive|invariant 1)`, seed: 71,
	},

	// These need gateways that sign (exchange.go).
	{
		name: "a signature need not fit", file: "adapters/broker/envelope/open.go",
		old:     "		return PublicKey{}, false, fmt.Errorf(\"%w: %s\", ErrSignature, s.kid)\n	}\n	switch {\n",
		planted: "		if planted(%q) {\n			return t.keys[s.kid][0], true, nil\n		}\n		return PublicKey{}, false, fmt.Errorf(\"%%w: %%s\", ErrSignature, s.kid)\n	}\n	switch {\n",
		finds:   `is not believed`, seed: 3,
	},
	{
		name: "a gateway on no list may bring texts", file: "adapters/broker/envelope/open.go",
		old:     "	case t == nil || !t.Any:\n",
		planted: "	case t == nil || !t.Any && !planted(%q):\n",
		finds:   `is not believed`, seed: 3,
	},
	{
		name: "a key that is taken off the list is believed until the next start", file: "adapters/broker/trust.go",
		old:     "		case <-tick.C:\n",
		planted: "		case <-tick.C:\n			if planted(%q) {\n				continue\n			}\n",
		finds:   `invariant [13]`, seed: 131,
	},
	{
		name: "what a backup brings back goes out again", file: "bridge/restore.go",
		old:     "		if !d.State.Open() || d.State == queue.Passed ||",
		planted: "		if planted(%q) || !d.State.Open() || d.State == queue.Passed ||",
		finds:   `invariant 2`, seed: 179,
	},

	// This one only a store beyond a network brings to light (remote.go): nobody knows
	// there what became of a write.
	{
		name: "what may not be stored is confirmed", file: "bridge/accept.go",
		old:     "	done, err := b.store.Apply(ctx, joined(plans)...)\n",
		planted: "	done, err := b.store.Apply(ctx, joined(plans)...)\n	if ops := joined(plans); planted(%q) && errors.Is(err, queue.ErrUncertain) && len(plans) == 1 && ops[0].New != nil {\n		done, err = make([]queue.Done, len(joined(plans))), nil\n	}\n",
		finds:   `invariant 1`, seed: 36,
	},
}

// asked names the planted bug that a process is to have.
const asked = "POSTHOUSE_PLANTED"

func TestPlantedBugsAreFound(t *testing.T) {
	if testing.Short() || withRace {
		t.Skip("builds a program with every bug in it, without the race detector")
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
	cmd := exec.Command(program, "-test.run=^TestSeeds$", "-first", fmt.Sprint("-from=", begin), fmt.Sprint("-seeds=", n))
	cmd.Env = append(os.Environ(), asked+"="+b.name)
	out, err := cmd.CombinedOutput()
	found := regexp.MustCompile(`seed (\d+):\n(?:.*\n)*?.*` + b.finds).FindStringSubmatch(string(out))
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
	dir, top := t.TempDir(), filepath.Join("..", "..")
	replace := map[string]string{}
	texts := map[string]string{}
	for _, b := range bugs {
		if _, ok := texts[b.file]; !ok {
			text, err := os.ReadFile(filepath.Join(top, b.file))
			if err != nil {
				t.Fatal(err)
			}
			texts[b.file] = string(text)
			asks := "package " + filepath.Base(filepath.Dir(b.file)) + "\n\nimport \"os\"\n\nfunc planted(name string) bool { return os.Getenv(\"" + asked + "\") == name }\n"
			texts[filepath.Join(filepath.Dir(b.file), "planted.go")] = asks
		}
		if strings.Count(texts[b.file], b.old) != 1 {
			t.Fatalf("%s: the place in %s is not there once any more:\n%s", b.name, b.file, b.old)
		}
		texts[b.file] = strings.Replace(texts[b.file], b.old, fmt.Sprintf(b.planted, b.name), 1)
	}
	for name, text := range texts {
		to := filepath.Join(dir, strings.ReplaceAll(name, "/", "_"))
		if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		from, err := filepath.Abs(filepath.Join(top, name))
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
	build := exec.Command("go", "test", "-c", "-vet=off", "-overlay", filepath.Join(dir, "overlay.json"), "-o", program, ".")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building with bugs: %v\n%s", err, out)
	}
	return program
}
