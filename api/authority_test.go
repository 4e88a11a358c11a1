package api

import (
	"bufio"
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var released = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

func openAuthority(t testing.TB, dir string, now time.Time, names ...string) *Authority {
	t.Helper()
	a, err := OpenAuthority(dir, names, func() time.Time { return now }, released)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// trusting is a client whose owner installed the authority.
func trusting(a *Authority, name string) *http.Client {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, ServerName: name}}}
}

func TestEncryptedServing(t *testing.T) {
	a := openAuthority(t, t.TempDir(), time.Now(), "larkmoor.local")
	b := start(t, func(o *Options) { o.Authority = a })
	secure := "https://" + b.addr
	client := trusting(a, "")
	defer client.CloseIdleConnections()

	r, err := client.Get(secure + authorityPath)
	if err != nil {
		t.Fatal(err)
	}
	der, err := io.ReadAll(r.Body)
	r.Body.Close()
	if err != nil || !bytes.Equal(der, a.cert.Raw) || r.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Errorf("/ca.crt: %d bytes of %s (%v), want the authority", len(der), r.Header.Get("Content-Type"), err)
	}

	code, err := b.pairing.Issue(CodeOptions{Role: RoleWrite, Lifetime: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodPost, secure+pairingPath, strings.NewReader(`{"code":"`+code+`"}`))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Origin", secure)
	if r, err = client.Do(req); err != nil {
		t.Fatal(err)
	}
	var g PairingGrant
	if err := json.NewDecoder(r.Body).Decode(&g); err != nil || g.Token == "" {
		t.Errorf("pairing: status %d, %v", r.StatusCode, err)
	}
	r.Body.Close()
	if c := r.Cookies(); len(c) != 1 || !c[0].Secure || !c[0].HttpOnly {
		t.Errorf("cookies %v, want one that is never sent in the clear", c)
	}
	// A page that came unencrypted is another origin.
	req, _ = http.NewRequest(http.MethodPut, secure+"/api/v1/site", strings.NewReader(`{"lat_deg":1,"lon_deg":2}`))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+g.Token)
	req.Header.Set("Origin", "http://"+b.addr)
	if r, err = client.Do(req); err != nil || r.StatusCode != http.StatusForbidden {
		t.Errorf("a write from http: %v, %v; want 403", r, err)
	}
	r.Body.Close()

	if r, err = client.Get(secure + streamPath); err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if line, err := bufio.NewReader(r.Body).ReadString('\n'); err != nil || line == "\n" {
		t.Errorf("stream begins %q, %v", line, err)
	}

	if _, err := http.Get(secure + "/healthz"); err == nil {
		t.Error("a client that was not told to trust the authority does")
	}
	if r, err := http.Get("http://" + b.addr + "/healthz"); err != nil || r.StatusCode != http.StatusBadRequest {
		t.Errorf("unencrypted: %v, %v; want 400", r, err)
	} else {
		r.Body.Close()
	}
	if _, err := tls.Dial("tcp", b.addr, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 is taken")
	}
}

// The limits of an encrypted server are those of a plain one.
func TestEncryptedIdleConnectionsMakeRoom(t *testing.T) {
	a := openAuthority(t, t.TempDir(), time.Now())
	b := start(t, func(o *Options) { o.Authority, o.MaxConns = a, 4 })
	for range 12 {
		c, err := net.Dial("tcp", b.addr) // never says hello
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	client := trusting(a, "")
	defer client.CloseIdleConnections()
	r, err := client.Get("https://" + b.addr + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	waitFor(t, "silent connections to go", func() bool { return b.conns.count() <= 4 })
}

func TestWithoutAuthorityThereIsNone(t *testing.T) {
	b := start(t, nil)
	if r, err := http.Get(b.url + authorityPath); err != nil || r.StatusCode != http.StatusNotFound {
		t.Errorf("%v, %v; want 404", r, err)
	} else {
		r.Body.Close()
	}
}

// at is a connection that came in at an address of the board.
type at struct {
	net.Conn
	addr string
}

func (c at) LocalAddr() net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(c.addr)) }

