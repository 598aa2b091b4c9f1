package browsertest_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// browser is one tab of a real browser, which watches what a person would not:
// errors in the console, and requests to anywhere else.
type browser struct {
	t   *testing.T
	ctx context.Context
	g   *gateway

	mu      sync.Mutex
	faults  []string // console errors, exceptions
	foreign []string // requests to other hosts
}

func openBrowser(t *testing.T, g *gateway) *browser {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath("chromium"), chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // chromium has none for root
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*patience)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, g: g}
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("starting chromium: %v", err)
	}
	if err := chromedp.Listen(ctx, b.notice); err != nil {
		t.Fatal(err)
	}
	b.call(func() error { _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); return err })
	b.call(func() error { _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); return err })
	t.Cleanup(b.judge)
	return b
}

// notice takes down what the browser tells.
func (b *browser) notice(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		b.faults = append(b.faults, e.ExceptionDetails.Text)
	case *runtime.EventConsoleAPICalled:
		b.faults = append(b.faults, fmt.Sprintf("console: %s", e.Type))
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			b.faults = append(b.faults, e.Entry.Text+" "+e.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		if url := e.Request.URL; !strings.HasPrefix(url, "http://"+b.g.page+"/") && !strings.HasPrefix(url, "data:") {
			b.foreign = append(b.foreign, url)
		}
	}
}

// judge fails the test for what was noticed.
func (b *browser) judge() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		b.t.Errorf("the browser complains: %s", f)
	}
	for _, url := range b.foreign {
		b.t.Errorf("the page asks elsewhere: %s", url)
	}
}

func (b *browser) call(do func() error) {
	b.t.Helper()
	if err := do(); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, actions...); err != nil {
		b.t.Fatal(err)
	}
}

// eval evaluates JavaScript in the page; a promise is awaited.
func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits until JavaScript in the page says true, over any number of pages.
func (b *browser) until(what, expression string) {
	b.t.Helper()
	await(b.t, what, func() bool {
		v, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		return err == nil && v // between two pages there is an error
	})
}

// shows waits until a part of the page holds a text.
func (b *browser) shows(id, text string) {
	b.t.Helper()
	b.until(fmt.Sprintf("%q in #%s", text, id), fmt.Sprintf("document.getElementById(%q)?.textContent.includes(%q)", id, text))
}

func (b *browser) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate("http://" + b.g.page + path))
}

// screen sets the size of the window, and light or dark.
func (b *browser) screen(width, height int64, scheme string) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, height))
	features := []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}
	b.call(func() error {
		_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: features})
		return err
	})
}

// press types keys, one after another.
func (b *browser) press(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k))
	}
}

// focused describes what has the keyboard.
func (b *browser) focused() string {
	return eval[string](b, `(() => { const e = document.activeElement; return e === document.body ? "" : e.id || e.getAttribute("aria-label") || e.textContent.trim() || e.name })()`)
}

// tabTo presses Tab until something has the keyboard.
func (b *browser) tabTo(name string) {
	b.t.Helper()
	var passed []string
	for range 200 {
		b.press(kb.Tab)
		at := b.focused()
		if at == name {
			return
		}
		passed = append(passed, at)
	}
	b.t.Fatalf("Tab does not come to %q, but to %q", name, passed)
}

// login logs in, with the keyboard alone.
func (b *browser) login() {
	b.t.Helper()
	b.open("/login")
	b.tabTo("call")
	b.press(call)
	b.tabTo("password")
	b.press(password, kb.Enter)
	b.shows("stop", "Stop all sending")
}

