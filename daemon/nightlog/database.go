package nightlog

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
)

// database is the writer's open file, on one connection.
type database struct {
	pool  *sql.DB
	conn  *sql.Conn
	stmts *statements
}

// statements are what is executed once a second.
type statements struct {
	quantities []quantity
	sample     *sql.Stmt
	args       []any // reused
}

// pageBytes is the page size of new files. A commit of ten samples changes two
// pages or three and writes them whole: small ones wear a card less (a night of
// 12 h writes 35 MB, with SQLite's own 4096 bytes 54 MB).
const pageBytes = 1024

// The write-ahead log is merged into the file every 4 MB, about every two hours,
// and cut back to that; a full sync at each commit.
const setUp = `
PRAGMA journal_mode = WAL;
PRAGMA synchronous = FULL;
PRAGMA wal_autocheckpoint = 4000;
PRAGMA journal_size_limit = 4096000;
PRAGMA foreign_keys = ON;
PRAGMA cache_size = -1000;`

// openDatabase opens or makes the file and brings it up to date. The kind of the
// error tells what to do with the file.
func openDatabase(ctx context.Context, path string, steps []string) (*database, error) {
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return nil, wrap("open", path, err)
	}
	keepPrivate(path)
	pool, err := sql.Open("sqlite", dsn(path, url.Values{"_pragma": {"busy_timeout(2000)"}}))
	if err != nil {
		return nil, wrap("open", path, err)
	}
	d := &database{pool: pool}
	if err := d.prepare(ctx, path, steps); err != nil {
		d.close()
		return nil, wrap("open", path, err)
	}
	return d, nil
}

// keepPrivate lets only the owner read where somebody spends the nights. SQLite
// gives the files beside the database its mode. What cannot be done here, the
// database will complain of in better words.
func keepPrivate(path string) {
	const mode = 0o600
	if f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, mode); err == nil {
		_ = f.Close() // nothing was written
	}
	for _, c := range companions {
		if i, err := os.Lstat(path + c); err == nil && i.Mode().IsRegular() && i.Mode().Perm() != mode {
			_ = os.Chmod(path+c, mode)
		}
	}
}

func (d *database) prepare(ctx context.Context, path string, steps []string) error {
	d.pool.SetMaxOpenConns(1)
	var err error
	if d.conn, err = d.pool.Conn(ctx); err != nil {
		return err
	}
	id, err := identify(ctx, d.conn)
	switch {
	case err != nil:
		return err
	case !id.empty && !id.ours:
		return &Error{Op: "open", Path: path, Kind: Broken}
	case id.version > len(steps):
		return &Error{Op: "open", Path: path, Kind: Newer}
	}
	if id.empty { // later it cannot be changed
		if _, err := d.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA page_size = %d", pageBytes)); err != nil {
			return err
		}
	}
	if _, err := d.conn.ExecContext(ctx, setUp); err != nil {
		return err
	}
	if err := migrate(ctx, d.conn, id.version, steps); err != nil {
		return err
	}
	// A file that can only be read opens all the same: try a write.
	if _, err := d.conn.ExecContext(ctx, "BEGIN IMMEDIATE; ROLLBACK"); err != nil {
		return err
	}
	d.stmts = &statements{quantities: quantities()}
	d.stmts.sample, err = d.conn.PrepareContext(ctx, insertSample(d.stmts.quantities))
	return err
}

// close merges the write-ahead log into the file where it can.
func (d *database) close() {
	if d.stmts != nil && d.stmts.sample != nil {
		_ = d.stmts.sample.Close() // nothing hangs on it: every commit was checked
	}
	if d.conn != nil {
		_ = d.conn.Close()
	}
	_ = d.pool.Close()
}

// transact runs f in a transaction; whatever it returns but nil undoes all.
func (d *database) transact(ctx context.Context, f func() error) error {
	if _, err := d.conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f()
	if err == nil {
		_, err = d.conn.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		_, _ = d.conn.ExecContext(ctx, "ROLLBACK") // after a full disk SQLite may have done it already
	}
	return err
}

// used is how many bytes of the file hold data.
func (d *database) used(ctx context.Context) (bytes int64, err error) {
	err = d.conn.QueryRowContext(ctx, `SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&bytes)
	return bytes, err
}
