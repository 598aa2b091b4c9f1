package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// archive is a gateway that holds texts for a station nobody has heard yet, and
// has finished as many others.
type archive struct {
	*process
	valley, hill   string
	alder, dogwood *station // the only clients of their meshes' brokers
}

// heldTexts is how many: some hundred kilobytes on the disk.
const heldTexts = 300

// openArchive sets a gateway up. Its folder is a copy of a stopped one's.
func openArchive(t *testing.T, folder string) *archive {
	t.Helper()
	a := &archive{valley: freePort(t), hill: freePort(t)}
	a.process = newDaemon(t, append(append(ownMesh("valley", a.valley), ownMesh("hill", a.hill)...),
		"POSTHOUSE_LINKS=valley,hill", "POSTHOUSE_RATE=10000/1s", "POSTHOUSE_LOG_LEVEL=warn",
		"POSTHOUSE_HILL_ACK_WAIT=2s", "POSTHOUSE_HILL_RESENDS=20")...)
	a.ship()
	if err := os.CopyFS(a.dir, os.DirFS(folder)); err != nil {
		t.Fatal(err)
	}
	return a
}

// run starts the gateway, and its stations if they are not there yet.
func (a *archive) run() {
	a.t.Helper()
	a.start()
	if a.alder == nil {
		a.alder, a.dogwood = join(a.t, a.valley, "valley", "N0QRA-7"), join(a.t, a.hill, "hill", "N0QRD-3")
	}
}

// fill has texts held and others finished.
func (a *archive) fill() {
	a.t.Helper()
	for i := range heldTexts {
		a.alder.publish(said{ID: fmt.Sprint("f", i), From: "N0QRA-7", To: "ALL", Text: "finished " + label(i)})
		a.alder.publish(said{ID: fmt.Sprint("h", i), From: "N0QRA-7", To: "N0QRD-3", Text: heldText(i)})
	}
	if !becomes(4*patience, func() bool { return len(a.dogwood.all(hasWords("finished "+label(heldTexts-1)))) > 0 }) {
		a.t.Fatal("the archive does not get full")
	}
	a.alder.say(said{ID: "last", To: "N0QRD-3", Text: "the last one"})
}

func label(i int) string { return fmt.Sprintf("%04d", i) }

func heldText(i int) string {
	return "held " + label(i) + " until somebody hears the station that it is for"
}

// arrive lets the station be heard, now and again, until so many of its texts
// have reached it, and one that is written now.
func (a *archive) arrive(least int) (got int) {
	a.t.Helper()
	count := func() (now bool) {
		seen := map[string]bool{}
		for _, f := range a.dogwood.all(func(f said) bool { return f.To == "N0QRD-3" }) {
			seen[f.Text] = true
		}
		got = 0
		for i := range heldTexts {
			if seen[heldText(i)] {
				got++
			}
		}
		return seen["written now"]
	}
	tries := 0
	if !becomes(4*patience, func() bool {
		if tries++; tries%50 == 1 {
			a.dogwood.publish(said{From: "N0QRD-3"})
			a.alder.publish(said{ID: "new", From: "N0QRA-7", To: "N0QRD-3", Text: "written now"})
		}
		return count() && got >= least
	}) {
		a.t.Errorf("%d of %d texts have arrived, want %d; the one that was written now: %t", got, heldTexts, least, count())
	}
	return got
}

// dataFile is the file that holds the bytes of a text; at is where.
func (a *archive) dataFile(words string) (path string, b []byte, at int) {
	a.t.Helper()
	names, err := filepath.Glob(filepath.Join(a.dir, "*"))
	if err != nil {
		a.t.Fatal(err)
	}
	for _, name := range names {
		content, err := os.ReadFile(name)
		if err != nil || filepath.Ext(name) == ".wal" { // a folder, a socket; what is left in the log is of no use after a stop
			continue
		}
		if i := bytes.Index(content, []byte(words)); i >= 0 && len(content) > len(b) {
			path, b, at = name, content, i
		}
	}
	if path == "" {
		a.t.Fatalf("%q is in none of %q", words, names)
	}
	return path, b, at
}

