package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"posthouse/adapters"
	"posthouse/bridge"
	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/presence"
	"posthouse/queue/boltstore"
)

// readSettings reads the settings of the backup, with its own files in place of those that
// the variables name.
func (r *restore) readSettings() error {
	b, err := os.ReadFile(r.staged("raw/" + partSettings))
	if err == nil {
		err = json.Unmarshal(b, (*[]string)(&r.settings))
	}
	if err != nil {
		return fail(exitData, fmt.Errorf("%w: its settings are not readable", errDamaged))
	}
	read := make(env, len(r.settings))
	for i, entry := range r.settings {
		name, value, _ := strings.Cut(entry, "=")
		if path := r.staged("raw/" + partFiles + name); value != "" && exists(path) {
			r.named = append(r.named, name)
			value = path
		}
		read[i] = name + "=" + value
	}
	callsign.Use(config.Calls(read))
	r.cfg, _ = config.Load(read, config.Hooks{}) // the daemon ran with them
	return nil
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// belongs refuses a backup of another gateway than that of the settings here.
func (r *restore) belongs(io.Reader) error {
	here := r.environ.get("POSTHOUSE_CALLSIGN")
	cfg, _ := config.Load(env{"POSTHOUSE_CALLSIGN=" + here}, config.Hooks{})
	if here != "" && cfg.Callsign != r.manifest.Callsign {
		return fail(exitConfig, fmt.Errorf("the backup is of %s, and POSTHOUSE_CALLSIGN is %s: restore with the settings of the backup, or with none; change the call sign afterwards; nothing was changed",
			r.manifest.Callsign, cfg.Callsign))
	}
	return nil
}

// lookForTwin listens on each trunk for another gateway with this call sign: both would be
// responsible for the same messages.
func (r *restore) lookForTwin(io.Reader) error {
	listen := r.cmd.listen
	if listen == 0 {
		listen = presence.Alive
	}
	for _, l := range r.cfg.Links {
		if l.Trunk == nil || l.Trunk.BrokerURL == "" || !l.MaySend() {
			continue // a built-in broker has stopped with the daemon
		}
		fmt.Fprintf(r.out, "Listening on %s for another gateway %s, up to %v.\n", l.Name, r.cfg.Callsign, listen)
		found, err := adapters.FindTwin(r.stopped, l, r.cfg.Callsign, r.clock.Wall, listen)
		switch {
		case found:
			return fail(exitConfig, fmt.Errorf("another gateway runs as %s: trunk %s hears it. Stop that one first: two of them would answer for the same messages; nothing was changed",
				r.cfg.Callsign, l.Name))
		case err != nil && !r.cmd.Offline:
			return fail(exitUnavailable, fmt.Errorf("nobody knows whether another gateway runs as %s: %w. Mend that, or, if you are sure that none does, add --offline; nothing was changed",
				r.cfg.Callsign, err))
		case err != nil:
			r.unasked = append(r.unasked, l.Name)
		}
	}
	return nil
}

// prepare makes the queue in the stage safe to run with.
func (r *restore) prepare(io.Reader) (err error) {
	ctx := context.Background()
	store, err := boltstore.Open(r.staged(queueFile), boltstore.Options{MinFree: -1})
	switch {
	case errors.Is(err, boltstore.ErrNewer):
		return fail(exitData, fmt.Errorf("%w (%s): install that one, and restore with it", errNewer, r.manifest.Version))
	case err != nil:
		return fail(exitDisk, err)
	}
	defer func() { err = errors.Join(err, fail(exitDisk, store.Close())) }()
	n := bridge.Restoration{Made: r.manifest.Made, Marks: r.marks}
	if now, trusted := r.clock.Wall(); trusted {
		n.Now = now
	}
	for _, l := range r.cfg.Links {
		switch {
		case l.Trunk != nil:
			n.Trunks = append(n.Trunks, l.Name)
		case l.Mesh != nil && l.Mesh.SF != 0:
			n.Paced = append(n.Paced, l.Name)
		}
	}
	if n.Last, err = store.Last(ctx); err != nil {
		return fail(exitDisk, err)
	}
	r.first = n.FirstNumber()
	if err := store.Skip(ctx, r.first); err != nil {
		return fail(exitDisk, err)
	}
	r.held, err = bridge.Restored(ctx, store, n)
	return fail(exitDisk, err)
}

func (r *restore) marks(trunk string, marks map[string][]byte) (map[string][]byte, error) {
	now, trusted := r.clock.Wall()
	if !trusted {
		now = time.Time{}
	}
	return adapters.RestoredMarks(*r.cfg.Links.Find(trunk), marks, now)
}

// replace puts everything in its place, and sets aside what was there. If it is
// interrupted, run refuses to start until the restore is repeated.
func (r *restore) replace() error {
	unfinished := filepath.Join(r.dir, unfinishedFile)
	if err := os.WriteFile(unfinished, nil, 0o600); err != nil {
		return fail(exitDisk, err)
	}
	err := syncFolder(r.dir)
	for _, step := range []func() error{r.setAside, r.placeData, r.placeSettings, r.placeQueue, r.giveToOwner} {
		if err == nil {
			err = step()
		}
	}
	if err == nil {
		err = errors.Join(os.Remove(unfinished), syncFolder(r.dir))
	}
	if err != nil {
		return fail(exitDisk, fmt.Errorf("the restore was not finished, run it again: %w", err))
	}
	return nil
}

// setAside moves what the restore would replace into a folder of its own.
func (r *restore) setAside() error {
	name := replacedDir + time.Now().UTC().Format("20060102T150405Z")
	aside := filepath.Join(r.dir, name)
	for n := 2; exists(aside); n++ {
		aside = filepath.Join(r.dir, fmt.Sprintf("%s-%d", name, n))
	}
	if err := os.Mkdir(aside, 0o700); err != nil {
		return err
	}
	if err := boltstore.Move(filepath.Join(r.dir, queueFile), filepath.Join(aside, queueFile)); err != nil {
		return err
	}
	for _, name := range []string{bounceKeyFile, restoredDir} {
		if from := filepath.Join(r.dir, name); exists(from) {
			if err := os.Rename(from, filepath.Join(aside, name)); err != nil {
				return err
			}
		}
	}
	if os.Remove(aside) == nil { // empty: nothing was there
		return nil
	}
	r.aside = aside
	return nil
}

// placeData puts the key of bounce addresses and the journal in place. A journal file that
// is there already is newer, and stays.
func (r *restore) placeData() error {
	raw := r.staged("raw/" + strings.TrimSuffix(partData, "/"))
	return filepath.WalkDir(raw, func(from string, d os.DirEntry, err error) error {
		if errors.Is(err, os.ErrNotExist) {
			return nil // the backup has none
		}
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(raw, from)
		if err != nil {
			return err
		}
		if name != bounceKeyFile && filepath.Dir(name) != journalDir {
			return nil
		}
		to := filepath.Join(r.dir, name)
		if exists(to) {
			r.left = append(r.left, name)
			return nil
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			return err
		}
		return os.Rename(from, to)
	})
}

// placeSettings puts the settings, as an environment file, and the files that they name,
// under their full paths, into a folder beside the queue, for the operator to move. A file
// that was in the data folder goes there again.
func (r *restore) placeSettings() error {
	root := filepath.Join(r.dir, restoredDir)
	if err := os.Mkdir(root, 0o700); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(root, "environment"), []byte(config.EnvFile(r.settings)), 0o600); err != nil {
		return err
	}
	for _, name := range r.named {
		was := r.settings.get(name)
		to := filepath.Join(root, filepath.Clean("/"+was))
		if inside, err := filepath.Rel(r.manifest.DataDir, was); err == nil && filepath.IsLocal(inside) && !exists(filepath.Join(r.dir, inside)) {
			to = filepath.Join(r.dir, inside)
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			return err
		}
		if err := copyNew(r.staged("raw/"+partFiles+name), to); err != nil && !errors.Is(err, os.ErrExist) { // two variables name one file
			return err
		}
	}
	return nil
}

