package nightlog

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"modernc.org/sqlite"
)

// Kind says what is wrong with the log, and so what can be done.
type Kind string

const (
	// Full: the disk has no space left.
	Full Kind = "full"
	// ReadOnly: directory or file cannot be written.
	ReadOnly Kind = "read-only"
	// Denied: a Reader's user may not use the file.
	Denied Kind = "denied"
	// Broken: the file is no sound database. A Log sets it aside by itself.
	Broken Kind = "broken"
	// Newer: a later version of the program made the file. It is left alone.
	Newer Kind = "newer"
	// Older: an earlier version made it, and a Reader does not migrate.
	Older Kind = "older"
	// Missing: there is no such file or directory.
	Missing Kind = "missing"
	// Busy: another program holds the database, or too much waits.
	Busy Kind = "busy"
	// Disk: the disk reports errors of its own.
	Disk Kind = "disk"
	// Failed: something else went wrong.
	Failed Kind = "failed"
	// Rejected: this one record cannot be stored, others can.
	Rejected Kind = "rejected"
	// NotFound: the log has no such night.
	NotFound Kind = "not found"
	// Closed: the log was closed.
	Closed Kind = "closed"
)

// Error is every error of this package, except those of a context.
type Error struct {
	Op   string // what was tried
	Path string // the database file
	Kind Kind
	Err  error // may be nil
}

var (
	errTooMany = errors.New("too many records wait for the disk")
	errNotJSON = errors.New("the data are not JSON")
)

// advice says what is wrong and what to do about it.
var advice = map[Kind]string{
	Full:     "the disk is full: free some space",
	ReadOnly: "it cannot be written: check the owner of the directory and whether the file system is mounted read-only",
	Denied:   "this user may not use it: run this as root or as the daemon's user",
	Broken:   "the file is damaged or no night log: it is set aside when the daemon starts; a backup can take its place",
	Newer:    "a newer plumbstar made it: update this one, or choose another --state-dir",
	Older:    "an older plumbstar made it: start the daemon once, it brings the file up to date",
	Missing:  "there is none: start the daemon once, or choose another --state-dir",
	Busy:     "another program holds it: is a second daemon running?",
	Disk:     "the disk reports errors: check its cable, card or file system",
	Failed:   "it failed",
	Rejected: "the record cannot be stored",
	NotFound: "there is no such night: plumbstar nights lists them",
	Closed:   "the log is closed",
}

// Error is one line: what, where, why, what to do.
func (e *Error) Error() string {
	s := fmt.Sprintf("night log %s: %s: %s", e.Path, e.Op, advice[e.Kind])
	if e.Err != nil {
		s += " (" + strings.TrimSpace(e.Err.Error()) + ")"
	}
	return s
}

// Brief is what is wrong and what to do, without the place.
func (e *Error) Brief() string { return advice[e.Kind] }

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// KindOf is the kind of the error that err carries, or "" when it carries none.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return ""
}

// consequences is the message that health shows.
func (e *Error) consequences(h Health) string {
	s := e.Error() + "; guidance goes on"
	if h.Waiting > 0 {
		s += fmt.Sprintf(", %d records wait in memory", h.Waiting)
	}
	if h.Dropped > 0 {
		s += fmt.Sprintf(", %d were dropped", h.Dropped)
	}
	return s
}

// SQLite's primary result codes (https://www.sqlite.org/rescode.html), and the
// extended one of a log whose index found no space.
const (
	codeError    = 1
	codePerm     = 3
	codeBusy     = 5
	codeLocked   = 6
	codeReadOnly = 8
	codeIO       = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeTooBig   = 18
	codeBreach   = 19 // of a constraint
	codeMismatch = 20
	codeNotADB   = 26
	codeNoIndex  = codeIO | 19<<8
)

// wrap classifies an error of the database or of the file system.
func wrap(what, path string, err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	e = &Error{Op: what, Path: path, Kind: Failed, Err: err}
	var s *sqlite.Error
	switch {
	case errors.As(err, &s):
		e.Kind = kindOf(s.Code())
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		e.Kind = Full
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		e.Kind = ReadOnly
	case errors.Is(err, fs.ErrNotExist):
		e.Kind = Missing
	}
	return e
}

func kindOf(code int) Kind {
	if code == codeNoIndex {
		return Full
	}
	switch code & 0xff {
	case codeFull:
		return Full
	case codeReadOnly, codePerm, codeCantOpen:
		return ReadOnly
	case codeCorrupt, codeNotADB:
		return Broken
	case codeBusy, codeLocked:
		return Busy
	case codeIO:
		return Disk
	case codeError, codeTooBig, codeBreach, codeMismatch:
		return Rejected
	}
	return Failed
}