// setAside demands that the damaged file is still there under a name that says
// what it is, and that the log names it.
func (a *archive) setAside() (path string) {
	a.t.Helper()
	names, err := filepath.Glob(filepath.Join(a.dir, "*.damaged-*"))
	if err != nil || len(names) == 0 {
		a.t.Fatalf("no damaged file was set aside: %v", err)
	}
	a.awaitLog("level=ERROR", filepath.Base(names[0]))
	return names[0]
}

const pageSize = 4096

// middle is the text in the middle of those that are held.
var middle = "held " + label(heldTexts/2)

// damages are what a disk may do to a file. least is how many of the held texts
// have to survive it.
var damages = []struct {
	name  string
	do    func(b []byte, at int) []byte // at: where the middle text is
	least int
}{
	{"a page zeroed", func(b []byte, at int) []byte { clear(page(b, at)); return b }, heldTexts - 50},
	{"a page flipped", func(b []byte, at int) []byte {
		for i := range page(b, at) {
			page(b, at)[i] ^= 0xff
		}
		return b
	}, heldTexts - 50},
	{"cut between two pages", func(b []byte, at int) []byte { return b[:at/pageSize*pageSize] }, heldTexts / 8},
	{"cut within a page", func(b []byte, at int) []byte { return b[:at] }, heldTexts / 8},
}

func page(b []byte, at int) []byte {
	from := at / pageSize * pageSize
	return b[from:min(len(b), from+pageSize)]
}

// TestDamage does to the files of a gateway what a disk, a wrong copy or another
// program may do.
func TestDamage(t *testing.T) {
	t.Parallel()
	full := openArchive(t, t.TempDir())
	full.run()
	full.fill()
	full.stop()
	for _, c := range damages {
		t.Run("stopped/"+c.name, func(t *testing.T) { damagedWhileStopped(t, openArchive(t, full.dir), c.do, c.least) })
		t.Run("running/"+c.name, func(t *testing.T) { damagedWhileRunning(t, openArchive(t, full.dir), c.do, c.least) })
	}
	for name, content := range map[string]string{
		"another file": strings.Repeat("this is a shopping list\n", 1000), "one byte": "x", "an empty file": "",
	} {
		t.Run("stopped/"+name, func(t *testing.T) {
			damagedWhileStopped(t, openArchive(t, full.dir), func([]byte, int) []byte { return []byte(content) }, 0)
		})
	}
	for name, test := range map[string]func(*testing.T, *archive){
		"a flipped bit in a text": bitInAText, "a newer version": newerVersion, "a read-only folder": readOnlyFolder, "another program has it": locked,
	} {
		t.Run(name, func(t *testing.T) { test(t, openArchive(t, full.dir)) })
	}
}

func damagedWhileStopped(t *testing.T, a *archive, damage func([]byte, int) []byte, least int) {
	path, b, at := a.dataFile(middle)
	bad := damage(b, at)
	if err := os.WriteFile(path, bad, 0o600); err != nil {
		t.Fatal(err)
	}
	a.run()
	if kept, err := os.ReadFile(a.setAside()); err != nil || !bytes.Equal(kept, bad) {
		t.Errorf("the file that was set aside is not the damaged one: %v", err)
	}
	t.Logf("%d of %d held texts were saved", a.arrive(least), heldTexts)
	a.stop()
}

// damagedWhileRunning: what a disk does to a file that is open shows when it is
// read, or when memory is short.
func damagedWhileRunning(t *testing.T, a *archive, damage func([]byte, int) []byte, least int) {
	a.run()
	path, b, at := a.dataFile(middle)
	overwrite(t, path, b, damage(slices.Clone(b), at))
	saved := a.arrive(least)
	a.setAside()
	if got := a.get("/healthz"); !strings.HasPrefix(got, "ok\n") {
		t.Errorf("health afterwards: %q", got)
	}
	t.Logf("%d of %d held texts were saved", saved, heldTexts)
	a.stop()
	a.start()
	a.stop()
}

