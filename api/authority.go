package api

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	authorityPath = "/ca.crt"
	authorityFile = "authority.pem"
	// authorityLife is long, since every device must be told of a new authority;
	// certificateLife is below the 825 days that Apple's systems accept from an
	// authority that their owner installed (support.apple.com/103769).
	authorityLife   = 20 * 365 * 24 * time.Hour
	certificateLife = 820 * 24 * time.Hour
	// clockAhead is how far ahead of the truth the board's clock may be when a
	// certificate is made; renewBefore how long before its end a new one is made.
	clockAhead  = 300 * 24 * time.Hour
	renewBefore = 30 * 24 * time.Hour
)

// localNetworks are those that an authority may speak for: private addresses
// (RFC 1918, RFC 4193), shared ones (RFC 6598), link-local ones and loopback.
var localNetworks = []netip.Prefix{
	netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("172.16.0.0/12"), netip.MustParsePrefix("192.168.0.0/16"),
	netip.MustParsePrefix("100.64.0.0/10"), netip.MustParsePrefix("169.254.0.0/16"), netip.MustParsePrefix("127.0.0.0/8"),
	netip.MustParsePrefix("::1/128"), netip.MustParsePrefix("fc00::/7"), netip.MustParsePrefix("fe80::/10"),
}

// Authority vouches for this board before browsers whose owner trusts it. It was
// made on the board and never leaves it. Its certificate is constrained to the
// board's names and to addresses of local networks (RFC 5280, section 4.2.1.10),
// so that a stolen key speaks for no site elsewhere.
type Authority struct {
	names    []string
	now      func() time.Time
	released time.Time
	der      []byte
	cert     *x509.Certificate
	key      *ecdsa.PrivateKey

	mu     sync.Mutex
	leaf   *tls.Certificate
	covers []netip.Addr
	until  time.Time
}

// OpenAuthority reads the authority of dir, or makes one there. names are those
// of the board, beside "localhost"; released is a time that has certainly passed,
// which is taken for now when the clock shows an earlier one.
func OpenAuthority(dir string, names []string, now func() time.Time, released time.Time) (*Authority, error) {
	a := &Authority{now: now, released: released}
	for _, n := range append([]string{"localhost"}, names...) {
		if n = strings.ToLower(strings.TrimSuffix(n, ".")); n != "" && !slices.Contains(a.names, n) {
			a.names = append(a.names, n)
		}
	}
	file := filepath.Join(dir, authorityFile)
	switch text, err := os.ReadFile(file); {
	case errors.Is(err, fs.ErrNotExist):
		if err := a.create(dir, file); err != nil {
			return nil, fmt.Errorf("making the board's own certificate authority: %w", err)
		}
	case err != nil:
		return nil, fmt.Errorf("certificate authority: %w", err)
	default:
		if err := a.parse(text); err != nil {
			return nil, fmt.Errorf("certificate authority %s: %w: delete the file to make a new one, which every device must then be told to trust", file, err)
		}
	}
	// Names that came later: the authority may not speak for them.
	a.names = slices.DeleteFunc(a.names, func(n string) bool { return !slices.Contains(a.cert.PermittedDNSDomains, n) })
	return a, nil
}

func (a *Authority) create(dir, file string) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	template := &x509.Certificate{
		SerialNumber: serial(),
		Subject:      pkix.Name{CommonName: "plumbstar on " + a.names[min(1, len(a.names)-1)], Organization: []string{"plumbstar"}},
		NotBefore:    a.released, NotAfter: a.time().Add(authorityLife),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: a.names,
	}
	for _, p := range localNetworks {
		template.PermittedIPRanges = append(template.PermittedIPRanges, &net.IPNet{
			IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen()),
		})
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return err
	}
	secret, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		return err
	}
	text := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: secret})...)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := writeWhole(dir, file, text); err != nil {
		return err
	}
	return a.parse(text)
}

