// Package nightlog keeps what the nights leave behind: samples, full-rate
// seconds, events, calibrations, sightings and sites, in one SQLite database. It
// owns the schema alone.
//
// A Log takes records from the loop without ever making it wait and commits them
// in batches, each with a full sync, so that a power cut loses at most the last
// batch. A Reader answers questions, in the same or in another process.
//
// Times inside are monotonic. A row says how long after the start of the
// monotonic clock it was taken, and the run that it belongs to says what UTC that
// was, as well as it is known by now: a clock that is set late re-dates all rows
// of its run alike. See Clock.
package nightlog

import (
	"context"
	"encoding/json"
	"log/slog"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// FileName is the name of the database inside the state directory.
const FileName = "nightlog.db"

// DefaultEvery is how long a record waits for its commit at most;
// DefaultMaxBytes is the size above which the oldest data are thinned.
const (
	DefaultEvery    = 10 * time.Second
	DefaultMaxBytes = 1_000_000_000
)

// Moment is one reading of the monotonic clock and what it was in UTC.
type Moment struct {
	At  time.Duration // on the monotonic clock
	UTC time.Time
	// SigmaS is the 1-sigma error of UTC in seconds; negative when not known.
	SigmaS float64
	// Source says where UTC comes from: "system", "entered", "gnss".
	Source string
}

// Options is what a Log needs.
type Options struct {
	Dir string // the state directory; it must exist
	// Opened is the present moment: it dates the records that come before the
	// first night or the first Clock.
	Opened Moment
	// Every and MaxBytes default to DefaultEvery and DefaultMaxBytes.
	Every    time.Duration
	MaxBytes int64
	// Log hears of failures and recoveries; it may be nil.
	Log *slog.Logger
}

// Limits of what waits for a commit that does not succeed: half an hour of
// samples, two megabytes of full-rate data, and room for what else happens.
const (
	maxSamples       = 1800
	maxFullRateBytes = 2 << 20
	maxOthers        = 1000
)

type class int

const (
	classSample class = iota
	classFullRate
	classOther
	classes
)

// Log is the writing side. Its methods may be called from any goroutine; those
// without a context return at once and never wait for the disk.
type Log struct {
	path  string
	every time.Duration
	log   *slog.Logger

	wake chan struct{} // capacity 1: there is something urgent
	quit chan struct{}
	done chan struct{}

	mu      sync.Mutex // never held while the disk is used
	pending []queued
	waiting [classes]int // in pending and in the writer's batch
	closed  bool
	health  Health
	night   int64
	clock   Moment // the newest that was queued
}

// op is one record on its way into the database.
type op interface {
	// apply writes the record in an open transaction.
	apply(t *tx) error
}

// queued is an op with what the queue must know of it.
type queued struct {
	op
	class class
	size  int
	// reply, when set, hears how the commit went, once; such an op is not tried again.
	reply chan<- error
}

func (q queued) answer(err error) {
	if q.reply != nil {
		q.reply <- err
	}
}

// Health is how the log fares.
type Health struct {
	// Problem is what keeps the log from writing, nil when nothing does.
	Problem *Error
	// Text is the same for people, with its consequences; empty when all is well.
	Text string
	// Waiting counts the records that are not committed yet, Dropped those that
	// were given up because too many waited, Written those committed since the start.
	Waiting          int
	Dropped, Written uint64
	// Bytes is how much of the database file is in use, as last looked at.
	Bytes int64
	// Aside lists broken files that were set aside since the start; Rescued counts
	// the calibrations, sightings and sites that were read out of them.
	Aside   []string
	Rescued int
}

// Start opens the database in o.Dir, makes or migrates it, and begins to write.
// It never fails: a database that cannot be used is a matter of Health, and is
// tried again while records wait. Close must be called.
func Start(o Options) *Log {
	if o.Every <= 0 {
		o.Every = DefaultEvery
	}
	if o.MaxBytes <= 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	l := &Log{
		path: filepath.Join(o.Dir, FileName), every: o.Every, log: o.Log,
		wake: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{}),
		clock: o.Opened,
	}
	w := &writer{l: l, maxBytes: o.MaxBytes, state: runState{clock: o.Opened, last: o.Opened.At}}
	w.begin()
	go w.work()
	return l
}

// Path is the database file.
func (l *Log) Path() string { return l.path }

// Close commits what waits and closes the database; the error says what could
// not be committed. Records that come later are dropped.
func (l *Log) Close() error {
	l.mu.Lock()
	first := !l.closed
	l.closed = true
	l.mu.Unlock()
	if first {
		close(l.quit)
	}
	<-l.done
	if h := l.Health(); h.Waiting > 0 && h.Problem != nil {
		return h.Problem
	}
	return nil
}

// Health is how the log fares now.
func (l *Log) Health() Health {
	l.mu.Lock()
	defer l.mu.Unlock()
	h := l.health
	h.Aside = slices.Clone(h.Aside)
	h.Waiting = len(l.pending) + h.Waiting
	if h.Problem != nil {
		h.Text = h.Problem.consequences(h)
	}
	return h
}

// Night is the number of the night that records go to, as committed; ok is false
// between nights.
func (l *Log) Night() (id int64, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.night, l.night != 0
}

// push queues o; it is dropped and counted when too much of its class waits.
func (l *Log) push(o op, c class, size int, urgent bool) bool {
	return l.queue(queued{op: o, class: c, size: size}, urgent)
}

