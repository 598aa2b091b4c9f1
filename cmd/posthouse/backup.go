package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/web"
	"posthouse/bridge/config"
)

// The parts of a backup.
const (
	partQueue    = "queue"         // the store, in pieces
	partSettings = "settings.json" // the environment, NAME=VALUE
	partFiles    = "files/"        // what the variables name, by variable
	partData     = "data/"         // from the data folder
)

type backupCmd struct {
	File string `arg:"" help:"Where to write it; - is standard output."`
}

// Run writes a backup of the running gateway into a file.
func (c backupCmd) Run(s streams, environ env) error {
	if c.File == "-" {
		if isTerminal(s.out) {
			return fail(exitUsage, errors.New("a backup is no text for a terminal: write 'posthouse backup - > FILE', or name the file"))
		}
		m, _, err := receive(context.Background(), environ, s.out)
		if err == nil {
			fmt.Fprintf(s.err, "posthouse: backup of %s of %s written; it holds keys and passwords, keep it where nobody else can read it\n", m.Callsign, m.when())
		}
		return err
	}
	m, size, err := c.write(environ)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s: backup of %s of %s, %s\n", c.File, m.Callsign, m.when(), bytesBrief(size))
	fmt.Fprintln(s.out, "It holds the gateway's KEYS AND PASSWORDS: only you may read it (mode 0600). Keep it so.")
	return nil
}

// write writes the file under a temporary name, and renames it once it is complete and on
// disk.
func (c backupCmd) write(environ env) (*manifest, int64, error) {
	if c.File == "" { // as a script with a variable that is not set has it
		return nil, 0, fail(exitUsage, errors.New("the name of the file is empty: name a file"))
	}
	if st, err := os.Stat(c.File); err == nil && !st.Mode().IsRegular() {
		return nil, 0, fail(exitUsage, fmt.Errorf("%s is there already and is no file: name a file", c.File))
	}
	forgetParts(c.File)
	f, err := os.CreateTemp(filepath.Dir(c.File), "."+filepath.Base(c.File)+".*"+partExt) // mode 0600
	if err != nil {
		return nil, 0, fail(exitDisk, fmt.Errorf("the backup cannot be written there: %w", err))
	}
	seize(f)
	ctx, end := untilStopped()
	defer end()
	m, size, err := receive(ctx, environ, f)
	if ctx.Err() != nil {
		err = errStopped
	}
	if err == nil {
		err = fail(exitDisk, f.Sync())
	}
	err = errors.Join(err, fail(exitDisk, f.Close()))
	if err == nil {
		err = fail(exitDisk, os.Rename(f.Name(), c.File))
	}
	if err != nil {
		return nil, 0, errors.Join(err, os.Remove(f.Name()))
	}
	return m, size, fail(exitDisk, syncFolder(filepath.Dir(c.File)))
}

const partExt = ".part" // of a backup that is being written

// forgetParts removes what earlier backups have left beside a file, if they were killed or
// lost the power: keys and passwords. Who is still at work has its part locked.
func forgetParts(file string) {
	dir := filepath.Dir(file)
	left, _ := os.ReadDir(dir)
	for _, l := range left {
		if !l.Type().IsRegular() || !strings.HasPrefix(l.Name(), "."+filepath.Base(file)+".") || filepath.Ext(l.Name()) != partExt {
			continue
		}
		f, err := os.OpenFile(filepath.Join(dir, l.Name()), os.O_RDWR, 0)
		if err != nil {
			continue // somebody else's
		}
		if seize(f) {
			_ = os.Remove(f.Name()) // else the next backup tries again
		}
		_ = f.Close() // nothing was written
	}
}