// unnamed lists the controls without a name, as the browser tells assistive
// technology (WCAG 2.2, 4.1.2).
func (b *browser) unnamed() (list []string) {
	b.t.Helper()
	tree, err := chromedp.Call(b.ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		b.t.Fatal(err)
	}
	controls := 0
	for _, n := range tree.Nodes {
		if n.Ignored || n.Role == nil {
			continue
		}
		switch role := strings.Trim(string(n.Role.Value), `"`); role {
		case "button", "link", "textbox", "combobox", "image", "img", "meter", "region", "table", "DisclosureTriangle", "Date":
			controls++
			if role != "table" && (n.Name == nil || strings.Trim(string(n.Name.Value), `"`) == "") {
				list = append(list, role)
			}
		}
	}
	if controls < 5 {
		b.t.Errorf("only %d controls found: this looks at nothing", controls)
	}
	return list
}

// faint lists texts whose contrast with what is behind them is below 4.5 to 1
// (WCAG 2.2, 1.4.3 with its formulas of contrast ratio and relative luminance).
const faint = `(() => {
  const rgb = (s) => { const m = s.match(/[\d.]+/g).map(Number); return { c: m.slice(0, 3), a: m[3] ?? 1 } };
  const part = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 };
  const light = (c) => 0.2126 * part(c[0]) + 0.7152 * part(c[1]) + 0.0722 * part(c[2]);
  const behind = (e) => {
    for (; e; e = e.parentElement) { const b = rgb(getComputedStyle(e).backgroundColor); if (b.a === 1) return b.c; }
    return matchMedia("(prefers-color-scheme: dark)").matches ? [0, 0, 0] : [255, 255, 255];
  };
  const out = []; let looked = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement, s = getComputedStyle(e);
    if (!n.data.trim() || !e.checkVisibility() || e.closest("script, title, .unseen, .skip:not(:focus)")) continue;
    const ink = rgb(e instanceof SVGElement ? s.fill : s.color).c, a = light(ink), b = light(behind(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    looked++;
    if (ratio < 4.5) out.push(ratio.toFixed(2) + " " + n.data.trim().slice(0, 30));
  }
  if (looked < 5) out.push("only " + looked + " texts found: this looks at nothing");
  return out;
})()`

// wide lists what stands out at the side of the window.
const wide = `(() => {
  const width = document.documentElement.clientWidth, out = [];
  if (document.documentElement.scrollWidth > width) out.push("the page scrolls to " + document.documentElement.scrollWidth);
  for (const e of document.querySelectorAll("main *, header *, footer *"))
    if (!e.closest(".scroll, nav, .unseen, .skip") && e.checkVisibility() && e.getBoundingClientRect().right > width + 1) out.push(e.tagName + " " + e.id + " " + e.className);
  return out;
})()`

// small lists controls that a thumb does not hit (WCAG 2.2, 2.5.8: 24 by 24 CSS
// pixels, links in the flow of text aside).
const small = "[...document.querySelectorAll('button, input:not([type=hidden]), select, textarea, summary, nav a')].filter((e) => e.checkVisibility()).filter((e) => { const r = e.getBoundingClientRect(); return r.width < 24 || r.height < 24 }).map((e) => e.id + e.textContent)"

// picture keeps a screenshot in the folder POSTHOUSE_PICTURES, if that is set.
func (b *browser) picture(name string) {
	b.t.Helper()
	dir := os.Getenv("POSTHOUSE_PICTURES")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), png, 0o600)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// looksRight holds the page to what can be measured, on each screen.
func (b *browser) looksRight(name string) {
	b.t.Helper()
	for _, width := range []int64{360, 1280} {
		for _, scheme := range []string{"light", "dark"} {
			where := fmt.Sprintf("%s-%d-%s", name, width, scheme)
			b.screen(width, 800, scheme)
			b.until("the new screen", fmt.Sprintf(`innerWidth === %d && matchMedia("(prefers-color-scheme: %s)").matches`, width, scheme))
			eval[bool](b, `new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))`) // drawn
			for what, list := range map[string][]string{
				"too faint": eval[[]string](b, faint), "wider than the window": eval[[]string](b, wide),
				"too small to hit": eval[[]string](b, small), "without a name": b.unnamed(),
			} {
				for _, each := range list {
					b.t.Errorf("%s: %s: %s", where, what, each)
				}
			}
			b.picture(where)
		}
	}
}
