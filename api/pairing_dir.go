package api

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// PairingDir keeps each code and each token as a small file of its own in one
// directory (0700, files 0600). The daemon and the `pair` command meet there:
// a code is issued by creating its file, a token revoked by removing its file.
// Every file is written beside its place and renamed, so neither needs a lock
// and a power cut leaves no half file. Secrets are stored as SHA-256 only.
type PairingDir struct {
	dir string
	now func() time.Time

	mu     sync.Mutex
	tries  tries
	shown  clearCode
	tokens []TokenInfo
	stamp  time.Time // modification time of dir when tokens were read
	readAt time.Time
}

// PairingFolder is the name of the directory inside the state directory, on
// which the daemon and `pair` agree.
const PairingFolder = "pairing"

// TokenInfo is what is kept of a token.
type TokenInfo struct {
	ID      string    `json:"id"`
	Label   string    `json:"label"`
	Role    Role      `json:"role"`
	Created time.Time `json:"created"`
	Hash    string    `json:"sha256"`
}

// codeInfo is what is kept of a pairing code. The salt only keeps tables from
// being used; a code lives for minutes and its file is for its owner's eyes.
type codeInfo struct {
	ID      string    `json:"id"`
	Role    Role      `json:"role"`
	Issued  time.Time `json:"issued"`
	Expires time.Time `json:"expires"`
	Uses    int       `json:"uses"`
	Salt    string    `json:"salt"`
	Hash    string    `json:"sha256"`
}

const (
	codePrefix  = "code-"
	tokenPrefix = "token-"
	clearPrefix = "clear-"
	// maxTokens bounds what one check has to compare.
	maxTokens = 64
	maxLabel  = 40
	// racyWindow: a directory changed so shortly before it was read may change
	// again without showing another time.
	racyWindow = 2 * time.Second
)

// OpenPairingDir uses dir, made when missing; see PairingFolder.
// now is the wall clock that the codes expire by.
func OpenPairingDir(dir string, now func() time.Time) (*PairingDir, error) {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := os.Mkdir(dir, 0o700); err != nil {
			return nil, fmt.Errorf("pairing: %w: check that the state directory exists and may be written", err)
		}
		if err := ownLikeParent(dir); err != nil {
			return nil, fmt.Errorf("pairing: %w", err)
		}
	}
	if _, err := os.ReadDir(dir); err != nil {
		return nil, fmt.Errorf("pairing: %w: run this as root or as the user that the service runs as", err)
	}
	return &PairingDir{dir: dir, now: now}, nil
}

// Issue makes a new pairing code of eight digits; earlier codes end.
func (d *PairingDir) Issue(o CodeOptions) (code string, err error) {
	if o.Lifetime <= 0 {
		return "", fmt.Errorf("pairing: a code needs a lifetime above zero, got %v", o.Lifetime)
	}
	if _, err := ParseRole(string(o.Role)); err != nil {
		return "", fmt.Errorf("pairing: %w", err)
	}
	n, err := rand.Int(rand.Reader, big.NewInt(100_000_000))
	if err != nil {
		return "", fmt.Errorf("pairing: %w", err)
	}
	code = fmt.Sprintf("%0*d", codeDigits, n)
	now := d.now().UTC()
	c := codeInfo{ID: randomHex(8), Role: o.Role, Issued: now, Expires: now.Add(o.Lifetime), Uses: max(1, o.Uses), Salt: randomHex(16)}
	c.Hash = hashOf(c.Salt + code)
	if err := d.write(codePrefix+c.ID, c); err != nil {
		return "", err
	}
	if o.Show {
		if err := d.write(clearPrefix+c.ID, clearCode{ID: c.ID, Code: code}); err != nil {
			return "", err
		}
	}
	old, err := d.codes()
	if err != nil {
		return "", err
	}
	for _, o := range old {
		if o.ID != c.ID {
			if err := d.end(o.ID); err != nil {
				return "", err
			}
		}
	}
	return code, nil
}

// Redeem is described at Pairing.
func (d *PairingDir) Redeem(code, label string, from netip.Addr) (Grant, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, err := d.waiting()
	if err != nil {
		return Grant{}, err
	}
	d.tries.against(c.ID)
	if d.tries.blocked(from) {
		return Grant{}, ErrTooManyTries
	}
	if subtle.ConstantTimeCompare([]byte(hashOf(c.Salt+digitsOf(code))), []byte(c.Hash)) != 1 {
		d.tries.wrong(from)
		if d.tries.blocked(from) {
			return Grant{}, ErrTooManyTries
		}
		return Grant{}, ErrWrongCode
	}
	// The code ends before the token begins: better none than two.
	if d.tries.used++; d.tries.used >= c.Uses {
		if err := d.end(c.ID); err != nil {
			return Grant{}, err
		}
	}
	return d.grant(label, c.Role)
}

// Grant makes a token without a code, for the owner at the console.
func (d *PairingDir) Grant(label string, role Role) (Grant, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := ParseRole(string(role)); err != nil {
		return Grant{}, fmt.Errorf("pairing: %w", err)
	}
	return d.grant(label, role)
}

