package main

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"path"
	"slices"
	"strings"
	"time"
)

// A backup is a tar archive (POSIX.1-2001, pax). Its first entry says what it is, its last
// one has the checksums of all others in the format of sha256sum(1), so that it can be
// examined and verified without this program. An incomplete one has no last entry, and is
// no backup.
const (
	manifestName  = "manifest.json"
	checksumsName = "checksums.sha256"
	archiveFormat = 1
	chunkSize     = 1 << 20  // bytes of the queue in one entry: its size is not known in advance
	maxSmall      = 16 << 20 // bytes of an entry that is read into memory
	maxEntries    = 1 << 20
)

// manifest describes a backup.
type manifest struct {
	Format   int       `json:"format"`
	Version  string    `json:"posthouse"`
	Callsign string    `json:"callsign"`
	Made     time.Time `json:"made"` // UTC
	Unsure   bool      `json:"clock_not_trusted,omitempty"`
	DataDir  string    `json:"data_dir"`
}

// What is wrong with a file that should be a backup.
var (
	errDamaged = errors.New("the backup is damaged or not complete; nothing was changed")
	errNewer   = errors.New("the backup is of a newer posthouse; nothing was changed")
)

// packer is a backup that is being written.
type packer struct {
	tar  *tar.Writer
	made time.Time
	sums bytes.Buffer
}

func newArchive(w io.Writer, m manifest) (*packer, error) {
	a := &packer{tar: tar.NewWriter(w), made: m.Made}
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return nil, err
	}
	return a, a.file(manifestName, append(b, '\n'))
}

// file adds an entry.
func (a *packer) file(name string, content []byte) error {
	return a.copy(name, bytes.NewReader(content), int64(len(content)))
}

// copy adds an entry of so many bytes.
func (a *packer) copy(name string, from io.Reader, size int64) error {
	if err := a.tar.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Mode: 0o600, Size: size, ModTime: a.made.Truncate(time.Second)}); err != nil {
		return err
	}
	sum := sha256.New()
	if _, err := io.CopyN(io.MultiWriter(a.tar, sum), from, size); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	fmt.Fprintf(&a.sums, "%x  %s\n", sum.Sum(nil), name)
	return nil
}

// close writes the checksums, which say that all of it is there.
func (a *packer) close() error {
	sums := bytes.Clone(a.sums.Bytes())
	return errors.Join(a.file(checksumsName, sums), a.tar.Close())
}

// chunks writes a stream of unknown length as entries name/000001 and so on.
type chunks struct {
	a    *packer
	name string
	n    int
	buf  []byte
}

func (c *chunks) Write(p []byte) (int, error) {
	for rest := p; len(rest) > 0; {
		n := min(len(rest), chunkSize-len(c.buf))
		c.buf, rest = append(c.buf, rest[:n]...), rest[n:]
		if len(c.buf) == chunkSize {
			if err := c.flush(); err != nil {
				return 0, err
			}
		}
	}
	return len(p), nil
}

func (c *chunks) flush() error {
	if len(c.buf) == 0 {
		return nil
	}
	c.n++
	err := c.a.file(fmt.Sprintf("%s/%06d", c.name, c.n), c.buf)
	c.buf = c.buf[:0]
	return err
}

// readArchive reads a backup to its end, calls put for each entry in between, and returns
// an error if it is not complete: then nothing that put got may be used.
func readArchive(r io.Reader, put func(m *manifest, name string, content io.Reader) error) (*manifest, error) {
	in := tar.NewReader(r)
	m, first, err := readManifest(in)
	if err != nil {
		return nil, err
	}
	sums := []string{first}
	for len(sums) < maxEntries {
		h, err := in.Next()
		if err != nil {
			return nil, fmt.Errorf("%w: it ends too early (%w)", errDamaged, noEOF(err))
		}
		if h.Typeflag != tar.TypeReg || !isInside(h.Name) {
			return nil, fmt.Errorf("%w: it has an entry %q", errDamaged, h.Name)
		}
		if h.Name == checksumsName {
			return m, compare(in, h.Size, sums)
		}
		sum := sha256.New()
		content := &tee{in, sum, nil}
		err = put(m, h.Name, content)
		if err == nil {
			_, err = io.Copy(io.Discard, content)
		}
		switch {
		case content.err != nil:
			return nil, fmt.Errorf("%w: %s (%w)", errDamaged, h.Name, content.err)
		case err != nil:
			return nil, err
		}
		sums = append(sums, fmt.Sprintf("%x  %s", sum.Sum(nil), h.Name))
	}
	return nil, fmt.Errorf("%w: it has more than %d entries", errDamaged, maxEntries)
}

// readManifest reads the first entry, and returns its line of the checksums, too.
func readManifest(in *tar.Reader) (*manifest, string, error) {
	h, err := in.Next()
	if err != nil || h.Name != manifestName || h.Typeflag != tar.TypeReg || h.Size > maxSmall {
		return nil, "", fmt.Errorf("this is no backup of posthouse, or it is damaged at its very beginning")
	}
	b, err := io.ReadAll(in)
	if err != nil {
		return nil, "", fmt.Errorf("%w: %w", errDamaged, noEOF(err))
	}
	var m manifest
	if err := json.Unmarshal(b, &m); err != nil || m.Format < 1 {
		return nil, "", fmt.Errorf("%w: its manifest is not readable", errDamaged)
	}
	if m.Format > archiveFormat {
		return nil, "", fmt.Errorf("%w (%s): install that one, and restore with it", errNewer, m.Version)
	}
	return &m, fmt.Sprintf("%x  %s", sha256.Sum256(b), manifestName), nil
}

// compare compares the checksums of what was read with the last entry.
func compare(r io.Reader, size int64, sums []string) error {
	if size > maxSmall {
		return fmt.Errorf("%w: its list of checksums is too long", errDamaged)
	}
	b, err := io.ReadAll(r)
	if err != nil {
		return fmt.Errorf("%w: it ends too early (%w)", errDamaged, noEOF(err))
	}
	listed := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
	for i, line := range sums {
		if i >= len(listed) || listed[i] != line {
			_, name, _ := strings.Cut(line, "  ")
			return fmt.Errorf("%w: the checksum of %s does not fit", errDamaged, name)
		}
	}
	if !slices.Equal(listed, sums) {
		return fmt.Errorf("%w: something that it lists is missing", errDamaged)
	}
	return nil
}

// tee hashes what is read, and keeps a read error, to tell it from a write error.
type tee struct {
	from io.Reader
	sum  hash.Hash
	err  error
}

func (t *tee) Read(p []byte) (int, error) {
	n, err := t.from.Read(p)
	t.sum.Write(p[:n])
	if err != nil && !errors.Is(err, io.EOF) {
		t.err = err
	}
	return n, err
}

// noEOF turns an io.EOF in the wrong place into io.ErrUnexpectedEOF.
func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// isInside tells whether an entry's name stays within the folder that it is unpacked into.
func isInside(name string) bool {
	return name != "" && path.Clean("/"+name) == "/"+name && !strings.ContainsAny(name, "\\\x00\n")
}
