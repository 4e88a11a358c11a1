package alarms

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/packets"

	"plumbstar/daemon/config"
)

// broker keeps a connection to an MQTT 5 broker and publishes there.
type broker struct {
	set    config.MQTT
	addr   string
	target string
	tls    *tls.Config // nil: plain
	id     string      // client identifier, and the board's in discovery
	topics topics
	pace   pace
	look   time.Duration // how often the state is looked at
	now    func() time.Time
	log    *slog.Logger
	// onUp is called when a connection stands.
	onUp func()

	mu    sync.Mutex
	link  *link         // nil while there is no connection
	up    chan struct{} // closed when there is one
	why   string        // there is none
	since time.Time
}

func newBroker(set config.MQTT, id, version string, now func() time.Time, log *slog.Logger) (*broker, error) {
	u, err := url.Parse(set.Broker)
	if err != nil {
		return nil, errors.New("alarms.mqtt: broker: this is no address")
	}
	port := u.Port()
	b := &broker{set: set, target: u.Scheme + "://" + u.Host, id: id, now: now, log: log, up: make(chan struct{}), why: "not yet connected"}
	b.pace, b.look = usualPace(10*time.Second), stateEvery
	b.topics = newTopics(set, id, version)
	if u.Scheme == "mqtts" {
		if b.tls, err = trusted(set.CAFile); err != nil {
			return nil, fmt.Errorf("alarms.mqtt: %w", err)
		}
		b.tls.ServerName = u.Hostname()
		if port == "" {
			port = "8883"
		}
	}
	if port == "" {
		port = "1883"
	}
	b.addr = net.JoinHostPort(u.Hostname(), port)
	return b, nil
}

// run keeps the connection until ctx ends.
func (b *broker) run(ctx context.Context) {
	inRow := 0
	for {
		up, err := b.session(ctx)
		if ctx.Err() != nil {
			return
		}
		if up {
			inRow = 0
		}
		inRow++
		b.setDown(err)
		level := slog.LevelDebug
		if inRow == 1 {
			level = slog.LevelWarn
		}
		b.log.Log(ctx, level, "no connection to the broker, it will be tried again", "broker", b.target, "error", err)
		t := time.NewTimer(b.pace.wait(inRow))
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return
		}
	}
}

// session is one connection, from dialling to its end; up is whether it stood.
func (b *broker) session(ctx context.Context) (up bool, err error) {
	begin, cancel := context.WithTimeout(ctx, b.pace.attempt)
	defer cancel()
	conn, err := dial(begin, b.addr, b.tls)
	if err != nil {
		return false, fmt.Errorf("broker %s: %w", b.target, err)
	}
	l, err := b.greet(begin, conn)
	if err != nil {
		return false, err
	}
	b.setUp(l)
	b.log.Info("connected to the broker", "broker", b.target)
	b.onUp()
	select {
	case <-l.done:
		return true, fmt.Errorf("broker %s: %w", b.target, l.why())
	case <-ctx.Done():
	}
	return true, ctx.Err()
}

// greet connects, announces the board and says that it is there. The will (section
// 3.1.2.5) says the opposite when the connection breaks.
func (b *broker) greet(ctx context.Context, conn net.Conn) (*link, error) {
	few := uint16(4)
	most := uint32(mostPacket)
	hello := &packets.Connect{
		ProtocolName: "MQTT", ProtocolVersion: 5, ClientID: b.id, CleanStart: true, KeepAlive: keepAliveS,
		Properties: &packets.Properties{ReceiveMaximum: &few, MaximumPacketSize: &most},
		WillFlag:   true, WillTopic: b.topics.status, WillMessage: []byte(offline), WillQOS: 1, WillRetain: true, WillProperties: &packets.Properties{},
	}
	if b.set.User != "" {
		hello.UsernameFlag, hello.Username = true, b.set.User
		hello.PasswordFlag, hello.Password = true, []byte(b.set.Password.Reveal())
	}
	l, err := open(ctx, conn, hello, b.now, b.pace.attempt)
	if err != nil {
		return nil, b.refusal(err)
	}
	announced, err := b.topics.announcements()
	if err == nil {
		for _, a := range append(announced, announcement{b.topics.status, []byte(online)}) {
			if err = b.publish(ctx, l, a.topic, a.payload, true); err != nil {
				break
			}
		}
	}
	if err != nil {
		l.end(err)
		return nil, err
	}
	return l, nil
}

// refusal puts the reason of a CONNACK (section 3.2.2.2) into words.
func (b *broker) refusal(err error) error {
	var r reasonError
	if !errors.As(err, &r) {
		return fmt.Errorf("broker %s: %w: does it speak MQTT 5?", b.target, err)
	}
	switch r.code {
	case packets.ConnackUnsupportedProtocolVersion:
		return fmt.Errorf("broker %s does not speak MQTT 5: update it", b.target)
	case packets.ConnackBadUsernameOrPassword, packets.ConnackNotAuthorized, packets.ConnackBadAuthenticationMethod:
		return fmt.Errorf("broker %s: %w: check user and password in [alarms.mqtt]", b.target, err)
	}
	return fmt.Errorf("broker %s: %w", b.target, err)
}

func (b *broker) publish(ctx context.Context, l *link, topic string, payload []byte, retain bool) error {
	if err := l.publish(ctx, topic, payload, retain); err != nil {
		return fmt.Errorf("broker %s: %w", b.target, err)
	}
	return nil
}

// connected waits for a connection.
func (b *broker) connected(ctx context.Context) (*link, error) {
	for {
		b.mu.Lock()
		l, up, why := b.link, b.up, b.why
		b.mu.Unlock()
		if l != nil {
			return l, nil
		}
		select {
		case <-up:
		case <-ctx.Done():
			return nil, errors.New(why)
		}
	}
}

// send delivers one alarm.
func (b *broker) send(ctx context.Context, m Message) error {
	payload, err := b.topics.event(m)
	if err != nil {
		return refusedError{err}
	}
	l, err := b.connected(ctx)
	if err != nil {
		return err
	}
	return b.publish(ctx, l, b.topics.eventTopic, payload, false)
}

// keep publishes the state, which the broker keeps for those who come later;
// without a connection it is not sent.
func (b *broker) keep(ctx context.Context, state []byte) error {
	b.mu.Lock()
	l := b.link
	b.mu.Unlock()
	if l == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, b.pace.attempt)
	defer cancel()
	return b.publish(ctx, l, b.topics.state, state, true)
}

// part says that the board leaves, and leaves.
func (b *broker) part() {
	b.mu.Lock()
	l := b.link
	b.mu.Unlock()
	if l == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), b.pace.parting)
	defer cancel()
	// Without this the will says the same, later.
	_ = b.publish(ctx, l, b.topics.status, []byte(offline), true)
	l.part()
	b.setDown(errors.New("the program ends"))
}

func (b *broker) setUp(l *link) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.link, b.since = l, b.now()
	close(b.up)
}

func (b *broker) setDown(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.why = err.Error()
	if b.link != nil {
		b.link, b.up, b.since = nil, make(chan struct{}), b.now()
	}
}

// upSince is when the connection began; zero without one.
func (b *broker) upSince() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link == nil {
		return time.Time{}
	}
	return b.since
}

// status says how the connection stands.
func (b *broker) status(s *Status) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s.Connected = b.link != nil
	if !s.Connected {
		s.State, s.Why = Retrying, b.why
	}
}
