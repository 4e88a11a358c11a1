package sim

import (
	"fmt"
	"image"
	"slices"
	"sync"
	"time"
)

// SSD1306 is a simulated display of 128x64 dots, written from the data sheet of
// the Solomon Systech SSD1306 (revision 1.1, April 2008; sections below), which
// also tells what it leaves open. It is strict: a command that the table does not
// have, or that another addressing mode is meant for, does nothing and is noted.
//
// The glass is wired as on the common boards (common practice, no source): column
// x is SEG 127-x, row y is COM 63-y, the COM pins alternate (DAh 12h) and the
// supply is the chip's own charge pump.
//
// It is safe for concurrent use.
type SSD1306 struct {
	mu sync.Mutex
	panel
}

// panel is the state of the chip.
type panel struct {
	ram       [64][128]bool // of COM-side row and segment
	page      int
	col       int
	mode      byte // 20h: 0 horizontal, 1 vertical, 2 by page
	colStart  int  // of the window (21h)
	colEnd    int
	pageStart int // of the window (22h)
	pageEnd   int
	first     int // where a row begins in page mode (00h to 1Fh)
	startLine int
	mux       int
	offset    int
	contrast  byte
	remap     bool // A1h
	down      bool // C8h
	on        bool
	pump      bool
	all       bool // A5h
	inverse   bool
	pins      byte
	brightest int
	misuse    []string
	powerUps  uint64
	pending   []byte
	expected  int
}

// NewSSD1306 makes a display; what its memory holds when it is switched on is
// left to chance, as in earnest.
func NewSSD1306() *SSD1306 { return &SSD1306{} }

// String is the name of the chip.
func (d *SSD1306) String() string { return "SSD1306" }

// startUp: RES# low for 3 µs, and 3 µs more (8.9); boards do that within this.
func (d *SSD1306) startUp() time.Duration { return 10 * time.Millisecond }

// powerUp sets what a reset sets (8.5, and RESET in table 9-1). The memory keeps
// chance.
func (d *SSD1306) powerUp(time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.panel = panel{powerUps: d.powerUps + 1, brightest: d.brightest, misuse: d.misuse}
	d.mode, d.colEnd, d.pageEnd, d.mux, d.contrast, d.pins = 2, 127, 7, 63, 0x7f, 0x12
	for y := range d.ram {
		for x := range d.ram[y] {
			d.ram[y][x] = mix(d.powerUps<<20+uint64(y)<<8+uint64(x))&1 == 1
		}
	}
}

// transfer is one of I²C (8.1.5): control bytes say whether a command or data
// follow, one byte (Co set) or all the rest. A read gives the status (table 9-2),
// which the data sheet describes for the parallel interface only.
func (d *SSD1306) transfer(x exchange) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for w := x.w; len(w) > 0; {
		control := w[0]
		w = w[1:]
		if control&0x3f != 0 {
			d.note("control byte %02Xh", control)
		}
		n := len(w)
		if control&0x80 != 0 {
			n = min(n, 1)
		}
		for _, b := range w[:n] {
			if control&0x40 != 0 {
				d.data(b)
			} else {
				d.command(b)
			}
		}
		w = w[n:]
		d.look()
	}
	// Whether a command may go on in the next transfer is not said: it may not.
	if len(d.pending) > 0 {
		d.note("command % X is cut off", d.pending)
		d.pending = nil
	}
	for i := range x.r {
		x.r[i] = 0
		if !d.on {
			x.r[i] = 0x40
		}
	}
	return true
}

func (d *panel) note(format string, a ...any) {
	if len(d.misuse) < 100 {
		d.misuse = append(d.misuse, fmt.Sprintf(format, a...))
	}
}

// data writes eight dots, the lowest bit at the top (8.7), and moves on (10.1.3).
// The segment re-map acts on what is written from then on (10.1.8).
func (d *panel) data(b byte) {
	seg := d.col
	if d.remap {
		seg = 127 - seg
	}
	for bit := range 8 {
		d.ram[8*d.page+bit][seg] = b>>bit&1 == 1
	}
	switch d.mode {
	case 2:
		if d.col++; d.col > 127 {
			d.col = d.first
		}
	case 0:
		if d.col++; d.col > d.colEnd {
			d.col = d.colStart
			if d.page++; d.page > d.pageEnd {
				d.page = d.pageStart
			}
		}
	default:
		if d.page++; d.page > d.pageEnd {
			d.page = d.pageStart
			if d.col++; d.col > d.colEnd {
				d.col = d.colStart
			}
		}
	}
}

// operands is how many bytes follow a command (table 9-1, and those of the graphic
// acceleration and charge pump tables).
func operands(c byte) (n int, known bool) {
	switch c {
	case 0x26, 0x27:
		return 6, true
	case 0x29, 0x2a:
		return 5, true
	case 0x21, 0x22, 0xa3:
		return 2, true
	case 0x20, 0x81, 0xa8, 0xd3, 0xd5, 0xd9, 0xda, 0xdb, 0x8d:
		return 1, true
	case 0x2e, 0x2f, 0xa0, 0xa1, 0xa4, 0xa5, 0xa6, 0xa7, 0xae, 0xaf, 0xc0, 0xc8, 0xe3:
		return 0, true
	}
	return 0, c < 0x20 || c >= 0x40 && c < 0x80 || c >= 0xb0 && c < 0xb8
}

