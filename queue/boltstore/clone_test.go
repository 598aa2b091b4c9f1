package boltstore

import (
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/queue"
)

// drawInto fills a value of any type at random: a field that is added to a record
// is drawn, too, so that a clone that forgets it is found out.
func drawInto(t *rapid.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			if rapid.Bool().Draw(t, "known") {
				at := time.Now().Add(time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "time")))
				v.Set(reflect.ValueOf(at.In(time.FixedZone("", 3600)))) // with a monotonic reading
			}
			return
		}
		for i := range v.NumField() {
			drawInto(t, v.Field(i))
		}
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "there") {
			v.Set(reflect.New(v.Type().Elem()))
			drawInto(t, v.Elem())
		}
	case reflect.Slice:
		if n := rapid.IntRange(-1, 2).Draw(t, "n"); n >= 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n+1))
		}
		for i := range v.Len() {
			drawInto(t, v.Index(i))
		}
	case reflect.Array:
		for i := range v.Len() {
			drawInto(t, v.Index(i))
		}
	case reflect.String:
		v.SetString(rapid.SampledFrom([]string{"", "N0QRA", "\xff\x00"}).Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "flag"))
	case reflect.Int, reflect.Int8, reflect.Int64:
		v.SetInt(int64(rapid.Int8().Draw(t, "int")))
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(uint64(rapid.Uint8().Draw(t, "uint")))
	case reflect.Float64:
		v.SetFloat(float64(rapid.Int16().Draw(t, "float")) / 8)
	default:
		t.Fatalf("a record has a %v now: teach clone, and this test, about it", v.Type())
	}
}

// memory collects where the pointers and slices of a value lead to.
func memory(v reflect.Value, at map[uintptr]bool) {
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			return // its zone is shared by all
		}
		for i := range v.NumField() {
			memory(v.Field(i), at)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			at[v.Pointer()] = true
			memory(v.Elem(), at)
		}
	case reflect.Slice:
		if v.Cap() > 0 {
			at[v.Pointer()] = true
		}
		for i := range v.Len() {
			memory(v.Index(i), at)
		}
	}
}

// TestClone: a clone is what the disk would give back, and lives by itself.
func TestClone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := new(queue.Record)
		drawInto(t, reflect.ValueOf(r).Elem())
		payload, err := encode(r)
		if err != nil {
			t.Fatal(err)
		}
		want, err := decode(r.Seq, payload)
		if err != nil {
			t.Fatal(err)
		}
		got := clone(r)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("clone of %+v:\n%+v, from the disk it is\n%+v", r, got, want)
		}
		of := map[uintptr]bool{}
		memory(reflect.ValueOf(r), of)
		own := map[uintptr]bool{}
		memory(reflect.ValueOf(got), own)
		for p := range own {
			if of[p] {
				t.Fatal("a clone shares memory with its original")
			}
		}
	})
}
