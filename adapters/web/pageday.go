package web

import (
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"time"

	"posthouse/bridge/desk"
)

// dayView is the last day in tables: for those who cannot see the plots, or have
// no script for them.
type dayView struct {
	Links []linkDay
	Hours []hourDay // those with traffic, the latest first
	Paced bool      // some airtime was counted
}

// linkDay is what one link did; "" is the gateway's own.
type linkDay struct {
	Name string
	desk.Traffic
}

// hourDay is what passed in one hour of the clock.
type hourDay struct {
	At desk.Moment
	desk.Traffic
	Median, Longest *float64 // seconds; nil: nothing was confirmed
}

// newDay puts the slots of a day together; links are those of the settings.
func newDay(slots []desk.Slot, links []desk.LinkState, unsure bool) dayView {
	var v dayView
	var all, hour desk.Slot
	end := func() {
		t := hour.Total()
		if h := (hourDay{At: desk.Moment{At: hour.At, Unsure: unsure}, Traffic: t, Median: hour.Delays.Median()}); len(hour.Links) > 0 {
			if h.Median != nil {
				h.Longest = &hour.Delays.Max
			}
			v.Hours = append(v.Hours, h)
		}
	}
	for _, s := range slots {
		if at := s.At.UTC().Truncate(time.Hour); at != hour.At {
			end()
			hour = desk.Slot{At: at}
		}
		hour.Add(s)
		all.Add(s)
	}
	end()
	slices.Reverse(v.Hours)
	for _, l := range links {
		t := all.Links[l.Name]
		if t == nil {
			t = &desk.Traffic{}
		}
		v.Paced = v.Paced || l.Air != nil
		v.Links = append(v.Links, linkDay{l.Name, *t})
		delete(all.Links, l.Name)
	}
	for _, name := range slices.Sorted(maps.Keys(all.Links)) { // the gateway's own, and links of earlier settings
		v.Links = append(v.Links, linkDay{name, *all.Links[name]})
	}
	return v
}

// dayPlots are the columns of the plots, one value for each slot.
type dayPlots struct {
	At      []int64              `json:"at"` // seconds since 1970: where the slot ends
	In      []int                `json:"in"`
	Out     []int                `json:"out"`
	Lost    []int                `json:"lost"` // refused ones too
	Median  []*float64           `json:"median"`
	Longest []*float64           `json:"longest"`
	Air     map[string][]float64 `json:"air"` // percent of the time, for each link that is paced
}

// day gives the figures of the plots.
func (p *page) day(w http.ResponseWriter, _ *http.Request, _ *session) {
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(newDayPlots(p.desk.Day(), p.desk.Links())) // the reader may be gone: nobody left to tell
}

func newDayPlots(slots []desk.Slot, links []desk.LinkState) dayPlots {
	d := dayPlots{Air: map[string][]float64{}}
	for _, s := range slots {
		t := s.Total()
		d.At = append(d.At, s.At.Add(desk.SlotTime).Unix())
		d.In, d.Out, d.Lost = append(d.In, t.In), append(d.Out, t.Out), append(d.Lost, t.Lost+t.Refused)
		var longest *float64
		if s.Delays.N() > 0 {
			longest = &s.Delays.Max
		}
		d.Median, d.Longest = append(d.Median, s.Delays.Median()), append(d.Longest, longest)
		for _, l := range links {
			if l.Air == nil {
				continue
			}
			air := 0.0
			if of := s.Links[l.Name]; of != nil {
				air = of.Air
			}
			d.Air[l.Name] = append(d.Air[l.Name], round(100*air/desk.SlotTime.Seconds()))
		}
	}
	return d
}
