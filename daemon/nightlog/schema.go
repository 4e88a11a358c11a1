package nightlog

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"strings"

	_ "modernc.org/sqlite" // the database driver "sqlite"
)

// applicationID marks the file as ours ("PLST").
const applicationID = 0x504C5354

// migrations bring the schema from one version to the next; the version is their
// count. A released one is never changed.
func migrations() []string { return []string{schema1, schema2} }

// readable is the least version that a Reader understands: later ones only added
// what it does not read.
const readable = 1

// Numbers of samples are integers in the small unit that the column names: means
// of a second need no more, and the rows are half as long. The key of a sample is
// its run and its milliseconds on the monotonic clock (see sampleKey): rows are
// only ever appended, without an index beside them, so a commit touches few pages.
const schema1 = `
CREATE TABLE sites (
	id INTEGER PRIMARY KEY,
	name TEXT NOT NULL,
	lat_deg REAL NOT NULL,
	lon_deg REAL NOT NULL,
	height_m REAL NOT NULL,
	note TEXT NOT NULL
) STRICT;
CREATE TABLE nights (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	name TEXT NOT NULL,
	note TEXT NOT NULL,
	site INTEGER REFERENCES sites,
	settings TEXT,
	ended INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE runs (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	night INTEGER REFERENCES nights,
	begin_ns INTEGER NOT NULL,
	end_ns INTEGER
) STRICT;
CREATE INDEX runs_night ON runs (night);
CREATE TABLE clocks (
	id INTEGER PRIMARY KEY,
	run INTEGER NOT NULL REFERENCES runs,
	at_ns INTEGER NOT NULL,
	utc_ns INTEGER NOT NULL,
	sigma_s REAL,
	source TEXT NOT NULL
) STRICT;
CREATE INDEX clocks_run ON clocks (run);
CREATE TABLE events (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	run INTEGER NOT NULL REFERENCES runs,
	at_ns INTEGER NOT NULL,
	kind TEXT NOT NULL,
	text TEXT NOT NULL,
	numbers TEXT NOT NULL
) STRICT;
CREATE INDEX events_run ON events (run, at_ns);
CREATE TABLE full_rate (
	id INTEGER PRIMARY KEY,
	run INTEGER NOT NULL REFERENCES runs,
	at_ns INTEGER NOT NULL,
	samples BLOB NOT NULL
) STRICT;
CREATE INDEX full_rate_run ON full_rate (run, at_ns);
CREATE TABLE calibrations (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	run INTEGER NOT NULL REFERENCES runs,
	at_ns INTEGER NOT NULL,
	kind TEXT NOT NULL,
	chip TEXT NOT NULL,
	data TEXT NOT NULL,
	sigma_deg REAL,
	temp_c REAL,
	site INTEGER REFERENCES sites,
	note TEXT NOT NULL,
	supersedes INTEGER REFERENCES calibrations
) STRICT;
CREATE TABLE sightings (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	run INTEGER NOT NULL REFERENCES runs,
	at_ns INTEGER NOT NULL,
	kind TEXT NOT NULL,
	data TEXT NOT NULL,
	azimuth_sigma_deg REAL,
	altitude_sigma_deg REAL,
	temp_c REAL,
	site INTEGER REFERENCES sites,
	note TEXT NOT NULL,
	supersedes INTEGER REFERENCES sightings
) STRICT;
CREATE TABLE samples (
	id INTEGER PRIMARY KEY,
	state TEXT NOT NULL,
	temp_mc INTEGER,
	accel_raw_x_um_s2 INTEGER, accel_raw_y_um_s2 INTEGER, accel_raw_z_um_s2 INTEGER,
	accel_x_um_s2 INTEGER, accel_y_um_s2 INTEGER, accel_z_um_s2 INTEGER,
	accel_spread_x_um_s2 INTEGER, accel_spread_y_um_s2 INTEGER, accel_spread_z_um_s2 INTEGER,
	gyro_raw_x_urad_s INTEGER, gyro_raw_y_urad_s INTEGER, gyro_raw_z_urad_s INTEGER,
	gyro_x_urad_s INTEGER, gyro_y_urad_s INTEGER, gyro_z_urad_s INTEGER,
	gyro_spread_x_urad_s INTEGER, gyro_spread_y_urad_s INTEGER, gyro_spread_z_urad_s INTEGER,
	field_raw_x_nT INTEGER, field_raw_y_nT INTEGER, field_raw_z_nT INTEGER,
	field_x_nT INTEGER, field_y_nT INTEGER, field_z_nT INTEGER,
	field_spread_x_nT INTEGER, field_spread_y_nT INTEGER, field_spread_z_nT INTEGER,
	axis_altitude_udeg INTEGER, axis_altitude_sigma_udeg INTEGER,
	axis_azimuth_udeg INTEGER, axis_azimuth_sigma_udeg INTEGER,
	axis_roll_udeg INTEGER, axis_roll_sigma_udeg INTEGER,
	error_udeg INTEGER, error_sigma_udeg INTEGER,
	vibration_um_s2 INTEGER,
	shake_mas INTEGER,
	strength_nT INTEGER,
	dip_udeg INTEGER
) STRICT;
` + keepSites + keepCalibrations + keepSightings

