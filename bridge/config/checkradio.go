package config

import (
	"strconv"
	"strings"

	"posthouse/bridge/airtime"
)

// Radio gives the settings of the mesh's radio; ok is false when none are set
// and sending is not paced.
func (m *Mesh) Radio() (p airtime.Params, ok bool) {
	cr, _ := airtime.ParseCR(m.CR) // Load has refused a wrong one
	return airtime.Params{SF: m.SF, BW: m.BW, CR: cr, Preamble: m.Preamble}, m.SF != 0
}

// Limits gives the link's budget of airtime.
func (m *Mesh) Limits() airtime.Limits {
	return airtime.Limits{Airtime: m.Airtime, Reserve: m.Reserve, Duty: m.Duty, Repeats: m.Repeats}
}

func (l *loader) checkRadio(k *Link) {
	m := k.Mesh
	if m.SF == 0 {
		for _, set := range []struct {
			suffix string
			is     bool
		}{{"BW", m.BW != 0}, {"CR", m.CR != ""}, {"DUTY", m.Duty != 0}} {
			if set.is {
				l.fail(k.variable("SF"), "is missing, and "+k.variable(set.suffix)+" is set", "set all of SF, BW and CR, or none")
				return
			}
		}
		return
	}
	if l.checkRadioSet(k) {
		l.checkFrame(k)
	}
}

// checkRadioSet tells whether the radio's settings are such as a radio has.
func (l *loader) checkRadioSet(k *Link) bool {
	m := k.Mesh
	before := len(l.findings)
	if m.BW == 0 {
		l.missingRadio(k, "BW")
	}
	if m.CR == "" {
		l.missingRadio(k, "CR")
	} else if _, err := airtime.ParseCR(m.CR); err != nil {
		l.fail(k.variable("CR"), "is "+quote(m.CR), "write one of 4/5, 4/6, 4/7, 4/8")
	}
	if m.BW == 0 || m.CR == "" || len(l.findings) > before {
		return false
	}
	p, _ := m.Radio()
	if err := p.Validate(); err != nil {
		field, _, _ := strings.Cut(err.Error(), " ")
		_, advice, _ := strings.Cut(err.Error(), ": ")
		l.fail(k.variable(strings.ToUpper(field)), "is a setting that no radio has", advice)
		return false
	}
	return true
}

func (l *loader) missingRadio(k *Link, suffix string) {
	name := k.variable(suffix)
	if !l.blames(name) {
		l.fail(name, "is missing, and "+k.variable("SF")+" is set", "set all of SF, BW and CR, or none")
	}
}

// checkFrame looks at the largest frame that the settings allow.
func (l *loader) checkFrame(k *Link) {
	m := k.Mesh
	if m.OverheadBytes == 0 {
		l.warn(k.variable("OVERHEAD_BYTES"), "is 0, and every mesh adds a header: the computed time on air is too short", "write how many bytes the mesh adds to the text")
	}
	size := m.MaxBytes + m.OverheadBytes
	if size > airtime.MaxPayload {
		l.warn(k.variable("MAX_BYTES"), "with "+k.variable("OVERHEAD_BYTES")+" is more than the "+strconv.Itoa(airtime.MaxPayload)+" bytes of a LoRa frame",
			"write at most "+strconv.Itoa(airtime.MaxPayload-m.OverheadBytes))
		return
	}
	budget, err := airtime.New(m.Limits())
	if err != nil {
		l.fail(k.variable("AIRTIME"), "makes no budget: "+oneLine(err.Error()), "mend AIRTIME, RESERVE, DUTY or REPEATS")
		return
	}
	p, _ := m.Radio()
	if cost := p.TimeOnAir(size); budget.TooLong(cost) {
		l.warn(k.variable("MAX_BYTES"), "allows frames that cost more than the airtime budget less its reserve: such texts are refused as too long",
			"write a smaller MAX_BYTES, or raise "+k.variable("AIRTIME"))
	}
}
