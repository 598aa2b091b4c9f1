package main

import (
	"encoding/json"
	"fmt"
	"time"

	"posthouse/bridge/airtime"
)

type airtimeCmd struct {
	SF             int     `required:"" name:"sf" placeholder:"12" help:"Spreading factor, 5 to 12."`
	BW             float64 `required:"" name:"bw" placeholder:"125" help:"Bandwidth in kHz."`
	CR             string  `required:"" name:"cr" placeholder:"4/5" help:"Coding rate, 4/5 to 4/8."`
	Bytes          int     `required:"" placeholder:"40" help:"Payload of a frame in bytes, the mesh's own header included."`
	Preamble       int     `default:"8" help:"Preamble in symbols."`
	NoCRC          bool    `name:"no-crc" help:"The payload has no CRC."`
	ImplicitHeader bool    `help:"The LoRa header is left out."`
	LDRO           string  `name:"ldro" default:"auto" enum:"auto,on,off" help:"Low data rate optimisation: auto, on or off."`
	Budget         float64 `default:"10" help:"Percent of an hour that may be used."`
	JSON           bool    `name:"json" help:"Print JSON."`
}

// airtimeResult is the JSON form.
type airtimeResult struct {
	AirtimeMS float64 `json:"airtime_ms"`
	SymbolMS  float64 `json:"symbol_ms"`
	BitRate   float64 `json:"bit_rate"` // bit/s
	PerHour   int     `json:"per_hour"` // messages that the budget lets through
	LDRO      bool    `json:"ldro"`
}

// Run computes and prints.
func (c airtimeCmd) Run(s streams) error {
	p, err := c.params()
	if err != nil {
		return fail(exitUsage, err)
	}
	on := p.TimeOnAir(c.Bytes)
	r := airtimeResult{
		AirtimeMS: ms(on), SymbolMS: ms(p.Symbol()), BitRate: p.BitRate(), LDRO: p.LowDataRate(),
		PerHour: int(float64(time.Hour) * c.Budget / 100 / float64(on)),
	}
	if c.JSON {
		return fail(exitDisk, json.NewEncoder(s.out).Encode(r))
	}
	ldro := "off"
	if r.LDRO {
		ldro = "on"
	}
	_, err = fmt.Fprintf(s.out, "time on air  %.3f ms\nsymbol       %.3f ms\nbit rate     %.2f bit/s\nan hour      %d frames of %d bytes at %g %%\nlow data rate optimisation  %s\n",
		r.AirtimeMS, r.SymbolMS, r.BitRate, r.PerHour, c.Bytes, c.Budget, ldro)
	return fail(exitDisk, err)
}

// params checks the words of the command line.
func (c airtimeCmd) params() (airtime.Params, error) {
	cr, err := airtime.ParseCR(c.CR)
	if err != nil {
		return airtime.Params{}, err
	}
	p := airtime.Params{SF: c.SF, BW: c.BW, CR: cr, Preamble: c.Preamble, NoCRC: c.NoCRC, ImplicitHeader: c.ImplicitHeader}
	if err := p.LDRO.UnmarshalText([]byte(c.LDRO)); err != nil {
		return p, err
	}
	switch {
	case c.Bytes < 0 || c.Bytes > airtime.MaxPayload:
		return p, fmt.Errorf("--bytes %d: a LoRa frame carries 0 to %d bytes", c.Bytes, airtime.MaxPayload)
	case !(c.Budget > 0 && c.Budget <= 100):
		return p, fmt.Errorf("--budget %g: write a percentage above 0, at most 100", c.Budget)
	}
	return p, p.Validate()
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
