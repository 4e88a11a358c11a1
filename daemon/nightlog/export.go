package nightlog

import (
	"cmp"
	"context"
	"encoding/json"
	"io"
	"math"
	"slices"
	"time"
)

// Export writes a table of a night (or Latest, or All) row by row, in memory that
// does not grow with it. Dictionary says what the columns are. Calibrations,
// sightings and sites belong to no night: all are written.
func (r *Reader) Export(ctx context.Context, w io.Writer, t Table, night int64, f Format) error {
	if night != All {
		n, err := r.Night(ctx, night)
		if err != nil {
			return err
		}
		night = n.ID
	}
	out := newRowWriter(w, f, t.fields())
	var err error
	switch t {
	case TableSamples:
		err = r.exportSamples(ctx, out, night)
	case TableEvents:
		err = r.exportEvents(ctx, out, night)
	case TableFullRate:
		err = r.exportFullRate(ctx, out, night)
	case TableNights:
		err = r.exportNights(ctx, out, night)
	case TableCalibrations:
		err = r.exportCalibrations(ctx, out)
	case TableSightings:
		err = r.exportSightings(ctx, out)
	case TableSites:
		err = r.exportSites(ctx, out)
	}
	if err != nil {
		return err
	}
	return out.flush()
}

func (w *rowWriter) place(night int64, utc time.Time, ts float64) {
	w.row(night)
	w.time(utc)
	w.number(ts, 3)
}

func (r *Reader) exportSamples(ctx context.Context, w *rowWriter, night int64) error {
	qs := quantities()
	for s, err := range r.Samples(ctx, night) {
		if err != nil {
			return err
		}
		w.place(s.Night, s.UTC, s.TS)
		w.text(s.State)
		for _, q := range qs {
			w.number(*q.of(&s.Sample), q.digits)
		}
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Reader) exportEvents(ctx context.Context, w *rowWriter, night int64) error {
	for e, err := range r.Events(ctx, night) {
		if err != nil {
			return err
		}
		w.place(e.Night, e.UTC, e.TS)
		w.text(e.Kind)
		w.text(e.Text)
		w.json(json.RawMessage(e.numbersJSON()))
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}

// fullRateRow is one reading of either chip.
type fullRateRow struct {
	at    time.Duration
	cells [10]float64 // ax to temp_C
}

func (r *Reader) exportFullRate(ctx context.Context, w *rowWriter, night int64) error {
	empty := fullRateRow{}
	for i := range empty.cells {
		empty.cells[i] = math.NaN()
	}
	for d, err := range r.FullRate(ctx, night) {
		if err != nil {
			return err
		}
		var rows []fullRateRow
		for _, x := range d.Inertial {
			row := empty
			row.at = x.At
			copy(row.cells[:], []float64{x.Accel.X, x.Accel.Y, x.Accel.Z, x.Gyro.X, x.Gyro.Y, x.Gyro.Z})
			row.cells[9] = x.TempC
			rows = append(rows, row)
		}
		for _, x := range d.Magnetic {
			row := empty
			row.at = x.At
			copy(row.cells[6:], []float64{x.FieldUT.X, x.FieldUT.Y, x.FieldUT.Z})
			rows = append(rows, row)
		}
		slices.SortStableFunc(rows, func(a, b fullRateRow) int { return cmp.Compare(a.at, b.at) })
		for _, row := range rows {
			after := row.at - d.At
			w.number(d.TS+after.Seconds(), 6)
			for i, v := range row.cells {
				w.number(v, [10]int{6, 6, 6, 6, 6, 6, 3, 3, 3, 2}[i])
			}
			w.time(d.UTC.Add(after))
			if err := w.end(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *Reader) exportNights(ctx context.Context, w *rowWriter, night int64) error {
	list, err := r.Nights(ctx)
	if err != nil {
		return err
	}
	for _, n := range list {
		if night != All && night != n.ID {
			continue
		}
		w.row(n.ID)
		w.text(n.Name)
		w.text(n.Note)
		w.time(n.Begin)
		w.time(n.End)
		open := 0.0
		if n.Open {
			open = 1
		}
		w.number(open, 0)
		w.number(float64(n.Runs), 0)
		sigma := n.ClockSigmaS
		if sigma < 0 {
			sigma = math.NaN()
		}
		w.number(sigma, -1)
		w.text(n.ClockSource)
		w.site(n.Site)
		w.json(n.Settings)
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Reader) exportCalibrations(ctx context.Context, w *rowWriter) error {
	list, err := r.Calibrations(ctx)
	if err != nil {
		return err
	}
	for _, c := range list {
		w.row(c.ID)
		w.time(c.UTC)
		w.text(c.Kind)
		w.text(c.Chip)
		w.json(c.Data)
		w.number(c.SigmaDeg, -1)
		w.number(c.TempC, -1)
		w.site(c.Site)
		w.text(c.Note)
		w.row(c.Supersedes)
		w.row(c.SupersededBy)
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Reader) exportSightings(ctx context.Context, w *rowWriter) error {
	list, err := r.Sightings(ctx)
	if err != nil {
		return err
	}
	for _, s := range list {
		w.row(s.ID)
		w.time(s.UTC)
		w.text(s.Kind)
		w.json(s.Data)
		w.number(s.AzimuthSigmaDeg, -1)
		w.number(s.AltitudeSigmaDeg, -1)
		w.number(s.TempC, -1)
		w.site(s.Site)
		w.text(s.Note)
		w.row(s.Supersedes)
		w.row(s.SupersededBy)
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}

func (r *Reader) exportSites(ctx context.Context, w *rowWriter) error {
	list, err := r.Sites(ctx)
	if err != nil {
		return err
	}
	for _, s := range list {
		w.site(&s)
		w.text(s.Note)
		if err := w.end(); err != nil {
			return err
		}
	}
	return nil
}
