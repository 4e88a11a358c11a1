package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// handClock is moved by hand.
type handClock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *handClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *handClock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

// openPairing opens one directory twice: as the daemon and as the command at
// the console, which are two processes in earnest.
func openPairing(t *testing.T) (daemon, console *PairingDir, clock *handClock) {
	t.Helper()
	clock = &handClock{t: time.Now()}
	dir := filepath.Join(t.TempDir(), "access")
	daemon, err := OpenPairingDir(dir, clock.now)
	if err != nil {
		t.Fatal(err)
	}
	console, err = OpenPairingDir(dir, clock.now)
	if err != nil {
		t.Fatal(err)
	}
	return daemon, console, clock
}

func issue(t *testing.T, d *PairingDir, o CodeOptions) string {
	t.Helper()
	code, err := d.Issue(o)
	if err != nil {
		t.Fatal(err)
	}
	return code
}

var phone = netip.MustParseAddr("192.168.4.17")

func fiveMinutes() CodeOptions { return CodeOptions{Role: RoleWrite, Lifetime: 5 * time.Minute} }

// wrong is a code that is not the given one.
func wrong(code string) string {
	if code[0] == '0' {
		return "1" + code[1:]
	}
	return "0" + code[1:]
}

func TestPairingCodeOnce(t *testing.T) {
	daemon, console, _ := openPairing(t)
	if _, err := daemon.Redeem("12345678", "", phone); !errors.Is(err, ErrNoCode) {
		t.Errorf("before a code was issued: %v", err)
	}
	code := issue(t, console, fiveMinutes())
	if len(code) != 8 || strings.Trim(code, "0123456789") != "" {
		t.Errorf("code %q, want 8 digits", code)
	}
	g, err := daemon.Redeem(code[:4]+" "+code[4:], " kitchen\x00 phone ", phone)
	if err != nil {
		t.Fatal(err)
	}
	if role, ok := daemon.Check(g.Token); !ok || role != RoleWrite {
		t.Errorf("the new token: %v %v", role, ok)
	}
	if _, err := daemon.Redeem(code, "", phone); !errors.Is(err, ErrNoCode) {
		t.Errorf("a used code: %v", err)
	}
	list, err := console.Tokens()
	if err != nil || len(list) != 1 || list[0].Label != "kitchen phone" || list[0].Role != RoleWrite {
		t.Errorf("tokens %+v, %v", list, err)
	}
	// The console revokes; the daemon sees it at once.
	if err := console.Revoke(list[0].ID); err != nil {
		t.Fatal(err)
	}
	if _, ok := daemon.Check(g.Token); ok {
		t.Error("a revoked token still works")
	}
	if err := console.Revoke(list[0].ID); err == nil || !strings.Contains(err.Error(), "--list") {
		t.Errorf("revoking twice: %v", err)
	}
}

func TestPairingCodeExpires(t *testing.T) {
	daemon, console, clock := openPairing(t)
	code := issue(t, console, fiveMinutes())
	clock.add(5 * time.Minute)
	if _, err := daemon.Redeem(code, "", phone); !errors.Is(err, ErrNoCode) {
		t.Errorf("after its time: %v", err)
	}
	if files := names(t, console.dir); len(files) != 0 {
		t.Errorf("the expired code is left: %v", files)
	}
	code = issue(t, console, fiveMinutes())
	clock.add(-time.Hour)
	if _, err := daemon.Redeem(code, "", phone); !errors.Is(err, ErrNoCode) {
		t.Errorf("after the clock was set back: %v", err)
	}
	old := issue(t, console, fiveMinutes())
	clock.add(time.Second)
	issue(t, console, fiveMinutes())
	if _, err := daemon.Redeem(old, "", phone); err == nil {
		t.Error("a second code does not end the first")
	}
}

// TestPairingLockOut: guessing ends after a few tries per device and a hundred
// in all; the owner at the console only has to ask for another code.
func TestPairingLockOut(t *testing.T) {
	daemon, console, _ := openPairing(t)
	code := issue(t, console, fiveMinutes())
	for i := range codeTriesDevice {
		_, err := daemon.Redeem(wrong(code), "", phone)
		if want := i < codeTriesDevice-1; want != errors.Is(err, ErrWrongCode) {
			t.Errorf("try %d: %v", i+1, err)
		}
	}
	if _, err := daemon.Redeem(code, "", phone); !errors.Is(err, ErrTooManyTries) {
		t.Errorf("the right code from a device that is locked out: %v", err)
	}
	other := netip.MustParseAddr("192.168.4.18")
	if _, err := daemon.Redeem(wrong(code), "", other); !errors.Is(err, ErrWrongCode) {
		t.Errorf("another device is locked out, too: %v", err)
	}
	// One device with many IPv6 addresses, and IPv4 in disguise, stay one.
	for i := range codeTriesDevice {
		_, _ = daemon.Redeem(wrong(code), "", netip.MustParseAddr(fmt.Sprintf("2001:db8:1:2::%x", i+1)))
	}
	if _, err := daemon.Redeem(code, "", netip.MustParseAddr("2001:db8:1:2:ffff::9")); !errors.Is(err, ErrTooManyTries) {
		t.Errorf("a new address in the same /64: %v", err)
	}
	if _, err := daemon.Redeem(code, "", netip.MustParseAddr("::ffff:192.168.4.17")); !errors.Is(err, ErrTooManyTries) {
		t.Errorf("mapped IPv4: %v", err)
	}
	// A whole crowd.
	guesses := 0
	for i := range 1000 {
		a := netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)})
		if _, err := daemon.Redeem(wrong(code), "", a); errors.Is(err, ErrWrongCode) {
			guesses++
		}
	}
	if guesses > codeTries {
		t.Errorf("%d guesses were possible, at most %d", guesses, codeTries)
	}
	if _, err := daemon.Redeem(code, "", netip.MustParseAddr("10.9.9.9")); !errors.Is(err, ErrTooManyTries) {
		t.Errorf("the code outlives the guesses: %v", err)
	}
	// The owner asks for another code and is in.
	if _, err := daemon.Redeem(issue(t, console, fiveMinutes()), "", phone); err != nil {
		t.Errorf("a new code from the console: %v", err)
	}
	// And needs no code at all at the console.
	g, err := console.Grant("script", RoleWrite)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := daemon.Check(g.Token); !ok {
		t.Error("a token made at the console does not work")
	}
}

