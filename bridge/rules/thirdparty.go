package rules

import (
	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// thirdPartyAPRS keeps texts of people without a call sign off APRS, where
// other people's stations transmit them under their own licences.
var thirdPartyAPRS = outRule{
	code:       link.CodeThirdParty,
	regulation: "ITU RR 25.3, 47 CFR 97.115",
	broken: func(m *message.Message, out *Out) string {
		if out.Kind == "aprs" && !out.ThirdParty && ThirdParty(m) {
			return "no texts of unlicensed people on APRS"
		}
		return ""
	},
}

// thirdPartyAbroad keeps such texts from radio in another country, unless the
// operator allows it; which pairs of countries may is for the operator to know.
// Mail leaves by internet. An emergency is what RR 25.3 itself excepts.
var thirdPartyAbroad = outRule{
	code:       link.CodeThirdParty,
	regulation: "ITU RR 25.3, 47 CFR 97.115(a)(2)",
	broken: func(m *message.Message, out *Out) string {
		if out.Kind == "mail" || out.ThirdParty || !ThirdParty(m) || m.Precedence == message.Emergency {
			return ""
		}
		home, there := out.Home, out.Country
		if home == "" {
			home = country(out.Own)
		}
		if there == "" {
			there = country(m.To)
		}
		if there == "" && out.Kind == "mesh" {
			return "" // the gateway's own transmitter, and a group
		}
		if there != home {
			return "no texts of unlicensed people across a border"
		}
		return ""
	},
}

// country gives the state of a call sign, empty for anything else.
func country(call string) string {
	c, err := callsign.ParseLong(call)
	if err != nil {
		return ""
	}
	iso, _ := c.Country()
	return iso
}
