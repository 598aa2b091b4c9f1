package adaptertest

import (
	"bytes"
	"slices"
)

// longest is more than any adapter may hand on as one text (the largest mail is
// 64 KiB on the wire by default).
const longest = 64 << 10

// junk is what any stranger may send to any port.
func junk() [][]byte {
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	return [][]byte{
		{},
		{0},
		[]byte("\r\n\r\n\n\r"),
		all,
		[]byte("\xff\xfe\xc0\xaf\xed\xa0\x80"), // invalid UTF-8, overlong, a surrogate
		[]byte("{"),
		[]byte("null"),
		[]byte(`{"from":1,"to":[],"text":{}}`),
		[]byte(`{"from":"N0QRA-7","to":"N0QRB-9","text":"\ud800 \u0000"}`),
		bytes.Repeat([]byte("["), 100_000),
		bytes.Repeat([]byte("A"), 1<<20), // no line end in sight
		bytes.Repeat([]byte{0}, 1<<20),
		bytes.Repeat([]byte("\r\n"), 50_000),
		bytes.Repeat(all, 4096),
		[]byte("GET / HTTP/1.1\r\nHost: gateway.example\r\n\r\n"),
		[]byte("\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"), // TLS record and ClientHello (RFC 8446 sections 4.1.2, 5.1)
	}
}

func junkDoesNoHarm(r *rig) {
	r.need(r.peer.Junk != nil, "way to send junk")
	r.run()
	for _, b := range slices.Concat(junk(), r.kit.Junk) {
		r.peer.Junk(b)
		r.worksBothWays()
	}
	for _, m := range r.host.Offered() {
		if len(m.Text) > longest {
			r.Errorf("a text of %d bytes was handed on", len(m.Text))
		}
	}
}