// receive has the daemon make a backup, and verifies it on the way to w.
func receive(ctx context.Context, environ env, w io.Writer) (m *manifest, size int64, err error) {
	from, to := io.Pipe()
	var checking sync.WaitGroup
	var whole error
	checking.Go(func() {
		m, whole = readArchive(from, func(*manifest, string, io.Reader) error { return nil })
		_, err := io.Copy(io.Discard, from) // the padding of the archive
		from.CloseWithError(err)
	})
	out := &counting{w: w}
	err = web.Backup(ctx, dataDir(environ), io.MultiWriter(out, to))
	to.CloseWithError(err)
	checking.Wait()
	switch {
	case out.err != nil:
		return nil, 0, fail(exitDisk, fmt.Errorf("writing the backup: %w; no backup was made", out.err))
	case err != nil:
		return nil, 0, failed(err)
	case whole != nil:
		return nil, 0, fail(exitDisk, fmt.Errorf("what the daemon sent is not a whole backup (its log may say why): %w", whole))
	}
	return m, out.n, nil
}

// counting counts what was written, and keeps the error of its own writer.
type counting struct {
	w   io.Writer
	n   int64
	err error
}

func (c *counting) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	if err != nil {
		c.err = err
	}
	return n, err
}

func (m *manifest) when() string {
	s := m.Made.UTC().Format("2006-01-02 15:04:05Z")
	if m.Unsure {
		s += "?"
	}
	return s
}

// saver makes backups of the gateway in this process, one at a time.
type saver struct {
	g       *gateway
	environ env
	busy    sync.Mutex
}

var errBusy = errors.New("a backup is being made already: wait until it is done")

// save writes a backup. The queue comes last: it is the newest, and the largest.
func (v *saver) save(ctx context.Context, w io.Writer) error {
	if !v.busy.TryLock() {
		return errBusy
	}
	defer v.busy.Unlock()
	g := v.g
	if err := g.bridge.Checkpoint(ctx); err != nil {
		return err
	}
	now, trusted := g.clock.Wall()
	version, _ := build()
	a, err := newArchive(w, manifest{
		Format: archiveFormat, Version: version, Callsign: g.cfg.Callsign, Made: now.UTC().Truncate(time.Millisecond), Unsure: !trusted, DataDir: g.cfg.DataDir,
	})
	if err != nil {
		return err
	}
	if err := v.settings(a); err != nil {
		return err
	}
	if err := v.dataFiles(a); err != nil {
		return err
	}
	pieces := &chunks{a: a, name: partQueue}
	if err := errors.Join(g.store.Backup(pieces), pieces.flush()); err != nil {
		return err
	}
	g.log.Info("a backup was made")
	return a.close()
}

// settings adds the variables, and the files that they name.
func (v *saver) settings(a *packer) error {
	own := slices.DeleteFunc(slices.Clone(v.environ), func(entry string) bool { return !strings.HasPrefix(entry, config.Prefix) })
	slices.Sort(own)
	b, err := json.MarshalIndent(own, "", "  ")
	if err != nil {
		return err
	}
	if err := a.file(partSettings, append(b, '\n')); err != nil {
		return err
	}
	for _, entry := range own {
		name, path, _ := strings.Cut(entry, "=")
		if !strings.HasSuffix(name, "_FILE") || path == "" {
			continue
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("%s: %w; without it a backup would not be whole", name, err)
		}
		if err := a.file(partFiles+name, content); err != nil {
			return err
		}
	}
	return nil
}

// dataFiles adds what else is in the data folder: the key of bounce addresses, and the
// journal of transmissions.
func (v *saver) dataFiles(a *packer) error {
	dir := v.g.cfg.DataDir
	days, err := filepath.Glob(filepath.Join(dir, journalDir, "*.jsonl"))
	if err != nil {
		return err
	}
	for _, path := range append([]string{filepath.Join(dir, bounceKeyFile)}, days...) {
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if err := addFile(a, partData+filepath.ToSlash(name), path); err != nil {
			return err
		}
	}
	return nil
}

// addFile adds a file with its present length: the journal grows meanwhile. It skips a file
// that has just been removed.
func addFile(a *packer, name, path string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	return a.copy(name, f, st.Size())
}

func syncFolder(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// bytesBrief is a size in at most eight characters.
func bytesBrief(n int64) string {
	switch {
	case n < 10<<10:
		return fmt.Sprintf("%d B", n)
	case n < 10<<20:
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return fmt.Sprintf("%d MiB", n>>20)
}