func copyNew(from, to string) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Sync(), f.Close())
}

func (r *restore) placeQueue() error {
	return boltstore.Move(r.staged(queueFile), filepath.Join(r.dir, queueFile))
}

// giveToOwner makes the owner of the data folder, the daemon's user, own what root has
// restored.
func (r *restore) giveToOwner() error {
	uid, gid, ok := ownerOf(r.dir)
	if !ok || os.Getuid() != 0 || uid == 0 {
		return nil
	}
	return filepath.WalkDir(r.dir, func(path string, _ os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(path, uid, gid)
	})
}

// tell says what was done, and what is left to do.
func (r *restore) tell() {
	say := func(format string, args ...any) { fmt.Fprintf(r.out, format+"\n", args...) }
	say("%s is back, as of the backup of %s.", r.cfg.Callsign, r.manifest.when())
	switch r.held {
	case 0:
		say("- Nothing was open in it.")
	default:
		say("- What was open is held, %d to be looked through: it may have gone out since.\n  Once the gateway runs: 'posthouse queue list', then 'queue release ID' or 'queue\n  drop ID'; the word restored instead of an ID means all of it.", r.held)
	}
	say("- Ids go on at %s.%d, and the last hour of air counts as used.", r.cfg.Callsign, r.first)
	say("- Settings, keys and lists are in %s:\n  compare, and put them in their places.", filepath.Join(r.dir, restoredDir))
	if r.aside != "" {
		say("- What was here before is in %s.", r.aside)
	}
	if len(r.left) > 0 {
		say("- Files that were here already, and were left as they are: %d (the journal of\n  transmissions only grows).", len(r.left))
	}
	if len(r.unasked) > 0 {
		say("- NOT ASKED whether another gateway runs as %s: %s.", r.cfg.Callsign, strings.Join(r.unasked, ", "))
	}
	if _, trusted := r.clock.Wall(); !trusted {
		say("- The clock is not synchronised: what others signed between the backup and now\n  could be played to this gateway again.")
	}
}
