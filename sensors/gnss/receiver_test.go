package gnss

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// runReceiver feeds each opening from the next of the given functions.
func runReceiver(t *testing.T, feed ...func(w *io.PipeWriter, attempt int)) *heard {
	t.Helper()
	h := &heard{}
	var n atomic.Int32
	r := &Receiver{
		Clock: realClock{time.Now()}, Sink: h.sink(), Silence: 200 * time.Millisecond, Retry: 10 * time.Millisecond,
		Open: func(attempt int) (io.ReadCloser, string, error) {
			i := int(n.Add(1)) - 1
			if i >= len(feed) || feed[i] == nil {
				return nil, "", fmt.Errorf("/dev/ttyX: no such file: plug the receiver in")
			}
			pr, pw := io.Pipe()
			go feed[i](pw, attempt)
			return pr, "/dev/ttyX at 9600 baud", nil
		},
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); r.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case <-done:
		case <-time.After(5 * time.Second):
			t.Error("the receiver does not end")
		}
	})
	return h
}

func moment(second int) string {
	return sentence(fmt.Sprintf("GNRMC,2030%02d.00,A,5154.0000,N,00824.0000,E,0.02,,121126,,,A", second)) + "\r\n" +
		sentence(fmt.Sprintf("GNGGA,2030%02d.00,5154.0000,N,00824.0000,E,1,09,1.1,82.0,M,46.5,M,,", second)) + "\r\n"
}

func talk(w *io.PipeWriter, moments int) {
	for i := range moments {
		if _, err := io.WriteString(w, moment(i)); err != nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func TestReceiverIsFoundAgain(t *testing.T) {
	h := runReceiver(t,
		nil, nil, // not plugged in yet
		func(w *io.PipeWriter, _ int) { talk(w, 5); w.CloseWithError(errors.New("input/output error")) }, // unplugged
		nil,
		func(w *io.PipeWriter, _ int) { talk(w, 100) },
	)
	h.wait(t, "fixes of both times", func(h *heard) bool { return len(h.fixes) >= 10 })
	h.mu.Lock()
	defer h.mu.Unlock()
	want := []string{"down /dev/ttyX: no such file", "up /dev/ttyX at 9600", "down /dev/ttyX at 9600 baud: input/output error", "down /dev/ttyX: no such", "up /dev/ttyX"}
	if len(h.said) != len(want) {
		t.Fatalf("said %q", h.said)
	}
	for i, w := range want {
		if !strings.HasPrefix(h.said[i], w) {
			t.Errorf("said %q, want %q", h.said[i], w)
		}
	}
	if f := h.fixes[0]; f.Mode != Fix3D || f.LatDeg != 51.9 {
		t.Errorf("%+v", f)
	}
}

// Bytes without a sentence ask for another baud rate, at once; silence does too.
func TestReceiverTriesOtherBaudRates(t *testing.T) {
	attempts := make(chan int, 10)
	garbled := func(w *io.PipeWriter, attempt int) {
		attempts <- attempt
		for {
			if _, err := w.Write([]byte("\x9a\xf3\x02\n\x80\x80\x00$\xff\xfe\n")); err != nil {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	mute := func(w *io.PipeWriter, attempt int) { attempts <- attempt }
	endless := func(w *io.PipeWriter, attempt int) {
		attempts <- attempt
		for {
			if _, err := w.Write([]byte(strings.Repeat("\x7f", 1000))); err != nil {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	h := runReceiver(t, garbled, mute, endless, func(w *io.PipeWriter, attempt int) { attempts <- attempt; talk(w, 100) })
	h.wait(t, "a fix", func(h *heard) bool { return len(h.fixes) > 0 })
	for want := range 4 {
		if got := <-attempts; got != want {
			t.Errorf("attempt %d, want %d", got, want)
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.errs) < 2 || !errors.Is(h.errs[0], ErrGarbled) || !errors.Is(h.errs[1], ErrSilent) || !errors.Is(h.errs[2], ErrGarbled) || h.bad == 0 {
		t.Errorf("said %q", h.said)
	}
}

// A damaged sentence now and then is counted and does no harm.
func TestReceiverSkipsDamagedSentences(t *testing.T) {
	h := runReceiver(t, func(w *io.PipeWriter, _ int) {
		for i := range 20 {
			text := moment(i)
			if i%3 == 0 {
				text = strings.Replace(text, "N,", "Q,", 1)
			}
			if _, err := io.WriteString(w, text); err != nil {
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
		time.Sleep(time.Second)
	})
	h.wait(t, "nearly all moments", func(h *heard) bool { return len(h.fixes) >= 19 && h.bad >= 6 })
}
