package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
	"time"
)

// result is what came of one load through one target. Times are milliseconds,
// memory is MiB.
type result struct {
	Target  string  `json:"target"`
	Texts   int     `json:"texts"`
	Senders int     `json:"senders"`
	Rate    float64 `json:"offered_per_s,omitempty"`
	Direct  bool    `json:"direct,omitempty"`
	Builtin bool    `json:"builtin,omitempty"`
	Kills   int     `json:"kills,omitempty"`

	Confirmed  int     `json:"confirmed"`
	Arrived    int     `json:"arrived"`
	Lost       int     `json:"lost"` // confirmed, and never arrived
	Duplicates int     `json:"duplicates"`
	PerSecond  float64 `json:"arrived_per_s"`
	Accepted   float64 `json:"confirmed_per_s"`
	P50        float64 `json:"p50_ms"`
	P99        float64 `json:"p99_ms"`
	Max        float64 `json:"max_ms"`

	Receipts   int     `json:"receipts,omitempty"`
	ReceiptP50 float64 `json:"receipt_p50_ms,omitempty"`
	ReceiptP99 float64 `json:"receipt_p99_ms,omitempty"`

	FillPerSecond float64 `json:"fill_per_s,omitempty"`
	QueuedAnon    float64 `json:"queued_anon_mib,omitempty"`
	QueuedRSS     float64 `json:"queued_rss_mib,omitempty"`
	QueuedGrowth  float64 `json:"queued_anon_growth_mib,omitempty"`
	StartWarm     float64 `json:"start_warm_ms,omitempty"`
	StartCold     float64 `json:"start_cold_ms,omitempty"`
	StartDone     float64 `json:"start_finished_ms,omitempty"` // once all are delivered

	Anon    float64 `json:"anon_mib"`
	Peak    float64 `json:"peak_rss_mib"`
	CPU     float64 `json:"cpu_us_per_text"`
	Written float64 `json:"written_bytes_per_text"`
	Commits float64 `json:"commits_per_text,omitempty"`
	Device  float64 `json:"device_bytes_per_text"` // of the whole device, whoever wrote
}

func newResult(target string, o options) result {
	return result{Target: target, Texts: o.texts, Senders: o.senders, Rate: o.rate, Direct: o.direct, Builtin: o.builtin && target == daemon, Kills: o.kills}
}

// fill takes over the tally; the texts began to flow at begun.
func (r *result) fill(t *tally, begun int64) {
	r.Confirmed, r.Arrived, r.Receipts = count(t.confirmed), count(t.arrived), count(t.receipts)
	r.Lost, r.Duplicates = t.missing(false), t.duplicates()
	if span := time.Duration(t.lastArrival.Load() - begun); span > 0 {
		r.PerSecond = round(float64(r.Arrived) / span.Seconds())
	}
	if last := latest(t.confirmed); last > begun {
		r.Accepted = round(float64(r.Confirmed) / time.Duration(last-begun).Seconds())
	}
	way := t.since(t.arrived)
	r.P50, r.P99, r.Max = quantile(way, 0.5), quantile(way, 0.99), quantile(way, 1)
	back := t.since(t.receipts)
	r.ReceiptP50, r.ReceiptP99 = quantile(back, 0.5), quantile(back, 0.99)
}

// cost takes over what the carrier used; after a kill it is a new process, whose
// CPU time and bytes are not those of the whole load.
func (r *result) cost(before, after usage, device int64) {
	r.Anon, r.Peak = mib(after.anon), mib(after.hw)
	if r.Kills > 0 || r.Arrived == 0 {
		return
	}
	r.CPU = round(float64((after.cpu - before.cpu).Microseconds()) / float64(r.Arrived))
	r.Written = round(float64(after.written-before.written) / float64(r.Arrived))
	r.Device = round(float64(device) / float64(r.Arrived))
}

func round(f float64) float64    { return math.Round(f*10) / 10 }
func mib(kib int64) float64      { return round(float64(kib) / 1024) }
func ms(d time.Duration) float64 { return math.Round(float64(d)/1e4) / 100 }

// quantile gives the q-quantile by nearest rank.
func quantile(all []time.Duration, q float64) float64 {
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return ms(all[max(0, int(math.Ceil(q*float64(len(all))))-1)])
}

// report prints a line a run, the ratios to the peers, and everything once more
// as one line of JSON.
func report(w io.Writer, all []result) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(table, "target\tconfirmed\tarrived\tlost\tdup\ttexts/s\tp50 ms\tp99 ms\tmax ms\tanon MiB\tpeak MiB\tCPU us\tcommits\tdisk B\t")
	lost := 0
	for _, r := range all {
		fmt.Fprintf(table, "%s\t%d\t%d\t%d\t%d\t%g\t%g\t%g\t%g\t%g\t%g\t%g\t%g\t%g\t\n", r.Target, r.Confirmed, r.Arrived, r.Lost,
			r.Duplicates, r.PerSecond, r.P50, r.P99, r.Max, r.Anon, r.Peak, r.CPU, r.Commits, r.Written)
		if r.Target == daemon {
			lost += r.Lost
		}
	}
	table.Flush()
	more(w, all)
	ratios, idle := compare(all)
	for _, peer := range idle {
		fmt.Fprintf(w, "against %s: no ratio, it delivered nothing\n", peer)
	}
	for _, c := range ratios {
		fmt.Fprintf(w, "against %s: %.2f times the rate, %.2f times the p50, %.2f times the p99\n", c.Peer, c.Rate, c.P50, c.P99)
	}
	line, err := json.Marshal(map[string]any{"results": all, "ratios": ratios})
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "%s\n", line)
	if lost > 0 {
		return fmt.Errorf("%d confirmed texts were lost", lost)
	}
	return nil
}

// more prints what only some loads have.
func more(w io.Writer, all []result) {
	for _, r := range all {
		if r.Direct {
			fmt.Fprintf(w, "%s: %d receipts back, p50 %g ms, p99 %g ms\n", r.Target, r.Receipts, r.ReceiptP50, r.ReceiptP99)
		}
		if r.FillPerSecond > 0 {
			fmt.Fprintf(w, "%s: %d queued at %g/s: %g MiB anonymous, %g MiB resident\n", r.Target, r.Texts, r.FillPerSecond, r.QueuedAnon, r.QueuedRSS)
		}
	}
}

// comparison is the daemon in relation to a peer, by the medians of the runs.
type comparison struct {
	Peer string  `json:"peer"`
	Rate float64 `json:"rate"`
	P50  float64 `json:"p50"`
	P99  float64 `json:"p99"`
}

// compare leaves out the peers that delivered nothing; idle names them.
func compare(all []result) (out []comparison, idle []string) {
	by := map[string][]result{}
	var peers []string
	for _, r := range all {
		if by[r.Target] == nil && r.Target != daemon {
			peers = append(peers, r.Target)
		}
		by[r.Target] = append(by[r.Target], r)
	}
	ratio := func(peer string, of func(result) float64) float64 {
		return math.Round(100*median(by[daemon], of)/median(by[peer], of)) / 100
	}
	for _, p := range peers {
		if median(by[p], perSecond) == 0 {
			idle = append(idle, p)
			continue
		}
		out = append(out, comparison{Peer: p, Rate: ratio(p, perSecond), P50: ratio(p, p50), P99: ratio(p, p99)})
	}
	return out, idle
}

func median(runs []result, of func(result) float64) float64 {
	values := make([]float64, len(runs))
	for i, r := range runs {
		values[i] = of(r)
	}
	slices.Sort(values)
	return values[len(values)/2]
}