// overwrite changes a file in place, as a disk does: who has it open sees it.
func overwrite(t *testing.T, path string, was, is []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(int64(len(is))); err != nil {
		t.Fatal(err)
	}
	for from := 0; from < len(is); from += pageSize {
		to := min(len(is), from+pageSize)
		if bytes.Equal(was[from:to], is[from:to]) {
			continue
		}
		if _, err := f.WriteAt(is[from:to], int64(from)); err != nil {
			t.Fatal(err)
		}
	}
}

// bitInAText costs that text and no other.
func bitInAText(t *testing.T, a *archive) {
	path, b, _ := a.dataFile(middle)
	for from := b; ; { // each copy that there is
		_, rest, found := bytes.Cut(from, []byte(middle))
		if !found {
			break
		}
		b[len(b)-len(rest)-1] ^= 1
		from = rest
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	a.run()
	if got := a.arrive(heldTexts - 1); got != heldTexts-1 {
		t.Errorf("%d texts have arrived, want all but one", got)
	}
	a.awaitLog("level=ERROR", "damaged", "its bytes are kept")
	if got := a.metric("posthouse_store_damaged_records"); got < 1 {
		t.Errorf("%g damaged records are counted", got)
	}
	a.stop()
}

// cannotStart runs the program and demands that it ends with EX_IOERR
// (sysexits(3)) and these words, and leaves the files as they are.
func (a *archive) cannotStart(words ...string) {
	a.t.Helper()
	before := a.contents()
	cmd := exec.Command(a.program, "run")
	cmd.Env, cmd.Dir = a.env, a.dir
	out, err := cmd.CombinedOutput()
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != exitDisk {
		a.t.Errorf("it ended with %v, want exit code %d:\n%s", err, exitDisk, out)
	}
	for _, w := range words {
		if !strings.Contains(string(out), w) {
			a.t.Errorf("it does not say %q:\n%s", w, out)
		}
	}
	for name, was := range before {
		if is, ok := a.contents()[name]; !ok || is != was {
			a.t.Errorf("%s was changed", name)
		}
	}
}

// contents gives what is in the files of the data folder.
func (a *archive) contents() map[string]string {
	all := map[string]string{}
	err := filepath.WalkDir(a.dir, func(name string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			var b []byte
			b, err = os.ReadFile(name)
			all[name] = string(b)
		}
		return err
	})
	if err != nil {
		a.t.Fatal(err)
	}
	return all
}

func newerVersion(t *testing.T, a *archive) {
	path, _, _ := a.dataFile(middle)
	change := func(by byte) {
		db, err := bolt.Open(path, 0o600, nil)
		if err != nil {
			t.Fatal(err)
		}
		err = db.Update(func(tx *bolt.Tx) error {
			state := tx.Bucket([]byte("state"))
			return state.Put([]byte("schema"), []byte{state.Get([]byte("schema"))[0] + by})
		})
		if err := errors.Join(err, db.Close()); err != nil {
			t.Fatal(err)
		}
	}
	change(1)
	a.cannotStart("newer", path)
	change(255)
	a.run() // it was left as it was
	a.arrive(heldTexts)
	a.stop()
}

func readOnlyFolder(t *testing.T, a *archive) {
	if os.Geteuid() != 0 {
		if err := os.Chmod(a.dir, 0o500); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.Chmod(a.dir, 0o700) })
	} else { // modes do not stop root
		if err := syscall.Mount(a.dir, a.dir, "", syscall.MS_BIND, ""); err != nil {
			t.Skipf("a read-only folder needs the right to mount: %v", err)
		}
		t.Cleanup(func() { syscall.Unmount(a.dir, syscall.MNT_DETACH) })
		if err := syscall.Mount("", a.dir, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
	}
	a.cannotStart(a.dir)
	if got := a.tell("check"); !strings.Contains(got, "names a folder in which you may not write") {
		t.Errorf("check says nothing of it: %s", got)
	}
}

