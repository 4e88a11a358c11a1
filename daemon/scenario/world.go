package scenario

import (
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors"
	"plumbstar/sensors/sim"
)

// World is the board's surroundings: how it is held, the field there, the
// temperature. It feeds the simulated chips.
type World struct {
	path  *Path
	board quat.Number // board to body: how crookedly the board is screwed on

	mu      sync.Mutex
	fieldUT r3.Vec // ENU, the Earth's and what steel nearby adds
	ironUT  r3.Vec // body axes: iron that turns with the tracker
	// visitor is what comes and goes, ENU; nil: nothing.
	visitor func(t time.Duration) r3.Vec
	temp    func(t time.Duration) float64
	tremor  r3.Vec // m/s², amplitude of shaking hands while a turn runs
}

// At is the board's physical state at time t.
func (w *World) At(t time.Duration) sim.Environment {
	w.mu.Lock()
	field, temp, tremor := w.fieldUT, w.temp(t), w.tremor
	iron := w.ironUT
	if w.visitor != nil {
		field = r3.Add(field, w.visitor(t))
	}
	w.mu.Unlock()
	body, rate := w.path.At(t)
	inv, board := quat.Conj(quat.Mul(body, w.board)), quat.Conj(w.board)
	force := r3.Vec{Z: sensors.StandardGravity}
	if rate != (r3.Vec{}) {
		s := t.Seconds()
		// Three hand tremors that do not beat together (8 to 12 Hz is the
		// physiological range, from memory).
		force = r3.Add(force, r3.Vec{
			X: tremor.X * math.Sin(2*math.Pi*8.3*s),
			Y: tremor.Y * math.Sin(2*math.Pi*9.7*s),
			Z: tremor.Z * math.Sin(2*math.Pi*11.1*s),
		})
	}
	return sim.Environment{
		Force:   rotate(inv, force),
		Rate:    rotate(board, rate),
		FieldUT: r3.Add(rotate(inv, field), rotate(board, iron)),
		TempC:   temp,
	}
}

// SetField replaces the field, ENU, µT: steel comes or goes.
func (w *World) SetField(enu r3.Vec) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fieldUT = enu
}

// Field is the present field, ENU, µT.
func (w *World) Field() r3.Vec {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.fieldUT
}

func (w *World) setTemp(f func(t time.Duration) float64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.temp = f
}
