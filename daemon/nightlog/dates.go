package nightlog

import (
	"context"
	"database/sql"
	"time"
)

// epoch is where UnixNano counts from.
var epoch = time.Unix(0, 0).UTC()

// run is one start of the program within a night, or a time between nights.
type run struct {
	id, night  int64 // night 0 between nights
	begin, end time.Duration
	ended      bool
	best       Moment // dates its rows
}

func (r *run) utc(at time.Duration) time.Time { return r.best.utc(at).UTC() }

// calendar knows the runs and dates their rows.
type calendar struct {
	runs   map[int64]*run
	nights map[int64][]*run
}

// readCalendar takes, of the moments of each run, the one with the least sigma,
// the latest among equals.
func readCalendar(ctx context.Context, q *sql.Tx) (*calendar, error) {
	c := &calendar{runs: map[int64]*run{}, nights: map[int64][]*run{}}
	rows, err := q.QueryContext(ctx, `SELECT id, coalesce(night,0), begin_ns, end_ns FROM runs ORDER BY id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		r := &run{best: Moment{UTC: epoch, SigmaS: -1, Source: "unknown"}}
		var begin int64
		var end sql.NullInt64
		if err := rows.Scan(&r.id, &r.night, &begin, &end); err != nil {
			return nil, err
		}
		r.begin, r.end, r.ended = time.Duration(begin), time.Duration(end.Int64), end.Valid
		c.runs[r.id] = r
		if r.night != 0 {
			c.nights[r.night] = append(c.nights[r.night], r)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	moments, err := q.QueryContext(ctx, `SELECT run, at_ns, utc_ns, coalesce(sigma_s,-1), source FROM clocks ORDER BY id`)
	if err != nil {
		return nil, err
	}
	defer moments.Close()
	seen := map[int64]bool{}
	for moments.Next() {
		var id, at, utc int64
		var m Moment
		if err := moments.Scan(&id, &at, &utc, &m.SigmaS, &m.Source); err != nil {
			return nil, err
		}
		m.At, m.UTC = time.Duration(at), time.Unix(0, utc).UTC()
		if r := c.runs[id]; r != nil && (!seen[id] || m.weight() <= r.best.weight()) {
			r.best, seen[id] = m, true
		}
	}
	return c, moments.Err()
}

// date places a row: its night, UTC, and seconds since the night, or outside of
// nights the run, began.
func (c *calendar) date(id int64, atNS int64) (night int64, utc time.Time, ts float64) {
	r := c.runs[id]
	if r == nil {
		return 0, epoch, 0
	}
	at := time.Duration(atNS)
	utc = r.utc(at)
	begin := r.utc(r.begin)
	if first := c.nights[r.night]; r.night != 0 && len(first) > 0 {
		begin = first[0].utc(first[0].begin)
	}
	return r.night, utc, utc.Sub(begin).Seconds()
}