// writeWhole puts text into file, readable for its owner only, or changes nothing.
func writeWhole(dir, file string, text []byte) error {
	if err := ownLikeParent(dir); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, ".new-*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = ownLikeParent(f.Name())
	}
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

// parse reads what create wrote.
func (a *Authority) parse(text []byte) error {
	first, rest := pem.Decode(text)
	if first == nil || first.Type != "CERTIFICATE" {
		return errors.New("it does not begin with a certificate")
	}
	second, _ := pem.Decode(rest)
	if second == nil || second.Type != "EC PRIVATE KEY" {
		return errors.New("it holds no key")
	}
	cert, err := x509.ParseCertificate(first.Bytes)
	if err != nil {
		return err
	}
	key, err := x509.ParseECPrivateKey(second.Bytes)
	switch {
	case err != nil:
		return err
	case !cert.IsCA || !key.PublicKey.Equal(cert.PublicKey):
		return errors.New("certificate and key do not belong together")
	case !a.time().Before(cert.NotAfter):
		return fmt.Errorf("it ended on %s", cert.NotAfter.Format(time.DateOnly))
	}
	a.der, a.cert, a.key = first.Bytes, cert, key
	return nil
}

// time is now, or later when the clock shows what cannot be.
func (a *Authority) time() time.Time {
	if now := a.now(); now.After(a.released) {
		return now
	}
	return a.released
}

func serial() *big.Int {
	b := make([]byte, 16)
	rand.Read(b)
	b[0] &= 0x7f
	return new(big.Int).SetBytes(b)
}

// Fingerprint is the SHA-256 of the authority's certificate, as browsers show it.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.der)
	return strings.ReplaceAll(fmt.Sprintf("% X", sum[:]), " ", ":")
}

// listen makes connections of l encrypted ones.
func (a *Authority) listen(l net.Listener) net.Listener {
	return tls.NewListener(l, &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}, GetCertificate: a.certificate,
	})
}

// certificate is the board's, made anew when it ends soon or when the board is
// spoken to at an address that it does not have yet.
func (a *Authority) certificate(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	at := localAddr(hello.Conn)
	if a.leaf == nil || a.time().Add(renewBefore).After(a.until) || (local(at) && !slices.Contains(a.covers, at)) {
		if err := a.sign(at); err != nil {
			return nil, fmt.Errorf("certificate: %w", err)
		}
	}
	return a.leaf, nil
}

// maxCovered bounds the addresses of one certificate; a board has few.
const maxCovered = 16

func (a *Authority) sign(at netip.Addr) error {
	if local(at) && !slices.Contains(a.covers, at) {
		if len(a.covers) >= maxCovered {
			a.covers = a.covers[1:]
		}
		a.covers = append(a.covers, at)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	from := a.time().Add(-clockAhead)
	if from.Before(a.cert.NotBefore) {
		from = a.cert.NotBefore
	}
	template := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: a.names[0]},
		NotBefore: from, NotAfter: from.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames: a.names,
	}
	for _, ip := range a.covers {
		template.IPAddresses = append(template.IPAddresses, ip.AsSlice())
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, a.key)
	if err != nil {
		return err
	}
	a.leaf, a.until = &tls.Certificate{Certificate: [][]byte{der, a.der}, PrivateKey: key}, template.NotAfter
	return nil
}

func localAddr(c net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(c.LocalAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return at.Addr().Unmap().WithZone("")
}

func local(at netip.Addr) bool {
	return slices.ContainsFunc(localNetworks, func(p netip.Prefix) bool { return p.Contains(at) })
}

// download is GET /ca.crt: what a device must trust.
func (a *Authority) download(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/x-x509-ca-cert")
	w.Header().Set("Content-Disposition", `attachment; filename="plumbstar-ca.crt"`)
	_, _ = w.Write(a.der) // a client that left needs nothing
}

// rawConn is the connection below encryption.
func rawConn(c net.Conn) net.Conn {
	if t, ok := c.(*tls.Conn); ok {
		return t.NetConn()
	}
	return c
}
