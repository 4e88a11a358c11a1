//go:build unix

package main

import (
	"fmt"
	"os"
	"syscall"
)

// deviceAndInode identifies an open file in the words of JOURNAL_STREAM.
func deviceAndInode(f *os.File) string {
	info, err := f.Stat()
	if err != nil {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	return fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}
