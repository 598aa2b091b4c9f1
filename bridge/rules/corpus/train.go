package main

import (
	"bytes"
	_ "embed"
	"hash/fnv"
	"math"
	"os"
	"strings"
)

const (
	size       = 96      // as in rules/model.go
	foreign    = 95      //
	cap1       = 300_000 // bytes of one corpus that are learned from, so that none prevails
	upperShare = 0.2     // each text is also learned in capitals, as radio people write
	maxCost    = 64      // eighths of a nat: no single pair of characters says more
)

// radio is how radio people write in capitals: from memory and common practice,
// in no corpus.
//
//go:embed radio.txt
var radio string

// radioShare makes up for its shortness.
const radioShare = 40

// unlearned are languages that the model never sees: what it says of them
// shows how it judges languages that are in no corpus of ours.
var unlearned = []string{"hu", "fi", "tr", "vi", "eo", "ga", "sw", "af", "eu", "gd", "nl", "id", "irish", "wdutch", "wesperanto"}

// learned tells whether a paragraph is for training; the others are for measuring.
func learned(corpusName, paragraph string) bool {
	for _, u := range unlearned {
		if strings.HasSuffix(corpusName, "-"+u) || strings.Contains(corpusName, "-"+u+"_") {
			return false
		}
	}
	h := fnv.New32a()
	h.Write([]byte(paragraph))
	return h.Sum32()%2 == 0
}

// counts are weighted pairs of characters.
type counts [size][size]float64

func (c *counts) add(text string, weight float64) {
	prev := 0
	for i := 0; i < len(text); i++ {
		switch ch := text[i]; {
		case ch <= ' ' || ch == 0x7F:
			prev = 0
		case ch >= 0x80:
			prev = foreign
		default:
			c[prev][ch-' '] += weight
			prev = int(ch - ' ')
		}
	}
}

func class(i int) int {
	switch ch := byte(i) + ' '; {
	case i == 0:
		return 0
	case i == foreign, ch >= 'a' && ch <= 'z':
		return 1
	case ch >= 'A' && ch <= 'Z':
		return 2
	case ch >= '0' && ch <= '9':
		return 3
	}
	return 4
}

// train writes the model that rules embeds.
func train(list []corpus, file string) error {
	var c counts
	c.add(radio, radioShare)
	for _, co := range list {
		n := 0
		for _, p := range co.text {
			if n > cap1 {
				break
			}
			if learned(co.name, p) {
				n += len(p)
				c.add(p, 1)
				c.add(strings.ToUpper(p), upperShare)
			}
		}
	}
	return os.WriteFile(file, c.model(), 0o644)
}

// model turns counts into costs: pairs seen, backed off to the pair's classes.
func (c *counts) model() []byte {
	var classes [5][5]float64
	var single, rows [size]float64
	var classTotal, classRow [5]float64
	for i := range c {
		for j := 1; j < foreign; j++ {
			n := c[i][j] + 0.01
			classes[class(i)][class(j)] += n
			classRow[class(i)] += n
			single[j] += n
			classTotal[class(j)] += n
			rows[i] += c[i][j]
		}
	}
	var out bytes.Buffer
	for i := range c {
		types := 0.0
		for j := range c[i] {
			if c[i][j] >= 1 {
				types++
			}
		}
		k := 4*types + 10
		for j := range c[i] {
			cost := 0.0
			if j > 0 && j < foreign {
				back := classes[class(i)][class(j)] / classRow[class(i)] * single[j] / classTotal[class(j)]
				cost = -8 * math.Log((c[i][j]+k*back)/(rows[i]+k))
			}
			out.WriteByte('!' + byte(min(math.Round(cost), maxCost)))
		}
		out.WriteByte('\n')
	}
	return out.Bytes()
}
