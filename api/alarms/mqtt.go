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
	"github.com/eclipse/paho.golang/paho"

	"plumbstar/daemon/config"
)

// broker keeps a connection to an MQTT 5 broker and publishes there. Sections are
// those of the OASIS standard MQTT 5.0.
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

	mu     sync.Mutex
	client *paho.Client  // nil while there is no connection
	up     chan struct{} // closed when there is one
	why    string        // there is none
	since  time.Time
}

// keepAliveS is how soon, in seconds, either side notices that the other is gone.
const keepAliveS = 30

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
	lost := make(chan error, 1)
	report := func(err error) {
		select {
		case lost <- err:
		default:
		}
	}
	c := paho.NewClient(paho.ClientConfig{
		Conn:          packets.NewThreadSafeConn(conn),
		PacketTimeout: b.pace.attempt,
		OnClientError: report,
		OnServerDisconnect: func(d *paho.Disconnect) {
			report(fmt.Errorf("the broker ended the connection (reason 0x%02x)", d.ReasonCode))
		},
	})
	if err := b.greet(begin, c); err != nil {
		return false, err
	}
	b.setUp(c)
	b.log.Info("connected to the broker", "broker", b.target)
	b.onUp()
	select {
	case err = <-lost:
		return true, err
	case <-ctx.Done():
	}
	return true, ctx.Err()
}

// greet connects, announces the board and says that it is there. The will (section
// 3.1.2.5) says the opposite when the connection breaks.
func (b *broker) greet(ctx context.Context, c *paho.Client) error {
	// The library reserves room for as many messages as we say we take; none come.
	few := uint16(4)
	connect := &paho.Connect{
		ClientID: b.id, CleanStart: true, KeepAlive: keepAliveS,
		Properties:  &paho.ConnectProperties{ReceiveMaximum: &few, RequestProblemInfo: true},
		WillMessage: &paho.WillMessage{Topic: b.topics.status, Payload: []byte(offline), QoS: 1, Retain: true},
	}
	if b.set.User != "" {
		connect.UsernameFlag, connect.Username = true, b.set.User
		connect.PasswordFlag, connect.Password = true, []byte(b.set.Password.Reveal())
	}
	if ack, err := c.Connect(ctx, connect); err != nil {
		return b.refusal(ack, err)
	}
	announced, err := b.topics.announcements()
	if err == nil {
		for _, a := range append(announced, announcement{b.topics.status, []byte(online)}) {
			if err = b.publish(ctx, c, a.topic, a.payload, true); err != nil {
				break
			}
		}
	}
	if err != nil {
		// The connection is useless; what this returns is no news.
		_ = c.Disconnect(&paho.Disconnect{})
	}
	return err
}

// refusal puts the reason of a CONNACK (section 3.2.2.2) into words.
func (b *broker) refusal(ack *paho.Connack, err error) error {
	if ack == nil {
		return fmt.Errorf("broker %s does not answer as MQTT 5 does: %w", b.target, err)
	}
	switch ack.ReasonCode {
	case 0x84:
		return fmt.Errorf("broker %s does not speak MQTT 5: update it", b.target)
	case 0x86, 0x87, 0x8c:
		return fmt.Errorf("broker %s does not let this board in (reason 0x%02x): check user and password in [alarms.mqtt]", b.target, ack.ReasonCode)
	}
	return fmt.Errorf("broker %s refused the connection (reason 0x%02x): %w", b.target, ack.ReasonCode, err)
}

// publish sends with quality of service 1 and waits for the receipt.
func (b *broker) publish(ctx context.Context, c *paho.Client, topic string, payload []byte, retain bool) error {
	utf8 := byte(1)
	_, err := c.Publish(ctx, &paho.Publish{
		Topic: topic, Payload: payload, QoS: 1, Retain: retain,
		Properties: &paho.PublishProperties{PayloadFormat: &utf8},
	})
	if err != nil {
		return fmt.Errorf("broker %s did not take the message: %w", b.target, err)
	}
	return nil
}

// connected waits for a connection.
func (b *broker) connected(ctx context.Context) (*paho.Client, error) {
	for {
		b.mu.Lock()
		c, up, why := b.client, b.up, b.why
		b.mu.Unlock()
		if c != nil {
			return c, nil
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
	c, err := b.connected(ctx)
	if err != nil {
		return err
	}
	return b.publish(ctx, c, b.topics.eventTopic, payload, false)
}

// keep publishes the state, which the broker keeps for those who come later;
// without a connection it is not sent.
func (b *broker) keep(ctx context.Context, state []byte) error {
	b.mu.Lock()
	c := b.client
	b.mu.Unlock()
	if c == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, b.pace.attempt)
	defer cancel()
	return b.publish(ctx, c, b.topics.state, state, true)
}

// part says that the board leaves, and leaves.
func (b *broker) part() {
	b.mu.Lock()
	c := b.client
	b.mu.Unlock()
	if c == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), b.pace.parting)
	defer cancel()
	// Without this the will says the same, later.
	_ = b.publish(ctx, c, b.topics.status, []byte(offline), true)
	_ = c.Disconnect(&paho.Disconnect{})
	b.setDown(errors.New("the program ends"))
}

func (b *broker) setUp(c *paho.Client) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.client, b.since = c, b.now()
	close(b.up)
}

func (b *broker) setDown(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.why = err.Error()
	if b.client != nil {
		b.client, b.up, b.since = nil, make(chan struct{}), b.now()
	}
}

// upSince is when the connection began; zero without one.
func (b *broker) upSince() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.client == nil {
		return time.Time{}
	}
	return b.since
}

// status says how the connection stands.
func (b *broker) status(s *Status) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s.Connected = b.client != nil
	if !s.Connected {
		s.State, s.Why = Retrying, b.why
	}
}
