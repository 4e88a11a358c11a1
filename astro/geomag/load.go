package geomag

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// maxDegree bounds the memory that a file can ask for; the largest model in
// use with this format, WMMHR2025, has 133.
const maxDegree = 250

// Load reads a coefficient file in the format of WMM.COF: a line with epoch,
// name and date of release; one row "n m g h gdot hdot" for each degree n and
// order m from 1 0 upward (Schmidt semi-normalised, nT and nT per year, 6371.2
// km); a row of 9s. WMMHR files have the same format.
//
// A file that is cut short, out of order, incomplete or not finite is refused;
// the error names the line. Nothing in the format says how long a model holds:
// five years are taken, as published for this family.
func Load(r io.Reader) (*Model, error) {
	lines := bufio.NewScanner(r)
	no := 1
	fail := func(format string, a ...any) (*Model, error) {
		return nil, fmt.Errorf("coefficient file, line %d: %w", no, fmt.Errorf(format, a...))
	}
	if !lines.Scan() {
		if err := lines.Err(); err != nil {
			return fail("%w", err)
		}
		return fail("the file is empty: give one such as WMM.COF")
	}
	m, err := parseHeader(lines.Text())
	if err != nil {
		return fail("%w", err)
	}
	var rows []row
	n, order := 1, 0 // what must come next
	for no = 2; lines.Scan(); no++ {
		words := strings.Fields(lines.Text())
		if len(words) == 0 {
			continue
		}
		if len(words) == 1 && strings.Trim(words[0], "9") == "" {
			if order != 0 || n == 1 {
				return fail("the file ends within degree %d, order %d missing: it is damaged", n, order)
			}
			m.setCoefficients(rows, n-1)
			return m, nil
		}
		got, err := parseRow(words)
		if err != nil {
			return fail("%w", err)
		}
		if got.n != n || got.m != order {
			return fail("degree %d order %d stands where %d %d belongs: the file is damaged", got.n, got.m, n, order)
		}
		if order == 0 && (got.h != 0 || got.hDot != 0) {
			return fail("degree %d order 0: h and its rate must be 0", n)
		}
		if n > maxDegree {
			return fail("degree %d: at most %d can be used", n, maxDegree)
		}
		rows = append(rows, got)
		if order++; order > n {
			n, order = n+1, 0
		}
	}
	if err := lines.Err(); err != nil {
		return fail("%w", err)
	}
	return fail("the row of 9s that ends the file is missing: it is cut short")
}

func parseHeader(text string) (*Model, error) {
	words := strings.Fields(strings.TrimPrefix(text, "\ufeff"))
	if len(words) < 2 {
		return nil, fmt.Errorf("%.40q is no header: epoch, name and date of release belong here, as in WMM.COF", text)
	}
	epoch, err := strconv.ParseFloat(words[0], 64)
	if err != nil || !(epoch >= 1900 && epoch <= 2200) {
		return nil, fmt.Errorf("epoch %.40q: a year such as 2025.0 belongs here", words[0])
	}
	for _, w := range words[1:] {
		if len(w) > 40 || strings.ContainsFunc(w, func(c rune) bool { return c <= ' ' || c > '~' }) {
			return nil, fmt.Errorf("name %.40q: letters, digits and signs only, at most 40", w)
		}
	}
	m := &Model{name: words[1], epoch: epoch}
	if len(words) > 2 {
		m.released = words[2]
	}
	return m, nil
}

// row is one line of coefficients as written.
type row struct {
	n, m             int
	g, h, gDot, hDot float64
}

func parseRow(words []string) (row, error) {
	if len(words) != 6 {
		return row{}, fmt.Errorf("%d columns, want 6: n m g h gdot hdot", len(words))
	}
	var r row
	var err error
	for i, at := range []*int{&r.n, &r.m} {
		if *at, err = strconv.Atoi(words[i]); err != nil {
			return row{}, fmt.Errorf("column %d: %.40q is no whole number", i+1, words[i])
		}
	}
	// The limits are far above any field of the Earth and keep sums finite.
	for i, c := range []struct {
		at    *float64
		limit float64
	}{{&r.g, 1e5}, {&r.h, 1e5}, {&r.gDot, 1e4}, {&r.hDot, 1e4}} {
		if *c.at, err = strconv.ParseFloat(words[i+2], 64); err != nil {
			return row{}, fmt.Errorf("column %d: %.40q is no number", i+3, words[i+2])
		}
		if !(math.Abs(*c.at) <= c.limit) {
			return row{}, fmt.Errorf("column %d: %.40s is beyond %g", i+3, words[i+2], c.limit)
		}
	}
	return r, nil
}

// setCoefficients scales the rows, which are complete and in order.
func (m *Model) setCoefficients(rows []row, degree int) {
	m.degree = degree
	m.sigma = errorModelOf(degree)
	m.orders = make([][]term, degree+1)
	m.orders[0] = append(make([]term, 0, degree+1), newTerm(0, 0, 1, 0, 0, 0, 0)) // no monopole, but the recursion starts there
	// leading[m] is the leading coefficient of P(n,m) / u^m for the n at hand.
	leading := make([]float64, degree+1)
	leading[0] = 1
	for _, r := range rows {
		n, order := float64(r.n), float64(r.m)
		if r.m < r.n {
			leading[r.m] *= (2*n - 1) / math.Sqrt(n*n-order*order)
		} else {
			leading[r.m] = sectoral(r.m)
			m.orders[r.m] = make([]term, 0, degree+1-r.m)
		}
		m.orders[r.m] = append(m.orders[r.m], newTerm(r.n, r.m, leading[r.m], r.g, r.h, r.gDot, r.hDot))
	}
}

// sectoral is P(m,m) / u^m, Schmidt semi-normalised.
func sectoral(m int) float64 {
	c := 1.0
	for k := 2; k <= m; k++ {
		c *= math.Sqrt(float64(2*k-1) / float64(2*k))
	}
	return c
}
