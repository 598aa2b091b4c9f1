package callsign

// The marks that Flags gives. None of them makes a call sign wrong.
const (
	FlagPlaceholder    = "placeholder"       // the documents' own call: never transmit it
	FlagReservedSuffix = "reserved-suffix"   // QO? to QU?, which reads like a Q code (RR 19.48)
	FlagDistressSuffix = "distress-suffix"   // SOS, XXX, TTT, which read like a distress or urgency signal (RR 19.47)
	FlagTooLong        = "too-long-for-ax25" // over six characters
)

// Flags gives what is odd about a call sign, nil for most.
func (c Call) Flags() []string {
	var flags []string
	if c.Base == Placeholder {
		flags = append(flags, FlagPlaceholder)
	}
	switch s := c.suffix(); {
	case len(s) == 3 && s[0] == 'Q' && s[1] >= 'O' && s[1] <= 'U':
		flags = append(flags, FlagReservedSuffix)
	case s == "SOS" || s == "XXX" || s == "TTT":
		flags = append(flags, FlagDistressSuffix)
	}
	if len(c.Base) > 6 {
		flags = append(flags, FlagTooLong)
	}
	return flags
}

// suffix gives the letters behind the last digit.
func (c Call) suffix() string {
	for i := len(c.Base) - 1; i >= 0; i-- {
		if isDigit(c.Base[i]) {
			return c.Base[i+1:]
		}
	}
	return ""
}
