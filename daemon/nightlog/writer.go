package nightlog

import (
	"context"
	"time"
)

// writer is the goroutine that owns the database.
type writer struct {
	l        *Log
	maxBytes int64
	db       *database // nil while it cannot be opened
	batch    []queued  // taken from the queue, not committed yet
	state    runState
	asides   int
	commits  int
	problem  *Error
}

// maxAside bounds how many files one start sets aside: a disk that breaks every
// file is not helped by more of them. checkCommits is how many commits lie
// between two looks at the size.
const (
	maxAside     = 3
	checkCommits = 60
)

// begin opens the database for the first time.
func (w *writer) begin() {
	ctx := context.Background()
	if e := w.reopen(ctx); e != nil {
		w.failed(e)
	}
}

func (w *writer) work() {
	defer close(w.l.done)
	ctx := context.Background()
	tick := time.NewTicker(w.l.every)
	defer tick.Stop()
	if w.db != nil {
		w.thin(ctx)
	}
	for {
		select {
		case <-tick.C:
			w.commit(ctx, true)
		case <-w.l.wake:
			w.commit(ctx, false)
		case <-w.l.quit:
			w.commit(ctx, true)
			w.take()
			if w.db != nil {
				w.db.close()
			}
			for _, q := range w.batch {
				q.answer(&Error{Path: w.l.path, Kind: Closed})
			}
			return
		}
	}
}

// commit writes what waits. While the database fails, only the clock and a
// caller who waits make it try again: a storm of events must not.
func (w *writer) commit(ctx context.Context, due bool) {
	waits := w.take()
	if len(w.batch) == 0 || w.problem != nil && !due && !waits {
		return
	}
	err := w.reopen(ctx)
	if err == nil {
		err = w.write(ctx)
	}
	for err != nil && err.Kind == Broken && w.asides < maxAside {
		if err = w.setAside(ctx, err); err == nil {
			err = w.write(ctx)
		}
	}
	if err != nil {
		w.failed(err)
		return
	}
	w.recovered()
	if w.commits++; w.commits%checkCommits == 0 {
		w.thin(ctx)
	}
}

// take moves the queue into the batch; waits tells whether a caller waits.
func (w *writer) take() (waits bool) {
	w.l.mu.Lock()
	w.batch = append(w.batch, w.l.pending...)
	clear(w.l.pending)
	w.l.pending = w.l.pending[:0]
	w.l.health.Waiting = len(w.batch)
	w.l.mu.Unlock()
	for _, q := range w.batch {
		waits = waits || q.reply != nil
	}
	return waits
}

// reopen makes sure that the database is open.
func (w *writer) reopen(ctx context.Context) *Error {
	if w.db != nil {
		return nil
	}
	db, err := openDatabase(ctx, w.l.path, migrations())
	if err == nil {
		w.db = db
		return nil
	}
	e := wrap("open", w.l.path, err)
	if e.Kind == Broken && w.asides < maxAside {
		return w.setAside(ctx, e)
	}
	return e
}

// write commits the batch in one transaction. Records that the database rejects
// are dropped; every other failure keeps the batch for later.
func (w *writer) write(ctx context.Context) *Error {
	t := &tx{ctx: ctx, conn: w.db.conn, stmts: w.db.stmts, state: w.state}
	rejected := map[int]*Error{}
	err := w.db.transact(ctx, func() error {
		for i, q := range w.batch {
			if err := q.apply(t); err != nil {
				e := wrap("write", w.l.path, err)
				if e.Kind != Rejected && e.Kind != NotFound {
					return e
				}
				e.Path = w.l.path
				rejected[i] = e
			}
		}
		return nil
	})
	if err != nil {
		return wrap("write", w.l.path, err)
	}
	w.state = t.state
	w.l.mu.Lock()
	w.l.health.Waiting = 0
	w.l.health.Written += uint64(len(w.batch) - len(rejected))
	w.l.health.Dropped += uint64(len(rejected))
	w.l.health.Problem = nil // before anyone hears of the success
	w.l.night = w.state.night
	for _, q := range w.batch {
		w.l.waiting[q.class] -= q.size
	}
	w.l.mu.Unlock()
	for i, q := range w.batch {
		e := rejected[i]
		if e == nil {
			q.answer(nil)
			continue
		}
		q.answer(e)
		if q.reply == nil {
			w.l.log.Warn("night log: a record was dropped", "error", e)
		}
	}
	clear(w.batch)
	w.batch = w.batch[:0]
	return nil
}

// failed notes that the database cannot be written. Who waits is told; the rest
// of the batch waits for better times.
func (w *writer) failed(e *Error) {
	if w.db != nil && e.Kind != Full && e.Kind != Busy {
		w.db.close()
		w.db = nil
	}
	keep := w.batch[:0]
	w.l.mu.Lock()
	for _, q := range w.batch {
		if q.reply == nil {
			keep = append(keep, q)
			continue
		}
		w.l.waiting[q.class] -= q.size
		q.answer(e) // its channel has room
	}
	clear(w.batch[len(keep):])
	w.batch = keep
	w.l.health.Waiting = len(keep)
	w.l.health.Problem = e
	w.l.mu.Unlock()
	if w.problem == nil || w.problem.Kind != e.Kind {
		w.l.log.Error("the night log cannot be written; guidance goes on", "error", e)
	}
	w.problem = e
}

// recovered tells of the first commit after a failure.
func (w *writer) recovered() {
	if w.problem == nil {
		return
	}
	was := w.problem
	w.problem = nil
	dropped := w.l.Health().Dropped
	w.l.log.Info("the night log is written again", "dropped", dropped)
	w.note(Event{Kind: "log-resumed", Text: "The night log could not be written for a while: " + advice[was.Kind] + ".",
		Numbers: map[string]float64{"dropped": float64(dropped)}})
}

// note writes an event of the log's own.
func (w *writer) note(e Event) {
	w.l.push(&eventOp{at: w.state.last, Event: e}, classOther, 1, true)
}
