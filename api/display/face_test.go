package display

import (
	"flag"
	"image"
	"os"
	"testing"

	"golang.org/x/image/font/inconsolata"
	"golang.org/x/image/math/fixed"
)

var update = flag.Bool("update", false, "write face.bin anew")

// TestFace packs the letters out of the library and compares.
func TestFace(t *testing.T) {
	var packed []byte
	for r := ' '; r <= 0xff; r++ {
		if r > '~' && r < 0xa0 {
			continue
		}
		if got, want := faceOrder(r)*faceBytes, len(packed); got != want {
			t.Fatalf("%q stands at %d, want %d", r, got, want)
		}
		_, m, at, _, ok := inconsolata.Bold8x16.Glyph(fixed.Point26_6{}, r)
		mask, is := m.(*image.Alpha)
		if !ok || !is {
			t.Fatalf("the library has no %q", r)
		}
		level := func(n int) byte {
			if n == faceColumns*faceRows {
				return 0
			}
			return byte((int(mask.AlphaAt(n%faceColumns, at.Y+n/faceColumns).A) + 8) / 17)
		}
		for n := 0; n < faceColumns*faceRows; n += 2 {
			packed = append(packed, level(n)<<4|level(n+1))
		}
	}
	if *update {
		if err := os.WriteFile("face.bin", packed, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(packed) != face {
		t.Error("face.bin is not what the library has: go test ./api/display -run Face -update")
	}
	for r, like := range map[rune]rune{'″': '"', '′': '\'', '–': '-', '☾': '?', -1: '?', 0x7f: '?', 0x9f: '?'} {
		if glyphOf(r) != glyphOf(like) {
			t.Errorf("%q does not look like %q", r, like)
		}
	}
}
