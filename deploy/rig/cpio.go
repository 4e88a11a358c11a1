package main

import (
	"fmt"
	"io"
)

// archive writes an initial file system as the kernel reads it: the "new" cpio
// format (Documentation/driver-api/early-userspace/buffer-format.rst of Linux),
// not compressed, since unpacking is slow on an emulated processor.
type archive struct {
	w     io.Writer
	inode int
	err   error
}

// Kinds of entry, octal as in struct stat.
const (
	folder = 0o040755
	binary = 0o100755
	text   = 0o100644
)

// add writes one entry; errors are kept until close.
func (a *archive) add(name string, mode int, content []byte) {
	a.inode++
	links := 1
	if mode == folder {
		links = 2
	}
	a.entry(name, mode, links, content)
}

func (a *archive) entry(name string, mode, links int, content []byte) {
	a.print(fmt.Sprintf("070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%s\x00",
		a.inode, mode, 0, 0, links, 0, len(content), 0, 0, 0, 0, len(name)+1, 0, name), 110+len(name)+1)
	a.print(string(content), len(content))
}

// print writes s and fills up to a multiple of four.
func (a *archive) print(s string, n int) {
	if a.err == nil {
		_, a.err = io.WriteString(a.w, s+"\x00\x00\x00"[:(4-n%4)%4])
	}
}

// close ends the archive.
func (a *archive) close() error {
	a.inode = 0
	a.entry("TRAILER!!!", 0, 1, nil)
	return a.err
}
