package boltstore

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// A file that is removed while it is in use lives on without a name, and is gone once the
// process ends: with a cleaning hand in the data folder all that was taken over would be. So
// the store takes nothing new from then on, says so, and Close puts the file back.

// Removed is closed once the store has found that its file or its log was removed, or has
// failed and another lies in its place: it is to be closed and opened again.
func (s *Store) Removed() <-chan struct{} { return s.removed }

// lookForFiles notes that the file or its log was removed. The committer asks before each
// commit: a look at an open file costs next to nothing.
func (s *Store) lookForFiles() {
	if s.gone != nil || !isRemoved(s.file.raw) && !isRemoved(s.wal.file) {
		return
	}
	s.loses("were removed")
	s.log.Error("files of the queue were removed while they are in use; what is in it is put back when posthouse stops", "file", s.path)
}

// lookForAnother notes that another file lies in the place of ours. Asked while nothing can
// be written: a disk that fell off and was mounted again is another one, and what is open
// stays on the one before for ever, or cannot even be looked at.
func (s *Store) lookForAnother() bool {
	if s.gone != nil {
		return true
	}
	there, err := os.Stat(s.path)
	if err != nil { // not mounted yet
		return false
	}
	if ours, err := s.file.raw.Stat(); err == nil && os.SameFile(ours, there) {
		return false
	}
	s.loses("cannot be written, and others lie in their place")
	s.log.Error("the queue cannot be written, and another file lies in its place, as when its disk was mounted anew: posthouse has to start again to work with that one", "file", s.path)
	return true
}

// loses has nothing new taken over from now on.
func (s *Store) loses(what string) {
	s.mu.Lock()
	s.gone = fmt.Errorf("the files of the queue %s %s: nothing new is taken over", s.path, what)
	s.mu.Unlock()
	close(s.removed)
}

// isRemoved tells whether an open file has no name any more; nil: there is no such file.
func isRemoved(f *os.File) bool {
	if f == nil {
		return false
	}
	info, err := f.Stat()
	return err == nil && names(info) == 0
}

// putBack gives the file, of which the last checkpoint was made, its name again, or another
// if something else lies in its place.
func (s *Store) putBack() error {
	if !isRemoved(s.file.raw) {
		return nil
	}
	if err := s.copyBack(); err != nil {
		return fmt.Errorf("putting back the queue, which was removed: %w", err)
	}
	return nil
}

func (s *Store) copyBack() error {
	dir := filepath.Dir(s.path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	to, part := s.path, s.path+".back"
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		ext := filepath.Ext(to)
		to = strings.TrimSuffix(to, ext) + s.opts.Now().UTC().Format(".removed-20060102T150405Z") + ext
	}
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	info, err := s.file.raw.Stat()
	if err != nil {
		return err
	}
	if err := writeFile(part, io.NewSectionReader(s.file.raw, 0, info.Size())); err != nil {
		return errors.Join(err, os.Remove(part))
	}
	if err := moveInto(part, to); err != nil {
		return err
	}
	s.log.Warn("the queue was removed and is there again", "file", to)
	return nil
}
