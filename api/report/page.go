package report

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

//go:embed style.css
var style string

// page writes the report. It is well-formed as XML too, which lets a test read it.
type page struct {
	w io.Writer
	l *language
	d *night
	f *facts
}

func esc(s string) string { return html.EscapeString(s) }

// put writes what is already safe; the first error of the bufio.Writer behind it
// is told by its Flush.
func (p *page) put(parts ...string) {
	for _, s := range parts {
		_, _ = io.WriteString(p.w, s)
	}
}

// clock is a moment of the time axis.
func (p *page) clock(tS float64) string { return p.d.utc(tS).Format("15:04") }

func (p *page) write(o Options) {
	l, d := p.l, p.d
	title := fmt.Sprintf(l.title, strconv.FormatInt(d.ID, 10))
	p.put(`<!DOCTYPE html>`, "\n", `<html lang="`, l.code, `"><head><meta charset="utf-8"/><meta name="viewport" content="width=device-width, initial-scale=1"/>`,
		`<meta name="color-scheme" content="light dark"/><title>`, esc(title), `</title><style>`, style, "</style></head><body>\n")
	checked := ""
	if o.Night {
		checked = ` checked="checked"`
	}
	p.put(`<label class="look"><input type="checkbox" id="dark"`, checked, `/> `, l.night, `</label>`)
	p.head(title)
	p.put("<h2>", l.summary, "</h2>\n")
	for _, s := range p.sentences() {
		p.put(`<p class="summary">`, esc(s), "</p>\n")
	}
	p.plots()
	p.eventTable()
	p.sensor()
	p.calibrations()
	p.settings()
	p.put("<h2>", l.unknownTitle, "</h2><ul>\n")
	for _, s := range p.unknowns() {
		p.put("<li>", esc(s), "</li>\n")
	}
	p.put("</ul><footer>", l.foot)
	if o.Version != "" {
		p.put(" ", esc(fmt.Sprintf(l.madeBy, o.Version)))
	}
	p.put("</footer></body></html>\n")
}

func (p *page) head(title string) {
	l, d := p.l, p.d
	if d.Name != "" {
		title += ": " + d.Name
	}
	p.put("<h1>", esc(title), "</h1>\n<p>")
	const form = "2006-01-02 15:04"
	end := d.End.Format(form)
	if d.End.Format("2006-01-02") == d.Begin.Format("2006-01-02") {
		end = d.End.Format("15:04")
	}
	p.put(fmt.Sprintf(l.times, d.Begin.Format(form), end, l.number(d.End.Sub(d.Begin).Hours(), 1)+" "+l.hoursUnit))
	if d.Open {
		p.put(", ", l.open)
	}
	if s := d.Site; s != nil {
		p.put("; ")
		if s.Name != "" {
			p.put(esc(s.Name), ", ")
		}
		p.put(esc(place(l, s.LatDeg, "N", "S")), " ", esc(place(l, s.LonDeg, "E", "W")), ", ", l.number(s.HeightM, 0), " m")
	}
	source := named(l.sources, d.ClockSource)
	if d.ClockSigmaS >= 0 {
		p.put("; ", esc(fmt.Sprintf(l.clockKnown, source, l.number(d.ClockSigmaS, 2))))
	} else {
		p.put("; ", esc(fmt.Sprintf(l.clockUnknown, source)))
	}
	p.put("</p>\n")
	if d.Note != "" {
		p.put("<p>", strings.ReplaceAll(esc(d.Note), "\n", "<br/>"), "</p>\n")
	}
}

func place(l *language, deg float64, plus, minus string) string {
	if deg < 0 {
		plus = minus
	}
	return l.number(math.Abs(deg), 4) + "° " + plus
}

