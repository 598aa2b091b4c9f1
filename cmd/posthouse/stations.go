package main

import (
	"fmt"

	"posthouse/bridge/desk"
)

type stationsCmd struct {
	JSON bool `name:"json" help:"One JSON object a line."`
}

// Run lists who was heard, the latest first.
func (c stationsCmd) Run(s streams, environ env) error {
	out := newTable(s.out)
	defer out.flush()
	heard := 0
	_, err := list(environ, "stations", struct{}{}, func(st desk.Station) error {
		if c.JSON {
			return out.json(st)
		}
		heard++
		return printStation(out, st, heard == 1)
	})
	if err != nil || c.JSON {
		return err
	}
	if heard == 0 {
		out.line("Nobody was heard yet.")
	}
	return out.flush()
}

// printStation prints a station, below the names of the columns if it is the
// first.
func printStation(out *table, st desk.Station, first bool) error {
	const columns = "%-11s %-8s %-21s %6s %6s %6s %s"
	if first {
		out.line(columns, "STATION", "LINK", "LAST HEARD", "AGO", "SNR", "RSSI", "")
	}
	return out.line(columns, clip(st.Call, 11), clip(st.Link, 8), st.Moment.String(),
		desk.Brief(seconds(st.Ago)), figure("%.1f", st.SNR), figure("%.0f", st.RSSI), remark(st))
}

func figure(format string, f *float64) string {
	if f == nil {
		return "-"
	}
	return fmt.Sprintf(format, *f)
}

// remark says why texts cannot be sent to a station, or who else hears it.
func remark(s desk.Station) string {
	switch {
	case !s.Fresh:
		return "long ago"
	case !s.Answers:
		return "no texts yet"
	case s.Gateway != "":
		return "by " + s.Gateway
	}
	return ""
}