func (d *PairingDir) grant(label string, role Role) (Grant, error) {
	list, err := d.Tokens()
	if err != nil {
		return Grant{}, err
	}
	if len(list) >= maxTokens {
		return Grant{}, fmt.Errorf("pairing: %d devices are paired, which is the most: remove some with `plumbstar pair --revoke`", len(list))
	}
	secret := make([]byte, 32)
	rand.Read(secret) // never fails, see crypto/rand
	token := base64.RawURLEncoding.EncodeToString(secret)
	t := TokenInfo{ID: randomHex(4), Label: cleanLabel(label), Role: role, Created: d.now().UTC(), Hash: hashOf(token)}
	if err := d.write(tokenPrefix+t.ID, t); err != nil {
		return Grant{}, err
	}
	d.readAt = time.Time{}
	return Grant{Token: token, Role: role}, nil
}

// Check is described at Pairing.
func (d *PairingDir) Check(token string) (Role, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refresh()
	got := []byte(hashOf(token))
	var role Role
	found := 0
	for i := range d.tokens {
		same := subtle.ConstantTimeCompare(got, []byte(d.tokens[i].Hash))
		if same == 1 {
			role = d.tokens[i].Role
		}
		found |= same
	}
	return role, found == 1
}

// refresh reads the tokens again when the directory may have changed. When it
// cannot be read, no token is known.
func (d *PairingDir) refresh() {
	st, err := os.Stat(d.dir)
	if err != nil {
		d.tokens, d.readAt = nil, time.Time{}
		return
	}
	if !d.readAt.IsZero() && st.ModTime().Equal(d.stamp) && d.readAt.Sub(d.stamp).Abs() > racyWindow {
		return
	}
	d.stamp, d.readAt = st.ModTime(), d.now()
	if d.tokens, err = d.Tokens(); err != nil {
		d.tokens, d.readAt = nil, time.Time{}
	}
}

// Tokens lists the paired devices, oldest first. A file that cannot be
// understood is left out: it opens nothing.
func (d *PairingDir) Tokens() ([]TokenInfo, error) {
	list, err := readAll[TokenInfo](d.dir, tokenPrefix)
	if err != nil {
		return nil, err
	}
	list = slices.DeleteFunc(list, func(t TokenInfo) bool {
		_, err := ParseRole(string(t.Role))
		return err != nil || len(t.Hash) != 2*sha256.Size
	})
	slices.SortFunc(list, func(a, b TokenInfo) int { return a.Created.Compare(b.Created) })
	return list, nil
}

// Revoke ends the token with that id.
func (d *PairingDir) Revoke(id string) error {
	list, err := d.Tokens()
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(list, func(t TokenInfo) bool { return t.ID == id }) {
		return fmt.Errorf("pairing: no paired device has the id %q: `plumbstar pair --list` shows them", id)
	}
	return d.remove(tokenPrefix + id)
}

// waiting is the newest code that has not expired; it clears away the others.
func (d *PairingDir) waiting() (codeInfo, error) {
	list, err := d.codes()
	if err != nil {
		return codeInfo{}, err
	}
	now := d.now()
	for len(list) > 0 {
		c := list[len(list)-1]
		// A clock that was set back must not make a code live on.
		if now.Before(c.Expires) && !now.Before(c.Issued.Add(-time.Minute)) {
			return c, nil
		}
		if err := d.end(c.ID); err != nil {
			return codeInfo{}, err
		}
		list = list[:len(list)-1]
	}
	return codeInfo{}, ErrNoCode
}

// end takes a code out of the world, in clear too.
func (d *PairingDir) end(id string) error {
	return errors.Join(d.remove(codePrefix+id), d.remove(clearPrefix+id))
}

func (d *PairingDir) codes() ([]codeInfo, error) {
	list, err := readAll[codeInfo](d.dir, codePrefix)
	slices.SortFunc(list, func(a, b codeInfo) int { return a.Issued.Compare(b.Issued) })
	return list, err
}

func (d *PairingDir) write(name string, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("pairing: %w", err)
	}
	f, err := os.CreateTemp(d.dir, ".new-*") // 0600
	if err != nil {
		return fmt.Errorf("pairing: %w", err)
	}
	_, err = f.Write(append(b, '\n'))
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
		err = os.Rename(f.Name(), filepath.Join(d.dir, name+".json"))
	}
	if err != nil {
		return errors.Join(fmt.Errorf("pairing: %w", err), os.Remove(f.Name()))
	}
	return nil
}

func (d *PairingDir) remove(name string) error {
	if err := os.Remove(filepath.Join(d.dir, name+".json")); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("pairing: %w", err)
	}
	return nil
}

// readAll reads the files of one kind; one that is gone again or broken is left out.
func readAll[T any](dir, prefix string) ([]T, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("pairing: %w", err)
	}
	var list []T
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), prefix) || !strings.HasSuffix(e.Name(), ".json") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			continue
		}
		var v T
		if json.Unmarshal(b, &v) == nil {
			list = append(list, v)
		}
	}
	return list, nil
}

func hashOf(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

func randomHex(n int) string {
	b := make([]byte, n)
	rand.Read(b)
	return hex.EncodeToString(b)
}

// digitsOf forgives the spaces and dashes that people put between digits.
func digitsOf(code string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, code)
}

// cleanLabel keeps a name of a device printable and short.
func cleanLabel(s string) string {
	s = printable(s)
	if r := []rune(s); len(r) > maxLabel {
		s = string(r[:maxLabel])
	}
	return orElse(s, "unnamed")
}
