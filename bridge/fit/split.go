package fit

import (
	"strconv"
	"strings"
)

// chunk is the text of one part, without marks and number.
type chunk struct {
	text   string
	joined bool // goes on where the one before was cut, with no space between
}

func (c chunk) separator() string {
	if c.joined {
		return "+"
	}
	return " "
}

// number is how a part is numbered; a separator follows.
func number(k, n int) string { return strconv.Itoa(k) + "/" + strconv.Itoa(n) }

// care says what is kept whole if a part can hold it. It is given up step by
// step, before a text is refused for its number of parts.
type care int

const (
	keepWords care = iota
	keepAddresses
	keepNothing
)

// split cuts a text into the fewest chunks. marks is the room that each part
// needs for other things than number and text.
func split(text string, m Medium, marks int) ([]chunk, error) {
	var chunks []chunk
	clusters := segment(text)
	for c := keepWords; c <= keepNothing; c++ {
		var ok bool
		if chunks, ok = numbered(text, clusters, m.MaxBytes-marks, c); !ok {
			return nil, &TooLongError{MaxParts: m.MaxParts, MaxBytes: m.MaxBytes}
		}
		if m.MaxParts <= 0 || len(chunks) <= m.MaxParts {
			return chunks, nil
		}
	}
	return nil, &TooLongError{Parts: len(chunks), MaxParts: m.MaxParts, MaxBytes: m.MaxBytes}
}

// numbered splits for parts of room bytes. The number of parts is itself in
// each part, so it is tried with more and more digits.
func numbered(text string, clusters []cluster, room int, c care) (chunks []chunk, ok bool) {
	for digits, most := 1, 9; ; digits, most = digits+1, most*10+9 {
		rest := room - digits - len("/ ")
		if rest-digits < 1 {
			return nil, false
		}
		s := splitter{text: text, clusters: breakOversize(text, clusters, rest-digits), care: c}
		chunks, ok = s.cut(func(k int) int { return rest - len(strconv.Itoa(min(k, most))) })
		if !ok || len(chunks) <= most {
			return chunks, ok
		}
	}
}

type splitter struct {
	text     string
	clusters []cluster // closed by one that stands at the end of the text
	care     care
}

// cut takes the longest chunk each time: as the rooms never grow, no other way
// needs fewer. room(k) is the room of part k.
func (s *splitter) cut(room func(k int) int) (chunks []chunk, ok bool) {
	joined := false
	for at, end := 0, len(s.clusters)-1; at < end; {
		k := len(chunks) + 1
		to := s.next(at, room(k), room(k+1))
		if to == at {
			return nil, false
		}
		chunks = append(chunks, chunk{s.between(at, to), joined})
		joined = !s.clusters[to].space
		at = to
		if !joined {
			at++
		}
	}
	return chunks, true
}

// next says before which cluster the chunk that begins at one ends; at itself
// when not a single cluster has room.
func (s *splitter) next(at, room, nextRoom int) int {
	end := len(s.clusters) - 1
	full := at // the first cluster that has no room
	for full < end && s.clusters[full+1].start-s.clusters[at].start <= room {
		full++
	}
	if full == at || full == end || s.clusters[full].brk {
		return full
	}
	word := full
	for word > at && !s.clusters[word].brk {
		word--
	}
	if word > at && s.keeps(word, full, nextRoom) {
		return word
	}
	if s.clusters[full-1].space && !s.clusters[full].space && full-1 > at {
		return full - 1 // the cut swallows the space
	}
	return full
}

// keeps tells whether the word that begins at one cluster and goes on beyond
// another is to be moved into the next part as a whole.
func (s *splitter) keeps(word, full, room int) bool {
	if s.clusters[word].space {
		word++
	}
	size := func(end int) int { return s.clusters[end].start - s.clusters[word].start }
	end := full
	for end < len(s.clusters)-1 && !s.clusters[end].brk && size(end) <= room {
		end++
	}
	switch {
	case size(end) > room || s.care == keepNothing:
		return false
	case s.care == keepAddresses:
		return isAddress(s.between(word, end))
	}
	return true
}

func (s *splitter) between(from, to int) string {
	return s.text[s.clusters[from].start:s.clusters[to].start]
}

// isAddress tells whether a word is of no use when it is broken: a URL or a
// mail address.
func isAddress(word string) bool {
	return strings.Contains(word, "://") || strings.Contains(word, "www.") || strings.Contains(word, "@")
}
