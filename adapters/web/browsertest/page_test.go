package browsertest_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// life lets some things happen on the mesh.
func (g *gateway) life() {
	g.t.Helper()
	g.says(
		`{"from":"N0QRA-7","lat":46.52,"lon":-122.9,"snr":-7.5}`, `{"from":"N0QRB-9","lat":46.61,"lon":-122.7,"snr":3}`,
		`{"id":"1","from":"N0QRA-7","to":"N0QRX-1","text":"Are you there? The road from the north is open again."}`,
		`{"id":"2","from":"N0QRC-3","to":"POST","text":"EMERGENCY N0QRD-2 need two stretchers at the school"}`,
		`{"id":"3","from":"N0QRB-9","to":"POST","text":"N0QRX-1 Köszönöm, a very long word: `+strings.Repeat("abc", 25)+`"}`,
	)
}

func TestReaderSeesTheWholePage(t *testing.T) {
	t.Parallel()
	g := startGateway(t)
	b := openBrowser(t, g)
	b.open("/")
	b.shows("live", "live")
	b.shows("waiting", "Nothing waits.")
	g.life() // it comes by itself
	b.shows("waiting", "Are you there?")
	b.shows("recent", "Köszönöm")
	b.shows("heard", "CN86nm")
	b.shows("well", "EMERGENCY: 1 waiting")
	b.until("(!) in the title", `document.title.startsWith("(!)")`)
	b.until("the plots", `document.querySelectorAll("#plots canvas").length === 3`)
	b.looksRight("read")
	if n := eval[int](b, `document.querySelectorAll("main form, main button").length`); n != 0 {
		t.Errorf("one who is not logged in gets %d forms and buttons", n)
	}
	want := []string{"well", "waiting", "recent", "heard", "air", "last", "write"}
	if got := eval[[]string](b, `[...document.querySelectorAll("main section")].map((s) => s.id)`); !slices.Equal(got, want) {
		t.Errorf("the parts come as %q, want the order of an operator's questions: %q", got, want)
	}
}

// Without a script the page says the same, the figures of the plots included.
func TestPageWithoutScript(t *testing.T) {
	t.Parallel()
	g := startGateway(t)
	b := openBrowser(t, g)
	g.life()
	b.call(func() error {
		_, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})
	await(t, "the last text on the page", func() bool {
		b.open("/")
		text, err := chromedp.Run(b.ctx, chromedp.Text(chromedp.CSS("#waiting")))
		return err == nil && strings.Contains(text, "Köszönöm")
	})
	for id, words := range map[string]string{"#day": "valley", "#live": "reload to see what is new", "#heard": "CN86nm"} {
		text, err := chromedp.Run(b.ctx, chromedp.Text(chromedp.CSS(id))) // what is seen
		if err != nil || !strings.Contains(text, words) {
			t.Errorf("%s shows %q, not %q: %v", id, text, words, err)
		}
	}
}

// An operator does everything with the keyboard alone.
func TestOperatorWithTheKeyboard(t *testing.T) {
	t.Parallel()
	g := startGateway(t)
	b := openBrowser(t, g)
	b.screen(1280, 800, "light")
	b.login()
	for _, story := range []struct {
		name string
		tell func(*testing.T, *gateway, *browser)
	}{
		{"writes a message and sees it arrive", writes},
		{"holds, releases, moves and drops it", holdsAndDrops},
		{"stops all sending and allows it again", quiets},
		{"starts an exercise, stops it, gets the report", exercises},
		{"blocks and unblocks", blocks},
		{"gets everywhere with Tab, and sees where", walks},
	} {
		if !t.Run(story.name, func(t *testing.T) { b.t, g.t = t, t; story.tell(t, g, b) }) {
			break
		}
	}
	b.t, g.t = t, t
}

func writes(t *testing.T, g *gateway, b *browser) {
	b.tabTo("to")
	b.press("N0QRB-9")
	b.tabTo("text")
	b.press("Bring the long ladder")
	b.tabTo("Send")
	b.press(kb.Enter)
	b.shows("main", "Your message is in the queue as N0QRZ-10.1.")
	b.shows("waiting", "Bring the long ladder")
	b.shows("recent", "until N0QRB-9 is heard")
	g.says(`{"from":"N0QRB-9","lat":46.61,"lon":-122.7,"snr":3}`)
	b.shows("waiting", "the acknowledgement of N0QRB-9 is awaited")
	g.says(`{"id":"9","from":"N0QRB-9","to":"N0QRX-1","text":"are you there?"}`)
	b.shows("waiting", "until N0QRX-1 is heard")

	g.life()
	b.shows("recent", "Köszönöm")
	b.looksRight("operate")
	b.screen(1280, 800, "light")
}

