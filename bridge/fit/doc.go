// Package fit makes any text fit a medium: its charset, its forbidden
// characters, its frame size. It is pure: no I/O, no clock.
//
// Fit returns the frames of a text. A text that fits into one frame is not changed. A
// longer one is split between words into as few parts as possible, and each part begins
// with its number, within the limit:
//
//	1/3 The bridge at the mill is gone, use the road over the ridge,
//	2/3 the one with the new surface. Next report at 1600Z from the
//	3/3 school.
//
// The character after the number says what was between this part and the one before: a
// blank (one space, which the split removed) or a plus (nothing: the text was cut inside a
// word).
//
//	1/2 Donaudampfschifffahrtselektrizitaetenhauptbetriebswerkbauunterb
//	2/2+eamtengesellschaft
//
// So Join can restore the text exactly from the parts alone. No space that matters is at
// the end of a frame, where a medium may drop it. Marks (Mark) are repeated at the
// beginning and the end of every part; the number comes after the mark in front.
//
// Where a split may be:
//   - before white space, and beside the wide characters of Chinese, Japanese
//     and Korean where Unicode's line breaking (UAX 14) allows it;
//   - inside a word only when a part alone cannot hold it; a URL or a mail
//     address is a word like any other here, so it stays whole if a part can
//     hold it;
//   - when the text would else be refused for its number of parts: inside words,
//     and as a last resort inside addresses;
//   - never inside a grapheme cluster (what a person calls a character, UAX 29),
//     unless that alone is longer than a part.
//
// A 200-byte ASCII text costs 0.3 µs of CPU time and one allocation when it fits
// in a frame, 4 µs in four parts; German 1.1 µs in a frame, 7 to 8 µs in parts
// (BenchmarkFit, amd64, user time of one core).
package fit
