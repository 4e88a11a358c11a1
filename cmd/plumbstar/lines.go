package main

import (
	"bufio"
	"encoding/json"
	"io"
)

// lineWriter writes JSON objects line by line; its first error stops the work.
type lineWriter struct {
	w    *bufio.Writer
	enc  *json.Encoder
	err  error
	stop func()
}

func newLineWriter(w io.Writer) *lineWriter {
	b := bufio.NewWriterSize(w, 64<<10)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	return &lineWriter{w: b, enc: enc, stop: func() {}}
}

func (l *lineWriter) encode(v any) {
	if l.err != nil {
		return
	}
	if l.err = l.enc.Encode(v); l.err != nil {
		l.stop()
	}
}

func (l *lineWriter) flush() error {
	if l.err != nil {
		return l.err
	}
	return l.w.Flush()
}
