package api

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var (
	chromium = flag.String("chromium", "", "the browser's program, to look at the page with")
	shots    = flag.String("shots", "", "with -chromium: folder that gets the pictures")
	axeFile  = flag.String("axe", "", "with -chromium: axe.min.js of axe-core, to look for barriers with")
)

// tab is one page in a headless Chromium, driven by the Chrome DevTools
// Protocol over a pair of pipes (--remote-debugging-pipe).
type tab struct {
	t       *testing.T
	in      *os.File
	out     *bufio.Reader
	n       int
	session string
	console []string // errors that the page logged
	asked   []string // addresses that it asked for
	frames  []image.Image
}

// openTab starts a browser with an empty phone-sized tab.
func openTab(t *testing.T, width, height int) *tab {
	t.Helper()
	if *chromium == "" {
		t.Skip("give -chromium PATH to look at the page in a browser")
	}
	toBrowser, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	out, fromBrowser, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(*chromium, "--headless", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir="+t.TempDir(), "about:blank")
	c.ExtraFiles = []*os.File{toBrowser, fromBrowser} // file descriptors 3 and 4
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	toBrowser.Close()
	fromBrowser.Close()
	b := &tab{t: t, in: in, out: bufio.NewReaderSize(out, 1<<20)}
	t.Cleanup(func() {
		b.call("Browser.close", nil, nil)
		in.Close()
		out.Close()
		_ = c.Wait() // however it ends
	})
	var target struct{ TargetID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var attached struct{ SessionID string }
	b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	b.session = attached.SessionID
	b.size(width, height)
	b.call("Runtime.enable", nil, nil)
	b.call("Log.enable", nil, nil)
	b.call("Network.enable", nil, nil)
	b.call("Page.enable", nil, nil)
	return b
}

// size makes the screen that large, in CSS pixels.
func (b *tab) size(width, height int) {
	b.t.Helper()
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 2, "mobile": true}, nil)
}

// atStart runs a script in every document before the page's own.
func (b *tab) atStart(script string) {
	b.t.Helper()
	b.call("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": script}, nil)
}

// quiet fails the test when the page has logged an error, or has asked any
// address but those that begin with one of the given ones.
func (b *tab) quiet(origins ...string) {
	b.t.Helper()
	if len(b.console) > 0 {
		b.t.Errorf("errors in the console: %s", strings.Join(b.console, "\n"))
	}
	for _, a := range b.asked {
		ours := strings.HasPrefix(a, "about:") || strings.HasPrefix(a, "data:")
		for _, o := range origins {
			ours = ours || strings.HasPrefix(a, o+"/")
		}
		if !ours {
			b.t.Errorf("the page asks %s", a)
		}
	}
	if len(b.asked) < 8 {
		b.t.Errorf("only %d requests were seen: does this test still watch?", len(b.asked))
	}
}

// call sends one command and waits for its answer, noting errors of the page
// that come in between.
func (b *tab) call(method string, params, result any) {
	b.t.Helper()
	b.n++
	m := map[string]any{"id": b.n, "method": method}
	if params != nil {
		m["params"] = params
	}
	if b.session != "" && !strings.HasPrefix(method, "Browser.") {
		m["sessionId"] = b.session
	}
	if _, err := b.in.Write(append(mustJSON(b.t, m), 0)); err != nil {
		b.t.Fatal(err)
	}
	for {
		raw, err := b.out.ReadBytes(0)
		if err != nil {
			b.t.Fatalf("%s: the browser ended: %v", method, err)
		}
		var answer struct {
			ID     int
			Method string
			Params json.RawMessage
			Result json.RawMessage
			Error  *struct{ Message string }
		}
		if err := json.Unmarshal(bytes.TrimSuffix(raw, []byte{0}), &answer); err != nil {
			b.t.Fatal(err)
		}
		switch {
		case answer.Method == "Runtime.exceptionThrown",
			answer.Method == "Runtime.consoleAPICalled" && bytes.Contains(answer.Params, []byte(`"type":"error"`)),
			answer.Method == "Log.entryAdded" && bytes.Contains(answer.Params, []byte(`"level":"error"`)):
			b.console = append(b.console, string(answer.Params))
		case answer.Method == "Network.requestWillBeSent":
			var p struct{ Request struct{ URL string } }
			if err := json.Unmarshal(answer.Params, &p); err != nil {
				b.t.Fatal(err)
			}
			b.asked = append(b.asked, p.Request.URL)
		case answer.Method == "Page.screencastFrame":
			b.frame(answer.Params)
		case answer.ID == b.n && answer.Error != nil && method == "Runtime.evaluate" && strings.HasPrefix(answer.Error.Message, "Inspected target navigated"):
			return // what was evaluated made the page load anew: there is no value
		case answer.ID == b.n && answer.Error != nil:
			b.t.Fatalf("%s: %s", method, answer.Error.Message)
		case answer.ID == b.n:
			if result != nil {
				if err := json.Unmarshal(answer.Result, result); err != nil {
					b.t.Fatal(err)
				}
			}
			return
		}
	}
}

// frame keeps one picture of a screencast and asks for the next.
func (b *tab) frame(params []byte) {
	b.t.Helper()
	var p struct {
		Data      []byte
		SessionID int
	}
	if err := json.Unmarshal(params, &p); err != nil {
		b.t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(p.Data))
	if err != nil {
		b.t.Fatal(err)
	}
	b.frames = append(b.frames, img)
	// Nobody waits for the answer to that number.
	ack := map[string]any{"id": 1_000_000 + len(b.frames), "method": "Page.screencastFrameAck", "params": map[string]any{"sessionId": p.SessionID}, "sessionId": b.session}
	if _, err := b.in.Write(append(mustJSON(b.t, ack), 0)); err != nil {
		b.t.Fatal(err)
	}
}

