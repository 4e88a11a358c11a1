package report

import (
	"fmt"
	"math"
	"strings"
)

// A panel is drawn in its own units: x is the column, 0 to wide, y 0 (top) to
// tall. The page stretches it to any width; lines keep their width, and labels
// are text beside the drawing, so that they can be read on a phone and on paper.
const (
	wide = 1000
	tall = 200
)

// panel is one plot.
type panel struct {
	title, unit string
	low, high   float64
	ticks       []float64
	digits      int
	body        strings.Builder
	spanS       float64
}

// newPanel makes room for low to high, and a tenth more.
func newPanel(title, unit string, low, high, least, spanS float64) *panel {
	if high-low < least {
		mid := (low + high) / 2
		low, high = mid-least/2, mid+least/2
	}
	margin := (high - low) * 0.08
	p := &panel{title: title, unit: unit, low: low - margin, high: high + margin, spanS: spanS}
	p.ticks, p.digits = ticks(p.low, p.high, 4)
	return p
}

// ticks are round numbers between low and high, about n of them, and the decimals
// that they need.
func ticks(low, high float64, n int) (out []float64, digits int) {
	raw := (high - low) / float64(n)
	if !(raw > 0) || math.IsInf(raw, 0) {
		return nil, 0
	}
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw {
			step = m * power
			break
		}
	}
	first := math.Ceil(low / step)
	for k := first; k*step <= high; k++ {
		out = append(out, k*step+0) // no negative zero
	}
	return out, max(0, -int(math.Floor(math.Log10(step)+1e-9)))
}

func (p *panel) x(tS float64) float64 { return wide * tS / p.spanS }

// y is clipped a little beyond the frame.
func (p *panel) y(v float64) float64 {
	return max(-20, min(tall+20, tall*(p.high-v)/(p.high-p.low)))
}

// pair writes a point with one decimal.
func pair(b *strings.Builder, x, y float64) {
	fmt.Fprintf(b, "%s %s ", short(x), short(y))
}

func short(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") }

// filled draws the polygon between a lower and an upper edge, in pieces where a
// column has none.
func (p *panel) filled(class string, c *columns, edges func(k int) (low, high float64)) {
	var path strings.Builder
	var top, bottom []float64
	first := 0
	flush := func() {
		if len(top) == 0 {
			return
		}
		path.WriteString("M")
		// One column alone still has its width.
		for i, v := range top {
			pair(&path, p.x(c.at(first+i)), p.y(v))
			if len(top) == 1 {
				pair(&path, p.x(c.at(first)+c.widthS), p.y(v))
			}
		}
		for i := len(bottom) - 1; i >= 0; i-- {
			pair(&path, p.x(c.at(first+i)), p.y(bottom[i]))
		}
		path.WriteString("Z")
		top, bottom = top[:0], bottom[:0]
	}
	for k := range c.used {
		low, high := edges(k)
		if low != low || high != high {
			flush()
			continue
		}
		if len(top) == 0 {
			first = k
		}
		top, bottom = append(top, high), append(bottom, low)
	}
	flush()
	if path.Len() > 0 {
		fmt.Fprintf(&p.body, `<path class="%s" d="%s"/>`, class, strings.ReplaceAll(path.String(), " Z", "Z"))
	}
}

// line draws a channel from the least to the greatest of each column, with from
// (what counts as zero) taken off.
func (p *panel) line(c *columns, ch channel, from float64) {
	p.filled("line", c, func(k int) (float64, float64) {
		x := &c.cells[k][ch]
		if x.n == 0 {
			return math.NaN(), math.NaN()
		}
		return x.low - from, x.high - from
	})
}

// band draws one sigma to both sides of the mean.
func (p *panel) band(c *columns, ch, sigma channel, from float64) {
	p.filled("band", c, func(k int) (float64, float64) {
		m, s := c.cells[k][ch].mean()-from, c.cells[k][sigma].mean()
		return m - s, m + s
	})
}

// frame writes the panel: what lies below and above its own drawing, and labels.
func (p *panel) frame(w *page, under, over string) {
	w.put(`<figure class="plot"><figcaption><b>`, esc(p.title), `</b> <span>`, esc(p.unit), `</span></figcaption><div class="area">`)
	w.put(fmt.Sprintf(`<svg viewBox="0 0 %d %d" preserveAspectRatio="none" aria-hidden="true">`, wide, tall), under)
	for _, v := range p.ticks {
		class := "grid"
		if v == 0 {
			class = "grid zero"
		}
		w.put(fmt.Sprintf(`<path class="%s" d="M0 %s H%d"/>`, class, short(p.y(v)), wide))
	}
	w.put(p.body.String(), over, `</svg>`)
	for _, v := range p.ticks {
		w.put(fmt.Sprintf(`<span class="y" style="top:%.1f%%">%s</span>`, 100*p.y(v)/tall, w.l.number(v, p.digits)))
	}
	w.put("</div></figure>\n")
}
