package web

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
)

// A report comes as a file, on the span that was asked for; the log is read once.
func TestReportComesAsAFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newBusyDesk()
		p := newTestPage(t, d)
		for _, c := range []struct{ query, told, kind, name, holds string }{
			{"form=html&since=1999-12-31T20:00", "log 1999-12-31T20:00:00Z 2000-01-01T00:00:01Z true", "text/html; charset=utf-8", "N0QRZ-10-19991231T2000Z.html", "Köszönöm, 73"},
			{"form=csv&since=1999-12-31T20:00&until=1999-12-31T21:30", "log 1999-12-31T20:00:00Z 1999-12-31T21:30:00Z true", "text/csv; charset=utf-8", "N0QRZ-10-19991231T2000Z.csv", "id,accepted,"},
			{"form=json&since=1999-12-31T20:00", "log 1999-12-31T20:00:00Z 2000-01-01T00:00:01Z true", "application/json; charset=utf-8", "N0QRZ-10-19991231T2000Z.json", `"summary"`},
		} {
			w := request(p, "GET", "/report?"+c.query, nil)
			h := w.Header()
			if told := d.wasTold(); w.Code != 200 || told != c.told {
				t.Errorf("%s: %d, the desk was asked for %q, want %q", c.query, w.Code, told, c.told)
			}
			if h.Get("Content-Type") != c.kind || h.Get("Content-Disposition") != `attachment; filename="`+c.name+`"` || !strings.Contains(w.Body.String(), c.holds) {
				t.Errorf("%s: %v\n%s", c.query, h, w.Body)
			}
		}
		for query, want := range map[string]string{
			"form=html": "is no time", "form=html&since=yesterday": "is no time", "form=html&since=1999-12-31T20:00&until=x": "is no time",
			"form=html&since=1999-12-31T20:00&until=1999-12-31T20:00": "end before it begins", "form=html&since=2000-01-02T00:00": "end before it begins",
			"form=html&since=1999-11-01T00:00": "posthouse report --since 1999-11-01T00:00:00Z", "form=pdf&since=1999-12-31T20:00": `no report as "pdf"`,
		} {
			if w := request(p, "GET", "/report?"+query, nil); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), want) || d.wasTold() != "" {
				t.Errorf("%s: %d %s, want %q", query, w.Code, w.Body, want)
			}
		}
		p.reports <- struct{}{}
		if w := request(p, "GET", "/report?form=csv&since=1999-12-31T20:00", nil); w.Code != http.StatusServiceUnavailable || d.wasTold() != "" {
			t.Errorf("two reports at once: %d", w.Code)
		}
	})
}

// The figures of the plots have a value for each slot, and no link is named that
// is not paced.
func TestPlotsHaveAValueForEachSlot(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	var got dayPlots
	if err := json.Unmarshal(request(p, "GET", "/day", nil).Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	n := len(slots())
	if len(got.At) != n || len(got.In) != n || len(got.Out) != n || len(got.Lost) != n || len(got.Median) != n || len(got.Longest) != n || len(got.Air) != 1 || len(got.Air["valley"]) != n {
		t.Errorf("%+v", got)
	}
	at := n - 20
	if got.In[at] != 13 || got.Out[at] != 8 || got.Lost[at] != 2 || *got.Longest[at] != 540 || got.Air["valley"][at] != 10.5 || got.Median[0] != nil {
		t.Errorf("slot %d: in %d, out %d, lost %d, longest %v, air %v", at, got.In[at], got.Out[at], got.Lost[at], *got.Longest[at], got.Air["valley"][at])
	}
}
