package nightlog

import (
	"fmt"
	"io"
)

// Field describes one column of an export.
type Field struct {
	Table, Name string
	Type        string // "number", "text", "time" (UTC, RFC 3339) or "json"
	Unit        string // empty where there is none
	Text        string
}

// Table names what can be exported.
type Table string

// The tables of an export.
const (
	TableSamples      Table = "samples"
	TableEvents       Table = "events"
	TableFullRate     Table = "full-rate"
	TableNights       Table = "nights"
	TableCalibrations Table = "calibrations"
	TableSightings    Table = "sightings"
	TableSites        Table = "sites"
)

// Tables lists them all.
func Tables() []Table {
	return []Table{TableSamples, TableEvents, TableFullRate, TableNights, TableCalibrations, TableSightings, TableSites}
}

// ParseTable reads the name of a table.
func ParseTable(s string) (Table, error) {
	for _, t := range Tables() {
		if string(t) == s {
			return t, nil
		}
	}
	return "", fmt.Errorf("table %q: use one of %v", s, Tables())
}

// Dictionary describes every column of every table.
func Dictionary() []Field {
	var out []Field
	for _, t := range Tables() {
		out = append(out, t.fields()...)
	}
	return out
}

const (
	typeNumber = "number"
	typeText   = "text"
	typeTime   = "time"
	typeJSON   = "json"
)

// fields are the columns of a table in order.
func (t Table) fields() []Field {
	var out []Field
	add := func(name, kind, unit, text string) { out = append(out, Field{string(t), name, kind, unit, text}) }
	place := func() {
		add("night", typeNumber, "", "number of the night, empty between nights")
		add("time_utc", typeTime, "UTC", "when, by the best clock of the run")
		add("t_s", typeNumber, "s", "time since the beginning of the night, by the monotonic clock within a run; between nights since that of the run")
	}
	site := func() {
		add("site", typeText, "", "name of the site, empty when not known")
		add("lat_deg", typeNumber, "°", "geodetic latitude of the site (WGS 84), north positive")
		add("lon_deg", typeNumber, "°", "longitude of the site, east positive")
		add("height_m", typeNumber, "m", "height of the site above the ellipsoid")
	}
	superseding := func() {
		add("note", typeText, "", "note")
		add("supersedes", typeNumber, "", "number of the row that this one takes the place of")
		add("superseded_by", typeNumber, "", "number of the row that took its place")
	}
	switch t {
	case TableSamples:
		place()
		add("state", typeText, "", "state of the estimate: settling, steady, moving, disturbed, stale or lost")
		for _, q := range quantities() {
			add(q.name, typeNumber, q.unit, q.text)
		}
	case TableEvents:
		place()
		add("kind", typeText, "", "stable name of what happened")
		add("text", typeText, "", "the same as a sentence")
		add("numbers", typeJSON, "", "numbers that go with it; their names end in the unit")
	case TableFullRate:
		// The columns of a recording, so that replay and stability read it; the
		// units are those that recordings have.
		add("t_s", typeNumber, "s", "time of the reading since the beginning of the night")
		for _, v := range []struct{ first, unit, text string }{
			{"a", "m/s²", "specific force along the chip's "}, {"g", "rad/s", "angular rate about the chip's "}, {"m", "µT", "magnetic field along the chip's "},
		} {
			for _, axis := range "xyz" {
				add(v.first+string(axis), typeNumber, v.unit, v.text+string(axis)+" axis, one reading")
			}
		}
		add("temp_C", typeNumber, "°C", "temperature of the inertial chip")
		add("time_utc", typeTime, "UTC", "when, by the best clock of the run")
	case TableNights:
		add("night", typeNumber, "", "number of the night")
		add("name", typeText, "", "name")
		add("note", typeText, "", "note")
		add("begin_utc", typeTime, "UTC", "when it began")
		add("end_utc", typeTime, "UTC", "when it ended, or its last record when it is open or was cut short")
		add("open", typeNumber, "", "1 until it was ended")
		add("runs", typeNumber, "", "starts of the program in this night")
		add("clock_sigma_s", typeNumber, "s", "1 sigma of the clock that dates the beginning, empty when not known")
		add("clock_source", typeText, "", "where that clock's time comes from")
		site()
		add("settings", typeJSON, "", "the settings used")
	case TableCalibrations:
		add("calibration", typeNumber, "", "number of the row")
		add("time_utc", typeTime, "UTC", "when it was made")
		add("kind", typeText, "", "what it corrects")
		add("chip", typeText, "", "identity of the sensor that it is for")
		add("data", typeJSON, "", "coefficients with their covariance")
		add("sigma_deg", typeNumber, "°", "1 sigma of the direction that it leaves")
		add("temp_c", typeNumber, "°C", "temperature of the chip")
		site()
		superseding()
	case TableSightings:
		add("sighting", typeNumber, "", "number of the row")
		add("time_utc", typeTime, "UTC", "when it was made")
		add("kind", typeText, "", "what was sighted, and how")
		add("data", typeJSON, "", "what was seen")
		add("azimuth_sigma_deg", typeNumber, "°", "1 sigma of the azimuth that it fixes, empty when it fixes none")
		add("altitude_sigma_deg", typeNumber, "°", "1 sigma of the altitude that it fixes, empty when it fixes none")
		add("temp_c", typeNumber, "°C", "temperature of the chip")
		site()
		superseding()
	case TableSites:
		add("site", typeText, "", "name")
		add("lat_deg", typeNumber, "°", "geodetic latitude (WGS 84), north positive")
		add("lon_deg", typeNumber, "°", "longitude, east positive")
		add("height_m", typeNumber, "m", "height above the ellipsoid")
		add("note", typeText, "", "note")
	}
	return out
}

// WriteDictionary writes the dictionary in a format of the exports.
func WriteDictionary(out io.Writer, f Format) error {
	w := newRowWriter(out, f, []Field{{Name: "table"}, {Name: "name"}, {Name: "type"}, {Name: "unit"}, {Name: "text"}})
	for _, d := range Dictionary() {
		for _, cell := range []string{d.Table, d.Name, d.Type, d.Unit, d.Text} {
			w.text(cell)
		}
		if err := w.end(); err != nil {
			return err
		}
	}
	return w.flush()
}
