package gnss

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// fields reads the fields of a sentence one by one and keeps the first error.
// An empty or absent field is not known: NaN, -1 or an empty text.
type fields struct {
	kind string
	f    []string
	err  error
}

func (r *fields) text(i int) string {
	if i < len(r.f) {
		return r.f[i]
	}
	return ""
}

func (r *fields) refuse(i int, want string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s field %d %.20q: want %s", ErrField, r.kind, i+1, r.text(i), want)
	}
}

// number is a plain decimal number from lo to hi.
func (r *fields) number(i int, lo, hi float64) float64 {
	s := r.text(i)
	if s == "" {
		return math.NaN()
	}
	v, ok := decimal(s)
	if !ok || v < lo || v > hi {
		r.refuse(i, fmt.Sprintf("a number from %g to %g", lo, hi))
		return math.NaN()
	}
	return v
}

// count is a whole number from 0 to hi.
func (r *fields) count(i, hi int) int {
	s := r.text(i)
	if s == "" {
		return -1
	}
	v, ok := digits(s)
	if !ok || v > hi {
		r.refuse(i, fmt.Sprintf("a whole number from 0 to %d", hi))
		return -1
	}
	return v
}

// letter is one of those in set, or 0.
func (r *fields) letter(i int, set string) byte {
	s := r.text(i)
	if s == "" {
		return 0
	}
	for k := range len(set) {
		if s[0] == set[k] && len(s) == 1 {
			return s[0]
		}
	}
	r.refuse(i, "one letter of "+set)
	return 0
}

// timeOfDay is hhmmss with or without a fraction; negative when not known.
// Second 60 is a leap second.
func (r *fields) timeOfDay(i int) time.Duration {
	s := r.text(i)
	if s == "" {
		return -1
	}
	if len(s) >= 6 {
		h, ok1 := digits(s[:2])
		m, ok2 := digits(s[2:4])
		sec, ok3 := decimal(s[4:])
		if ok1 && ok2 && ok3 && h < 24 && m < 60 && sec >= 0 && sec < 61 {
			return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(math.Round(sec*1e6))*time.Microsecond
		}
	}
	r.refuse(i, "hhmmss.ss")
	return -1
}

// angle is a latitude or longitude: degrees and minutes in one number in field
// i, hemisphere in the next. NaN when not known.
func (r *fields) angle(i, degreeDigits int, positive, negative byte, limit float64) float64 {
	s := r.text(i)
	side := r.letter(i+1, string([]byte{positive, negative}))
	if s == "" || side == 0 {
		return math.NaN()
	}
	if len(s) >= degreeDigits+2 {
		d, ok1 := digits(s[:degreeDigits])
		m, ok2 := decimal(s[degreeDigits:])
		if v := float64(d) + m/60; ok1 && ok2 && m >= 0 && m < 60 && v <= limit {
			if side == negative {
				v = -v
			}
			return v
		}
	}
	r.refuse(i, "degrees and minutes")
	return math.NaN()
}

// decimal is a plain number: sign, digits, point. What else ParseFloat takes
// (exponents, "inf", hexadecimal) is no NMEA number.
func decimal(s string) (float64, bool) {
	if len(s) > 24 {
		return 0, false
	}
	for k := range len(s) {
		c := s[k]
		if (c < '0' || c > '9') && c != '.' && (k > 0 || (c != '-' && c != '+')) {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

func digits(s string) (int, bool) {
	if len(s) == 0 || len(s) > 9 {
		return 0, false
	}
	n := 0
	for k := range len(s) {
		if s[k] < '0' || s[k] > '9' {
			return 0, false
		}
		n = 10*n + int(s[k]-'0')
	}
	return n, true
}
