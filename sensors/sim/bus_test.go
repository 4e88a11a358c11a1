package sim

import (
	"errors"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"plumbstar/sensors"
)

var (
	_ i2c.Bus       = (*Bus)(nil)
	_ sensors.Clock = (*Clock)(nil)
	_ World         = Still{}
	_ World         = WorldFunc(nil)
)

func TestBusNobodyThere(t *testing.T) {
	clock := &Clock{}
	b := NewBus("i2c-sim", clock, Adapter{})
	err := b.Tx(0x68, []byte{0x75}, make([]byte, 1))
	if !errors.Is(err, syscall.EREMOTEIO) {
		t.Errorf("%v, want EREMOTEIO", err)
	}
	var be *BusError
	if !errors.As(err, &be) || be.Addr != 0x68 || !strings.Contains(err.Error(), "0x68") {
		t.Errorf("%v does not name the address", err)
	}
	b = NewBus("i2c-sim", clock, Adapter{NoAck: syscall.ENXIO})
	if err := b.Tx(0x68, nil, nil); !errors.Is(err, syscall.ENXIO) {
		t.Errorf("%v, want ENXIO", err)
	}
	b = NewBus("i2c-sim", clock, Adapter{NoAckZeros: true})
	buf := []byte{1, 2}
	if err := b.Tx(0x68, []byte{0x75}, buf); err != nil || buf[0] != 0 || buf[1] != 0 {
		t.Errorf("%v, % x: want success with zeros", err, buf)
	}
	if err := b.Tx(0x80, nil, nil); err == nil {
		t.Error("8-bit address accepted")
	}
}

func TestBusAttachRefuses(t *testing.T) {
	b := NewBus("i2c-sim", &Clock{}, Adapter{})
	c := NewQMC5883L(nil, Settings{})
	if err := b.Attach(0x0d, c); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{
		b.Attach(0x0d, NewQMC5883L(nil, Settings{})),
		b.Attach(0x03, NewQMC5883L(nil, Settings{})),
		b.Attach(0x78, NewQMC5883L(nil, Settings{})),
		b.Attach(0x20, nil),
	} {
		if err == nil {
			t.Error("accepted")
		}
	}
	if err := b.SetSpeed(0); err == nil {
		t.Error("speed 0 accepted")
	}
	if err := b.SetSpeed(100 * physic.KiloHertz); err != nil {
		t.Error(err)
	}
	if b.String() != "i2c-sim" {
		t.Errorf("name %q", b)
	}
}

func TestBusPointerStaysBetweenTransfers(t *testing.T) {
	r := newRig(t, 0x68, NewMPU9250(nil, Settings{}))
	if err := r.bus.Tx(0x68, []byte{0x74}, nil); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 1)
	r.write(0x75)
	if err := r.bus.Tx(0x68, nil, b); err != nil || b[0] != 0x71 {
		t.Errorf("read without a pointer: %v, 0x%02x", err, b[0])
	}
}

func TestBusCountAndTrace(t *testing.T) {
	r := newRig(t, 0x68, NewMPU6050(nil, Settings{}))
	var log []Transfer
	r.bus.Trace(func(tr Transfer) {
		tr.W, tr.R = append([]byte(nil), tr.W...), append([]byte(nil), tr.R...)
		log = append(log, tr)
	})
	r.wait(time.Second)
	r.read(0x75, 1)
	r.write(0x19, 9)
	_ = r.bus.Tx(0x50, []byte{0}, nil)
	if got, want := r.bus.Count(), (Count{Transfers: 3, Failed: 1, BytesWritten: 3, BytesRead: 1}); got != want {
		t.Errorf("count %+v, want %+v", got, want)
	}
	if got, want := r.bus.CountAt(0x68), (Count{Transfers: 2, BytesWritten: 3, BytesRead: 1}); got != want {
		t.Errorf("count at 0x68 %+v, want %+v", got, want)
	}
	if len(log) != 3 || log[0].R[0] != 0x68 || log[1].W[1] != 9 || log[2].Err == nil ||
		log[0].At != time.Second || log[2].Addr != 0x50 {
		t.Errorf("trace %+v", log)
	}
	r.bus.Trace(nil)
	r.read(0x75, 1)
	if len(log) != 3 {
		t.Error("trace goes on after nil")
	}
}
