package config

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
)

// Prefix begins the name of every variable.
const Prefix = "POSTHOUSE_"

// variable is one row of the table: a field and what its tags say.
type variable struct {
	name  string // behind the prefix: DATA_DIR
	tag   reflect.StructTag
	field reflect.Value
}

// table lists the variables of a struct, in the order of its fields.
func table(ptr any) []variable {
	v := reflect.ValueOf(ptr).Elem()
	var rows []variable
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Tag.Get("ignored") != "" || f.Tag.Get("desc") == "" {
			continue // Name, and the struct of each kind
		}
		rows = append(rows, variable{words(f.Name), f.Tag, v.Field(i)})
	}
	return rows
}

// linkTable lists the variables that a link of a kind has: those of every link,
// then its own. It makes the struct of the kind if there is none yet.
func linkTable(l *Link, kind string) []variable {
	rows := slices.DeleteFunc(table(l), func(v variable) bool {
		kinds := v.tag.Get("kinds")
		return kinds != "" && !slices.Contains(strings.Split(kinds, ","), kind)
	})
	return append(rows, kindTable(l, kind)...)
}

// kindTable lists the variables that only links of this kind have.
func kindTable(l *Link, kind string) []variable {
	v := reflect.ValueOf(l).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Tag.Get("kinds") != kind || f.Type.Kind() != reflect.Pointer {
			continue
		}
		if v.Field(i).IsNil() {
			v.Field(i).Set(reflect.New(f.Type.Elem()))
		}
		return table(v.Field(i).Interface())
	}
	return nil
}

// linkPrefix begins the names of a link's variables.
func linkPrefix(name string) string { return Prefix + strings.ToUpper(name) + "_" }

var (
	wordStart = regexp.MustCompile(`([a-z0-9])([A-Z])`)
	acronym   = regexp.MustCompile(`([A-Z])([A-Z][a-z])`)
)

// words turns a field's name into a variable's: HTTPListen, HTTP_LISTEN.
func words(field string) string {
	s := wordStart.ReplaceAllString(field, "${1}_$2")
	return strings.ToUpper(acronym.ReplaceAllString(s, "${1}_$2"))
}

func (v variable) desc() string      { return v.tag.Get("desc") }
func (v variable) required() bool    { return v.tag.Get("required") != "" }
func (v variable) oneof() string     { return v.tag.Get("oneof") }
func (v variable) emptyMeans() bool  { return v.tag.Get("empty") != "" }
func (v variable) inInit() bool      { return v.tag.Get("init") != "" }
func (v variable) hasUserinfo() bool { return v.tag.Get("userinfo") != "" }

func (v variable) secret() bool { return v.field.Type() == reflect.TypeFor[Secret]() }

// def gives the default for a link of this name and kind (both empty for the
// gateway-wide variables). "$NAME" stands for a gateway-wide variable's value.
func (v variable) def(name, kind string) string {
	s, ok := v.tag.Lookup("default_" + kind)
	if !ok {
		s = v.tag.Get("default")
	}
	return strings.ReplaceAll(s, "<name>", name)
}

// inherits gives the name of the gateway-wide variable whose value is the
// default, or the empty string.
func (v variable) inherits(kind string) string {
	name, ok := strings.CutPrefix(v.def("", kind), "$")
	if !ok {
		return ""
	}
	return name
}
