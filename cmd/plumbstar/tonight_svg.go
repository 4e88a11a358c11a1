package main

import (
	"fmt"
	"html"
	"strings"
	"time"

	"plumbstar/astro"
)

// The picture's measures, in SVG units.
const (
	svgWidth, svgHeight = 960.0, 420.0
	svgLeft, svgRight   = 170.0, 20.0
	svgTop, svgBottom   = 52.0, 284.0 // of the Sun's curve
)

// nightSVG draws the night from noon to noon: the Sun's altitude over bands of
// twilight, and below it bars for the pole star, the window to align, the Moon
// and darkness. Dark colours, so that it can be looked at in the dark.
func nightSVG(r tonightReport) []byte {
	p := nightPicture{report: r}
	p.printf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="13" fill="#b9605a">`+"\n", svgWidth, svgHeight)
	title := fmt.Sprintf("Night of %s at %s %s, UTC", r.Date, side(r.LatDeg, 2, "N", "S"), side(wrap180(r.LonDeg), 2, "E", "W"))
	p.printf("<title>%s</title>\n<rect width=\"%g\" height=\"%g\" fill=\"#000\"/>\n", html.EscapeString(title), svgWidth, svgHeight)
	p.text(svgLeft, 24, "start", 16, title)
	p.bands()
	p.hours()
	p.curve()
	y := svgBottom + 40
	p.bar(&y, "pole star in the finder", r.PoleStar.InFinder, "#6e2a26")
	if r.Align != nil {
		p.bar(&y, "best time to align", []astro.Span{*r.Align}, "#d9534a")
	}
	p.bar(&y, "Moon up", r.Moon.Up, "#4a3a38")
	p.bar(&y, "dark without Moon", r.Dark, "#3a1210")
	p.printf("</svg>\n")
	return []byte(p.b.String())
}

type nightPicture struct {
	report tonightReport
	b      strings.Builder
}

func (p *nightPicture) printf(format string, a ...any) { fmt.Fprintf(&p.b, format, a...) }

// x is where a time stands.
func (p *nightPicture) x(t time.Time) float64 {
	whole := p.report.Whole
	return svgLeft + (svgWidth-svgLeft-svgRight)*float64(t.Sub(whole.From))/float64(whole.Length())
}

func (p *nightPicture) text(x, y float64, anchor string, size float64, s string) {
	p.printf("<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\" font-size=\"%g\">%s</text>\n", x, y, anchor, size, html.EscapeString(s))
}

// altitudeY is where an altitude of the Sun stands, from +20° at the top to -40°.
func altitudeY(deg float64) float64 {
	const high, low = 20.0, -40.0
	deg = min(max(deg, low), high)
	return svgTop + (svgBottom-svgTop)*(high-deg)/(high-low)
}

// bands shade day and twilights by the altitudes that bound them.
func (p *nightPicture) bands() {
	for _, b := range []struct {
		from, to float64
		fill     string
		name     string
	}{
		{20, -0.833, "#3b201e", "day"}, {-0.833, -6, "#2c1513", "civil"}, {-6, -12, "#1f0d0c", "nautical"}, {-12, -18, "#140807", "astronomical"}, {-18, -40, "#080303", "dark"},
	} {
		y0, y1 := altitudeY(b.from), altitudeY(b.to)
		p.printf("<rect x=\"%g\" y=\"%.1f\" width=\"%g\" height=\"%.1f\" fill=\"%s\"/>\n", svgLeft, y0, svgWidth-svgLeft-svgRight, y1-y0, b.fill)
		p.text(svgWidth-svgRight-6, (y0+y1)/2+4, "end", 11, b.name)
	}
}

// hours are marked every two, labelled in UTC.
func (p *nightPicture) hours() {
	for t := p.report.Whole.From.Truncate(2 * time.Hour).Add(2 * time.Hour); t.Before(p.report.Whole.Until); t = t.Add(2 * time.Hour) {
		x := p.x(t)
		p.printf("<path d=\"M%.1f %gV%g\" stroke=\"#4a2522\" stroke-width=\"0.6\"/>\n", x, svgTop, svgBottom)
		p.text(x, svgBottom+16, "middle", 12, t.UTC().Format("15"))
	}
}

// curve is the Sun's altitude.
func (p *nightPicture) curve() {
	var d strings.Builder
	for i, alt := range p.report.sun {
		command := 'L'
		if i == 0 {
			command = 'M'
		}
		fmt.Fprintf(&d, "%c%.1f %.1f", command, p.x(p.report.Whole.From.Add(time.Duration(i)*sunStep)), altitudeY(alt))
	}
	p.printf("<path d=\"%s\" fill=\"none\" stroke=\"#e0685f\" stroke-width=\"2\"/>\n", d.String())
}

// bar is one line of spans with its name, and moves y down.
func (p *nightPicture) bar(y *float64, name string, spans []astro.Span, fill string) {
	const height = 12.0
	for _, s := range spans {
		x0, x1 := p.x(s.From), p.x(s.Until)
		p.printf("<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%g\" rx=\"2\" fill=\"%s\"/>\n", x0, *y-height+2, max(x1-x0, 1.5), height, fill)
	}
	p.text(svgLeft-12, *y, "end", 12, name)
	*y += 22
}
