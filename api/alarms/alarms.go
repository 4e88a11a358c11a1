package alarms

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"plumbstar/daemon"
	"plumbstar/daemon/config"
	"plumbstar/daemon/estimator"
	"plumbstar/daemon/nightlog"
)

// States of an alarm.
const (
	Off      = "off"      // not set up; Why says what is missing
	Ready    = "ready"    // nothing waits
	Sending  = "sending"  // on its way, or sounding
	Retrying = "retrying" // the receiver cannot be reached; Why says why
	Faulty   = "faulty"   // it cannot work until something is corrected
)

// Status is how one alarm stands.
type Status struct {
	Name      string // "webhook", "mqtt", "buzzer"
	State     string
	Why       string // of Off, Retrying and Faulty
	Target    string // where it goes, without what could be secret
	Connected bool   // to the broker, or to the pin

	Queued, Capacity         int
	LastSuccess, LastFailure time.Time // of this machine's clock
	LastError                string
	Sent, Failed, Refused    uint64
	Dropped, DroppedInfo     uint64 // since the queue was full; of them informational
	HeldBack                 uint64 // by severity or quiet time
}

// Source is what the daemon publishes.
type Source interface {
	Latest() *daemon.Snapshot
	Subscribe(context.Context) <-chan *daemon.Snapshot
	Events(ctx context.Context, after uint64) <-chan daemon.Event
	Watch() daemon.WatchStatus
}

// Options is what Alarms need.
type Options struct {
	Settings config.Alarms
	Source   Source
	// Board is the name of this board; ID a name made of letters, digits, "_" and
	// "-" that no other board has. Run is one that no other start has.
	Board, ID, Run string
	Version        string
	// Now is this machine's clock, Clock a monotonic one; Zone that of quiet times.
	Now   func() time.Time
	Clock func() time.Duration
	Zone  *time.Location
	// Pin opens a pin by its name.
	Pin func(name string) (gpio.PinOut, error)
	// Keeper keeps over a restart what could not be delivered; nil: nothing is kept.
	Keeper *nightlog.Log
	Log    *slog.Logger
}

// alarm is one way.
type alarm struct {
	name   string
	why    string // it is off or faulty
	faulty bool
	target string
	held   atomic.Uint64

	mu     sync.Mutex
	filter *filter

	courier *courier // of webhook and mqtt
	buzzer  *buzzer
}

// Alarms are all ways of this board.
type Alarms struct {
	o      Options
	all    []*alarm
	broker *broker
	trials atomic.Uint64
}

// New prepares the alarms of the settings; Run makes them work. What cannot work
// is logged and shown, and is no reason to do without guidance.
func New(o Options) (*Alarms, error) {
	if o.Source == nil || o.Now == nil || o.Clock == nil || o.Zone == nil || o.Log == nil {
		return nil, errors.New("alarms: Source, Now, Clock, Zone and Log are required")
	}
	a := &Alarms{o: o}
	set := &o.Settings
	web, err := a.add("webhook", set.Webhook.URL != "", "no url in [alarms.webhook]", set.Webhook.MinSeverity, set.Webhook.QuietMinSeverity, set.Webhook.Quiet)
	if err != nil {
		return nil, err
	}
	if web.why == "" {
		w, err := newWebhook(set.Webhook, "plumbstar/"+o.Version)
		if web.fails(err, o.Log) {
			web.target = w.target
			web.courier = newCourier("webhook", usualPace(time.Duration(set.Webhook.TimeoutS*float64(time.Second))), w.send, o.Now, o.Log)
		}
	}
	mq, err := a.add("mqtt", set.MQTT.Broker != "", "no broker in [alarms.mqtt]", set.MQTT.MinSeverity, set.MQTT.QuietMinSeverity, set.MQTT.Quiet)
	if err != nil {
		return nil, err
	}
	if mq.why == "" {
		b, err := newBroker(set.MQTT, o.ID, o.Version, o.Now, o.Log)
		if mq.fails(err, o.Log) {
			mq.target, a.broker = b.target, b
			mq.courier = newCourier("mqtt", usualPace(10*time.Second), b.send, o.Now, o.Log)
			b.onUp = mq.courier.wake
		}
	}
	bz, err := a.add("buzzer", set.Buzzer.Pin != "", "no pin in [alarms.buzzer]", set.Buzzer.MinSeverity, set.Buzzer.QuietMinSeverity, set.Buzzer.Quiet)
	if err != nil {
		return nil, err
	}
	if bz.why == "" {
		bz.target = set.Buzzer.Pin
		pin, err := o.Pin(set.Buzzer.Pin)
		if bz.fails(err, o.Log) {
			bz.buzzer = newBuzzer(pin, set.Buzzer.Pin, set.Buzzer.Active == "low", o.Clock, o.Now, o.Log)
		}
	}
	a.recall()
	return a, nil
}

func (a *Alarms) add(name string, on bool, missing, least, quietLeast string, quiet []string) (*alarm, error) {
	f, err := newFilter(least, quietLeast, quiet, a.o.Zone)
	if err != nil {
		return nil, fmt.Errorf("alarms.%s: %w", name, err)
	}
	x := &alarm{name: name, filter: f}
	if !on {
		x.why = missing
	}
	a.all = append(a.all, x)
	return x, nil
}

