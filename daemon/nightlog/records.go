package nightlog

import (
	"encoding/json"
	"math"
	"time"
)

// Site is a place on the WGS 84 ellipsoid. Sites are never changed or removed.
type Site struct {
	ID      int64 // 0 until stored
	Name    string
	LatDeg  float64 // north positive
	LonDeg  float64 // east positive
	HeightM float64
	Note    string
}

// NightInfo is what is known of a night when it begins.
type NightInfo struct {
	Name, Note string
	Site       *Site           // nil when not known
	Settings   json.RawMessage // the settings used; may be nil
}

// Night is a stored night.
type Night struct {
	ID int64
	NightInfo
	// Begin and End are dated by the best clock of the first and last run. End is
	// that of the last record while the night is open or when it was cut short.
	Begin, End time.Time
	// Open is true until the night was ended.
	Open bool
	// ClockSigmaS and ClockSource are those of Begin; see Moment.
	ClockSigmaS float64
	ClockSource string
	// Runs counts the starts of the program in this night.
	Runs int
}

// Event is something that happened.
type Event struct {
	Kind string // stable, machine-readable: "moved", "sensor-lost"
	Text string // one sentence
	// Numbers go with the event; keys end in the unit. What is not a number is left out.
	Numbers map[string]float64
}

// StoredEvent is an event with its place in the log.
type StoredEvent struct {
	ID    int64
	Night int64 // 0 between nights
	UTC   time.Time
	// TS is the time since the beginning of the night, seconds; between nights
	// since that of the run.
	TS float64
	Event
}

// Calibration is one stored calibration. A row is never changed: a better one
// names the row that it takes the place of.
type Calibration struct {
	ID   int64     // 0 until stored
	UTC  time.Time // given by the log
	Kind string    // what it corrects: "accelerometer", "compass", "axis"
	Chip string    // identity of the sensor that it is for
	Data json.RawMessage
	// SigmaDeg is the 1 sigma of the direction that it leaves; NaN when not known.
	SigmaDeg float64
	TempC    float64 // of the chip; NaN when not known
	Site     *Site   // nil when not known
	Note     string
	// Supersedes is the row that this one takes the place of, 0 for none;
	// SupersededBy is given by the log.
	Supersedes, SupersededBy int64
}

// Sighting is one stored sighting: the axis or the sighting edge pointed at
// something known. Rows are never changed.
type Sighting struct {
	ID   int64     // 0 until stored
	UTC  time.Time // given by the log
	Kind string    // "sun shadow", "pole star", "landmark"
	Data json.RawMessage
	// AzimuthSigmaDeg and AltitudeSigmaDeg are the 1 sigma of what it fixes; NaN for
	// what it does not.
	AzimuthSigmaDeg, AltitudeSigmaDeg float64
	TempC                             float64 // NaN when not known
	Site                              *Site   // nil when not known
	Note                              string
	Supersedes, SupersededBy          int64 // as in Calibration
}

// numbersJSON is e.Numbers without what JSON cannot say.
func (e Event) numbersJSON() string {
	finite := map[string]float64{}
	for k, v := range e.Numbers {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			finite[k] = v
		}
	}
	b, err := json.Marshal(finite)
	if err != nil {
		return "{}" // not reached: strings and finite numbers can be written
	}
	return string(b)
}