// schema2: alarms that wait for their receiver.
const schema2 = `
CREATE TABLE alarms (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	way TEXT NOT NULL,
	name TEXT NOT NULL,
	message TEXT NOT NULL,
	UNIQUE (way, name)
) STRICT;`

// The database itself refuses to lose what is never overwritten.
const (
	keepSites = `
CREATE TRIGGER sites_stay BEFORE DELETE ON sites BEGIN SELECT RAISE(ABORT, 'sites are never removed'); END;
CREATE TRIGGER sites_keep BEFORE UPDATE ON sites BEGIN SELECT RAISE(ABORT, 'sites are never changed'); END;`
	keepCalibrations = `
CREATE TRIGGER calibrations_stay BEFORE DELETE ON calibrations BEGIN SELECT RAISE(ABORT, 'calibrations are never removed'); END;
CREATE TRIGGER calibrations_keep BEFORE UPDATE ON calibrations BEGIN SELECT RAISE(ABORT, 'calibrations are never changed: a new one supersedes'); END;`
	keepSightings = `
CREATE TRIGGER sightings_stay BEFORE DELETE ON sightings BEGIN SELECT RAISE(ABORT, 'sightings are never removed'); END;
CREATE TRIGGER sightings_keep BEFORE UPDATE ON sightings BEGIN SELECT RAISE(ABORT, 'sightings are never changed: a new one supersedes'); END;`
)

// dsn names the file to the driver; a path may hold any character, and be relative:
// what follows two slashes would be taken for a host.
func dsn(path string, query url.Values) string {
	return (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: query.Encode()}).String()
}

// identity is what a file says of itself.
type identity struct {
	version int
	empty   bool // it holds no table yet
	ours    bool
}

type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func identify(ctx context.Context, q querier) (identity, error) {
	var app, tables int
	var id identity
	if err := q.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM sqlite_schema), application_id, user_version FROM pragma_application_id, pragma_user_version`).Scan(&tables, &app, &id.version); err != nil {
		return identity{}, err
	}
	id.empty, id.ours = tables == 0, app == applicationID
	return id, nil
}

// migrate brings the database of conn to the last of steps, in one transaction.
func migrate(ctx context.Context, conn *sql.Conn, from int, steps []string) error {
	if from == len(steps) {
		return nil
	}
	if _, err := conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	script := strings.Join(steps[from:], "\n") + fmt.Sprintf("\nPRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT", applicationID, len(steps))
	if _, err := conn.ExecContext(ctx, script); err != nil {
		_, _ = conn.ExecContext(ctx, "ROLLBACK") // the error that matters is the first
		return err
	}
	return nil
}
