package airtime

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Params are the settings of a LoRa radio, as far as they decide how long a
// frame is on the air.
type Params struct {
	SF             int     // spreading factor, 5 to 12
	BW             float64 // bandwidth in kHz; the usual rounded values will do (7.8, 41.7)
	CR             int     // denominator of the coding rate: 5 for 4/5, to 8 for 4/8
	Preamble       int     // symbols of preamble as programmed, 1 to 65535
	ImplicitHeader bool    // the header is left out
	NoCRC          bool    // the payload has no CRC
	LDRO           LDRO    // low data rate optimisation
}

// MaxPayload is what a LoRa frame can carry, in bytes, a mesh's own header
// included.
const MaxPayload = 255

// longest is what a frame of unknown settings counts as: more than any budget
// has, so that a mistake ends in silence and not on the air.
const longest = 24 * time.Hour

// bandwidths are those of the SX127x and SX126x families: their usual name in
// kHz, and a quarter of the chip time in ns, which is a whole number for all of
// them (250e6/Hz: 10.4 stands for 31250/3 Hz).
var bandwidths = []struct {
	kHz     float64
	quarter time.Duration
}{
	{7.8125, 32000}, {10.4167, 24000}, {15.625, 16000}, {20.8333, 12000}, {31.25, 8000},
	{41.6667, 6000}, {62.5, 4000}, {125, 2000}, {250, 1000}, {500, 500},
}

// Validate names the field that is wrong, and what it may be.
func (p Params) Validate() error {
	switch {
	case p.SF < 5 || p.SF > 12:
		return fmt.Errorf("SF %d: the spreading factor is 5 to 12", p.SF)
	case p.quarterChip() == 0:
		return fmt.Errorf("BW %v: the bandwidth in kHz is one of %s", p.BW, bandwidthNames())
	case p.CR < 5 || p.CR > 8:
		return fmt.Errorf("CR %d: the coding rate is 4/5, 4/6, 4/7 or 4/8", p.CR)
	case p.Preamble < 1 || p.Preamble > 65535:
		return fmt.Errorf("preamble %d: the preamble is 1 to 65535 symbols, usually 8", p.Preamble)
	case p.LDRO > LDROOff:
		return fmt.Errorf("LDRO %d: low data rate optimisation is auto, on or off", p.LDRO)
	}
	return nil
}

func bandwidthNames() string {
	var names []string
	for _, b := range bandwidths {
		names = append(names, fmt.Sprint(math.Floor(b.kHz*100)/100))
	}
	return strings.Join(names, ", ")
}

// quarterChip is a quarter of 1/BW; 0 for a bandwidth that no chip has.
func (p Params) quarterChip() time.Duration {
	for _, b := range bandwidths {
		if math.Abs(p.BW-b.kHz) < b.kHz*0.005 {
			return b.quarter
		}
	}
	return 0
}

// Symbol is the time of one symbol: 2^SF/BW. It is 0 when p is not valid.
func (p Params) Symbol() time.Duration { return p.quarterSymbol() * 4 }

func (p Params) quarterSymbol() time.Duration {
	if p.SF < 5 || p.SF > 12 {
		return 0
	}
	return p.quarterChip() << p.SF
}

// BitRate is the rate of the payload in bit/s, without preamble and header:
// SF·BW/2^SF·4/CR. It is 0 when p is not valid.
func (p Params) BitRate() float64 {
	if p.Validate() != nil {
		return 0
	}
	return float64(p.SF) / p.Symbol().Seconds() * 4 / float64(p.CR)
}

// LowDataRate tells whether low data rate optimisation is in use: auto turns it
// on when a symbol takes longer than 16 ms, as both ends must (SX1276 data
// sheet, 4.1.1.6).
func (p Params) LowDataRate() bool {
	return p.LDRO == LDROOn || p.LDRO == LDROAuto && p.Symbol() > 16*time.Millisecond
}

// TimeOnAir is how long a frame with a payload of that many bytes is on the
// air. It is exact: each symbol of each setting is a whole number of
// nanoseconds. When p is not valid it is a day, which no budget allows.
func (p Params) TimeOnAir(payload int) time.Duration {
	if p.Validate() != nil {
		return longest
	}
	quarters := 4*p.Preamble + 17 // 4.25 symbols are added to the preamble
	if p.SF < 7 {
		quarters += 8 // 6.25
	}
	return time.Duration(quarters+4*p.payloadSymbols(max(payload, 0))) * p.quarterSymbol()
}

// payloadSymbols follows the SX1276 data sheet, 4.1.1.7, for SF7 and up, and the
// formula of the SX1261/2 for SF5 and SF6.
func (p Params) payloadSymbols(payload int) int {
	bits := 8*payload - 4*p.SF + 8
	bitsPerBlock := 4 * p.SF
	if !p.NoCRC {
		bits += 16
	}
	if !p.ImplicitHeader {
		bits += 20
	}
	switch {
	case p.SF < 7:
		bits -= 8
	case p.LowDataRate():
		bitsPerBlock -= 8
	}
	blocks := (max(bits, 0) + bitsPerBlock - 1) / bitsPerBlock
	return 8 + blocks*p.CR
}