func (l *Log) queue(q queued, urgent bool) bool {
	limit := [classes]int{maxSamples, maxFullRateBytes, maxOthers}[q.class]
	l.mu.Lock()
	if l.closed || l.waiting[q.class]+q.size > limit {
		l.health.Dropped++
		l.mu.Unlock()
		return false
	}
	l.waiting[q.class] += q.size
	l.pending = append(l.pending, q)
	l.mu.Unlock()
	if urgent {
		select {
		case l.wake <- struct{}{}:
		default:
		}
	}
	return true
}

// wait queues o and waits for its commit. When ctx ends first, the record may
// still be written.
func (l *Log) wait(ctx context.Context, what string, o op) error {
	reply := make(chan error, 1)
	if !l.queue(queued{op: o, class: classOther, size: 1, reply: reply}, true) {
		l.mu.Lock()
		closed := l.closed
		l.mu.Unlock()
		if closed {
			return &Error{Op: what, Path: l.path, Kind: Closed}
		}
		return &Error{Op: what, Path: l.path, Kind: Busy, Err: errTooMany}
	}
	select {
	case err := <-reply:
		return l.fail(what, err)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (l *Log) fail(what string, err error) error {
	if err == nil {
		return nil
	}
	e := *wrap(what, l.path, err) // a copy: health shows the same error
	e.Op = what
	return &e
}

// Sample takes one second's means. s is copied.
func (l *Log) Sample(s Sample) { l.push(&s, classSample, 1, false) }

// FullRate takes the samples of one second around an event. They are encoded at
// once: the slices may be used again.
func (l *Log) FullRate(s Second) {
	o := &secondOp{at: s.At, blob: encodeSecond(s)}
	l.push(o, classFullRate, len(o.blob), false)
}

// Event records that something happened, and is committed at once.
func (l *Log) Event(at time.Duration, e Event) {
	e.Numbers = maps.Clone(e.Numbers)
	l.push(&eventOp{at: at, Event: e}, classOther, 1, true)
}

// Clock tells what UTC the monotonic clock stands for. It may be called as often
// as one likes: what says nothing new is left out. Of all the moments of a run,
// the one with the least sigma dates it, the latest among equals; an unknown sigma
// is the largest. A step of a second or more against the moment before is logged
// as an event "clock-step" with the number step_s.
func (l *Log) Clock(m Moment) {
	l.mu.Lock()
	step := m.UTC.Sub(l.clock.utc(m.At)).Seconds()
	same := math.Abs(step) < tickS && m.Source == l.clock.Source && !(m.weight() < l.clock.weight()/2)
	if !same {
		l.clock = m
	}
	l.mu.Unlock()
	if !same {
		l.push(&clockOp{m}, classOther, 1, false)
	}
}

// setClock notes the moment with which a run begins.
func (l *Log) setClock(m Moment) {
	l.mu.Lock()
	l.clock = m
	l.mu.Unlock()
}

// NightSite says where the running night is, when that became known or was
// corrected after it began.
func (l *Log) NightSite(s Site) { l.push(&nightSiteOp{s}, classOther, 1, false) }

// BeginNight starts a night and ends every other one.
func (l *Log) BeginNight(m Moment, n NightInfo) {
	n.Settings = slices.Clone(n.Settings)
	if n.Site != nil {
		site := *n.Site
		n.Site = &site
	}
	l.setClock(m)
	l.push(&beginOp{m: m, info: n}, classOther, 1, true)
}

// ResumeNight goes on with a night that an earlier start of the program began.
// A night that does not exist is begun.
func (l *Log) ResumeNight(m Moment, id int64) {
	l.setClock(m)
	l.push(&beginOp{m: m, resume: id}, classOther, 1, true)
}

// EndNight ends the night, also one left over from an earlier start.
func (l *Log) EndNight(m Moment) {
	l.setClock(m)
	l.push(&endOp{m}, classOther, 1, true)
}

// Flush waits until all records queued before are committed.
func (l *Log) Flush(ctx context.Context) error { return l.wait(ctx, "flush", flushOp{}) }

// Annotate gives a night a name and a note.
func (l *Log) Annotate(ctx context.Context, night int64, name, note string) error {
	return l.wait(ctx, "annotate a night", &annotateOp{night, name, note})
}

// AddCalibration stores a calibration made at the given monotonic time, and
// returns its number. Nothing is overwritten: see Calibration.Supersedes.
func (l *Log) AddCalibration(ctx context.Context, at time.Duration, c Calibration) (int64, error) {
	if err := checkJSON(c.Data); err != nil {
		return 0, &Error{Op: "add a calibration", Path: l.path, Kind: Rejected, Err: err}
	}
	o := &calibrationOp{at: at, Calibration: c}
	err := l.wait(ctx, "add a calibration", o)
	if err != nil {
		return 0, err
	}
	return o.id, nil
}

// AddSighting is AddCalibration for a sighting.
func (l *Log) AddSighting(ctx context.Context, at time.Duration, s Sighting) (int64, error) {
	if err := checkJSON(s.Data); err != nil {
		return 0, &Error{Op: "add a sighting", Path: l.path, Kind: Rejected, Err: err}
	}
	o := &sightingOp{at: at, Sighting: s}
	err := l.wait(ctx, "add a sighting", o)
	if err != nil {
		return 0, err
	}
	return o.id, nil
}

// AddSite stores a site, or finds the one with the same name and coordinates, and
// returns its number.
func (l *Log) AddSite(ctx context.Context, s Site) (int64, error) {
	o := &siteOp{Site: s}
	err := l.wait(ctx, "add a site", o)
	if err != nil {
		return 0, err
	}
	return o.id, nil
}

func checkJSON(data json.RawMessage) error {
	if !json.Valid(data) {
		return errNotJSON
	}
	return nil
}

// known is v for the database, nil when it is not a number.
func known(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}
