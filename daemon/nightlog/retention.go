package nightlog

import "context"

// The oldest data go first until slack of the limit is free, in slices so that
// no transaction is long; maxSlices bounds one look.
const (
	slack     = 0.05
	maxSlices = 40
)

// thinning is the order in which old data are removed.
var thinning = [...]struct {
	name, query string
	slice       int
}{
	{"full_rate_s", `DELETE FROM full_rate WHERE id IN (SELECT id FROM full_rate ORDER BY id LIMIT ?)`, 300},
	{"samples", `DELETE FROM samples WHERE id IN (SELECT id FROM samples ORDER BY id LIMIT ?)`, 1000},
	{"events", `DELETE FROM events WHERE id IN (SELECT id FROM events ORDER BY id LIMIT ?)`, 1000},
}

// thin looks at the size and removes the oldest full-rate seconds, then the
// oldest samples, then the oldest events. Nights, calibrations, sightings and
// sites stay. What remains too much is left for the next look. The file keeps its
// size and fills the space again; a backup takes only what is used.
func (w *writer) thin(ctx context.Context) {
	used, err := w.db.used(ctx)
	removed := map[string]float64{}
	if err == nil && used > w.maxBytes {
		target := int64(float64(w.maxBytes) * (1 - slack))
		for step, n := 0, 0; err == nil && step < len(thinning) && used > target && n < maxSlices; n++ {
			var gone int64
			if gone, err = w.remove(ctx, thinning[step].query, thinning[step].slice); gone == 0 {
				step++
				continue
			}
			removed[thinning[step].name] += float64(gone)
			used, err = w.db.used(ctx)
		}
	}
	w.l.mu.Lock()
	w.l.health.Bytes = used
	w.l.mu.Unlock()
	if len(removed) > 0 {
		w.note(Event{Kind: "log-thinned", Text: "The oldest data were removed to keep the night log within its size.", Numbers: removed})
	}
	if err != nil {
		w.l.log.Warn("the night log could not be thinned", "error", wrap("remove old data", w.l.path, err))
	}
}

func (w *writer) remove(ctx context.Context, query string, slice int) (gone int64, err error) {
	err = w.db.transact(ctx, func() error {
		r, err := w.db.conn.ExecContext(ctx, query, slice)
		if err != nil {
			return err
		}
		gone, err = r.RowsAffected()
		return err
	})
	return gone, err
}
