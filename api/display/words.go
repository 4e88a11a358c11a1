package display

import (
	"strings"

	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
)

// words are those of one language. They are as short as the glass is small.
type words struct {
	raise, lower, east, west string
	altitude, direction      string
	altitudeOK, directionOK  string
	leaveIt                  string
	toLeft, toRight          string
	state                    map[estimator.State]string
	watched                  string // instead, while the watch is armed
	notKnown, wait, moved    string
	noAltitude, noDirection  string
	starting, noNews, tooOld string
	within, ofPole           string
	pairing                  string
	comma                    bool
}

var english = words{
	raise: "RAISE", lower: "LOWER", east: "EAST", west: "WEST",
	altitude: "ALTITUDE", direction: "DIRECTION",
	altitudeOK: "ALTITUDE OK", directionOK: "DIRECTION OK", leaveIt: "LEAVE IT",
	toLeft: "to your left", toRight: "to your right",
	state: map[estimator.State]string{
		estimator.Settling: "settling", estimator.Steady: "steady", estimator.Moving: "moving",
		estimator.Disturbed: "disturbed", estimator.Stale: "old", estimator.Lost: "lost",
	},
	watched:  "watched",
	notKnown: "NOT KNOWN", wait: "WAIT", moved: "MOVED",
	noAltitude: "ALTITUDE ?", noDirection: "DIRECTION ?",
	starting: "plumbstar starts", noNews: "the program gives no news", tooOld: "the last reading is too old",
	within: "within", ofPole: "of the pole",
	pairing: "pairing code",
}

var german = words{
	raise: "HÖHER", lower: "TIEFER", east: "OST", west: "WEST",
	altitude: "HÖHE", direction: "RICHTUNG",
	altitudeOK: "HÖHE STIMMT", directionOK: "RICHTUNG OK", leaveIt: "SO LASSEN",
	toLeft: "nach links", toRight: "nach rechts",
	state: map[estimator.State]string{
		estimator.Settling: "beruhigt", estimator.Steady: "ruhig", estimator.Moving: "bewegt",
		estimator.Disturbed: "gestört", estimator.Stale: "alt", estimator.Lost: "fehlt",
	},
	watched:  "bewacht",
	notKnown: "UNBEKANNT", wait: "WARTEN", moved: "BEWEGT!",
	noAltitude: "HÖHE ?", noDirection: "RICHTUNG ?",
	starting: "plumbstar startet", noNews: "das Programm meldet sich nicht", tooOld: "die letzte Messung ist zu alt",
	within: "auf", ofPole: "am Pol",
	pairing: "Kopplungscode",
	comma:   true,
}

func wordsOf(language string) *words {
	if language == config.German {
		return &german
	}
	return &english
}

// number gives the language its decimal sign.
func (w *words) number(s string) string {
	if w.comma {
		return strings.ReplaceAll(s, ".", ",")
	}
	return s
}