func (b *tab) open(url string) {
	b.t.Helper()
	b.call("Page.navigate", map[string]any{"url": url}, nil)
}

// gone is what eval gives when the page was loaded anew meanwhile.
const gone = "<nil>"

// eval is the value of a JavaScript expression as text.
func (b *tab) eval(expression string) string {
	b.t.Helper()
	var r struct {
		Result           struct{ Value any }
		ExceptionDetails *struct{ Text string }
	}
	b.call("Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true, "userGesture": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("%s: %s", expression, r.ExceptionDetails.Text)
	}
	return fmt.Sprint(r.Result.Value)
}

// text is what can be seen, in one line.
func (b *tab) text() string {
	return strings.Join(strings.Fields(b.eval("document.body?.innerText ?? ''")), " ")
}

// says waits until the page shows the words, and returns how long that took.
func (b *tab) says(words string) time.Duration {
	b.t.Helper()
	at := time.Now()
	for time.Since(at) < 8*time.Second {
		if strings.Contains(b.text(), words) {
			return time.Since(at)
		}
		time.Sleep(20 * time.Millisecond)
	}
	b.t.Errorf("the page does not say %q: %s", words, b.text())
	return time.Since(at)
}

// press clicks the button, place, section or choice with that text, once it is
// there.
func (b *tab) press(label string) {
	b.t.Helper()
	click := fmt.Sprintf(`(() => { const x = [...document.querySelectorAll("button, nav a, a.button, summary .section-name, .choice label")].find((x) => x.innerText.replace(/\s+/g, " ").trim() === %q && !x.disabled && x.offsetParent); x?.click(); return !!x })()`, label)
	for at := time.Now(); time.Since(at) < 4*time.Second; time.Sleep(20 * time.Millisecond) {
		if got := b.eval(click); got == "true" || got == gone {
			return
		}
	}
	b.t.Fatalf("there is no button %q to press: %s", label, b.text())
}

// fill types into the field of that name.
func (b *tab) fill(name, text string) {
	b.t.Helper()
	if got := b.eval(fmt.Sprintf(`(() => { const x = [...document.querySelectorAll("[name=" + %q + "]")].find((x) => x.offsetParent); if (x) x.value = %q; return !!x })()`, name, text)); got != "true" {
		b.t.Fatalf("there is no field %q to fill", name)
	}
}

// picture takes one of the screen and keeps it in the folder of -shots.
func (b *tab) picture(name string) image.Image {
	b.t.Helper()
	var r struct{ Data string }
	b.call("Page.captureScreenshot", map[string]any{"format": "png"}, &r)
	raw, err := base64.StdEncoding.DecodeString(r.Data)
	if err != nil {
		b.t.Fatal(err)
	}
	if *shots != "" {
		if err := errors.Join(os.MkdirAll(*shots, 0o755), os.WriteFile(filepath.Join(*shots, name+".png"), raw, 0o644)); err != nil {
			b.t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		b.t.Fatal(err)
	}
	return img
}

// night takes a picture and checks the promise of the palette for each pixel:
// no green, no blue, no red above 0xf0.
func (b *tab) night(name string) {
	b.t.Helper()
	if red := redPixels(b.t, name, b.picture(name)); red < 2000 {
		b.t.Errorf("%s: only %d red pixels: is the picture empty?", name, red)
	}
}

// fits checks that nothing is wider than the screen and that whatever is to be
// pressed is at least 48 px in both directions.
func (b *tab) fits(name string) {
	b.t.Helper()
	if over := b.eval("document.documentElement.scrollWidth - innerWidth"); over != "0" {
		b.t.Errorf("%s at %s px is too wide by %s", name, b.eval("innerWidth"), over)
	}
	// A choice is pressed on its label; the input inside fills that.
	if small := b.eval(`[...document.querySelectorAll("button, input, a, summary")].filter((x) => x.offsetParent && (x.offsetHeight < 48 || x.offsetWidth < 48)).map((x) => x.outerHTML.slice(0, 80) + " " + x.offsetWidth + "x" + x.offsetHeight).join("; ")`); small != "" {
		b.t.Errorf("%s at %s px: smaller than 48 px: %s", name, b.eval("innerWidth"), small)
	}
}

// accessible runs axe-core over the page.
func (b *tab) accessible(name string) {
	b.t.Helper()
	if *axeFile == "" {
		return
	}
	axe, err := os.ReadFile(*axeFile)
	if err != nil {
		b.t.Fatal(err)
	}
	b.eval(string(axe) + "; 1")
	found := b.eval(`axe.run(document, { resultTypes: ["violations"] }).then((r) => r.violations.filter((v) => v.impact === "serious" || v.impact === "critical").map((v) => v.id + ": " + v.nodes.map((n) => n.target + " " + n.any.concat(n.all, n.none).map((c) => c.message).join(", ")).slice(0, 3).join(" | ")).join("\n"))`)
	if found != "" {
		b.t.Errorf("%s: axe-core finds\n%s", name, found)
	}
}

func redPixels(t *testing.T, name string, img image.Image) (red int) {
	t.Helper()
	for y := img.Bounds().Min.Y; y < img.Bounds().Max.Y; y++ {
		for x := img.Bounds().Min.X; x < img.Bounds().Max.X; x++ {
			r, g, b, _ := img.At(x, y).RGBA()
			if g > 0 || b > 0 || r>>8 > 0xf0 {
				t.Errorf("%s: the pixel at %d,%d is %02x%02x%02x", name, x, y, r>>8, g>>8, b>>8)
				return red
			}
			if r>>8 > 0x80 {
				red++
			}
		}
	}
	return red
}