// fails keeps why an alarm cannot work, and reports whether it can.
func (x *alarm) fails(err error, log *slog.Logger) (works bool) {
	if err == nil {
		return true
	}
	x.why, x.faulty = err.Error(), true
	log.Error("an alarm cannot work", "alarm", x.name, "error", err)
	return false
}

// Run carries away what happens until ctx or the daemon ends, and then what still
// waits, for at most two seconds.
func (a *Alarms) Run(ctx context.Context) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	var ways sync.WaitGroup
	for _, x := range a.all {
		if x.courier != nil {
			ways.Go(func() { x.courier.run(ctx) })
		}
		if x.buzzer != nil {
			ways.Go(func() { x.buzzer.run(ctx) })
			if a.o.Settings.Buzzer.Guide {
				ways.Go(func() { a.lead(ctx, x) })
			}
		}
	}
	if a.broker != nil {
		ways.Go(func() { a.broker.run(ctx) })
		ways.Go(func() { a.keepState(ctx) })
	}
	a.follow(ctx)
	end()
	ways.Wait()
	if a.broker != nil {
		a.broker.part()
	}
}

// follow tells what the daemon publishes, until either ends.
func (a *Alarms) follow(ctx context.Context) {
	for e := range a.o.Source.Events(ctx, 0) {
		if e.Missed > 0 {
			a.o.Log.Error("alarms came too late for events", "missed", e.Missed)
		}
		a.Tell(a.message(&e))
	}
}

// message is an event as receivers see it.
func (a *Alarms) message(e *daemon.Event) Message {
	m := Message{
		ID: a.o.Run + "-" + strconv.FormatUint(e.ID, 10), Board: a.o.Board, Kind: e.Kind, Severity: string(e.Severity), Text: e.Text,
		Numbers: e.Numbers, Finding: e.Finding, Final: e.Final, Quiet: e.Quiet, Trial: e.Trial,
	}
	if e.TimeSure {
		t := e.Time.UTC()
		m.Time = &t
	}
	return m
}

// Tell hands one message to all ways that want it. It never blocks.
func (a *Alarms) Tell(m Message) {
	if m.Board == "" {
		m.Board = a.o.Board
	}
	for _, x := range a.all {
		if x.why != "" {
			continue
		}
		x.mu.Lock()
		passes := x.filter.passes(m)
		x.mu.Unlock()
		if !passes {
			x.held.Add(1)
			continue
		}
		x.tell(m)
	}
}

func (x *alarm) tell(m Message) {
	if x.courier != nil {
		x.courier.put(m)
	}
	if x.buzzer != nil {
		x.buzzer.alarm(m)
	}
}

// lead lets the buzzer follow guidance.
func (a *Alarms) lead(ctx context.Context, x *alarm) {
	for s := range a.o.Source.Subscribe(ctx) {
		var at *time.Time
		if s.Clock.Plausible {
			at = &s.Time
		}
		x.mu.Lock()
		hush := x.filter.silent(Message{Time: at})
		x.mu.Unlock()
		// Who kicks a watched tripod does not turn a knob.
		if s.Estimate.State == estimator.Moving && a.o.Source.Watch().Armed {
			hush = true
		}
		x.buzzer.guide(s, hush)
	}
}

// ErrUnknown is returned for a name that no alarm has.
var ErrUnknown = errors.New("no such alarm")

// OffError says why an alarm cannot be tried.
type OffError struct{ Name, Why string }

func (e *OffError) Error() string {
	return fmt.Sprintf("the alarm %s does not work: %s", e.Name, e.Why)
}

// Try sends one alarm a message that says that it is a trial, or plays each
// pattern of the buzzer once. The outcome shows in its status.
func (a *Alarms) Try(name string) (Status, error) {
	for _, x := range a.all {
		if x.name != name {
			continue
		}
		if x.why != "" {
			return Status{}, &OffError{name, x.why}
		}
		if x.buzzer != nil {
			x.buzzer.try()
			return a.status(x), nil
		}
		n := a.trials.Add(1)
		m := Message{
			ID: a.o.Run + "-try-" + strconv.FormatUint(n, 10), Board: a.o.Board, Kind: "alarm-trial", Severity: attention, Final: true, Trial: true,
			Text: "This is a trial of the alarm " + name + ". Nothing is wrong.",
		}
		if s := a.o.Source.Latest(); s != nil && s.Clock.Plausible {
			m.Time = &s.Time
		}
		x.courier.queue.put(m)
		x.courier.wake()
		return a.status(x), nil
	}
	return Status{}, ErrUnknown
}

// List is how all alarms stand.
func (a *Alarms) List() []Status {
	var out []Status
	for _, x := range a.all {
		out = append(out, a.status(x))
	}
	return out
}

func (a *Alarms) status(x *alarm) Status {
	s := Status{Name: x.name, Target: x.target, HeldBack: x.held.Load()}
	switch {
	case x.faulty:
		s.State, s.Why = Faulty, x.why
	case x.why != "":
		s.State, s.Why = Off, x.why
	case x.buzzer != nil:
		x.buzzer.status(&s)
	default:
		x.courier.status(&s)
		if x.name == "mqtt" {
			a.broker.status(&s)
		}
	}
	s.Why = strings.TrimSpace(s.Why)
	return s
}
