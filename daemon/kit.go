package daemon

import (
	"encoding/json"
	"fmt"

	"plumbstar/astro/pole"
	"plumbstar/astro/trail"
)

// Kit is what the user photographs and looks with.
type Kit struct {
	PixelUM float64 `json:"pixel_um"`
	TrailPx float64 `json:"trail_px"` // how many pixels of trail are accepted
	// SensorWidthMM and SensorHeightMM are for the corners of the picture; 0 when
	// only the centre matters.
	SensorWidthMM  float64 `json:"sensor_width_mm"`
	SensorHeightMM float64 `json:"sensor_height_mm"`
	Lenses         []Lens  `json:"lenses"`
	// Finder is the finder along the axis; the zero value is a plain one, see
	// pole.DefaultFinder.
	Finder pole.Finder `json:"finder"`
}

// Lens is one entry of the user's kit.
type Lens struct {
	Name       string           `json:"name"`
	FocalMM    float64          `json:"focal_mm"`
	ExposureS  float64          `json:"exposure_s"`           // the exposure wished for
	Projection trail.Projection `json:"projection,omitempty"` // empty: rectilinear
}

// Camera is the kit with one lens, as trail takes it.
func (k *Kit) Camera(l Lens) trail.Kit {
	return trail.Kit{FocalMM: l.FocalMM, PixelUM: k.PixelUM, TrailPx: k.TrailPx, SensorWidthMM: k.SensorWidthMM, SensorHeightMM: k.SensorHeightMM, Projection: l.Projection}
}

// View is the finder, or a plain one when none was described.
func (k *Kit) View() pole.Finder {
	if k.Finder.View == "" && k.Finder.FieldDeg == 0 {
		return pole.DefaultFinder()
	}
	return k.Finder
}

// maxLenses bounds the kit.
const maxLenses = 24

// Validate refuses what no camera or finder has.
func (k *Kit) Validate() error {
	if len(k.Lenses) > maxLenses {
		return fmt.Errorf("%d lenses: at most %d are taken", len(k.Lenses), maxLenses)
	}
	for i, l := range k.Lenses {
		name := l.Name
		if name == "" {
			name = fmt.Sprintf("lens %d", i+1)
		}
		if err := k.Camera(l).Validate(); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if !(l.ExposureS > 0 && l.ExposureS <= 86400) {
			return fmt.Errorf("%s: exposure %v s: give more than 0, up to 86400", name, l.ExposureS)
		}
	}
	if len(k.Lenses) == 0 {
		// Pixel and trail are checked with a lens that any camera takes.
		if err := k.Camera(Lens{FocalMM: 50}).Validate(); err != nil {
			return err
		}
	}
	return k.View().Validate()
}

// kitDocument is the name under which the kit is kept.
const kitDocument = "kit"

// SetKit changes what the user photographs and looks with, and keeps it.
func (d *Daemon) SetKit(k Kit) error {
	if err := k.Validate(); err != nil {
		return refuse("kit", err.Error())
	}
	for i := range k.Lenses {
		if k.Lenses[i].Name == "" {
			k.Lenses[i].Name = fmt.Sprintf("%g mm", k.Lenses[i].FocalMM)
		}
	}
	d.mu.Lock()
	d.opt.Kit = k
	delete(d.damaged, kitDocument)
	d.mu.Unlock()
	d.log.Info("kit set", "lenses", len(k.Lenses))
	if d.opt.Store == nil {
		return nil
	}
	text, err := json.Marshal(k)
	if err != nil {
		return err
	}
	if err := d.opt.Store.PutDocument(kitDocument, text); err != nil {
		return fmt.Errorf("the kit is in use but could not be kept: %w", err)
	}
	return nil
}

// loadKit takes the kit that was entered last in place of the settings'.
func (d *Daemon) loadKit() {
	text, err := d.opt.Store.Document(kitDocument)
	if err == nil && text == nil {
		return
	}
	var k Kit
	if err == nil {
		err = json.Unmarshal(text, &k)
	}
	if err == nil {
		err = k.Validate()
	}
	if err != nil {
		d.noteDamage(kitDocument, fmt.Sprintf("The kept lenses and finder are damaged, and those of the settings are used: %v. Enter them again.", err))
		return
	}
	d.opt.Kit = k
}