// plots are the panels, one below the other, on one time axis.
func (p *page) plots() {
	l, d := p.l, p.d
	c := &d.columns
	p.put("<h2>", l.plots, "</h2>\n")
	if c.used == 0 {
		p.put("<p>–</p>")
		return
	}
	p.put(`<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs><pattern id="hatch" width="12" height="12" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="4" height="12" fill="var(--rule)"/></pattern></defs></svg>`)
	p.marks()
	under, over := p.holes(), p.lines()
	altitudeName, azimuthName, altFrom, azFrom := l.altitudeOnly, l.azimuthOnly, 0.0, 0.0
	if d.aim != nil {
		altitudeName, azimuthName, altFrom, azFrom = l.altitudeAim, l.azimuthAim, d.aim.altDeg, d.aim.azDeg
	}
	p.angle(altitudeName, altitude, altitudeSigma, altFrom, under, over)
	p.angle(azimuthName, azimuth, azimuthSigma, azFrom, under, over)
	for _, x := range []struct {
		name, unit string
		ch         channel
		least      float64
		zero       bool
	}{
		{l.temperature, "°C", temperature, 1, false},
		{l.field, "µT", strength, 0.5, false},
		{l.vibration, "m/s²", vibration, 0.001, true},
	} {
		low, high, ok := c.reach(x.ch, 0)
		if !ok {
			continue
		}
		if x.zero {
			low = 0
		}
		q := newPanel(x.name, x.unit, low, high, x.least, d.spanS)
		q.line(c, x.ch, 0)
		q.frame(p, under, over)
	}
	p.hours()
	p.put(`<p class="note">`, esc(fmt.Sprintf(l.bandNote, l.span(c.widthS))), " ", l.axisNote)
	if d.zeroS > 0 {
		p.put(" ", esc(fmt.Sprintf(l.pastNote, l.number(d.spanS/3600, 0))))
	}
	p.put("</p>\n")
}

// angle draws altitude or azimuth with its band. Aim and band are inside the
// frame; where that would press the line flat, a second panel shows the line alone.
func (p *page) angle(name string, ch, sigma channel, from float64, under, over string) {
	d, c := p.d, &p.d.columns
	// While the mount is being turned into place, the curve may leave the frame.
	begin := 0
	if a := p.f.armed; a != nil {
		begin = int(a.tS / c.widthS)
	}
	low, high, ok := c.reach(ch, begin)
	if !ok {
		begin = 0
		if low, high, ok = c.reach(ch, 0); !ok {
			return
		}
	}
	low, high = low-from, high-from
	l2, h2 := low, high
	for k := begin; k < c.used; k++ {
		m, s := c.cells[k][ch].mean()-from, c.cells[k][sigma].mean()
		if s == s && m == m {
			l2, h2 = min(l2, m-s), max(h2, m+s)
		}
	}
	if d.aim != nil {
		l2, h2 = min(l2, 0), max(h2, 0)
	}
	q := newPanel(name, "°", l2, h2, 0.02, d.spanS)
	q.band(c, ch, sigma, from)
	q.line(c, ch, from)
	q.frame(p, under, over)
	const flat = 8
	if h2-l2 > flat*(high-low) {
		q := newPanel(name+", "+p.l.closer, "°", low, high, 0.01, d.spanS)
		q.line(c, ch, from)
		q.frame(p, under, over)
	}
}

// holes hatches the gaps.
func (p *page) holes() string {
	var b strings.Builder
	for _, g := range p.d.gaps {
		x0, x1 := wide*g.from/p.d.spanS, wide*g.to/p.d.spanS
		if x1-x0 > 0.5 {
			fmt.Fprintf(&b, `<path class="hole" d="M%s 0H%sV%dH%sZ"/>`, short(x0), short(x1), tall, short(x0))
		}
	}
	return b.String()
}

func (p *page) lines() string {
	var b strings.Builder
	for i := range p.d.events {
		e := &p.d.events[i]
		if !e.marked() {
			continue
		}
		class, length := "event", tall
		switch {
		case e.moved():
			class = "event moved"
		case !e.important():
			class, length = "event moved", tall/10
		}
		fmt.Fprintf(&b, `<path class="%s" d="M%s 0V%d"/>`, class, short(wide*e.tS/p.d.spanS), length)
		for _, t := range e.ticks {
			fmt.Fprintf(&b, `<path class="event moved" d="M%s 0V%d"/>`, short(wide*t/p.d.spanS), tall/10)
		}
	}
	return b.String()
}

// marks are the numbers above the plots. Those that would cover the one before
// go a line lower, or stay out: the line is there, and the table has the time.
func (p *page) marks() {
	rows := 1
	var b strings.Builder
	for _, moves := range []bool{true, false} {
		// Moves first: they must not be the ones that find no room.
		for i := range p.d.events {
			if e := &p.d.events[i]; e.marked() && e.moved() == moves {
				e.row = p.free(e.tS)
				rows = max(rows, e.row)
			}
		}
	}
	for i := range p.d.events {
		e := &p.d.events[i]
		if e.row == 0 {
			continue
		}
		class := ""
		if e.row == 2 {
			class = ` class="low"`
		}
		fmt.Fprintf(&b, `<b%s style="left:%.2f%%">%d</b>`, class, max(2, min(98, 100*e.tS/p.d.spanS)), e.count)
	}
	class := "x marks"
	if rows == 2 {
		class += " two"
	}
	p.put(`<div class="`, class, `">`, b.String(), "</div>")
}