// TestPairingShown: the display gets a code that is meant for it, once it is taken
// nothing in clear is left on disk, and it ends with the code.
func TestPairingShown(t *testing.T) {
	daemon, console, clock := openPairing(t)
	shown := CodeOptions{Role: RoleWrite, Lifetime: 5 * time.Minute, Show: true}
	clear := func() int {
		n := 0
		for _, name := range names(t, console.dir) {
			if strings.HasPrefix(name, clearPrefix) {
				n++
			}
		}
		return n
	}
	issue(t, console, fiveMinutes())
	if got := daemon.Shown(); got != "" {
		t.Errorf("shows %q, which nobody asked it to show", got)
	}
	for what, end := range map[string]func(code string){
		"used": func(code string) {
			if _, err := daemon.Redeem(code, "", phone); err != nil {
				t.Error(err)
			}
		},
		"expired":    func(string) { clock.add(5 * time.Minute) },
		"superseded": func(string) { clock.add(time.Second); issue(t, console, fiveMinutes()) },
	} {
		code := issue(t, console, shown)
		if clear() != 1 {
			t.Errorf("%s: %d codes in clear before it was read", what, clear())
		}
		for range 3 {
			if got := daemon.Shown(); got != code {
				t.Errorf("%s: shows %q, want %q", what, got, code)
			}
		}
		if clear() != 0 {
			t.Errorf("%s: the code is left in clear", what)
		}
		end(code)
		if got := daemon.Shown(); got != "" {
			t.Errorf("%s: still shows %q", what, got)
		}
		// Nor is it left when no daemon reads it.
		end(issue(t, console, shown))
		if what != "expired" && clear() != 0 {
			t.Errorf("%s unread: the code is left in clear", what)
		}
		if got := daemon.Shown(); got != "" || clear() != 0 {
			t.Errorf("%s unread: shows %q", what, got)
		}
		clock.add(time.Second)
	}
	// What is no code of ours is not shown.
	for name, content := range map[string]string{
		"clear-x.json": `{"id":"x","code":"12345678"}`, "clear-y.json": "{", "clear-z.json": `{"id":"../z","code":"raise it"}`,
	} {
		if err := os.WriteFile(filepath.Join(console.dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got := daemon.Shown(); got != "" {
		t.Errorf("shows %q", got)
	}
}

func TestPairingRolesAndUses(t *testing.T) {
	daemon, console, _ := openPairing(t)
	code := issue(t, console, CodeOptions{Role: RoleRead, Lifetime: time.Minute, Uses: 2})
	for range 2 {
		g, err := daemon.Redeem(code, "", phone)
		if err != nil {
			t.Fatal(err)
		}
		if role, ok := daemon.Check(g.Token); !ok || role != RoleRead {
			t.Errorf("role %v %v", role, ok)
		}
	}
	if _, err := daemon.Redeem(code, "", phone); !errors.Is(err, ErrNoCode) {
		t.Errorf("third use of two: %v", err)
	}
	for _, o := range []CodeOptions{{Role: "admin", Lifetime: time.Minute}, {Role: RoleRead}, {Role: RoleRead, Lifetime: -1}} {
		if _, err := console.Issue(o); err == nil {
			t.Errorf("%+v was issued", o)
		}
	}
	if _, err := console.Grant("x", ""); err == nil {
		t.Error("a token without a role was made")
	}
}

// TestPairingFiles: what lies on disk opens nothing, and nobody else can read it.
func TestPairingFiles(t *testing.T) {
	daemon, console, _ := openPairing(t)
	code := issue(t, console, CodeOptions{Role: RoleWrite, Lifetime: time.Minute, Uses: 2})
	g, err := daemon.Redeem(code, "phone", phone)
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(console.dir); err != nil || st.Mode().Perm() != 0o700 {
		t.Errorf("directory: %v %v", st.Mode(), err)
	}
	for _, name := range names(t, console.dir) {
		path := filepath.Join(console.dir, name)
		st, err := os.Stat(path)
		if err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", name, st.Mode(), err)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), code) || strings.Contains(string(b), g.Token) {
			t.Errorf("%s holds a secret: %s", name, b)
		}
		var m map[string]any
		if err := json.Unmarshal(b, &m); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Broken and foreign files open nothing and break nothing.
	for name, content := range map[string]string{
		"token-bad.json": "{", "token-empty.json": "", "token-norole.json": `{"id":"x","sha256":"` + hashOf("abc") + `"}`,
		"token-nohash.json": `{"id":"y","role":"write","sha256":""}`, "code-bad.json": "[]", "note.txt": "hello",
	} {
		if err := os.WriteFile(filepath.Join(console.dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, token := range []string{"", "abc", hashOf(g.Token)} {
		if role, ok := daemon.Check(token); ok {
			t.Errorf("%q opens as %s", token, role)
		}
	}
	if _, ok := daemon.Check(g.Token); !ok {
		t.Error("a good token no longer works beside broken ones")
	}
	if _, err := daemon.Redeem(code, "", phone); err != nil {
		t.Errorf("a good code beside a broken one: %v", err)
	}
	// The directory goes away: nothing is open.
	if err := os.RemoveAll(console.dir); err != nil {
		t.Fatal(err)
	}
	if _, ok := daemon.Check(g.Token); ok {
		t.Error("a token works without its file")
	}
}

func TestPairingMostDevices(t *testing.T) {
	t.Parallel()
	_, console, _ := openPairing(t)
	for range maxTokens {
		if _, err := console.Grant("d", RoleRead); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := console.Grant("d", RoleRead); err == nil || !strings.Contains(err.Error(), "--revoke") {
		t.Errorf("one too many: %v", err)
	}
}

func TestPairingDirErrors(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{filepath.Join(t.TempDir(), "no", "such"), file, filepath.Join(file, "x")} {
		if _, err := OpenPairingDir(dir, time.Now); err == nil {
			t.Errorf("%s was opened", dir)
		}
	}
}

// TestPairingOverHTTP: code to token and cookie, with which writing works.
func TestPairingOverHTTP(t *testing.T) {
	b := start(t, nil)
	code := issue(t, b.pairing, fiveMinutes())
	resp, body := b.do(t, http.MethodPost, "/api/v1/pairing", fmt.Sprintf(`{"code":%q,"name":"phone"}`, code), nil)
	var g PairingGrant
	if err := json.Unmarshal(body, &g); err != nil || resp.StatusCode != 200 || g.Role != "write" || len(g.Token) < 43 {
		t.Fatalf("%s %s %v", resp.Status, body, err)
	}
	cookie := resp.Header.Get("Set-Cookie")
	for _, want := range []string{cookieName + "=" + g.Token, "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age="} {
		if !strings.Contains(cookie, want) {
			t.Errorf("cookie %q lacks %q", cookie, want)
		}
	}
	if r, _ := b.do(t, "PUT", "/api/v1/site", `{"lat_deg":1,"lon_deg":2}`, bearer(g.Token)); r.StatusCode != 204 {
		t.Errorf("write with the token: %d", r.StatusCode)
	}
	if r, _ := b.do(t, "PUT", "/api/v1/site", `{"lat_deg":1,"lon_deg":2}`, http.Header{"Cookie": {cookieName + "=" + g.Token}, "Origin": {b.url}}); r.StatusCode != 204 {
		t.Errorf("write with the cookie: %d", r.StatusCode)
	}
	for _, c := range []struct {
		header http.Header
		want   string
	}{{nil, `"role":null`}, {bearer(g.Token), `"role":"write"`}, {bearer("x"), `"role":null`}} {
		if _, body := b.do(t, "GET", "/api/v1/pairing", "", c.header); !strings.Contains(string(body), c.want) {
			t.Errorf("status with %v: %s", c.header, body)
		}
	}
	code = issue(t, b.pairing, fiveMinutes())
	for i, want := range []int{403, 403, 403, 403, 429, 429} {
		if r, body := b.do(t, "POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q}`, wrong(code)), nil); r.StatusCode != want {
			t.Errorf("guess %d: %d %s", i+1, r.StatusCode, body)
		}
	}
	if r, _ := b.do(t, "POST", "/api/v1/pairing", fmt.Sprintf(`{"code":%q}`, code), nil); r.StatusCode != 429 {
		t.Errorf("the right code after the lock-out: %d", r.StatusCode)
	}
	if n := b.refusedPairings.Load(); n != 7 {
		t.Errorf("%d refusals counted, want 7", n)
	}
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// BenchmarkCheckToken is the price of a token on each request.
func BenchmarkCheckToken(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "access")
	later := func() time.Time { return time.Now().Add(time.Minute) } // beyond racyWindow
	d, err := OpenPairingDir(dir, later)
	if err != nil {
		b.Fatal(err)
	}
	g, err := d.Grant("x", RoleRead)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, ok := d.Check(g.Token); !ok {
			b.Fatal("unknown")
		}
	}
}
