package callsign

import (
	"errors"
	"strconv"
	"strings"
	"sync/atomic"
	"unicode"
	"unicode/utf8"
)

// Placeholder is the call sign that documents use for "put yours here". It has
// the shape of a call sign, and must never be transmitted.
const Placeholder = "N0CALL"

// What Parse says is wrong; each stands for itself in a notice.
var (
	ErrEmpty     = errors.New("empty")
	ErrCharacter = errors.New("character outside A-Z 0-9 / -")
	ErrNoCall    = errors.New("no call before the SSID")
	ErrSSID      = errors.New("SSID must be 0 to 15, no leading zero")
	ErrSlash     = errors.New("misplaced slash")
	ErrMark      = errors.New("portable mark longer than 4 characters")
	ErrTwoCalls  = errors.New("two calls, cannot tell which")
	ErrShape     = errors.New("not the shape of RR 19.68")
	ErrSeries    = errors.New("no ITU series starts like this")
)

const (
	maxMark  = 4  // of a portable mark: "VP2E", "QRP"
	maxInput = 40 // bytes that Parse looks at; the longest canonical form has 25
)

// Call is a call sign taken apart. The zero value is no call sign.
type Call struct {
	Base   string // what the licence says: upper case, no SSID, no marks
	SSID   int    // 0 to 15
	Before string // the host country's prefix, as in DL/N0CALL
	After  string // the mark after the call, as in N0CALL/P
}

// inUse is what the operator allows, one table for the process: whether a call
// sign is one must not depend on who asks.
var inUse atomic.Pointer[Table]

// Use puts a table in force for Parse, before what goes by it is read.
func Use(t Table) { inUse.Store(&t) }

func tableInUse() Table {
	if t := inUse.Load(); t != nil {
		return *t
	}
	return Table{}
}

// Parse reads a call sign of the shape and the series that the ITU knows, or
// that the table in use adds.
func Parse(s string) (Call, error) { return tableInUse().Parse(s) }

// ParseLong is Parse where another gateway may have admitted special event calls
// (Table.Long): in what it sends, they are call signs.
func ParseLong(s string) (Call, error) {
	t := tableInUse()
	t.Long = true
	return t.Parse(s)
}

// Table adds what the operator allows beyond the Radio Regulations' everyday
// shapes. The zero value adds nothing.
type Table struct {
	// Extra are starts that the ITU gave to nobody and that are heard on the air
	// nevertheless ("1A", "Z6"), in capitals, without the digit that follows.
	Extra []string
	// Long admits special event calls with up to eight characters behind the
	// digit (RR 19.68A).
	Long bool
}

// Parse reads a call sign. It trims spaces and turns to upper case, nothing
// else. The error is one of this package's.
func (t Table) Parse(s string) (Call, error) {
	var room [maxInput]byte
	up, err := clean(room[:0], s)
	if err != nil {
		return Call{}, err
	}
	var c Call
	call, ssid, has := strings.Cut(string(up), "-")
	if has {
		if call == "" {
			return Call{}, ErrNoCall
		}
		if c.SSID = parseSSID(ssid); c.SSID < 0 {
			return Call{}, ErrSSID
		}
	}
	if c.Before, c.Base, c.After, err = splitMarks(call); err != nil {
		return Call{}, err
	}
	if err := t.check(c.Base); err != nil {
		return Call{}, err
	}
	return c, nil
}

// clean appends the trimmed, upper-cased s to b. Only ASCII is cased and only
// ASCII space is trimmed: strings.ToUpper would turn a long s into an S.
func clean(b []byte, s string) ([]byte, error) {
	s = strings.Trim(s, " \t\r\n")
	if s == "" {
		return nil, ErrEmpty
	}
	for i := 0; i < len(s); i++ {
		ch := s[i]
		switch {
		case ch >= 'a' && ch <= 'z':
			ch -= 'a' - 'A'
		case ch >= 'A' && ch <= 'Z', ch >= '0' && ch <= '9', ch == '/', ch == '-':
		default:
			return nil, ErrCharacter
		}
		if i < maxInput {
			b = append(b, ch)
		}
	}
	if len(s) > maxInput {
		return nil, ErrShape
	}
	return b, nil
}

// Upper is strings.ToUpper, less the letters outside ASCII that would become a letter of
// it (ı, ſ): what is no call sign does not turn into somebody's.
func Upper(s string) string {
	return strings.Map(func(r rune) rune {
		if up := unicode.ToUpper(r); r < utf8.RuneSelf || up >= utf8.RuneSelf {
			return up
		}
		return r
	}, s)
}

// parseSSID gives -1 for what is no SSID.
func parseSSID(s string) int {
	switch {
	case len(s) == 1 && s[0] >= '0' && s[0] <= '9':
		return int(s[0] - '0')
	case len(s) == 2 && s[0] == '1' && s[1] >= '0' && s[1] <= '5':
		return 10 + int(s[1]-'0')
	}
	return -1
}

// splitMarks finds the call sign between its slashes.
func splitMarks(s string) (before, base, after string, err error) {
	first, rest, slash := strings.Cut(s, "/")
	if !slash {
		return "", s, "", nil
	}
	second, third, again := strings.Cut(rest, "/")
	switch {
	case first == "" || second == "" || again && (third == "" || strings.Contains(third, "/")):
		return "", "", "", ErrSlash
	case again:
		before, base, after = first, second, third
	case looksLikeCall(first) && looksLikeCall(second):
		return "", "", "", ErrTwoCalls
	case looksLikeCall(second):
		before, base = first, second
	default:
		base, after = first, second
	}
	if len(before) > maxMark || len(after) > maxMark {
		return "", "", "", ErrMark
	}
	return before, base, after, nil
}

// String gives the canonical form: DL/N0CALL/P-7.
func (c Call) String() string {
	if c.Before == "" && c.After == "" && c.SSID == 0 {
		return c.Base
	}
	var room [maxInput]byte
	b := room[:0]
	if c.Before != "" {
		b = append(append(b, c.Before...), '/')
	}
	b = append(b, c.Base...)
	if c.After != "" {
		b = append(append(b, '/'), c.After...)
	}
	if c.SSID != 0 {
		b = strconv.AppendInt(append(b, '-'), int64(c.SSID), 10)
	}
	return string(b)
}

// AX25 tells whether an AX.25 address can carry it: six characters at most and
// no portable mark.
func (c Call) AX25() bool {
	return len(c.Base) <= 6 && c.Before == "" && c.After == ""
}

// Base gives the base call sign of a canonical string, without SSID and marks,
// or the string itself if it is no call sign: a group, a mail address. It goes
// by the looks alone, so it holds for the calls of every Table. Accounts,
// permissions and block lists compare by Base.
func Base(s string) string {
	call := s
	if i := strings.IndexByte(s, '-'); i >= 0 {
		if parseSSID(s[i+1:]) < 0 {
			return s
		}
		call = s[:i]
	}
	_, base, _, err := splitMarks(call)
	if err != nil || !looksLikeCall(base) {
		return s
	}
	return base
}

// Same tells whether two canonical strings name the same licence, whatever
// their SSIDs and portable marks.
func Same(a, b string) bool { return Base(a) == Base(b) }
