package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/queue/boltstore"
)

type restoreCmd struct {
	File    string `arg:"" help:"The backup; - is standard input."`
	Offline bool   `help:"Restore although no trunk can be asked whether another gateway runs with this call sign: you know that none does."`

	listen time.Duration // on each trunk; 0: as long as a gateway may be silent
	clock  *clock.Clock  // nil: this computer's
}

// What a restore leaves in the data folder.
const (
	restoredDir    = "restored"           // settings, keys and lists, to be put in their places
	stages         = ".restore-"          // folders of backups that are being unpacked
	unfinishedFile = "restore.unfinished" // there while a restore changes the folder
	replacedDir    = "before-restore-"    // and the time: what was there before
)

// Run restores a backup. It changes nothing before the backup is verified, and it is known
// that no other gateway runs with its call sign.
func (c restoreCmd) Run(s streams, environ env) (err error) {
	in, err := c.open(s)
	if err != nil {
		return err
	}
	defer in.Close()
	dir := dataDir(environ)
	lock, err := boltstore.Lock(filepath.Join(dir, queueFile))
	if err != nil {
		return fail(exitDisk, err)
	}
	defer lock.Close()
	forgetStages(dir)
	ctx, stop := untilStopped()
	defer stop()
	r := &restore{cmd: c, out: s.out, dir: dir, environ: environ, clock: cmp.Or(c.clock, clock.System(clock.Saved{})), stopped: ctx}
	if r.stage, err = os.MkdirTemp(dir, stages+"*"); err != nil {
		return fail(exitDisk, err)
	}
	defer func() { err = errors.Join(err, fail(exitDisk, os.RemoveAll(r.stage))) }()
	for _, step := range []func(io.Reader) error{r.unpack, r.belongs, r.lookForTwin, r.prepare} {
		err := step(stoppable{in, ctx})
		if ctx.Err() != nil {
			return errStopped
		}
		if err != nil {
			return err
		}
	}
	if err := r.replace(); err != nil { // whoever wants it to stop waits for the end
		return err
	}
	r.tell()
	return nil
}

// forgetStages removes what a restore that was killed has left: the keys and passwords of a
// backup. The caller has the lock of the queue.
func forgetStages(dir string) {
	left, _ := os.ReadDir(dir)
	for _, f := range left {
		if strings.HasPrefix(f.Name(), stages) {
			_ = os.RemoveAll(filepath.Join(dir, f.Name())) // else the next start tries again
		}
	}
}

func (c restoreCmd) open(s streams) (io.ReadCloser, error) {
	if c.File == "-" {
		return io.NopCloser(s.in), nil
	}
	f, err := os.Open(c.File)
	if err != nil {
		return nil, fail(exitDisk, fmt.Errorf("the backup cannot be read: %w", err))
	}
	return f, nil
}

// restore is one run.
type restore struct {
	cmd     restoreCmd
	out     io.Writer
	dir     string // the data folder
	stage   string // the folder in which everything is prepared
	environ env
	clock   *clock.Clock
	stopped context.Context // ends when the operator has had enough

	manifest *manifest
	settings env            // of the backup
	cfg      *config.Config // by them
	named    []string       // variables whose files are in it
	first    uint64         // the next accept number
	held     int            // deliveries
	aside    string         // where what was there before is now; empty: nothing was
	left     []string       // files of the journal that were there and stay
	unasked  []string       // trunks that could not be asked
}

func (r *restore) staged(name string) string { return filepath.Join(r.stage, filepath.FromSlash(name)) }

// unpack reads the whole backup into the stage, and checks it.
func (r *restore) unpack(in io.Reader) error {
	queue, err := boltstore.Unpack(r.staged(queueFile))
	if err != nil {
		return fail(exitDisk, err)
	}
	var disk error
	m, err := readArchive(in, func(_ *manifest, name string, content io.Reader) error {
		if strings.HasPrefix(name, partQueue+"/") {
			_, err := io.Copy(queue, content)
			disk = errors.Join(disk, diskError(err))
			return err
		}
		err := r.unpackFile(name, content)
		disk = errors.Join(disk, diskError(err))
		return err
	})
	closed := queue.Close()
	switch {
	case disk != nil || closed != nil:
		return fail(exitDisk, fmt.Errorf("unpacking the backup: %w; nothing was changed", errors.Join(disk, closed)))
	case err != nil:
		return fail(exitData, err)
	}
	r.manifest = m
	return r.readSettings()
}

// diskError is an error of writing, not of the backup.
func diskError(err error) error {
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return err
	}
	return nil
}

func (r *restore) unpackFile(name string, content io.Reader) error {
	path := r.staged("raw/" + name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, content)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}