// free is the row, from 1, in which a number at tS covers no other; 0 when none.
func (p *page) free(tS float64) int {
	const apart = 0.08 // of the width, for a phone
	for row := 1; row <= 2; row++ {
		if !slices.ContainsFunc(p.d.events, func(o event) bool {
			return o.row == row && math.Abs(o.tS-tS) < apart*p.d.spanS
		}) {
			return row
		}
	}
	return 0
}

// hours are the labels of the time axis: whole hours, or minutes in a short one.
func (p *page) hours() {
	step := 60.0
	for _, s := range []float64{60, 300, 600, 1800, 3600, 7200, 10800, 21600} {
		if step = s; p.d.spanS/s <= 7 {
			break
		}
	}
	begin := p.d.utc(0)
	into := float64(begin.Hour()*3600+begin.Minute()*60+begin.Second()) + float64(begin.Nanosecond())/1e9
	p.put(`<div class="x">`)
	for t := math.Ceil(into/step) * step; t-into <= p.d.spanS; t += step {
		x := (t - into) / p.d.spanS
		if x > 0.97 {
			break
		}
		p.put(fmt.Sprintf(`<span style="left:%.2f%%">%s</span>`, 100*x, p.clock(t-into)))
	}
	p.put("</div>\n")
}

func (p *page) eventTable() {
	l, d := p.l, p.d
	p.put("<h2>", l.events, "</h2>\n")
	if len(d.events) == 0 {
		p.put("<p>", l.noEvents, "</p>\n")
		return
	}
	p.put(`<table class="stack events"><thead><tr>`)
	for _, h := range []string{l.colNo, l.colTime, l.colWhat, l.colMove, l.colAfter, l.colLongest} {
		p.put("<th>", h, "</th>")
	}
	p.put("</tr></thead><tbody>\n")
	for i := range d.events {
		e := &d.events[i]
		class := ""
		if e.moved() {
			class = ` class="moves"`
		}
		p.put("<tr", class, `><td class="n head">`, strconv.Itoa(e.count), `</td><td class="n head">`, d.utc(e.tS).Format("15:04:05"), `</td><td>`, esc(p.what(e)), "</td>")
		move, after := "", ""
		if e.moved() {
			move = p.amount(e)
		}
		if deg, ok := e.number(keyError); ok {
			after = l.pm(deg, e.Numbers[keyErrorS])
		}
		p.cell(l.colMove, move)
		p.cell(l.colAfter, after)
		p.cell(l.colLongest, p.longest(e))
		p.put("</tr>\n")
	}
	p.put("</tbody></table>\n")
	if kinds := d.otherKinds(); len(kinds) > 0 {
		var parts []string
		for _, k := range kinds {
			parts = append(parts, fmt.Sprintf("%s %d", l.kind(k), d.others[k]))
		}
		p.put(`<p class="note">`, esc(fmt.Sprintf(l.eventsLeft, strings.Join(parts, ", "))), "</p>\n")
	}
}

func (p *page) cell(name, text string) {
	if text == "" {
		p.put("<td></td>")
		return
	}
	p.put(`<td data-name="`, esc(name), `">`, esc(text), "</td>")
}

// what says an event: the kind, and what the columns beside do not have. The
// sentences in the log are English, and stand where nothing better is known.
func (p *page) what(e *event) string {
	l := p.l
	kind := l.kind(e.Kind)
	size, again := "", ""
	if v, ok := e.number(keyShake); ok {
		size = l.number(v, 0) + "″"
	}
	if v, ok := e.number(keyField); ok {
		size = l.number(v, 1) + "\u00a0µT"
	}
	if e.more > 0 {
		again = ", " + fmt.Sprintf(l.times2, strconv.Itoa(e.more+1), p.clock(e.untilS))
		if size != "" {
			size = fmt.Sprintf(l.upTo, size)
		}
	}
	if size != "" {
		return kind + ", " + size + again
	}
	if v, ok := e.number(keyStep); ok {
		return fmt.Sprintf("%s, %s s", kind, l.signed(v))
	}
	text := strings.TrimSpace(e.Text)
	_, known := l.kinds[e.Kind]
	if text == "" || e.moved() || e.Kind == kindAcknowledged || (l != english && e.plain()) {
		return kind + again
	}
	if !known {
		return text + again
	}
	return kind + ": " + text + again
}

