package sim

import (
	"image"
	"testing"
	"time"
)

// newGlass is a display on a bus, ready.
func newGlass(t *testing.T) (*SSD1306, func(w ...byte)) {
	t.Helper()
	clock := &Clock{}
	bus, d := NewBus("b", clock, Adapter{}), NewSSD1306()
	if err := bus.Attach(0x3c, d); err != nil {
		t.Fatal(err)
	}
	clock.Sleep(time.Second)
	return d, func(w ...byte) {
		t.Helper()
		if err := bus.Tx(0x3c, w, nil); err != nil {
			t.Fatal(err)
		}
	}
}

// clean switches the display on as its board is wired, with an empty memory, in page
// addressing mode.
func clean(tx func(...byte)) {
	tx(0x00, 0x20, 0x00, 0x21, 0, 127, 0x22, 0, 7)
	for range 64 {
		tx(append([]byte{0x40}, make([]byte, 16)...)...)
	}
	tx(0x00, 0x20, 0x02, 0xa1, 0xc8, 0xda, 0x12, 0x8d, 0x14, 0x81, 0x30, 0xaf)
}

func litDots(g *image.Gray) []image.Point {
	var out []image.Point
	for y := range 64 {
		for x := range 128 {
			if g.GrayAt(x, y).Y > 0 {
				out = append(out, image.Pt(x, y))
			}
		}
	}
	return out
}

// TestSSD1306Addressing: the examples of the data sheet.
func TestSSD1306Addressing(t *testing.T) {
	d, tx := newGlass(t)
	if d.On() || len(litDots(d.Glass())) > 0 || d.Contrast() != 0x7f {
		t.Error("the display shines before it was switched on")
	}
	clean(tx)
	if n := len(litDots(d.Glass())); n != 0 {
		t.Fatalf("%d dots shine on an empty glass", n)
	}
	// Figure 10-2: page B2h, column 03h and 10h: SEG3 of page 2; D0 is the top row.
	tx(0x00, 0xb2, 0x03, 0x10)
	tx(0x40, 0x01)
	if got := litDots(d.Glass()); len(got) != 1 || got[0] != image.Pt(3, 16) {
		t.Errorf("%v, want column 3 of row 16", got)
	}
	// The pointer goes on in the next transfer, and stays in the page at its end.
	tx(0x00, 0xb0, 0x0f, 0x17)
	tx(0x40, 0x80)
	tx(0x40, 0x80)
	if got := litDots(d.Glass()); len(got) != 2 || got[0] != image.Pt(127, 7) {
		t.Errorf("%v, want column 127 of row 7, twice", got)
	}
	// Figure 10-5: a window of columns 2 to 125 and pages 1 to 6.
	clean(tx)
	tx(0x00, 0x20, 0x00, 0x21, 2, 125, 0x22, 1, 6)
	for range 6 * 124 {
		tx(0x40, 0xff)
	}
	got := litDots(d.Glass())
	if len(got) != 6*8*124 || got[0] != image.Pt(2, 8) || got[len(got)-1] != image.Pt(125, 55) {
		t.Errorf("%d dots from %v to %v", len(got), got[0], got[len(got)-1])
	}
	tx(0x40, 0x00) // and begins anew
	if after := litDots(d.Glass()); len(after) != len(got)-8 || after[0] != image.Pt(3, 8) {
		t.Errorf("after the end of the window: %d dots, the first at %v", len(after), after[0])
	}
	if bad := d.Misuse(); len(bad) > 0 {
		t.Error(bad)
	}
}

// TestSSD1306Glass: what turns the picture, and what makes it dark.
func TestSSD1306Glass(t *testing.T) {
	d, tx := newGlass(t)
	clean(tx)
	dot := func() { tx(0x00, 0xb0, 0x05, 0x10); tx(0x40, 0x02) }
	want := func(what string, at ...image.Point) {
		t.Helper()
		got := litDots(d.Glass())
		if len(got) != len(at) || len(at) == 1 && got[0] != at[0] {
			t.Errorf("%s: %d dots %v, want %v", what, len(got), got[:min(3, len(got))], at)
		}
	}
	dot()
	want("upright", image.Pt(5, 1))
	tx(0x00, 0xc0) // at once (10.1.14)
	want("upside down", image.Pt(5, 62))
	tx(0x00, 0xa0) // what is written later (10.1.8)
	want("still", image.Pt(5, 62))
	clean(tx)
	tx(0x00, 0xa0, 0xc0)
	dot()
	want("turned", image.Pt(122, 62))
	tx(0x00, 0x41, 0xc8) // row 1 comes first
	want("start line", image.Pt(122, 0))
	tx(0x00, 0x40, 0xae)
	want("off")
	tx(0x00, 0xaf, 0x8d, 0x10)
	want("without its pump")
	tx(0x00, 0x8d, 0x14, 0xa5)
	if n := len(litDots(d.Glass())); n != 64*128 {
		t.Errorf("all on: %d dots", n)
	}
	tx(0x00, 0xa4, 0xa7)
	if n := len(litDots(d.Glass())); n != 64*128-1 {
		t.Errorf("inverse: %d dots", n)
	}
	if d.Brightest() != 0x30 {
		t.Errorf("brightest %02x", d.Brightest())
	}
	if bad := d.Misuse(); len(bad) > 0 {
		t.Error(bad)
	}
}

// TestSSD1306Strict: what the tables do not have is noted and does nothing.
func TestSSD1306Strict(t *testing.T) {
	for _, w := range [][]byte{
		{0x00, 0xff}, {0x00, 0x81}, {0x00, 0x20, 0x00, 0xb0}, {0x00, 0xd9, 0x0f}, {0x00, 0xdb, 0x40}, {0x00, 0xa8, 5},
		{0x00, 0xda, 0xff}, {0x00, 0x8d, 0x04}, {0x00, 0x2f}, {0x01, 0xae}, {0x00, 0x20, 3}, {0x00, 0x20, 0, 0x21, 9, 3},
	} {
		d, tx := newGlass(t)
		tx(w...)
		if len(d.Misuse()) != 1 {
			t.Errorf("% x: noted %q", w, d.Misuse())
		}
	}
	d, tx := newGlass(t)
	tx(0x80, 0x81, 0x80, 0x11, 0xc0, 0x01, 0x00, 0xe3) // a control byte before each (8.1.5)
	if len(d.Misuse()) != 0 || d.Contrast() != 0x11 {
		t.Errorf("%q, contrast %02x", d.Misuse(), d.Contrast())
	}
}
