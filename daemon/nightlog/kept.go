package nightlog

import (
	"context"
	"database/sql"
	"encoding/json"
	"math"
)

// siteColumns are the columns of a site that may be missing.
type siteColumns struct {
	id       sql.NullInt64
	name     sql.NullString
	lat, lon sql.NullFloat64
	height   sql.NullFloat64
	note     sql.NullString
}

const siteSelect = `s.id, s.name, s.lat_deg, s.lon_deg, s.height_m, s.note`

func (s *siteColumns) targets() []any {
	return []any{&s.id, &s.name, &s.lat, &s.lon, &s.height, &s.note}
}

func (s *siteColumns) site() *Site {
	if !s.id.Valid {
		return nil
	}
	return &Site{ID: s.id.Int64, Name: s.name.String, LatDeg: s.lat.Float64, LonDeg: s.lon.Float64, HeightM: s.height.Float64, Note: s.note.String}
}

// Sites lists the sites, oldest first.
func (r *Reader) Sites(ctx context.Context) (out []Site, err error) {
	err = r.view(ctx, "list the sites", func(tx *sql.Tx, _ *calendar) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var s siteColumns
			if err := rows.Scan(s.targets()...); err != nil {
				return err
			}
			out = append(out, *s.site())
			return nil
		}, `SELECT `+siteSelect+` FROM sites s ORDER BY s.id`)
	})
	return out, err
}

// Calibrations lists all calibrations, oldest first, also the superseded ones.
func (r *Reader) Calibrations(ctx context.Context) (out []Calibration, err error) {
	err = r.view(ctx, "list the calibrations", func(tx *sql.Tx, cal *calendar) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var c Calibration
			var run, at int64
			var data string
			var sigma, temp sql.NullFloat64
			var s siteColumns
			if err := rows.Scan(append([]any{&c.ID, &run, &at, &c.Kind, &c.Chip, &data, &sigma, &temp, &c.Note, &c.Supersedes, &c.SupersededBy}, s.targets()...)...); err != nil {
				return err
			}
			_, c.UTC, _ = cal.date(run, at)
			c.Data, c.Site = json.RawMessage(data), s.site()
			c.SigmaDeg, c.TempC = number(sigma), number(temp)
			out = append(out, c)
			return nil
		}, `SELECT x.id, x.run, x.at_ns, x.kind, x.chip, x.data, x.sigma_deg, x.temp_c, x.note, coalesce(x.supersedes,0),
			coalesce((SELECT max(y.id) FROM calibrations y WHERE y.supersedes = x.id),0), `+siteSelect+`
			FROM calibrations x LEFT JOIN sites s ON s.id = x.site ORDER BY x.id`)
	})
	return out, err
}

// Sightings lists all sightings, oldest first.
func (r *Reader) Sightings(ctx context.Context) (out []Sighting, err error) {
	err = r.view(ctx, "list the sightings", func(tx *sql.Tx, cal *calendar) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var g Sighting
			var run, at int64
			var data string
			var azimuth, altitude, temp sql.NullFloat64
			var s siteColumns
			if err := rows.Scan(append([]any{&g.ID, &run, &at, &g.Kind, &data, &azimuth, &altitude, &temp, &g.Note, &g.Supersedes, &g.SupersededBy}, s.targets()...)...); err != nil {
				return err
			}
			_, g.UTC, _ = cal.date(run, at)
			g.Data, g.Site = json.RawMessage(data), s.site()
			g.AzimuthSigmaDeg, g.AltitudeSigmaDeg, g.TempC = number(azimuth), number(altitude), number(temp)
			out = append(out, g)
			return nil
		}, `SELECT x.id, x.run, x.at_ns, x.kind, x.data, x.azimuth_sigma_deg, x.altitude_sigma_deg, x.temp_c, x.note, coalesce(x.supersedes,0),
			coalesce((SELECT max(y.id) FROM sightings y WHERE y.supersedes = x.id),0), `+siteSelect+`
			FROM sightings x LEFT JOIN sites s ON s.id = x.site ORDER BY x.id`)
	})
	return out, err
}

func number(v sql.NullFloat64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.Float64
}
