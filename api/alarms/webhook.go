package alarms

import (
	"bufio"
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"time"

	"plumbstar/daemon/config"
)

// webhook posts messages to one server, each over a connection of its own: net/http's
// client would add 0.3 MB for connections kept, proxies and redirects, of which
// some alarms a night need none and the last would be a danger (whoever answers
// with a redirect could send the alarm, and its secret, anywhere).
type webhook struct {
	set    config.Webhook
	url    *url.URL
	addr   string
	tls    *tls.Config // nil: plain
	agent  string
	target string // what of the address may be shown
}

// newWebhook makes the sender of set, whose URL is not empty.
func newWebhook(set config.Webhook, agent string) (*webhook, error) {
	u, err := url.Parse(set.URL)
	if err != nil {
		return nil, errors.New("alarms.webhook: url: this is no address")
	}
	u.Fragment = ""
	w := &webhook{set: set, url: u, agent: agent, target: u.Scheme + "://" + u.Host}
	port := "80"
	if u.Scheme == "https" {
		if w.tls, err = trusted(set.CAFile); err != nil {
			return nil, fmt.Errorf("alarms.webhook: %w", err)
		}
		w.tls.ServerName, port = u.Hostname(), "443"
	}
	if u.Port() != "" {
		port = u.Port()
	}
	w.addr = net.JoinHostPort(u.Hostname(), port)
	return w, nil
}

// trusted are the authorities that may vouch for a server: those of the system, or
// the one in file (PEM).
func trusted(file string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if file == "" {
		return c, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("ca_file: %w: name a file that exists and can be read", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("ca_file %s: no certificate is in it: give one in PEM form", file)
	}
	return c, nil
}

// Headers of a request. Idempotency-Key is that of the draft
// draft-ietf-httpapi-idempotency-key-header, section 2.1: a quoted string.
const (
	idempotencyHeader = "Idempotency-Key"
	signatureHeader   = "Plumbstar-Signature"
)

// send posts one message.
func (w *webhook) send(ctx context.Context, m Message) error {
	body, err := m.body()
	if err != nil {
		return refusedError{err}
	}
	req := &http.Request{
		Method: http.MethodPost, URL: w.url, Host: w.url.Host, Header: http.Header{}, Close: true,
		Body: io.NopCloser(bytes.NewReader(body)), ContentLength: int64(len(body)),
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", w.agent)
	req.Header.Set(idempotencyHeader, `"`+m.ID+`"`)
	switch w.set.Auth {
	case config.AuthBearer:
		req.Header.Set("Authorization", "Bearer "+w.set.Secret.Reveal())
	case config.AuthHMAC:
		req.Header.Set(signatureHeader, "sha256="+signature(body, w.set.Secret.Reveal()))
	}
	resp, err := w.exchange(ctx, req)
	if err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("%s did not answer within %g s", w.target, w.set.TimeoutS)
		}
		return fmt.Errorf("%s: %w", w.target, err)
	}
	return w.judge(resp)
}

// mostAnswer bounds what is read of an answer, bytes; its body is not used.
const mostAnswer = 64 << 10

// exchange sends the request and reads the header of the answer.
func (w *webhook) exchange(ctx context.Context, req *http.Request) (*http.Response, error) {
	conn, err := dial(ctx, w.addr, w.tls)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()
	if err := req.Write(conn); err != nil {
		return nil, err
	}
	r := bufio.NewReader(io.LimitReader(conn, mostAnswer))
	for {
		resp, err := http.ReadResponse(r, req)
		if err != nil {
			return nil, fmt.Errorf("no HTTP answer: %w", err)
		}
		// Interim answers (RFC 9110, section 15.2) come before the one that counts.
		if resp.StatusCode >= 200 {
			return resp, nil // closing its body would read it first; the connection ends instead
		}
	}
}

// dial connects, with TLS where there is a configuration for it.
func dial(ctx context.Context, addr string, c *tls.Config) (net.Conn, error) {
	if c != nil {
		return (&tls.Dialer{Config: c}).DialContext(ctx, "tcp", addr)
	}
	return (&net.Dialer{}).DialContext(ctx, "tcp", addr)
}

// signature is HMAC-SHA256 (RFC 2104, FIPS 180-4) in hexadecimal.
func signature(body []byte, secret string) string {
	h := hmac.New(sha256.New, []byte(secret))
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// judge tells success from refusals for good and for now.
func (w *webhook) judge(resp *http.Response) error {
	err := fmt.Errorf("%s answered %d %s", w.target, resp.StatusCode, http.StatusText(resp.StatusCode))
	switch code := resp.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code >= 300 && code < 400:
		where := "elsewhere"
		if l, err := resp.Location(); err == nil && l.Host != "" {
			where = "to " + l.Scheme + "://" + l.Host
		}
		return fmt.Errorf("%w: it points %s, which is not followed: put the final address into [alarms.webhook]", err, where)
	case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge, code == http.StatusUnsupportedMediaType, code == http.StatusUnprocessableEntity:
		return refusedError{err}
	case code == http.StatusUnauthorized, code == http.StatusForbidden:
		return fmt.Errorf("%w: check auth and secret in [alarms.webhook]", err)
	}
	// Retry-After in seconds (RFC 9110, section 10.2.3); dates need a clock that
	// both agree on.
	if s, perr := strconv.ParseUint(resp.Header.Get("Retry-After"), 10, 31); perr == nil {
		return laterError{err, time.Duration(s) * time.Second}
	}
	return err
}
