package api

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"strings"
)

// Role is what a paired device may do.
type Role string

const (
	RoleRead  Role = "read"
	RoleWrite Role = "write" // includes reading
)

func (r Role) allows(need Role) bool { return r == RoleWrite || r == need }

const (
	cookieName = "plumbstar_token"
	// contentPolicy lets the page load from this server alone and nobody frame it.
	contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
		"manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

// guard is the outer gate of every request: headers of the answer, Host,
// origin, size and kind of the body, token.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		refuse := func(status int, detail string) {
			if r.ContentLength != 0 {
				// Otherwise net/http waits for the rest of the body before it answers.
				h.Set("Connection", "close")
			}
			problem(w, status, detail)
		}
		if !s.hostAllowed(r.Host) {
			refuse(http.StatusMisdirectedRequest, fmt.Sprintf("this board is not called %.80q: use its IP address, or add the name to names under [server] in the settings", r.Host))
			return
		}
		if detail := crossSite(r); detail != "" {
			refuse(http.StatusForbidden, detail)
			return
		}
		if status, detail := s.bodyFault(r); status != 0 {
			refuse(status, detail)
			return
		}
		if status, detail := s.tokenFault(r); status != 0 {
			if status == http.StatusUnauthorized {
				h.Set("WWW-Authenticate", `Bearer realm="plumbstar"`)
			}
			refuse(status, detail)
			return
		}
		if isWrite(r) {
			body, status, detail := readBody(r)
			if status != 0 {
				refuse(status, detail)
				return
			}
			r = r.WithContext(r.Context()) // net/http keeps its own
			r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
		}
		next.ServeHTTP(w, r)
	})
}

// readBody takes the whole body, which is small.
func readBody(r *http.Request) (body []byte, status int, detail string) {
	body, err := io.ReadAll(io.LimitReader(r.Body, maxBody+1))
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		return nil, http.StatusRequestTimeout, "the body took too long"
	case err != nil:
		return nil, http.StatusBadRequest, "the body is broken: " + err.Error()
	case len(body) > maxBody:
		return nil, http.StatusRequestEntityTooLarge, fmt.Sprintf("at most %d bytes of body are taken", maxBody)
	}
	return body, 0, ""
}

// hostAllowed refuses names that are not ours. A page elsewhere can make its
// own name resolve to this board (DNS rebinding) and would then count as the
// same origin; it cannot do that with an IP address.
func (s *Server) hostAllowed(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(name, "."))
	if _, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil {
		return true
	}
	return s.hosts[name]
}

// crossSite says why a request that another site's page made is refused; empty
// when it is not one. Browsers send Origin with every write and with every read
// whose answer the page could see.
func crossSite(r *http.Request) string {
	const refused = "this request comes from a page of another site: open the board's own page"
	write := isWrite(r)
	switch site := r.Header.Get("Sec-Fetch-Site"); site {
	case "", "same-origin", "none":
	default:
		// Following a link to the page from elsewhere is no harm.
		if write || r.Header.Get("Sec-Fetch-Mode") != "navigate" {
			return refused
		}
	}
	origins := r.Header.Values("Origin")
	if len(origins) > 1 {
		return "more than one Origin header"
	}
	if len(origins) == 1 {
		u, err := url.Parse(origins[0])
		scheme := "http"
		if r.TLS != nil {
			scheme = "https"
		}
		if err != nil || u.Scheme != scheme || !strings.EqualFold(u.Host, r.Host) {
			return refused
		}
	}
	return ""
}

// bodyFault refuses bodies that are too large or not declared as JSON. A form
// of another site can send text or form data without asking, but not JSON.
func (s *Server) bodyFault(r *http.Request) (int, string) {
	if r.ContentLength > maxBody {
		return http.StatusRequestEntityTooLarge, fmt.Sprintf("the body has %d bytes: at most %d are taken", r.ContentLength, maxBody)
	}
	if !isWrite(r) {
		return 0, ""
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return http.StatusUnsupportedMediaType, "send Content-Type: application/json"
	}
	return 0, ""
}

// tokenFault refuses a write without a write token and, when reading is for
// paired devices only, a read without any.
func (s *Server) tokenFault(r *http.Request) (int, string) {
	need := RoleRead
	switch {
	case r.URL.Path == pairingPath:
		return 0, "" // how else to get a token
	case isWrite(r):
		need = RoleWrite
	case !s.o.ReadPaired || !strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics":
		return 0, "" // the page itself must load to be paired
	}
	token, cookie := tokenOf(r)
	if token == "" {
		return http.StatusUnauthorized, "this needs a paired device: run `plumbstar pair` on the board and enter the code on the page"
	}
	role, ok := s.o.Pairing.Check(token)
	switch {
	case !ok:
		return http.StatusUnauthorized, "this token is not known (revoked?): pair this device again with `plumbstar pair`"
	case !role.allows(need):
		return http.StatusForbidden, "this device was paired for reading only: pair it again with `plumbstar pair --role write`"
	case cookie && need == RoleWrite && r.Header.Get("Origin") == "" && r.Header.Get("Sec-Fetch-Site") == "":
		return http.StatusForbidden, "a write with the cookie needs an Origin header; programs send the token as `Authorization: Bearer …`"
	}
	return 0, ""
}

// tokenOf is the token of a request and whether it came as the cookie.
func tokenOf(r *http.Request) (token string, cookie bool) {
	if a := r.Header.Get("Authorization"); a != "" {
		scheme, t, _ := strings.Cut(a, " ")
		if strings.EqualFold(scheme, "Bearer") {
			return strings.TrimSpace(t), false
		}
	}
	if c, err := r.Cookie(cookieName); err == nil {
		return c.Value, true
	}
	return "", false
}

func isWrite(r *http.Request) bool {
	return r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodOptions
}