func holdsAndDrops(t *testing.T, g *gateway, b *browser) {
	b.open("/")
	b.shows("live", "live")
	id := eval[string](b, `[...document.querySelectorAll("#waiting li")].find((e) => e.textContent.includes("are you there?")).querySelector("a").textContent`)
	b.tabTo("hold-" + id + "-")
	b.press(kb.Enter)
	b.shows("main", id+" is held until you release it.")
	b.tabTo("release-" + id + "-")
	b.press(kb.Enter)
	b.shows("main", id+" goes on.")
	b.tabTo("Drop " + id + ", asks first")
	b.press(kb.Enter)
	b.shows("drop", "Drop it for good")
	b.looksRight("message")
	b.screen(1280, 800, "light")
	b.tabTo("link")
	b.tabTo("Move it there")
	b.press(kb.Enter)
	b.shows("main", id)
	b.until("the answer", `document.querySelector(".said")`)
	b.tabTo("Drop it for good")
	b.press(kb.Enter)
	b.shows("main", id+" is dropped.")
	b.shows("main", call) // who did it
}

func quiets(t *testing.T, g *gateway, b *browser) {
	b.open("/")
	b.tabTo("quiet-all")
	b.press(kb.Enter)
	b.shows("well", "All sending is stopped.")
	if ready := g.get("/readyz"); strings.Count(ready, " quiet ") != 2 {
		t.Errorf("the gateway says %q", ready)
	}
	b.tabTo("resume-all")
	b.press(kb.Enter)
	b.until("sending goes on", `!document.getElementById("well").textContent.includes("stopped")`)
}

func exercises(t *testing.T, g *gateway, b *browser) {
	b.tabTo("Exercise, report, block list")
	b.press(kb.Enter)
	b.shows("exercise", "No exercise is going on.")
	b.looksRight("more")
	b.screen(1280, 800, "light")
	b.tabTo("name")
	b.press("AUTUMN", kb.Enter)
	b.shows("exercise", "AUTUMN is going on")
	b.tabTo("Stop the exercise")
	b.press(kb.Enter)
	b.shows("main", "The exercise AUTUMN is over.")
	got := eval[string](b, `fetch("/report?" + new URLSearchParams(new FormData(document.querySelector("#report form")))).then((r) => r.text())`)
	if !strings.Contains(got, "<title>") || !strings.Contains(got, "N0QRZ-10") {
		t.Errorf("the report is %.200q", got)
	}
}

func blocks(t *testing.T, g *gateway, b *browser) {
	b.tabTo("who")
	b.press("*@spam.example")
	b.tabTo("why")
	b.press("advertising")
	b.tabTo("Block")
	b.press(kb.Enter)
	b.shows("block", "*@spam.example advertising")
	b.tabTo("Unblock *@spam.example")
	b.press(kb.Enter)
	b.shows("block", "Nobody is blocked.")
}

// walks goes over the whole page with Tab: in the order of the page, nothing
// left out, and always to be seen (WCAG 2.2, 2.4.3 and 2.4.7).
func walks(t *testing.T, g *gateway, b *browser) {
	b.open("/")
	b.shows("live", "live")
	eval[bool](b, `(source.close(), window.walked = [], true)`) // nothing may change on the way
	const all = `[...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")].filter((e) => e.checkVisibility())`
	n := eval[int](b, all+".length")
	for range n {
		b.press(kb.Tab)
		if eval[bool](b, `(() => { const e = document.activeElement, s = getComputedStyle(e); walked.push(e); return s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2 })()`) {
			t.Errorf("nobody sees that %q has the keyboard", b.focused())
		}
	}
	if !eval[bool](b, `(() => { const all = `+all+`; return all.length === walked.length && all.every((e, i) => walked[i] === e) })()`) {
		t.Errorf("of %d controls in order, Tab went to %q", n, eval[[]string](b, `walked.map((e) => e.id || e.textContent || e.name)`))
	}
}
