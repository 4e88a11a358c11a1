package display

import (
	"image"
	"math"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/devices/v3/ssd1306"
	"periph.io/x/devices/v3/ssd1306/image1bit"

	"plumbstar/daemon/config"
)

// glass is the display on a bus.
type glass struct {
	bus  *pieces
	opts ssd1306.Opts
	dev  *ssd1306.Dev
	// fresh: the driver does not know what stands on the glass.
	fresh bool
	pix   [width * height / 8]byte // the picture, as far as it was written
}

// openGlass starts the display on a bus; the picture of before may stand there
// until the first one is shown, at the brightness of the settings.
func openGlass(bus i2c.Bus, set config.Display) (*glass, error) {
	g := &glass{
		bus:  &pieces{bus: bus, addr: set.Address, contrast: byte(math.Round(255 * set.Brightness))},
		opts: ssd1306.Opts{W: width, H: height, MirrorVertical: set.Rotated, MirrorHorizontal: set.Rotated},
	}
	if err := g.start(); err != nil {
		return nil, err
	}
	return g, nil
}

// start sets all registers, and makes the driver forget what stands on the glass.
func (g *glass) start() error {
	dev, err := ssd1306.NewI2C(g.bus, &g.opts)
	if err != nil {
		return err
	}
	g.dev, g.fresh = dev, true
	return nil
}

// show writes what differs from the picture before. The driver writes the rectangle
// around all that changed, so it gets one row of bytes after the other: the mark at the
// edge and a digit would else make up the whole.
func (g *glass) show(img *image1bit.VerticalLSB) error {
	if g.fresh {
		g.fresh = false
		copy(g.pix[:], img.Pix)
		_, err := g.dev.Write(g.pix[:])
		return err
	}
	for row := 0; row < len(g.pix); row += width {
		copy(g.pix[row:row+width], img.Pix[row:])
		if _, err := g.dev.Write(g.pix[:]); err != nil {
			return err
		}
	}
	return nil
}

// renew sets all registers and writes the whole picture: a display that lost its
// supply for a moment is dark, and says so to nobody.
func (g *glass) renew(img *image1bit.VerticalLSB) error {
	if err := g.start(); err != nil {
		return err
	}
	return g.show(img)
}

// off wipes the picture and turns the display off.
func (g *glass) off() error {
	if err := g.show(image1bit.NewVerticalLSB(image.Rect(0, 0, width, height))); err != nil {
		return err
	}
	return g.dev.Halt()
}
