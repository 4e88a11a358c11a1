package display

import (
	"image"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/ssd1306"
	"periph.io/x/devices/v3/ssd1306/image1bit"

	"plumbstar/daemon/config"
	"plumbstar/sensors/sim"
)

func settings() config.Display {
	s := config.Defaults().Display
	s.Chip = config.SSD1306
	return s
}

// simulated is a bus with a display that has been on for a while.
func simulated(t testing.TB, addr uint16) (*sim.Bus, *sim.SSD1306, *sim.Clock) {
	t.Helper()
	clock := &sim.Clock{}
	bus, chip := sim.NewBus("simulated I2C", clock, sim.Adapter{}), sim.NewSSD1306()
	if err := bus.Attach(addr, chip); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	return bus, chip, clock
}

// differ counts the dots of the glass that are not those of the picture.
func differ(glass *image.Gray, img *image1bit.VerticalLSB, turned bool) int {
	n := 0
	for y := range height {
		for x := range width {
			at := image.Pt(x, y)
			if turned {
				at = image.Pt(width-1-x, height-1-y)
			}
			if (glass.GrayAt(at.X, at.Y).Y > 0) != bool(img.BitAt(x, y)) {
				n++
			}
		}
	}
	return n
}

// TestGlass shows random screens, one after the other, and finds each on the glass,
// no dot too many, never brighter than the settings allow, and without anything that
// the data sheet forbids.
func TestGlass(t *testing.T) {
	for _, turned := range []bool{false, true} {
		bus, chip, _ := simulated(t, 0x3d)
		set := settings()
		set.Address, set.Rotated, set.Brightness = 0x3d, turned, 0.1
		longest := 0
		bus.Trace(func(x sim.Transfer) { longest = max(longest, len(x.W)) })
		g, err := openGlass(bus, set)
		if err != nil {
			t.Fatal(err)
		}
		dice := rand.New(rand.NewPCG(7, 7))
		cases := screenCases()
		for i := range 200 {
			s := Compose(cases[dice.IntN(len(cases))].Moment)
			s.Beat = dice.IntN(beats)
			img := Draw(s)
			if i%20 == 19 {
				err = g.renew(img)
			} else {
				err = g.show(img)
			}
			if err != nil {
				t.Fatal(err)
			}
			if n := differ(chip.Glass(), img, turned); n > 0 {
				t.Fatalf("turned %v, screen %d %q: %d dots are wrong", turned, i, s.Big, n)
			}
		}
		if b := chip.Brightest(); b != 26 {
			t.Errorf("dots shone at a contrast of %d of 255, want 26", b)
		}
		if bad := chip.Misuse(); len(bad) > 0 {
			t.Errorf("not by the data sheet: %q", bad)
		}
		if longest > 1+pieceBytes {
			t.Errorf("a transfer of %d bytes, want %d at most", longest, 1+pieceBytes)
		}
		if err := g.off(); err != nil {
			t.Fatal(err)
		}
		if chip.On() || differ(chip.Glass(), image1bit.NewVerticalLSB(image.Rect(0, 0, width, height)), false) > 0 {
			t.Error("off left the glass on")
		}
		// What was there before is gone from its memory, too.
		if err := bus.Tx(0x3d, []byte{controlCommands, 0xaf}, nil); err != nil {
			t.Fatal(err)
		}
		if n := differ(chip.Glass(), image1bit.NewVerticalLSB(image.Rect(0, 0, width, height)), false); n > 0 {
			t.Errorf("off left %d dots in the memory", n)
		}
	}
}

// TestWhatIsMended: why pieces does more than cut. It fails when a newer driver has
// no need of it.
func TestWhatIsMended(t *testing.T) {
	bus, chip, _ := simulated(t, 0x3c)
	dev, err := ssd1306.NewI2C(bus, &ssd1306.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dev.Write(make([]byte, 1024)); err != nil {
		t.Fatal(err)
	}
	said := strings.Join(chip.Misuse(), "; ")
	if !strings.Contains(said, "page addressing") || !strings.Contains(said, "DB 40") || chip.Brightest() != 255 {
		t.Errorf("the driver alone: brightness %d, %q", chip.Brightest(), said)
	}
}

// TestPiecesRefuse what no driver of this display sends.
func TestPiecesRefuse(t *testing.T) {
	bus, _, _ := simulated(t, 0x3c)
	p := &pieces{bus: bus, addr: 0x3c}
	for _, c := range []struct{ w, r []byte }{
		{nil, nil}, {[]byte{0x40, 1}, make([]byte, 1)}, {[]byte{0x80, 0xae}, nil}, {[]byte{0, 0x81}, nil}, {[]byte{0, 0xae, 0x21, 0}, nil},
	} {
		if err := p.Tx(0, c.w, c.r); err == nil {
			t.Errorf("% x was sent", c.w)
		}
	}
	if n := bus.Count().Transfers; n != 0 {
		t.Errorf("%d transfers", n)
	}
}

// FuzzPieces: however commands and data are cut, the chip hears the same bytes in
// the same order, but for the operands that are mended.
func FuzzPieces(f *testing.F) {
	f.Add([]byte{0x00, 0xae, 0xd3, 0, 0x40, 0xa1, 0xc8, 0xda, 0x12, 0x81, 0xff, 0xa4, 0xa6, 0xd5, 0xf0, 0x8d, 0x14})
	f.Add(append([]byte{0x40}, make([]byte, 128)...))
	f.Add([]byte{0x00, 0x26, 1, 2, 3, 4, 5, 6, 0x29, 1, 2, 3, 4, 5, 0xa3, 1, 2})
	f.Fuzz(func(t *testing.T, w []byte) {
		var heard heardBus
		p := &pieces{bus: &heard, addr: 0x3c, contrast: 9}
		if err := p.Tx(0, w, nil); err != nil || len(w) < 1 {
			return
		}
		if len(heard.bytes) != len(w)-1 || heard.longest > 1+pieceBytes {
			t.Fatalf("% x became % x, %d at once", w, heard.bytes, heard.longest)
		}
		for i, b := range heard.bytes {
			if b != w[1+i] && (w[0] != 0 || i == 0 || b != 9 && b != 0x02 && b != 0x20) {
				t.Fatalf("% x became % x", w, heard.bytes)
			}
		}
	})
}

type heardBus struct {
	i2c.Bus
	bytes   []byte
	longest int
}

func (h *heardBus) Tx(_ uint16, w, _ []byte) error {
	h.longest = max(h.longest, len(w))
	h.bytes = append(h.bytes, w[1:]...)
	return nil
}

func BenchmarkDraw(b *testing.B) {
	s := Compose(screenCases()[0].Moment)
	b.ReportAllocs()
	for b.Loop() {
		Draw(s)
	}
}
