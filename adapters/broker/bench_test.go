package broker

import (
	"testing"

	"posthouse/bridge/link"
)

func BenchmarkDecode(b *testing.B) {
	c := testCodec(b)
	p := packet{payload: []byte(`{"id":"4f2a","from":"N0QRA-7","to":"N0QRB-9","text":"a text of about a hundred bytes, which is what a station on a mesh writes at one go, more or less"}`)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.decode(p); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	for name, change := range map[string]func(*MeshOptions){
		"default":  func(*MeshOptions) {},
		"template": func(o *MeshOptions) { o.ToTemplate = `{"g":{{json .Via}},"to":{{json .To}},"t":{{json .Text}}}` },
	} {
		b.Run(name, func(b *testing.B) {
			c := testCodec(b, change)
			f := link.Frame{Message: text("hello"), Text: "hello", ID: "4f2a9"}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := c.encode(f); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