func (p *page) sensor() {
	l, t := p.l, p.f.trend
	if p.f.armed == nil || (!t.PerC.Known && !t.PerHour.Known) {
		return
	}
	p.put("<h2>", l.sensor, "</h2>\n<p>")
	say := func(form string, a ...any) { p.put(esc(fmt.Sprintf(form, a...)), " ") }
	if t.PerHour.Known {
		say(l.perHour, l.rounded(t.PerHour.Value, t.PerHour.Sigma))
	}
	if t.PerC.Known {
		say(l.driftBy, l.rounded(t.PerC.Value, t.PerC.Sigma))
	}
	if t.Hysteresis.Known {
		say(l.hysteresis, l.rounded(t.Hysteresis.Value, t.Hysteresis.Sigma))
	}
	say(l.rests, strconv.Itoa(p.d.restful.minutes()))
	p.put("</p>\n")
}

func (p *page) calibrations() {
	l := p.l
	p.put("<h2>", l.used, "</h2>\n")
	if len(p.f.used) == 0 {
		p.put("<p>", l.noCalibrations, "</p>\n")
		return
	}
	p.put(`<table class="stack"><thead><tr>`)
	for _, h := range []string{l.colUsed, l.colMade, l.colSigma, l.colTemp, l.colChip} {
		p.put("<th>", h, "</th>")
	}
	p.put("</tr></thead><tbody>\n")
	for _, c := range p.f.used {
		what := named(l.calibrations, c.Kind)
		if c.Note != "" {
			what += " (" + c.Note + ")"
		}
		sigma, temp := "", ""
		if c.SigmaDeg > 0 {
			sigma = l.deg(c.SigmaDeg)
		}
		if c.TempC == c.TempC {
			temp = l.number(c.TempC, 1) + " °C"
		}
		p.put(`<tr><td>`, esc(what), "</td>")
		made := l.given
		if c.ID != 0 {
			made = c.UTC.Format("2006-01-02 15:04")
		}
		p.cell(l.colMade, made)
		p.cell(l.colSigma, sigma)
		p.cell(l.colTemp, temp)
		p.cell(l.colChip, c.Chip)
		p.put("</tr>\n")
	}
	p.put("</tbody></table>\n")
}

// mostSettings are shown.
const mostSettings = 150

func (p *page) settings() {
	p.put("<h2>", p.l.settings, "</h2>\n")
	var v any
	if len(p.d.Settings) == 0 || json.Unmarshal(p.d.Settings, &v) != nil {
		p.put("<p>", p.l.noSettings, "</p>\n")
		return
	}
	if all, ok := v.(map[string]any); ok {
		delete(all, "calibrations") // shown above
	}
	var lines [][2]string
	flatten("", v, &lines)
	p.put(`<div class="settings">`)
	for _, x := range lines {
		p.put("<div><b>", esc(x[0]), "</b> ", esc(x[1]), "</div>\n")
	}
	p.put("</div>\n")
}

// flatten writes a JSON value as key and value, keys sorted and joined by dots.
func flatten(key string, v any, out *[][2]string) {
	if len(*out) >= mostSettings {
		return
	}
	switch v := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			name := k
			if key != "" {
				name = key + "." + k
			}
			flatten(name, v[k], out)
		}
	case []any:
		plain := true
		var parts []string
		for _, x := range v {
			switch x.(type) {
			case map[string]any, []any:
				plain = false
			}
			parts = append(parts, public(key, fmt.Sprint(x)))
		}
		if plain {
			*out = append(*out, [2]string{key, strings.Join(parts, ", ")})
			return
		}
		for i, x := range v {
			flatten(fmt.Sprintf("%s.%d", key, i+1), x, out)
		}
	case nil:
	case string:
		if v != "" {
			*out = append(*out, [2]string{key, public(key, v)})
		}
	case float64:
		*out = append(*out, [2]string{key, public(key, strconv.FormatFloat(v, 'g', 6, 64))})
	default:
		*out = append(*out, [2]string{key, public(key, fmt.Sprint(v))})
	}
}

// public leaves out of a setting what others could misuse: a report is shown
// around.
func public(key, value string) string {
	key = strings.ToLower(key)
	for _, word := range []string{"password", "secret", "token", "passphrase", "credential"} {
		if strings.Contains(key, word) && value != "" {
			return "…"
		}
	}
	// Of an address, neither who may use it nor what follows the host.
	if scheme, rest, ok := strings.Cut(value, "://"); ok {
		rest, _, _ = strings.Cut(rest, "?")
		host, path, more := strings.Cut(rest, "/")
		if _, after, user := strings.Cut(host, "@"); user {
			host = after
		}
		if more && path != "" {
			host += "/…"
		}
		return scheme + "://" + host
	}
	return value
}
