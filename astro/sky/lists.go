package sky

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"plumbstar/astro"
)

// The star lists; lists/README.md names their sources and licences.
var (
	//go:embed lists/bright.csv
	brightCSV []byte
	//go:embed lists/north.csv
	northCSV []byte
	//go:embed lists/south.csv
	southCSV []byte
)

// The stars that a finder at the pole is pointed with (Hipparcos numbers).
const (
	polaris = 11767  // alpha Ursae Minoris
	sigOct  = 104382 // sigma Octantis
)

// designations completes the lists, whose polar part has Greek letters without
// constellations: names of the General Catalogue of Variable Stars and of Bayer.
var designations = map[int]string{84535: "λ UMi", 71348: "BQ Oct"}

type catalogue struct {
	stars        []Star // brightest first
	north, south []*Star
	byName       map[string]*Star // folded names
}

// theCatalogue is read once, from bytes that are part of the program.
var theCatalogue = sync.OnceValue(func() *catalogue {
	c, err := readCatalogue()
	if err != nil {
		panic(fmt.Sprintf("embedded star lists: %v", err)) // a test reads them
	}
	return c
})

func readCatalogue() (*catalogue, error) {
	c := &catalogue{byName: map[string]*Star{}}
	seen := map[string]bool{}
	for _, list := range []struct {
		text          []byte
		constellation string // of the Greek letters in a list without that column
	}{{northCSV, "UMi"}, {southCSV, "Oct"}, {brightCSV, ""}} {
		rows, err := readList(list.text, list.constellation)
		if err != nil {
			return nil, err
		}
		for _, s := range rows {
			if !seen[s.ID()] {
				seen[s.ID()] = true
				c.stars = append(c.stars, s)
			}
		}
	}
	slices.SortStableFunc(c.stars, func(a, b Star) int {
		if a.VMag < b.VMag {
			return -1
		}
		return 1
	})
	const nearPoleDeg = 84 - 1e-3
	for i := range c.stars {
		s := &c.stars[i]
		switch {
		case s.DecDeg > nearPoleDeg:
			c.north = append(c.north, s)
		case s.DecDeg < -nearPoleDeg:
			c.south = append(c.south, s)
		}
		for _, name := range s.names() {
			if _, taken := c.byName[name]; !taken {
				c.byName[name] = s
			}
		}
	}
	return c, nil
}

func readList(text []byte, constellation string) ([]Star, error) {
	r := csv.NewReader(bytes.NewReader(text))
	rows, err := r.ReadAll()
	if err != nil {
		return nil, err
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	var stars []Star
	for n, row := range rows[1:] {
		cell := func(name string) string {
			if i, ok := column[name]; ok {
				return row[i]
			}
			return ""
		}
		number := func(name string) float64 {
			if cell(name) == "" { // no parallax, no radial velocity, no B-V
				return 0
			}
			v, e := strconv.ParseFloat(cell(name), 64)
			if e != nil && err == nil {
				err = fmt.Errorf("row %d, %s: %w", n+2, name, e)
			}
			return v
		}
		s := Star{
			TYC: cell("tyc"), Name: cell("name"),
			RADeg: number("ra_deg_j2000"), DecDeg: number("dec_deg_j2000"),
			PMRA: number("pm_ra_cosdec_masyr"), PMDec: number("pm_dec_masyr"),
			ParallaxMas: number("parallax_mas"), RVKms: number("rv_kms"),
			VMag: number("vmag"), BV: number("bv"),
		}
		s.HIP = int(number("hip"))
		if letter := cell("bayer"); letter != "" {
			con := cell("con")
			if con == "" {
				con = constellation
			}
			s.Designation = letter + " " + con
		} else {
			s.Designation = designations[s.HIP]
		}
		if err != nil {
			return nil, err
		}
		s.prepare()
		stars = append(stars, s)
	}
	return stars, nil
}

// ID is the catalogue number: "HIP 11767", or "TYC 4628-237-1" for the few
// without a Hipparcos number.
func (s *Star) ID() string {
	if s.HIP != 0 {
		return "HIP " + strconv.Itoa(s.HIP)
	}
	return "TYC " + s.TYC
}

// names are all ways to ask for the star, folded.
func (s *Star) names() []string {
	names := []string{fold(s.ID())}
	if s.HIP != 0 {
		names = append(names, strconv.Itoa(s.HIP))
	}
	if s.Name != "" {
		names = append(names, fold(s.Name))
	}
	if s.Designation != "" {
		names = append(names, fold(s.Designation))
		letter, con, _ := strings.Cut(s.Designation, " ")
		greek := strings.TrimRight(letter, "0123456789")
		if latin, ok := greekNames[greek]; ok {
			names = append(names, fold(latin+letter[len(greek):]+con))
		}
	}
	return names
}

var greekNames = map[string]string{
	"α": "alpha", "β": "beta", "γ": "gamma", "δ": "delta", "ε": "epsilon", "ζ": "zeta", "η": "eta", "θ": "theta",
	"ι": "iota", "κ": "kappa", "λ": "lambda", "μ": "mu", "ν": "nu", "ξ": "xi", "ο": "omicron", "π": "pi", "ρ": "rho",
	"σ": "sigma", "τ": "tau", "υ": "upsilon", "φ": "phi", "χ": "chi", "ψ": "psi", "ω": "omega",
}

// fold makes names comparable: no case, no blanks, no signs between words.
func fold(name string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case ' ', '_', '\t':
			return -1
		}
		return r
	}, strings.ToLower(name))
}

// Stars are all embedded stars, brightest first: those to V 3.5 over the whole
// sky, and to V 8.0 within 6° of both poles. The slice is the package's own.
func Stars() []Star { return theCatalogue().stars }

// Find looks a star up by Hipparcos number ("HIP 11767", "11767"), Tycho number
// ("TYC 4628-237-1"), proper name ("Polaris") or designation ("α UMi",
// "alpha UMi"); case and blanks do not matter. "pole-star" is not a name here,
// see PoleStar.
func Find(name string) (*Star, error) {
	if s, ok := theCatalogue().byName[fold(name)]; ok {
		return s, nil
	}
	return nil, fmt.Errorf("star %q: not in the lists (to magnitude 3.5, to 8.0 within 6° of the poles): give a HIP number, a proper name or a designation such as %q", name, "alpha UMi")
}

// PoleStar is the star that marks the pole of a hemisphere: alpha Ursae Minoris
// or sigma Octantis.
func PoleStar(h astro.Hemisphere) *Star {
	hip := polaris
	if h == astro.South {
		hip = sigOct
	}
	return theCatalogue().byName[strconv.Itoa(hip)]
}

// Polar are the stars within 6° of a pole (J2000) down to magnitude limitMag,
// at most 8.0, brightest first: the candidates that a finder shows.
func Polar(h astro.Hemisphere, limitMag float64) []*Star {
	list := theCatalogue().north
	if h == astro.South {
		list = theCatalogue().south
	}
	n := 0
	for n < len(list) && list[n].VMag <= limitMag {
		n++
	}
	return list[:n:n]
}
