// Package report makes one page of a night out of the night log: a few sentences,
// plots on one time axis, the events, what was used, and what is not known. The
// page is complete in itself: it asks for nothing from outside, runs no program,
// is black on white on paper and can be dark red on a screen.
//
// The work is bounded: a night is read once, row by row, into columns that hold
// the least and the greatest value of their time (so that a spike of one second
// stays visible), whatever its length; events are counted beyond a limit.
package report

import (
	"bufio"
	"context"
	"io"

	"plumbstar/daemon/nightlog"
)

// Options say how the page is made.
type Options struct {
	// Lang is "en" (the default) or "de".
	Lang string
	// Night begins in dark red on the screen; paper stays black on white.
	Night bool
	// Version of the program, for the last line; may be empty.
	Version string
}

// Languages are those that Options.Lang may name.
func Languages() []string { return []string{"en", "de"} }

// Write reads a night (a number or nightlog.Latest) and writes its page. Nothing
// is written before the night was read in full; then only w can fail.
func Write(ctx context.Context, w io.Writer, r *nightlog.Reader, night int64, o Options) error {
	d, err := gather(ctx, r, night)
	if err != nil {
		return err
	}
	lang := english
	if o.Lang == "de" {
		lang = german
	}
	b := bufio.NewWriterSize(w, 32<<10)
	p := &page{w: b, l: lang, d: d, f: d.facts()}
	p.write(o)
	return b.Flush()
}
