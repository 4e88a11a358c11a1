package main

import (
	"fmt"
	"io"
	"os"
	"strings"
)

// bar is a progress bar on a terminal; elsewhere it shows nothing.
type bar struct {
	w     io.Writer
	n     int
	shown int
}

func newBar(w io.Writer, n int) *bar {
	b := &bar{w: io.Discard, n: n, shown: -1}
	if f, ok := w.(*os.File); ok {
		if i, err := f.Stat(); err == nil && i.Mode()&os.ModeCharDevice != 0 {
			b.w = w
		}
	}
	return b
}

// show tells that done of all nights are over.
func (b *bar) show(done int) {
	percent := 100 * done / b.n
	if percent == b.shown {
		return
	}
	b.shown = percent
	const cells = 40
	full := cells * done / b.n
	fmt.Fprintf(b.w, "\r[%s%s] %3d %% of %d nights", strings.Repeat("#", full), strings.Repeat(" ", cells-full), percent, b.n)
}

func (b *bar) clear() { fmt.Fprint(b.w, "\r\033[K") }
