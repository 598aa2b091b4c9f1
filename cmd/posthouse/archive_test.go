package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// packed makes an archive of some entries, the queue in pieces.
func packed(t interface{ Fatal(...any) }, entries map[string]string, queue []byte) []byte {
	var out bytes.Buffer
	a, err := newArchive(&out, manifest{Format: archiveFormat, Version: "1.0.0", Callsign: "N0QRZ-10", Made: time.Unix(1e9, 0).UTC()})
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range entries {
		if err := a.file(name, []byte(content)); err != nil {
			t.Fatal(err)
		}
	}
	pieces := &chunks{a: a, name: partQueue}
	if _, err := pieces.Write(queue); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(pieces.flush(), a.close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// unpacked reads an archive to its end.
func unpacked(b []byte) (m *manifest, entries map[string]string, queue []byte, err error) {
	entries = map[string]string{}
	m, err = readArchive(bytes.NewReader(b), func(_ *manifest, name string, content io.Reader) error {
		b, err := io.ReadAll(content)
		if strings.HasPrefix(name, partQueue+"/") {
			queue = append(queue, b...)
		} else {
			entries[name] = string(b)
		}
		return err
	})
	return m, entries, queue, err
}

// A backup gives back what went in, and one that was cut or changed anywhere is
// told from it: no other content passes for whole.
func TestArchiveIsWholeOrNone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := map[string]string{partSettings: rapid.String().Draw(t, "settings"), partFiles + "POSTHOUSE_A_FILE": rapid.String().Draw(t, "file")}
		queue := bytes.Repeat([]byte(rapid.StringN(1, 50, -1).Draw(t, "queue")), rapid.SampledFrom([]int{1, 1000, 70000}).Draw(t, "times"))
		b := packed(t, in, queue)
		m, entries, q, err := unpacked(b)
		if err != nil || m.Callsign != "N0QRZ-10" || fmt.Sprint(entries) != fmt.Sprint(in) || !bytes.Equal(q, queue) {
			t.Fatalf("%+v, %v, %d of %d bytes of the queue, %v", m, entries, len(q), len(queue), err)
		}
		if _, _, _, err := unpacked(b[:rapid.IntRange(0, len(b)-2048).Draw(t, "cut")]); err == nil {
			t.Fatal("half a backup passes for a whole one")
		}
		at := rapid.IntRange(0, len(b)-1).Draw(t, "at")
		b[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		if _, entries, q, err := unpacked(b); err == nil && (fmt.Sprint(entries) != fmt.Sprint(in) || !bytes.Equal(q, queue)) {
			t.Fatalf("a flipped bit at %d of %d passes", at, len(b))
		}
	})
}

// A name in a backup never leads out of the folder that it is unpacked in.
func TestArchiveNamesStayInside(t *testing.T) {
	for name, want := range map[string]bool{
		"data/air/2026-11-25.jsonl": true, "queue/000001": true, "..hidden": true,
		"": false, "/etc/passwd": false, "../out": false, "data/../../out": false, "data//air": false, "data/": false, "a\x00b": false, `..\out`: false, ".": false, "..": false,
	} {
		if isInside(name) != want {
			t.Errorf("%q: %v", name, !want)
		}
	}
}
