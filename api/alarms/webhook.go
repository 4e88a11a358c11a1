package alarms

import (
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
	"net/http"
	"net/url"
	"os"
	"strconv"
	"time"

	"plumbstar/daemon/config"
)

// webhook posts messages to one server.
type webhook struct {
	set    config.Webhook
	client *http.Client
	agent  string
	target string // what of the address may be shown
}

// newWebhook makes the sender of set, whose URL is not empty.
func newWebhook(set config.Webhook, agent string) (*webhook, error) {
	u, err := url.Parse(set.URL)
	if err != nil {
		return nil, errors.New("alarms.webhook: url: this is no address")
	}
	roots, err := trusted(set.CAFile)
	if err != nil {
		return nil, fmt.Errorf("alarms.webhook: %w", err)
	}
	w := &webhook{set: set, agent: agent, target: u.Scheme + "://" + u.Host}
	w.client = &http.Client{
		Transport: &http.Transport{
			TLSClientConfig:     roots,
			MaxConnsPerHost:     1,
			IdleConnTimeout:     30 * time.Second,
			TLSHandshakeTimeout: 10 * time.Second,
			// Answers are not used; 8 kB of header is more than any needs.
			MaxResponseHeaderBytes: 8 << 10,
			DisableCompression:     true,
		},
		// Whoever answers with a redirect could send the alarm, and its secret,
		// anywhere.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
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
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.set.URL, bytes.NewReader(body))
	if err != nil {
		return errors.New("the address of the receiver cannot be used: check url in [alarms.webhook]")
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
	resp, err := w.client.Do(req)
	if err != nil {
		return w.explain(err)
	}
	defer resp.Body.Close()
	// Read a little, so that the connection can serve again.
	_, _ = io.CopyN(io.Discard, resp.Body, 4<<10)
	return w.judge(resp)
}

// signature is HMAC-SHA256 (RFC 2104, FIPS 180-4) in hexadecimal.
func signature(body []byte, secret string) string {
	h := hmac.New(sha256.New, []byte(secret))
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// explain says what went wrong without the address, whose path is often the secret.
func (w *webhook) explain(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return fmt.Errorf("%s did not answer within %g s", w.target, w.set.TimeoutS)
		}
		err = u.Err
	}
	return fmt.Errorf("%s: %w", w.target, err)
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
