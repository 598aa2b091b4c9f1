package broker

import (
	"bytes"
	"encoding/json"
	"reflect"
	"testing"
)

// What is read is what encoding/json reads.
func FuzzReadJSON(f *testing.F) {
	for _, seed := range []string{
		`{"from":"N0QRA-7","to":"ALL","text":"a\"b\\"}`, ` { "a" : [ ] , "b":{ } , "c": -1.5e3 } `, `[1,[2,{"x":null}],true,false,"\u00e4"]`,
		`"x"`, "1\n", `null`, `{"a":1,"a":2}`, `{"\u0061":1,"a":2}`, `[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		got, err := readJSON(raw)
		if err != nil {
			return
		}
		d := json.NewDecoder(bytes.NewReader(bare(raw)))
		d.UseNumber()
		var want any
		if err := d.Decode(&want); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%q: got %#v, want %#v", raw, got, want)
		}
	})
}
