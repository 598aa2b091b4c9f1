package main

import (
	"fmt"
	"math/big"
	"mime/quotedprintable"
	"net/url"
	"strings"

	"golang.org/x/text/encoding/charmap"
)

// apart are encodings that the rules have no alphabet for, or another one: what
// the measurement says of them shows how the rules judge what nobody thought of.
var apart = []encoding{
	{"base58", func(b []byte) string {
		return digitsOf(b, "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz")
	}},
	{"base62", func(b []byte) string {
		return digitsOf(b, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
	}},
	{"base36", func(b []byte) string { return digitsOf(b, "0123456789abcdefghijklmnopqrstuvwxyz") }},
	{"base36 upper", func(b []byte) string { return digitsOf(b, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") }},
	{"base26", func(b []byte) string { return digitsOf(b, "abcdefghijklmnopqrstuvwxyz") }},
	{"base26 upper", func(b []byte) string { return digitsOf(b, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") }},
	{"base52", func(b []byte) string { return digitsOf(b, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ") }},
	{"base16 in letters", func(b []byte) string {
		return eachByte(b, func(v byte) string { return string([]byte{'a' + v>>4, 'a' + v&15}) })
	}},
	{"base10", func(b []byte) string { return digitsOf(b, "0123456789") }},
	{"base45", base45},
	{"base91", base91},
	{"base94", func(b []byte) string { return digitsOf(b, between('!', '~')) }},
	{"base32 Crockford", func(b []byte) string { return digitsOf(b, "0123456789ABCDEFGHJKMNPQRSTVWXYZ") }},
	{"z-base-32", func(b []byte) string { return digitsOf(b, "ybndrfg8ejkmcpqxot1uwisza345h769") }},
	{"percent", func(b []byte) string { return url.QueryEscape(string(b)) }},
	{"percent, each", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("%%%02X", v) }) }},
	{"quoted-printable", quotedPrintable},
	{"bytes in C", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("0x%02x, ", v) }) }},
	{"escapes", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("\\x%02x", v) }) }},
	{"colon pairs", func(b []byte) string {
		return strings.TrimSuffix(eachByte(b, func(v byte) string { return fmt.Sprintf("%02x:", v) }), ":")
	}},
	{"hyphen pairs", func(b []byte) string {
		return strings.TrimSuffix(eachByte(b, func(v byte) string { return fmt.Sprintf("%02X-", v) }), "-")
	}},
	{"hex pairs", func(b []byte) string {
		return strings.TrimSuffix(eachByte(b, func(v byte) string { return fmt.Sprintf("%02x ", v) }), " ")
	}},
	{"decimal bytes", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("%d ", v) }) }},
	{"octal bytes", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("%03o ", v) }) }},
	{"bits", func(b []byte) string { return eachByte(b, func(v byte) string { return fmt.Sprintf("%08b ", v) }) }},
	{"yEnc in Latin-1", func(b []byte) string { return yEnc(b, charmap.ISO8859_1) }},
	{"yEnc in CP437", func(b []byte) string { return yEnc(b, charmap.CodePage437) }},
}

func between(from, to byte) string {
	var b []byte
	for ch := from; ch <= to; ch++ {
		b = append(b, ch)
	}
	return string(b)
}

func eachByte(b []byte, put func(byte) string) string {
	var out strings.Builder
	for _, v := range b {
		out.WriteString(put(v))
	}
	return out.String()
}

// digitsOf writes bytes as one number in the digits of an alphabet.
func digitsOf(b []byte, alphabet string) string {
	n, base, digit := new(big.Int).SetBytes(b), big.NewInt(int64(len(alphabet))), new(big.Int)
	var out []byte
	for n.Sign() > 0 {
		n.DivMod(n, base, digit)
		out = append(out, alphabet[digit.Int64()])
	}
	return string(out)
}

// base45 is RFC 9285.
func base45(b []byte) string {
	const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
	var out []byte
	for len(b) > 0 {
		n := int(b[0])
		digits := 2
		if len(b) > 1 {
			n = n<<8 + int(b[1])
			digits = 3
		}
		for range digits {
			out = append(out, alphabet[n%45])
			n /= 45
		}
		b = b[digits-1:]
	}
	return string(out)
}

// base91 packs 13 or 14 bits into two characters (basE91, as published by its
// author).
func base91(b []byte) string {
	const alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789!#$%&()*+,./:;<=>?@[]^_`{|}~\""
	var out []byte
	bits, queue := 0, uint(0)
	for _, v := range b {
		queue |= uint(v) << bits
		if bits += 8; bits > 13 {
			val := queue & 8191
			if val > 88 {
				queue, bits = queue>>13, bits-13
			} else {
				val = queue & 16383
				queue, bits = queue>>14, bits-14
			}
			out = append(out, alphabet[val%91], alphabet[val/91])
		}
	}
	if bits > 0 {
		out = append(out, alphabet[queue%91])
		if bits > 7 || queue > 90 {
			out = append(out, alphabet[queue/91])
		}
	}
	return string(out)
}

func quotedPrintable(b []byte) string {
	var out strings.Builder
	w := quotedprintable.NewWriter(&out)
	w.Binary = true
	w.Write(b)
	w.Close()
	return out.String()
}

// yEnc adds 42 to each byte and escapes four of them, as on Usenet, read in an
// 8-bit character set.
func yEnc(b []byte, page *charmap.Charmap) string {
	var out strings.Builder
	for _, v := range b {
		if v += 42; v == 0 || v == '\n' || v == '\r' || v == '=' {
			out.WriteByte('=')
			v += 64
		}
		out.WriteRune(page.DecodeByte(v))
	}
	return out.String()
}
