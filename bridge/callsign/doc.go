// Package callsign reads amateur call signs: their shape by the ITU Radio
// Regulations (Article 19, 19.68 to 19.68A), the country by the table of
// allocation (Appendix 42), the SSID of AX.25 and the marks for portable
// operation.
//
// A string that Parse takes has one canonical form (Call.String): upper case,
// no SSID -0, portable marks kept. Look-alike letters of other scripts and
// hidden characters are refused, never repaired. Odd but real suffixes are
// taken. The package imports nothing of ours.
package callsign
