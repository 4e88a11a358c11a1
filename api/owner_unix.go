//go:build unix

package api

import (
	"os"
	"path/filepath"
	"syscall"
)

// ownLikeParent gives a file that root made to the owner of its directory, so
// that the service, which is not root, can read what `sudo plumbstar pair` wrote.
func ownLikeParent(path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	st, err := os.Stat(filepath.Dir(path))
	if err != nil {
		return err
	}
	if s, ok := st.Sys().(*syscall.Stat_t); ok {
		return os.Lchown(path, int(s.Uid), int(s.Gid))
	}
	return nil
}
