package main

import (
	"fmt"

	"plumbstar/astro"
	"plumbstar/astro/pole"
	"plumbstar/astro/sky"
)

var polestarColumns = []string{"time_utc", "lat_deg", "lon_deg", "height_m", "pressure_hpa", "temp_c", "star"}

// polestarRows computes rows and keeps what neighbouring rows share.
type polestarRows struct {
	e        env
	time     string
	moment   sky.Moment
	place    [5]string // latitude to temperature as written
	observer *sky.Observer
	aim      astro.Direction
	noAir    bool
	targets  map[string]sky.Target // by hemisphere and name
	cautions map[string]bool       // said already
}

func polestarTable(e env) csvTable {
	rows := polestarRows{e: e, targets: map[string]sky.Target{}, cautions: map[string]bool{}}
	return csvTable{
		need: polestarColumns,
		add: []string{
			"ra_deg", "dec_deg", "hour_angle_deg", "azimuth_deg", "altitude_deg",
			"altitude_refracted_deg", "offset_arcmin", "position_angle_deg",
		},
		answer: rows.answer,
	}
}

func (r *polestarRows) answer(in, out []string) error {
	if err := r.at(in[0]); err != nil {
		return err
	}
	if err := r.from([5]string(in[1:6])); err != nil {
		return err
	}
	target, err := r.find(in[6])
	if err != nil {
		return err
	}
	p := target.Place(r.observer, &r.moment)
	// Seven decimals of a degree are 0.0004 arcsec.
	for i, v := range [...]float64{p.RADeg, p.DecDeg, p.HourAngleDeg, p.Airless.AzDeg, p.Airless.AltDeg} {
		out[i] = csvFixed(v, 7)
	}
	out[0], out[3] = aroundFixed(p.RADeg, 7), aroundFixed(p.Airless.AzDeg, 7)
	if !p.Visible && !r.noAir {
		return partial{fmt.Sprintf("%s is below the horizon: no refracted altitude, no place from the refracted pole", target.Label())}
	}
	offset, angle := pole.Offset(r.aim, p.Seen)
	out[5] = csvFixed(p.Seen.AltDeg, 7)
	out[6] = csvFixed(offset, 6)
	out[7] = aroundFixed(angle, 6)
	return nil
}

// at prepares the moment of a row.
func (r *polestarRows) at(text string) error {
	if text == r.time && text != "" {
		return nil
	}
	i, err := astro.ParseInstant(text)
	if err != nil {
		return err
	}
	m, err := sky.At(i)
	if err != nil {
		return err
	}
	r.time, r.moment = text, m
	return nil
}

// from prepares the observer of a row.
func (r *polestarRows) from(cells [5]string) error {
	if r.observer != nil && cells == r.place {
		return nil
	}
	r.observer = nil
	var v [5]float64
	for i, cell := range cells {
		var err error
		if v[i], err = csvNumber(polestarColumns[i+1], cell); err != nil {
			return err
		}
	}
	site := astro.Site{LatDeg: v[0], LonDeg: v[1], HeightM: v[2]}
	air := astro.Air{PressureHPa: v[3], TempC: v[4]}
	alt, az, err := pole.Aim(site, pole.Refracted, air)
	if err != nil {
		return err
	}
	observer, err := sky.NewObserver(site, air)
	if err != nil {
		return err
	}
	r.place, r.observer, r.aim, r.noAir = cells, observer, astro.Direction{AzDeg: az, AltDeg: alt}, air.PressureHPa == 0
	return nil
}

// find looks the star of a row up.
func (r *polestarRows) find(name string) (sky.Target, error) {
	if name == "" {
		return sky.Target{}, fmt.Errorf("star is empty: give pole-star, sun, moon, a HIP number or a name")
	}
	hemisphere := r.observer.Site().Hemisphere()
	key := name
	if hemisphere == astro.South {
		key = "south " + name
	}
	t, ok := r.targets[key]
	if ok {
		return t, nil
	}
	t, err := sky.FindTarget(name, hemisphere)
	if err != nil {
		return t, err
	}
	if len(r.targets) < 10000 { // names come from outside
		r.targets[key] = t
	}
	if caution := sky.Caution(t.BodyName()); caution != "" && !r.cautions[caution] {
		r.cautions[caution] = true
		fmt.Fprintln(r.e.stderr, "plumbstar: caution:", caution)
	}
	return t, nil
}
