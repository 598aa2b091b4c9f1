package rules

import (
	_ "embed"
	"strings"
)

// The model of ordinary text: how surprising each printable ASCII character is
// behind each other one. It is learned from many languages by the command in
// corpus, which also says from which texts.
//
//go:embed model.txt
var modelText string

const (
	modelSize  = 96 // contexts and characters: 0 the start of a word, 1..94 '!'..'~', 95 any letter beyond ASCII
	wordStart  = 0
	foreign    = 95
	nat        = 8   // costs are in eighths of a nat
	modelShift = '!' // the character of the cost 0 in model.txt
)

var model = readModel(modelText)

// readModel reads a line for each context and a character for each cost.
func readModel(text string) *[modelSize][modelSize]int32 {
	var m [modelSize][modelSize]int32
	for i, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		for j := 0; j < len(line) && i < modelSize && j < modelSize; j++ {
			m[i][j] = int32(line[j] - modelShift)
		}
	}
	return &m
}
