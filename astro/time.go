package astro

import (
	"fmt"
	"strings"
	"time"
)

// Instant is a moment of UTC. Unlike time.Time it can lie within a leap second
// (23:59:60). The zero value is the zero time.Time; compare with ==.
type Instant struct {
	t    time.Time // UTC without a monotonic reading; within a leap second: one second later, so 00:00:00.x
	leap bool
}

// InstantOf is the moment that t means. The computer's clock has no leap
// second, so neither has the result.
func InstantOf(t time.Time) Instant { return Instant{t: t.UTC().Round(0)} }

// ParseInstant reads RFC 3339 ("2026-09-12T21:30:05.25Z", offsets allowed).
// Second 60 is accepted only where the table has a leap second; after the
// table's end nobody can say, and it is refused with that reason.
func ParseInstant(s string) (Instant, error) {
	text := s
	i := len("2006-01-02T15:04:")
	leap := len(s) > i+2 && s[i:i+2] == "60"
	if leap {
		text = s[:i] + "59" + s[i+2:]
	}
	var t time.Time
	if err := t.UnmarshalText([]byte(text)); err != nil {
		return Instant{}, fmt.Errorf("time %q: give RFC 3339 such as 2026-09-12T21:30:00Z%s", s, timeFault(text))
	}
	t = t.UTC()
	if !leap {
		return Instant{t: t}, nil
	}
	after := t.Add(time.Second)
	if !isLeapSecondBefore(after.Truncate(time.Second)) {
		return Instant{}, fmt.Errorf("time %q: no leap second is known there (announced until %s)", s, leapKnownUntil.Format(time.DateOnly))
	}
	return Instant{t: after, leap: true}, nil
}

// timeFault adds the part of Go's own diagnosis that helps: a day or an hour
// that does not exist.
func timeFault(s string) string {
	_, err := time.Parse(time.RFC3339Nano, s)
	if err == nil {
		return ""
	}
	if _, what, found := strings.Cut(err.Error(), "\": "); found {
		return " (" + what + ")"
	}
	return ""
}

// Time is the moment as UTC. Within a leap second it is the same fraction of
// the second that follows, where UT1 is closest.
func (i Instant) Time() time.Time { return i.t }

// InLeapSecond tells 23:59:60 from the second that follows.
func (i Instant) InLeapSecond() bool { return i.leap }

// String is RFC 3339 in UTC.
func (i Instant) String() string {
	if !i.leap {
		return i.t.Format(time.RFC3339Nano)
	}
	s := i.t.Add(-time.Second).Format(time.RFC3339Nano)
	at := len("2006-01-02T15:04:")
	return s[:at] + "60" + s[at+2:]
}

// JulianUT is the Julian date of Universal Time, see the function JulianUT.
// Within a leap second it is the date of Time.
func (i Instant) JulianUT() float64 { return JulianUT(i.t) }

// JulianTT is the Julian date of Terrestrial Time, see the function JulianTT.
func (i Instant) JulianTT() float64 {
	s, _ := i.TAIMinusUTC()
	return julianDate(i.t, s+ttMinusTAI)
}

// TAIMinusUTC is the function TAIMinusUTC, right within leap seconds too.
func (i Instant) TAIMinusUTC() (seconds float64, known bool) {
	if i.leap {
		return TAIMinusUTC(i.t.Add(-time.Second))
	}
	return TAIMinusUTC(i.t)
}

// DecimalYear is the function DecimalYear of Time.
func (i Instant) DecimalYear() float64 { return DecimalYear(i.t) }

// DecimalYear is the year and the fraction of it that has passed, 2025.5 at
// noon of 2025-07-02: the time argument of magnetic models. Common and leap
// years are divided by their own length; leap seconds (3e-8 year) are ignored.
func DecimalYear(t time.Time) float64 {
	t = t.UTC()
	year := t.Year()
	start := time.Date(year, time.January, 1, 0, 0, 0, 0, time.UTC).Unix()
	end := time.Date(year+1, time.January, 1, 0, 0, 0, 0, time.UTC).Unix()
	passed := float64(t.Unix()-start) + float64(t.Nanosecond())*1e-9
	return float64(year) + passed/float64(end-start)
}