func (a *Authority) chain(t *testing.T, addr string) *x509.Certificate {
	t.Helper()
	c, err := a.certificate(&tls.ClientHelloInfo{Conn: at{addr: addr}})
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(c.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	return cert
}

func TestAuthoritySpeaksForThisBoardOnly(t *testing.T) {
	now := released.Add(40 * 24 * time.Hour)
	dir := filepath.Join(t.TempDir(), "tls")
	a := openAuthority(t, dir, now, "tracker", "Tracker.local.")
	if !a.cert.PermittedDNSDomainsCritical || !a.cert.MaxPathLenZero {
		t.Error("the constraints are not binding")
	}
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	verify := func(c *x509.Certificate, name string, at time.Time) error {
		_, err := c.Verify(x509.VerifyOptions{Roots: pool, DNSName: name, CurrentTime: at})
		return err
	}
	leaf := a.chain(t, "192.168.4.1:8484")
	for _, name := range []string{"localhost", "tracker", "tracker.local", "192.168.4.1"} {
		for _, when := range []time.Time{released, now, now.Add(400 * 24 * time.Hour)} {
			if err := verify(leaf, name, when); err != nil {
				t.Errorf("%s on %v: %v", name, when, err)
			}
		}
	}
	for _, name := range []string{"10.0.0.7", "example.org", "other.local"} {
		if verify(leaf, name, now) == nil {
			t.Errorf("the certificate is good for %s", name)
		}
	}
	if leaf.NotAfter.Sub(leaf.NotBefore) > 825*24*time.Hour {
		t.Errorf("good for %v: too long for some phones", leaf.NotAfter.Sub(leaf.NotBefore))
	}
	// The same connection again costs no signature; another address does.
	if again := a.chain(t, "192.168.4.1:8484"); !again.Equal(leaf) {
		t.Error("made anew without need")
	}
	moved := a.chain(t, "[fe80::1%eth0]:8484")
	if verify(moved, "fe80::1", now) != nil || verify(moved, "192.168.4.1", now) != nil {
		t.Error("a further address is not in the certificate, or the first one is lost")
	}
	if public := a.chain(t, "203.0.113.5:8484"); !public.Equal(moved) {
		t.Error("an address that the authority may not speak for makes a certificate")
	}
	for i := range 40 {
		a.chain(t, netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 0, 0, byte(i)}), 1).String())
	}
	if n := len(a.chain(t, "10.0.0.39:1").IPAddresses); n != maxCovered {
		t.Errorf("%d addresses in one certificate, want %d", n, maxCovered)
	}

	// Whoever steals the key gets nowhere with it elsewhere.
	key, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	for _, forged := range []*x509.Certificate{
		{DNSNames: []string{"example.org"}}, {DNSNames: []string{"router.local"}}, {IPAddresses: []net.IP{net.IPv4(203, 0, 113, 5)}},
	} {
		forged.SerialNumber, forged.Subject, forged.NotBefore, forged.NotAfter = serial(), pkix.Name{CommonName: "x"}, now, now.Add(time.Hour)
		der, err := x509.CreateCertificate(rand.Reader, forged, a.cert, &key.PublicKey, a.key)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		if err := verify(c, "", now); err == nil || !strings.Contains(err.Error(), "not permitted") {
			t.Errorf("forged for %v %v: %v, want a refusal by the constraints", forged.DNSNames, forged.IPAddresses, err)
		}
	}
}

func TestAuthorityIsKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	first := openAuthority(t, dir, released.Add(time.Hour), "tracker")
	if f := first.Fingerprint(); len(f) != 95 || strings.ToUpper(f) != f || strings.Count(f, ":") != 31 {
		t.Errorf("fingerprint %q", f)
	}
	// A board whose clock starts in 1970 keeps it, and certificates are good by the
	// phone's clock.
	again := openAuthority(t, dir, time.Unix(0, 0), "tracker", "new-name")
	if again.Fingerprint() != first.Fingerprint() {
		t.Error("a restart makes a new authority")
	}
	leaf := again.chain(t, "10.1.2.3:1")
	if leaf.NotBefore.After(released) || leaf.NotAfter.Before(released.Add(800*24*time.Hour)) {
		t.Errorf("good from %v to %v", leaf.NotBefore, leaf.NotAfter)
	}
	if strings.Join(leaf.DNSNames, " ") != "localhost tracker" {
		t.Errorf("names %v: want only those that the authority may speak for", leaf.DNSNames)
	}
	later := openAuthority(t, dir, leaf.NotAfter.Add(-time.Hour), "tracker")
	later.leaf, later.until, later.covers = again.leaf, again.until, again.covers
	if later.chain(t, "10.1.2.3:1").NotAfter.Equal(leaf.NotAfter) {
		t.Error("a certificate that ends soon is not renewed")
	}

	file := filepath.Join(dir, authorityFile)
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v: others may read the key", info.Mode(), err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	otherDir := t.TempDir()
	openAuthority(t, otherDir, released.Add(time.Hour))
	other, err := os.ReadFile(filepath.Join(otherDir, authorityFile))
	if err != nil {
		t.Fatal(err)
	}
	_, otherKey, _ := strings.Cut(string(other), "-----BEGIN EC")
	cert, _, _ := strings.Cut(string(text), "-----BEGIN EC")
	for name, bad := range map[string]string{"empty": "", "half": cert, "another's key": cert + "-----BEGIN EC" + otherKey, "garbage": "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n" + string(text)[len(cert):]} {
		if err := os.WriteFile(file, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := OpenAuthority(dir, nil, time.Now, released)
		if err == nil || !strings.Contains(err.Error(), file) || !strings.Contains(err.Error(), "delete the file") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenAuthority(dir, nil, func() time.Time { return released.Add(30 * 365 * 24 * time.Hour) }, released); err == nil || !strings.Contains(err.Error(), "ended on") {
		t.Errorf("an authority that has ended: %v", err)
	}
}

func FuzzAuthorityFile(f *testing.F) {
	dir := f.TempDir()
	if _, err := OpenAuthority(dir, nil, time.Now, released); err != nil {
		f.Fatal(err)
	}
	good, err := os.ReadFile(filepath.Join(dir, authorityFile))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Fuzz(func(t *testing.T, text []byte) {
		a := &Authority{now: time.Now, released: released}
		if a.parse(text) == nil && (a.cert == nil || a.key == nil || !a.cert.IsCA) {
			t.Fatal("taken without certificate or key")
		}
	})
}
