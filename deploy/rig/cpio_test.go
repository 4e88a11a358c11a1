package main

import (
	"bytes"
	"fmt"
	"strconv"
	"testing"
)

// Read back by the format's own description: a head of 110 characters, thirteen
// numbers of eight hexadecimal digits behind the magic, name and content each
// filled up to four bytes.
func TestArchiveCanBeReadBack(t *testing.T) {
	var b bytes.Buffer
	a := &archive{w: &b}
	a.add("dir", folder, nil)
	a.add("dir/x", text, []byte("hello"))
	a.add("init", binary, bytes.Repeat([]byte("z"), 1000))
	if err := a.close(); err != nil {
		t.Fatal(err)
	}
	var got []string
	data := b.Bytes()
	for len(data) > 0 {
		if string(data[:6]) != "070701" {
			t.Fatalf("magic %q", data[:6])
		}
		number := func(i int) int {
			n, err := strconv.ParseUint(string(data[6+8*i:14+8*i]), 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			return int(n)
		}
		mode, size, name := number(1), number(6), number(11)
		up := func(n int) int { return (n + 3) &^ 3 }
		start := up(110 + name)
		got = append(got, fmt.Sprintf("%s %o %d", data[110:110+name-1], mode, size))
		if size > 0 && size < 10 && string(data[start:start+size]) != "hello" {
			t.Errorf("content %q", data[start:start+size])
		}
		data = data[up(start+size):]
	}
	want := "[dir 40755 0 dir/x 100644 5 init 100755 1000 TRAILER!!! 0 0]"
	if fmt.Sprint(got) != want {
		t.Errorf("got %v, want %s", got, want)
	}
}
