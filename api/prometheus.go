package api

import (
	"bytes"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
)

// exposition is the text format of Prometheus, version 0.0.4
// (prometheus.io/docs/instrumenting/exposition_formats).
type exposition struct{ samples []string }

// add takes a sample; the name may have labels behind it, whose values are printable
// ASCII. Only counters have names that end in "_total".
func (x *exposition) add(name string, v float64) {
	x.samples = append(x.samples, name+" "+strconv.FormatFloat(v, 'g', -1, 64))
}

// text is the whole, each family in one piece behind its type. Sorting does that,
// since "{" comes behind all letters.
func (x *exposition) text() []byte {
	slices.Sort(x.samples)
	var b bytes.Buffer
	family := ""
	for _, s := range x.samples {
		name := s[:strings.IndexAny(s, "{ ")]
		if name != family {
			family = name
			kind := "gauge"
			if strings.HasSuffix(name, "_total") {
				kind = "counter"
			}
			fmt.Fprintf(&b, "# TYPE %s %s\n", name, kind)
		}
		b.WriteString(s + "\n")
	}
	return b.Bytes()
}

// ticksPerS is how the kernel counts in /proc/self/stat (proc(5), USER_HZ).
const ticksPerS = 100

// process adds what Linux tells of this program; elsewhere, nothing.
func (x *exposition) process() {
	text, err := os.ReadFile("/proc/self/stat")
	if err != nil {
		return
	}
	x.stat(string(text))
	if text, err = os.ReadFile("/proc/self/statm"); err == nil {
		x.statm(string(text), float64(os.Getpagesize()))
	}
	if fds, err := os.ReadDir("/proc/self/fd"); err == nil {
		x.add("process_open_fds", float64(len(fds)))
	}
}

// stat reads the fields of proc(5) that stand behind the program's name, which may
// hold anything: the first of them is number 3.
func (x *exposition) stat(text string) {
	fields := strings.Fields(text[strings.LastIndexByte(text, ')')+1:])
	if len(fields) < 18 {
		return
	}
	field := func(n int) float64 {
		v, err := strconv.ParseFloat(fields[n-3], 64)
		if err != nil {
			return 0 // not reached: the kernel writes numbers
		}
		return v
	}
	x.add("process_cpu_seconds_total", (field(14)+field(15))/ticksPerS)
	x.add("process_num_threads", field(20))
}

// statm reads proc(5): pages of address space, then of resident memory.
func (x *exposition) statm(text string, pageBytes float64) {
	var space, resident float64
	if n, _ := fmt.Sscan(text, &space, &resident); n == 2 {
		x.add("process_virtual_memory_bytes", space*pageBytes)
		x.add("process_resident_memory_bytes", resident*pageBytes)
	}
}
