package nightlog

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"net/url"
	"os"
	"strings"
	"time"
)

// Reader answers questions about the log. It sees what was committed, also while
// a Log writes, in this process or another. Its methods must not be called from
// within a loop over one of its sequences: each uses the one connection.
type Reader struct {
	path string
	pool *sql.DB
	// undated goes on without the runs' moments when they cannot be read.
	undated bool
}

// OpenReader opens the database file at path, that of a Log or a backup.
func OpenReader(ctx context.Context, path string) (*Reader, error) {
	const op = "open"
	if _, err := os.Stat(path); err != nil {
		return nil, denied(wrap(op, path, err))
	}
	pool, err := sql.Open("sqlite", dsn(path, url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(2000)", "cache_size(-1000)"}}))
	if err != nil {
		return nil, wrap(op, path, err)
	}
	pool.SetMaxOpenConns(1)
	r := &Reader{path: path, pool: pool}
	id, err := identify(ctx, pool)
	if err == nil {
		switch latest := len(migrations()); {
		case id.empty, !id.ours:
			err = &Error{Op: op, Path: path, Kind: Broken}
		case id.version > latest:
			err = &Error{Op: op, Path: path, Kind: Newer}
		case id.version < readable:
			err = &Error{Op: op, Path: path, Kind: Older}
		}
	}
	if err != nil {
		r.Close()
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, denied(wrap(op, path, err))
	}
	return r, nil
}

// denied: a reader needs no write, but the right to make the index beside the file.
func denied(e *Error) *Error {
	if e.Kind == ReadOnly {
		e.Kind = Denied
	}
	return e
}

// Close ends the use of the file.
func (r *Reader) Close() { _ = r.pool.Close() }

func (r *Reader) fail(op string, err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	e := wrap(op, r.path, err)
	if e.Kind == Rejected { // who only reads stores nothing: a table or column is missing
		e.Kind = Broken
	}
	return e
}

// view runs f on one consistent state of the database.
func (r *Reader) view(ctx context.Context, op string, f func(*sql.Tx, *calendar) error) error {
	tx, err := r.pool.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return r.fail(op, err)
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	c, err := readCalendar(ctx, tx)
	if err != nil && r.undated {
		c, err = &calendar{}, nil
	}
	if err == nil {
		err = f(tx, c)
	}
	return r.fail(op, err)
}

// each calls f for every row of a query.
func each(ctx context.Context, tx rowQuerier, f func(*sql.Rows) error, query string, args ...any) error {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Nights lists the nights, oldest first.
func (r *Reader) Nights(ctx context.Context) (out []Night, err error) {
	err = r.view(ctx, "list the nights", func(tx *sql.Tx, c *calendar) error {
		out, err = nights(ctx, tx, c, 0)
		return err
	})
	return out, err
}

// Night is the night with that number; Latest asks for the newest.
func (r *Reader) Night(ctx context.Context, id int64) (n Night, err error) {
	err = r.view(ctx, "find a night", func(tx *sql.Tx, c *calendar) error {
		if id == Latest {
			if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(id),0) FROM nights`).Scan(&id); err != nil {
				return err
			}
		}
		list, err := nights(ctx, tx, c, id)
		if err == nil && (len(list) == 0 || id == 0) {
			err = &Error{Op: "find a night", Path: r.path, Kind: NotFound}
		}
		if err != nil {
			return err
		}
		n = list[0]
		return nil
	})
	return n, err
}

// Numbers of nights with a meaning of their own.
const (
	Latest int64 = -1
	All    int64 = 0 // every night and the time between
)

func nights(ctx context.Context, tx *sql.Tx, c *calendar, id int64) (out []Night, err error) {
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var n Night
		var settings sql.NullString
		var ended int64
		var s siteColumns
		if err := rows.Scan(append([]any{&n.ID, &n.Name, &n.Note, &settings, &ended}, s.targets()...)...); err != nil {
			return err
		}
		n.Site, n.Open = s.site(), ended == 0
		if settings.Valid && json.Valid([]byte(settings.String)) { // else damaged: the night stands without
			n.Settings = json.RawMessage(settings.String)
		}
		out = append(out, n)
		return nil
	}, `SELECT n.id, n.name, n.note, n.settings, n.ended, `+siteSelect+` FROM nights n LEFT JOIN sites s ON s.id = n.site WHERE ? IN (0, n.id) ORDER BY n.id`, id)
	for i := range out {
		if err == nil {
			err = span(ctx, tx, c.nights[out[i].ID], &out[i])
		}
	}
	return out, err
}

// span dates beginning and end of a night.
func span(ctx context.Context, tx *sql.Tx, runs []*run, n *Night) error {
	n.Runs, n.ClockSigmaS = len(runs), -1
	if len(runs) == 0 {
		return nil
	}
	first, last := runs[0], runs[len(runs)-1]
	n.Begin, n.ClockSigmaS, n.ClockSource = first.utc(first.begin), first.best.SigmaS, first.best.Source
	end := int64(last.end)
	if !last.ended {
		var key int64
		if err := tx.QueryRowContext(ctx, `SELECT coalesce((SELECT max(id) FROM samples WHERE id BETWEEN ?1 AND ?2),0), coalesce((SELECT max(at_ns) FROM events WHERE run = ?3),0)`,
			sampleKey(last.id, 0), sampleKey(last.id+1, 0)-1, last.id).Scan(&key, &end); err != nil {
			return err
		}
		_, at := splitSampleKey(key)
		end = max(end, int64(at), int64(last.begin))
	}
	n.End = last.utc(time.Duration(end))
	return nil
}

// DatedSample is a sample with its place in the log.
type DatedSample struct {
	Night int64 // 0 between nights
	UTC   time.Time
	TS    float64 // seconds, as StoredEvent.TS
	Sample
}

// inNight limits rows x to a night; its argument is the night or All.
const inNight = `FROM runs r JOIN %s x ON x.run = r.id WHERE ?1 IN (0, r.night) ORDER BY r.id, x.at_ns`

// Samples goes through the samples of a night in order. A failure ends it with an
// error. The night must be a number, or All.
func (r *Reader) Samples(ctx context.Context, night int64) iter.Seq2[*DatedSample, error] {
	return func(yield func(*DatedSample, error) bool) {
		qs := quantities()
		names := make([]string, len(qs))
		for i, q := range qs {
			names[i] = "x." + q.column
		}
		query := fmt.Sprintf(`SELECT x.id, x.state, %s FROM runs r JOIN samples x ON x.id BETWEEN r.id << %[2]d AND (r.id + 1 << %[2]d) - 1 WHERE ?1 IN (0, r.night) ORDER BY r.id, x.id`, strings.Join(names, ","), sampleBits)
		var key int64
		state := ""
		numbers := make([]sql.NullInt64, len(qs))
		targets := []any{&key, &state}
		for i := range numbers {
			targets = append(targets, &numbers[i])
		}
		err := r.view(ctx, "read samples", func(tx *sql.Tx, c *calendar) error {
			return each(ctx, tx, func(rows *sql.Rows) error {
				if err := rows.Scan(targets...); err != nil {
					return err
				}
				d := &DatedSample{}
				var run int64
				run, d.At = splitSampleKey(key)
				d.State = state
				d.Night, d.UTC, d.TS = c.date(run, int64(d.At))
				for i, q := range qs {
					v := math.NaN()
					if x := float64(numbers[i].Int64); numbers[i].Valid && math.Abs(x) <= most {
						v = x / q.scale
					}
					*q.of(&d.Sample) = v
				}
				if !yield(d, nil) {
					return errStop
				}
				return nil
			}, query, night)
		})
		if err != nil && !errors.Is(err, errStop) {
			yield(nil, err)
		}
	}
}

// errStop ends a query whose reader has seen enough.
var errStop = errors.New("enough")

// Events goes through the events of a night in order.
func (r *Reader) Events(ctx context.Context, night int64) iter.Seq2[*StoredEvent, error] {
	return func(yield func(*StoredEvent, error) bool) {
		err := r.view(ctx, "read events", func(tx *sql.Tx, c *calendar) error {
			return each(ctx, tx, func(rows *sql.Rows) error {
				var e StoredEvent
				var run, at int64
				var numbers string
				if err := rows.Scan(&e.ID, &run, &at, &e.Kind, &e.Text, &numbers); err != nil {
					return err
				}
				if err := json.Unmarshal([]byte(numbers), &e.Numbers); err != nil {
					e.Numbers = map[string]float64{} // damaged: what happened stands without them
				}
				e.Night, e.UTC, e.TS = c.date(run, at)
				if !yield(&e, nil) {
					return errStop
				}
				return nil
			}, `SELECT x.id, x.run, x.at_ns, x.kind, x.text, x.numbers `+strings.Replace(inNight, "%s", "events", 1)+`, x.id`, night)
		})
		if err != nil && !errors.Is(err, errStop) {
			yield(nil, err)
		}
	}
}

// DatedSecond is a full-rate second with its place in the log.
type DatedSecond struct {
	Night int64
	UTC   time.Time
	TS    float64 // of Second.At, as StoredEvent.TS
	Second
}

// FullRate goes through the full-rate seconds of a night in order.
func (r *Reader) FullRate(ctx context.Context, night int64) iter.Seq2[*DatedSecond, error] {
	return func(yield func(*DatedSecond, error) bool) {
		err := r.view(ctx, "read full-rate data", func(tx *sql.Tx, c *calendar) error {
			return each(ctx, tx, func(rows *sql.Rows) error {
				var d DatedSecond
				var run, at int64
				var blob []byte
				if err := rows.Scan(&run, &at, &blob); err != nil {
					return err
				}
				var err error
				if d.Second, err = decodeSecond(time.Duration(at), blob); err != nil {
					return &Error{Op: "read full-rate data", Path: r.path, Kind: Broken, Err: err}
				}
				d.Night, d.UTC, d.TS = c.date(run, at)
				if !yield(&d, nil) {
					return errStop
				}
				return nil
			}, `SELECT x.run, x.at_ns, x.samples `+strings.Replace(inNight, "%s", "full_rate", 1)+`, x.id`, night)
		})
		if err != nil && !errors.Is(err, errStop) {
			yield(nil, err)
		}
	}
}
