package nightlog

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
)

// Backup writes a consistent copy to path, which must not exist, while a Log may
// go on writing. The copy is one file, checked and synced before it gets its name.
func (r *Reader) Backup(ctx context.Context, path string) error {
	const op = "back up"
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		if err == nil {
			err = fmt.Errorf("%s is there already: choose another name", path)
		}
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".nightlog-*")
	if err != nil {
		return fmt.Errorf("no place for the backup: %w", err)
	}
	part := f.Name()
	defer os.Remove(part) //nolint:errcheck // gone when all went well
	if err := f.Close(); err != nil {
		return err
	}
	if _, err := r.pool.ExecContext(ctx, `VACUUM INTO ?`, part); err != nil {
		return r.fail(op, err)
	}
	if err := checkCopy(ctx, part); err != nil {
		return err
	}
	if f, err = os.OpenFile(part, os.O_RDWR, 0); err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close(), os.Rename(part, path)); err != nil {
		return err
	}
	syncDir(filepath.Dir(path))
	return nil
}

// checkCopy reads the whole copy.
func checkCopy(ctx context.Context, path string) error {
	pool, err := sql.Open("sqlite", dsn(path, url.Values{"mode": {"ro"}, "immutable": {"1"}}))
	if err != nil {
		return err
	}
	defer pool.Close() //nolint:errcheck // only read
	verdict := ""
	if err := pool.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&verdict); err != nil {
		return wrap("check the copy", path, err)
	}
	if verdict != "ok" {
		return &Error{Op: "check the copy", Path: path, Kind: Broken, Err: errors.New(verdict)}
	}
	return nil
}