// TestTheCardBecomesReadOnly: the file system meets an error and lets nobody write any more
// (ext4(5), errors=remount-ro). The gateway says so and what to do, confirms nothing, and
// once the card is mended and mounted again all is there.
func TestTheCardBecomesReadOnly(t *testing.T) {
	t.Parallel()
	card := filepath.Join(t.TempDir(), "card")
	dir, device := mountExt4(t, card)
	a := openArchive(t, t.TempDir())
	a.dir = filepath.Join(dir, "data")
	a.env = append(a.env, "POSTHOUSE_DATA_DIR="+a.dir)
	if err := os.Mkdir(a.dir, 0o700); err != nil {
		t.Fatal(err)
	}
	a.run()
	a.alder.say(said{ID: "held", To: "N0QRD-3", Text: "held through it all"})
	if err := os.WriteFile("/sys/fs/ext4/"+device+"/trigger_fs_error", []byte("1"), 0); err != nil {
		t.Skipf("a file system that becomes read-only needs the kernel's help: %v", err)
	}
	a.alder.publish(said{ID: "new", From: "N0QRA-7", To: "N0QRD-3", Text: "written on a bad card"}) // its client keeps it until it is confirmed
	a.awaitLog("level=ERROR", "writing the queue failed", "read-only file system", "mount it for writing")
	a.await("/healthz to say so", func() bool { return strings.Contains(a.get("/healthz"), "mount it for writing") })
	if n := a.metric("posthouse_store_failing"); n != 1 {
		t.Errorf("posthouse_store_failing is %v", n)
	}
	a.kill()
	if err := syscall.Unmount(dir, 0); err != nil {
		t.Fatal(err)
	}
	runTool(t, "e2fsck", "-fy", card)
	runTool(t, "mount", "-o", "loop", card, dir)
	a.start()
	a.dogwood.position()
	a.dogwood.expectText("held through it all")
	a.dogwood.expectText("written on a bad card")
	if n := a.metric("posthouse_store_failing"); n != 0 {
		t.Errorf("on the mended card posthouse_store_failing is %v", n)
	}
	a.stop()
}

// mountExt4 makes a file system in a file, with room for a gateway, and mounts it.
func mountExt4(t *testing.T, file string) (dir, device string) {
	t.Helper()
	if err := errors.Join(os.WriteFile(file, nil, 0o600), os.Truncate(file, 128<<20)); err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	for _, args := range [][]string{{"mkfs.ext4", "-q", "-F", "-m", "0", file}, {"mount", "-o", "loop,errors=remount-ro", file, dir}} {
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Skipf("a card that breaks needs the right to mount: %v: %v\n%s", args, err, out)
		}
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) }) // after the gateway has ended
	out, err := exec.Command("losetup", "-n", "-O", "NAME", "-j", file).Output()
	if err != nil {
		t.Fatal(err)
	}
	return dir, filepath.Base(strings.TrimSpace(string(out)))
}

// runTool runs a program that may end with 1, as e2fsck(8) does when it has mended something.
func runTool(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command(args[0], args[1:]...).CombinedOutput()
	if exit, ok := errors.AsType[*exec.ExitError](err); err != nil && (!ok || exit.ExitCode() > 1) {
		t.Fatalf("%q: %v\n%s", args, err, out)
	}
}

// locked: a program holds the data file as bbolt locks it, another than
// posthouse, maybe one that looks into it.
func locked(t *testing.T, a *archive) {
	path, _, _ := a.dataFile(middle)
	db, err := bolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	a.cannotStart("another program", path)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	a.run()
	a.arrive(heldTexts)
	a.stop()
}

// TestDataFolderIsRemoved: somebody cleans up too much while the gateway runs. It ends, so
// that it is started again, and nothing that was taken over is missing.
func TestDataFolderIsRemoved(t *testing.T) {
	t.Parallel()
	a := openArchive(t, t.TempDir())
	a.run()
	a.alder.say(said{ID: "held", To: "N0QRD-3", Text: "held through it all"})
	if err := os.RemoveAll(a.dir); err != nil {
		t.Fatal(err)
	}
	a.alder.publish(said{ID: "new", From: "N0QRA-7", To: "N0QRD-3", Text: "written just after"}) // its client keeps it until it is confirmed
	err := a.cmd.Wait()
	a.cmd = nil
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != exitDisk {
		t.Fatalf("it ended with %v, want exit code %d", err, exitDisk)
	}
	a.awaitLog("level=ERROR", "removed", "queue.db")
	a.start()
	a.dogwood.position()
	a.dogwood.expectText("held through it all")
	a.dogwood.expectText("written just after")
	a.stop()
}