func (d *panel) command(b byte) {
	if len(d.pending) == 0 {
		n, known := operands(b)
		if !known {
			d.note("there is no command %02Xh", b)
			return
		}
		d.expected = n
	}
	d.pending = append(d.pending, b)
	if len(d.pending) <= d.expected {
		return
	}
	d.execute(d.pending)
	d.pending = nil
	d.look()
}

func (d *panel) execute(c []byte) {
	byPage, window := c[0] < 0x20 || c[0] >= 0xb0 && c[0] < 0xb8, c[0] == 0x21 || c[0] == 0x22
	switch {
	case byPage && d.mode != 2:
		d.note("command %02Xh is for page addressing mode", c[0])
	case c[0] < 0x10:
		d.first = d.first&0xf0 | int(c[0])
		d.col = min(d.first, 127)
	case c[0] < 0x20:
		d.first = d.first&0x0f | int(c[0]&0x07)<<4
		d.col = d.first
	case byPage:
		d.page = int(c[0] & 7)
	case window && d.mode == 2:
		// For the other modes only; without effect here.
	case c[0] == 0x21 && c[1] <= c[2] && c[2] < 128:
		d.colStart, d.colEnd, d.col = int(c[1]), int(c[2]), int(c[1])
	case c[0] == 0x22 && c[1] <= c[2] && c[2] < 8:
		d.pageStart, d.pageEnd, d.page = int(c[1]), int(c[2]), int(c[1])
	case c[0] >= 0x40 && c[0] < 0x80:
		d.startLine = int(c[0] & 0x3f)
	default:
		d.set(c)
	}
}

// set is the rest of the commands: what drives the glass.
func (d *panel) set(c []byte) {
	bad := func() { d.note("command % X is outside the table", c) }
	switch c[0] {
	case 0x20:
		if d.mode = c[1] & 3; c[1] > 2 {
			bad()
		}
	case 0x81:
		d.contrast = c[1]
	case 0xa0, 0xa1:
		d.remap = c[0] == 0xa1
	case 0xa4, 0xa5:
		d.all = c[0] == 0xa5
	case 0xa6, 0xa7:
		d.inverse = c[0] == 0xa7
	case 0xa8:
		if d.mux = int(c[1]); c[1] < 15 || c[1] > 63 {
			bad()
		}
	case 0xae, 0xaf:
		d.on = c[0] == 0xaf
	case 0xc0, 0xc8:
		d.down = c[0] == 0xc8
	case 0xd3:
		d.offset = int(c[1] & 0x3f)
	case 0xd5: // the clock of the glass: any value
	case 0xd9:
		if c[1]&0x0f == 0 || c[1]&0xf0 == 0 {
			bad()
		}
	case 0xda:
		if d.pins = c[1]; c[1]&^0x30 != 2 {
			bad()
		}
	case 0xdb:
		if c[1] != 0 && c[1] != 0x20 && c[1] != 0x30 {
			bad()
		}
	case 0x8d: // application note on the charge pump
		if d.pump = c[1]&4 != 0; c[1]&^4 != 0x10 {
			bad()
		}
	case 0x2e, 0xe3:
	default:
		d.note("command % X is not simulated", c)
	}
}

// look notes how bright the glass is when anything shines.
func (d *panel) look() {
	if d.on && d.pump && int(d.contrast) > d.brightest && d.anyLit() {
		d.brightest = int(d.contrast)
	}
}

func (d *panel) anyLit() bool {
	for y := range 64 {
		for x := range 128 {
			if d.lit(x, y) {
				return true
			}
		}
	}
	return false
}

// lit is the dot at column x from the left and row y from the top of the glass.
func (d *panel) lit(x, y int) bool {
	com := 63 - y
	if !d.on || !d.pump || com > d.mux {
		return false
	}
	if d.all {
		return true
	}
	scan := com // the turn in which this COM is driven (10.1.14)
	if d.down {
		scan = d.mux - com
	}
	row := (scan + d.startLine + d.offset) & 63
	return d.ram[row][127-x] != d.inverse
}

// Glass is what is seen: 255 for a dot that shines, 0 for one that is dark.
func (d *SSD1306) Glass() *image.Gray {
	d.mu.Lock()
	defer d.mu.Unlock()
	img := image.NewGray(image.Rect(0, 0, 128, 64))
	for y := range 64 {
		for x := range 128 {
			if d.lit(x, y) {
				img.Pix[y*img.Stride+x] = 255
			}
		}
	}
	return img
}

// On reports whether the glass is driven.
func (d *SSD1306) On() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.on && d.pump
}

// Contrast is the current of the dots, 0 to 255.
func (d *SSD1306) Contrast() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return int(d.contrast)
}

// Brightest is the highest contrast at which a dot has shone since the display was
// made, 0 when none has.
func (d *SSD1306) Brightest() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.brightest
}

// Misuse lists what the data sheet does not allow, as far as it was tried.
func (d *SSD1306) Misuse() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.misuse)
}
