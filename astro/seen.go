package astro

import "time"

// Seen is a star as it stands above a site at one moment, where the air makes
// it appear.
type Seen struct {
	ID   string  `json:"id"`              // "HIP 11767"
	Name string  `json:"name"`            // proper name or designation, else the ID
	VMag float64 `json:"v_mag,omitempty"` // 0 and left out for Sun, Moon and planets
	Direction
}

// SeenAt is a star at a moment.
type SeenAt struct {
	Time time.Time `json:"time"`
	Seen
}

// Span is a stretch of time.
type Span struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
}

// Length is the duration of the span.
func (s Span) Length() time.Duration { return s.Until.Sub(s.From) }
