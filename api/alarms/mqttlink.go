package alarms

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/packets"
)

const (
	// mostPacket bounds what the broker may send at once, bytes: receipts are short.
	mostPacket = 16 << 10
	// keepAliveS is how often, in seconds, the board shows that it is there; the
	// broker gives it up after one and a half times that (section 3.1.2.10).
	keepAliveS = 30
)

// reasonError is a reason code of the broker.
type reasonError struct {
	what string
	code byte
}

func (e reasonError) Error() string { return fmt.Sprintf("%s (reason 0x%02x)", e.what, e.code) }

// link is one connection on which messages are published, each until its receipt.
// The packets are the library's; its client would take 0.1 MB more, for
// subscriptions and kept sessions, and makes room for what a packet says that it
// is long. Sections are those of the OASIS standard MQTT 5.0.
type link struct {
	conn     net.Conn
	now      func() time.Time
	silence  time.Duration // of the broker, that ends the connection
	patience time.Duration // of one write
	done     chan struct{} // closed when it has ended

	write sync.Mutex

	mu      sync.Mutex
	last    uint16
	waiting map[uint16]chan byte // receipts by packet identifier
	err     error                // why it ended
}

// open says CONNECT on conn and waits for the answer until ctx ends. On an error
// conn is closed.
func open(ctx context.Context, conn net.Conn, hello *packets.Connect, now func() time.Time, patience time.Duration) (*link, error) {
	l := &link{conn: conn, now: now, patience: patience, done: make(chan struct{}), waiting: map[uint16]chan byte{}}
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() })
	r := bufio.NewReader(conn)
	keepAlive, err := l.greet(r, hello)
	if !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		_ = conn.Close()
		return nil, err
	}
	l.silence = keepAlive * 3 / 2
	go l.listen(r)
	go l.beat(keepAlive)
	return l, nil
}

// greet exchanges CONNECT and CONNACK; it gives the time between signs of life,
// which the broker may set (section 3.2.2.3.14).
func (l *link) greet(r *bufio.Reader, hello *packets.Connect) (time.Duration, error) {
	if err := l.send(packets.CONNECT, 0, hello); err != nil {
		return 0, err
	}
	p, err := readPacket(r)
	if err != nil {
		return 0, err
	}
	ack, ok := p.Content.(*packets.Connack)
	switch {
	case !ok:
		return 0, fmt.Errorf("packet of type %d in place of an answer to the connection", p.Type)
	case ack.ReasonCode >= 0x80:
		return 0, reasonError{"connection refused", ack.ReasonCode}
	case ack.Properties.MaximumQOS != nil && *ack.Properties.MaximumQOS < 1:
		return 0, errors.New("it takes messages without receipts only: allow quality of service 1")
	case ack.Properties.RetainAvailable != nil && *ack.Properties.RetainAvailable == 0:
		return 0, errors.New("it keeps no messages: allow retained ones")
	}
	keepAlive := keepAliveS * time.Second
	if s := ack.Properties.ServerKeepAlive; s != nil && *s > 0 {
		keepAlive = time.Duration(*s) * time.Second
	}
	return keepAlive, nil
}

// readPacket reads one packet that is not longer than mostPacket.
func readPacket(r *bufio.Reader) (*packets.ControlPacket, error) {
	length, shift := 0, 0
	for n := 2; ; n++ {
		head, err := r.Peek(n)
		if err != nil {
			return nil, err
		}
		b := head[n-1]
		length |= int(b&0x7f) << shift
		if b < 0x80 {
			break
		}
		if shift += 7; n == 5 {
			return nil, errors.New("a packet without an end of its length")
		}
	}
	if length > mostPacket {
		return nil, fmt.Errorf("a packet of %d bytes, at most %d are taken", length, mostPacket)
	}
	return packets.ReadPacket(r)
}

func (l *link) send(kind, flags byte, p packets.Packet) error {
	l.write.Lock()
	defer l.write.Unlock()
	if err := l.conn.SetWriteDeadline(l.now().Add(l.patience)); err != nil {
		return err
	}
	c := packets.ControlPacket{Content: p, FixedHeader: packets.FixedHeader{Type: kind, Flags: flags}}
	_, err := c.WriteTo(l.conn)
	return err
}

// listen takes receipts until the connection ends.
func (l *link) listen(r *bufio.Reader) {
	for {
		if err := l.conn.SetReadDeadline(l.now().Add(l.silence)); err != nil {
			l.end(err)
			return
		}
		p, err := readPacket(r)
		if err != nil {
			l.end(err)
			return
		}
		switch m := p.Content.(type) {
		case *packets.Puback:
			l.mu.Lock()
			c := l.waiting[m.PacketID]
			delete(l.waiting, m.PacketID)
			l.mu.Unlock()
			if c != nil {
				c <- m.ReasonCode
			}
		case *packets.Pingresp:
		case *packets.Disconnect:
			l.end(reasonError{"it ended the connection", m.ReasonCode})
			return
		default:
			l.end(fmt.Errorf("packet of type %d, for which nobody asked", p.Type))
			return
		}
	}
}

// beat shows that the board is there.
func (l *link) beat(every time.Duration) {
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			if err := l.send(packets.PINGREQ, 0, &packets.Pingreq{}); err != nil {
				l.end(err)
				return
			}
		case <-l.done:
			return
		}
	}
}

// publish sends with quality of service 1 and waits for the receipt.
func (l *link) publish(ctx context.Context, topic string, payload []byte, retain bool) error {
	id, receipt := l.reserve()
	defer l.release(id)
	text := byte(1)
	m := &packets.Publish{Topic: topic, Payload: payload, PacketID: id, QoS: 1, Retain: retain, Properties: &packets.Properties{PayloadFormat: &text}}
	if err := l.send(packets.PUBLISH, 0, m); err != nil {
		l.end(err)
		return err
	}
	select {
	case code := <-receipt:
		if code >= 0x80 {
			return reasonError{"message refused", code}
		}
		return nil
	case <-l.done:
		return l.why()
	case <-ctx.Done():
		return errors.New("no receipt in time")
	}
}

// reserve takes a packet identifier that is free; 0 is none (section 2.2.1).
func (l *link) reserve() (uint16, <-chan byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for {
		l.last++
		if _, used := l.waiting[l.last]; l.last != 0 && !used {
			break
		}
	}
	c := make(chan byte, 1)
	l.waiting[l.last] = c
	return l.last, c
}

func (l *link) release(id uint16) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.waiting, id)
}

// end closes the connection; the first reason counts.
func (l *link) end(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return
	}
	l.err = err
	_ = l.conn.Close()
	close(l.done)
}

func (l *link) why() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}

// part ends in order, so that the broker forgets the will.
func (l *link) part() {
	_ = l.send(packets.DISCONNECT, 0, &packets.Disconnect{Properties: &packets.Properties{}})
	l.end(errors.New("the program ends"))
}
