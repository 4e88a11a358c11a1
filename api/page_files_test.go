package api

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

func TestPageIsServed(t *testing.T) {
	b := start(t, nil)
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	zipped := 0
	for path, a := range page {
		path = strings.TrimSuffix(path, "{$}")
		// An explicit Accept-Encoding keeps net/http from unpacking by itself.
		resp, body := b.do(t, http.MethodGet, path, "", http.Header{"Accept-Encoding": {"gzip"}})
		zipped += len(body)
		if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != a.kind {
			t.Errorf("%s: %s %s", path, resp.Status, resp.Header.Get("Content-Type"))
		}
		if resp.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(bytes.NewReader(body))
			if err != nil {
				t.Fatal(err)
			}
			if body, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(body, a.body) {
			t.Errorf("%s arrives changed", path)
		}
		if resp, body := b.do(t, http.MethodGet, path, "", http.Header{"Accept-Encoding": {"identity, gzip;q=0"}}); resp.Header.Get("Content-Encoding") != "" || !bytes.Equal(body, a.body) {
			t.Errorf("%s is packed for who cannot unpack", path)
		}
		if resp, _ := b.do(t, http.MethodGet, path, "", http.Header{"If-None-Match": {resp.Header.Get("ETag")}}); resp.StatusCode != http.StatusNotModified {
			t.Errorf("%s asked again: %s", path, resp.Status)
		}
		if resp, body := b.do(t, http.MethodHead, path, "", nil); resp.StatusCode != 200 || len(body) != 0 {
			t.Errorf("HEAD %s: %s, %d bytes", path, resp.Status, len(body))
		}
	}
	t.Logf("the whole page: %d bytes compressed", zipped)
	if zipped > 120<<10 {
		t.Errorf("the page has %d bytes compressed, at most 120 kB", zipped)
	}
}

// TestPageAsksNobodyElse: no address of another host, and every file that is
// named exists.
func TestPageAsksNobodyElse(t *testing.T) {
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`(?:from|href=|src=|import\()\s*"(/[^"]*)"`)
	for path, a := range page {
		text := strings.ReplaceAll(string(a.body), "http://www.w3.org/2000/svg", "")
		if i := strings.Index(text, "//"); path != "/icon.svg" && regexp.MustCompile(`["'(]\s*(https?:)?//`).MatchString(text) {
			t.Errorf("%s names another host: %.60s", path, text[i:])
		}
		for _, m := range names.FindAllStringSubmatch(text, -1) {
			if page[m[1]] == nil {
				t.Errorf("%s wants %s, which is not there", path, m[1])
			}
		}
		if strings.Contains(text, " style=") || regexp.MustCompile(` on[a-z]+="`).MatchString(text) || strings.Contains(text, "innerHTML") {
			t.Errorf("%s has inline style, inline handlers or innerHTML, which the content policy forbids", path)
		}
	}
}

// TestPageColours: every colour of the night's style sheet is red alone.
func TestPageColours(t *testing.T) {
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	hex := regexp.MustCompile(`#([0-9a-fA-F]{8}|[0-9a-fA-F]{6}|[0-9a-fA-F]{3})\b`)
	found := 0
	for _, path := range []string{"/style.css", "/icon.svg", "/{$}"} {
		text := string(page[path].body)
		for _, m := range hex.FindAllStringSubmatch(text, -1) {
			c := m[1]
			if len(c) == 3 {
				c = string([]byte{c[0], c[0], c[1], c[1], c[2], c[2]})
			}
			v, err := strconv.ParseUint(c[:6], 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			if found++; v&0xffff != 0 {
				t.Errorf("%s: #%s has green or blue", path, m[1])
			}
		}
		if m := regexp.MustCompile(`\b(rgba?|hsla?|oklch|lab|color-mix|white|gray|grey|orange|canvas)\b\s*[(;]`).FindString(text); m != "" {
			t.Errorf("%s: colours are hexadecimal so that this test reads them, found %q", path, m)
		}
	}
	if found < 8 {
		t.Errorf("only %d colours found: does this test still read the files?", found)
	}
}

// TestStringsAreUsed: a word that the page asks for exists, and none lies about.
func TestStringsAreUsed(t *testing.T) {
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^  (\w+):`).FindAllStringSubmatch(string(page["/strings.en.js"].body), -1) {
		have[m[1]] = false
	}
	for path, a := range page {
		if strings.HasPrefix(path, "/strings.") {
			continue
		}
		for _, m := range regexp.MustCompile(`\bstrings\.(\w+)|data-s(?:-label)?="(\w+)"`).FindAllStringSubmatch(string(a.body), -1) {
			name := m[1] + m[2]
			if name == "en" || name == "de" {
				continue // the file itself
			}
			if _, ok := have[name]; !ok {
				t.Errorf("%s asks for the word %q, which is not there", path, name)
			}
			have[name] = true
		}
	}
	for name, used := range have {
		if !used {
			t.Errorf("the word %q is not used", name)
		}
	}
	if len(have) < 40 {
		t.Errorf("only %d words found: does this test still read the file?", len(have))
	}
}

// TestTranslationIsWhole: every file of words has the same entries with the same
// places to fill in, but for the board's own sentences.
func TestTranslationIsWhole(t *testing.T) {
	page, err := loadPage()
	if err != nil {
		t.Fatal(err)
	}
	read := func(path string) map[string]string {
		words := map[string]string{}
		group := ""
		for line := range strings.Lines(string(page[path].body)) {
			if m := regexp.MustCompile(`^  "?([\w ]+)"?: \{\s*$`).FindStringSubmatch(line); m != nil {
				group = m[1] + "."
				continue
			}
			if strings.HasPrefix(line, "  }") {
				group = ""
				continue
			}
			prefix := group
			if m := regexp.MustCompile(`^\s+"?([\w -]+)"?: \{ (.*) \},?\s*$`).FindStringSubmatch(line); m != nil {
				prefix, line = group+m[1]+".", m[2]
			}
			for _, m := range regexp.MustCompile(`"?([\w ,-]+?)"?: "((?:[^"\\]|\\.)*)"`).FindAllStringSubmatch(line, -1) {
				words[prefix+strings.TrimLeft(m[1], ` ,"`)] = m[2]
			}
		}
		return words
	}
	places := func(text string) string {
		found := regexp.MustCompile(`\{\w+\}`).FindAllString(text, -1)
		slices.Sort(found)
		return strings.Join(found, "")
	}
	english := read("/strings.en.js")
	if len(english) < 150 {
		t.Fatalf("only %d words found: does this test still read the file?", len(english))
	}
	for path := range page {
		if !strings.HasPrefix(path, "/strings.") || path == "/strings.en.js" {
			continue
		}
		other := read(path)
		for key, text := range english {
			got, ok := other[key]
			switch {
			case !ok:
				t.Errorf("%s lacks %s", path, key)
			case places(got) != places(text):
				t.Errorf("%s: %s has the places %s, want %s", path, key, places(got), places(text))
			}
		}
		for key := range other {
			if _, ok := english[key]; !ok && !strings.HasPrefix(key, "warning.") {
				t.Errorf("%s has %s, which is not in the English file", path, key)
			}
		}
	}
}
