//go:build linux

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"plumbstar/deploy/rig/plan"
)

// program is the released program while it serves.
type program struct {
	cmd    *exec.Cmd
	exited chan struct{}
	err    error // how it ended, once exited is closed

	mu  sync.Mutex
	log []string
}

const url = "http://127.0.0.1:8484"

// start runs serve with the settings file.
func start(settings string) (*program, error) {
	p := &program{cmd: exec.Command(plan.Program, "serve", "--config", settings), exited: make(chan struct{})}
	r, w := io.Pipe()
	p.cmd.Stdout, p.cmd.Stderr = w, w
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		s := bufio.NewScanner(r)
		for s.Scan() {
			p.mu.Lock()
			p.log = append(p.log, s.Text())
			p.mu.Unlock()
			fmt.Println("LOG", s.Text())
		}
		_, _ = io.Copy(io.Discard, r) // a line too long for the scanner
	}()
	go func() {
		p.err = p.cmd.Wait()
		w.Close()
		close(p.exited)
	}()
	return p, nil
}

// lines is how much was logged so far.
func (p *program) lines() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.log)
}

// logged finds a line after the first from ones that holds all words.
func (p *program) logged(from int, words ...string) (string, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
next:
	for _, l := range p.log[from:] {
		for _, w := range words {
			if !strings.Contains(l, w) {
				continue next
			}
		}
		return l, true
	}
	return "", false
}

// await asks for something again and again until it is there or time is over.
func (p *program) await(limit time.Duration, what string, ok func() error) error {
	end := time.Now().Add(limit)
	for {
		err := ok()
		if err == nil {
			return nil
		}
		if time.Now().After(end) {
			return fmt.Errorf("%s: not within %v: %w", what, limit, err)
		}
		select {
		case <-p.exited:
			return fmt.Errorf("%s: the program ended: %v", what, p.err)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// awaitLog waits for a line of the log.
func (p *program) awaitLog(from int, limit time.Duration, words ...string) (line string, err error) {
	err = p.await(limit, "a line in the log", func() error {
		var ok bool
		if line, ok = p.logged(from, words...); !ok {
			return fmt.Errorf("none with %q", words)
		}
		return nil
	})
	return line, err
}

// stop ends the program as a service manager does.
func (p *program) stop(limit time.Duration) error {
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case <-p.exited:
		return p.err
	case <-time.After(limit):
		_ = p.cmd.Process.Kill()
		return errors.New("it does not end when told to")
	}
}

// The parts of the interface that the rig reads.
type (
	guidance struct {
		State string `json:"state"`
		Axis  struct {
			Altitude      *float64 `json:"altitude_deg"`
			AltitudeSigma *float64 `json:"altitude_sigma_deg"`
			Azimuth       *float64 `json:"azimuth_deg"`
			AzimuthSigma  *float64 `json:"azimuth_sigma_deg"`
		} `json:"axis"`
		Move struct {
			Raise    *float64 `json:"raise_deg"`
			TurnEast *float64 `json:"turn_east_deg"`
			Text     string   `json:"text"`
		} `json:"move"`
		Warnings []struct {
			Text string `json:"text"`
		} `json:"warnings"`
	}
	health struct {
		Status  string         `json:"status"`
		Sensors []sensorHealth `json:"sensors"`
		Loop    struct {
			Ticks uint64 `json:"ticks"`
			Late  uint64 `json:"late"`
		} `json:"loop"`
	}
	sensorHealth struct {
		Name       string            `json:"name"`
		Device     string            `json:"device"`
		State      string            `json:"state"`
		Fault      string            `json:"fault"`
		Advice     string            `json:"advice"`
		LastError  string            `json:"last_error"`
		RateHz     *float64          `json:"rate_hz"`
		Samples    uint64            `json:"samples"`
		Faults     map[string]uint64 `json:"faults"`
		Recoveries uint64            `json:"recoveries"`
	}
)

var client = &http.Client{Timeout: 10 * time.Second}

func get(path string, out any) error {
	r, err := client.Get(url + path)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", path, r.Status)
	}
	return json.NewDecoder(r.Body).Decode(out)
}

// post sends in as JSON, as a paired program does; out may be nil.
func post(token, path string, in, out any) error {
	body, err := json.Marshal(in)
	if err != nil {
		return err
	}
	if in == nil {
		body = nil
	}
	q, err := http.NewRequest(http.MethodPost, url+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	q.Header.Set("Authorization", "Bearer "+token)
	q.Header.Set("Content-Type", "application/json")
	r, err := (&http.Client{Timeout: time.Minute}).Do(q)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode >= 300 {
		why, _ := io.ReadAll(io.LimitReader(r.Body, 1000))
		return fmt.Errorf("%s: %s: %s", path, r.Status, why)
	}
	if out == nil {
		return nil
	}
	return json.NewDecoder(r.Body).Decode(out)
}

func sensorNamed(name string) (sensorHealth, error) {
	var h health
	if err := get("/api/v1/health", &h); err != nil {
		return sensorHealth{}, err
	}
	for _, s := range h.Sensors {
		if s.Name == name {
			return s, nil
		}
	}
	return sensorHealth{}, fmt.Errorf("health lists no sensor %q", name)
}

// allWell is nil when the health is "ok".
func allWell() error {
	var h health
	if err := get("/api/v1/health", &h); err != nil {
		return err
	}
	if h.Status != "ok" {
		return fmt.Errorf("health %q", h.Status)
	}
	return nil
}
