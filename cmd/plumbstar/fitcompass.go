package main

import (
	"encoding/json"
	"fmt"
	"math"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbstar/sensors/calib"
	"plumbstar/sensors/recorded"
)

type fitCompassOptions struct {
	strengthUT, dipDeg float64
}

func newFitCompassCommand(e env) *cobra.Command {
	var o fitCompassOptions
	c := &cobra.Command{
		Use:   "fit-compass FILE",
		Short: "Calibrate the compass on a recording of free turns",
		Long: `Calibrate the compass on a recording of a board that was turned about all axes.

FILE is comma-separated with the columns t_s,mx,my,mz (seconds, uT), gzip accepted.
With ax,ay,az (m/s2, +g on the axis that points up) and gx,gy,gz (rad/s) the
accelerometer is calibrated too, and the compass is aligned to it. The answer is
JSON; a recording that does not support a calibration is refused with the reason.`,
		Args: oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			f := cmd.Flags()
			if f.Changed("strength-uT") && !(o.strengthUT > 10 && o.strengthUT < 100) {
				return usagef("--strength-uT %g: the Earth's field is 20 to 70 uT", o.strengthUT)
			}
			if f.Changed("dip-deg") && !(math.Abs(o.dipDeg) <= 89) {
				return usagef("--dip-deg %g: give degrees from -89 to 89, down positive", o.dipDeg)
			}
			return fitCompass(e, args[0], o, f.Changed("dip-deg"))
		},
	}
	c.Flags().Float64Var(&o.strengthUT, "strength-uT", 0, "strength of the field at the place (default: keep the chip's own scale)")
	c.Flags().Float64Var(&o.dipDeg, "dip-deg", 0, "dip of the field at the place, down positive (default: find it)")
	return c
}

// dipGivenSigmaDeg is the 1 sigma of a dip taken from a field model: the WMM's
// own 0.20° and as much again for what stands around.
const dipGivenSigmaDeg = 0.3

func fitCompass(e env, path string, o fitCompassOptions, dipGiven bool) error {
	in, mag, err := readRecording(path)
	if err != nil {
		return err
	}
	opt := calib.RecordingOptions{Spec: recorded.UnknownInertial()}
	opt.Mag.StrengthUT = o.strengthUT
	if dipGiven {
		opt.Mag.DipRad, opt.Mag.DipSigmaRad = o.dipDeg*math.Pi/180, dipGivenSigmaDeg*math.Pi/180
	}
	res, err := calib.FromRecording(in, mag, opt)
	if err == nil {
		err = res.MagErr
	}
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	enc := json.NewEncoder(e.stdout)
	enc.SetIndent("", " ")
	return enc.Encode(compassReport(&res))
}

// compassJSON is what fit-compass prints. Pointers are null where the
// recording does not tell.
type compassJSON struct {
	OffsetUT        [3]float64    `json:"offset_uT"`
	OffsetSigmaUT   [3]float64    `json:"offset_sigma_uT"`
	Matrix          [3][3]float64 `json:"matrix"`
	Samples         int           `json:"samples"`
	ResidualPercent float64       `json:"residual_percent"` // of |corrected| about its mean, rms
	ResidualUT      float64       `json:"residual_uT"`
	Outliers        float64       `json:"outliers"` // share of samples left out
	Coverage        coverageJSON  `json:"coverage"`

	HeadingSigmaDeg    float64 `json:"expected_heading_sigma_deg"` // level board, rms over headings
	HeadingSigmaDipDeg float64 `json:"expected_heading_sigma_dip_deg"`

	FieldUT       float64  `json:"field_uT"`
	StrengthGiven bool     `json:"strength_given"` // false: the chip's own scale
	DipDeg        *float64 `json:"dip_deg"`
	DipSigmaDeg   *float64 `json:"dip_sigma_deg"`

	Aligned          bool        `json:"aligned"` // to the accelerometer's axes
	RotationDeg      *[3]float64 `json:"rotation_deg"`
	RotationSigmaDeg [3]float64  `json:"rotation_sigma_deg"`

	HeldBack      heldBackJSON `json:"held_back"`
	Accelerometer *accelJSON   `json:"accelerometer"`
	Calibration   calib.Affine `json:"calibration"`
}

type coverageJSON struct {
	SolidAngle    float64    `json:"solid_angle"` // share of the sphere, 0 to 1
	LargestGapDeg float64    `json:"largest_gap_deg"`
	GapDirection  [3]float64 `json:"gap_direction"`
}

type heldBackJSON struct {
	BeforePercent float64 `json:"before_percent"`
	AfterPercent  float64 `json:"after_percent"`
}

type accelJSON struct {
	RestPoses    int           `json:"rest_poses"`
	Refused      *string       `json:"refused"` // why, when the data sheet alone was used
	TiltSigmaDeg *float64      `json:"tilt_sigma_deg"`
	Calibration  *calib.Affine `json:"calibration"`
}

func compassReport(res *calib.Result) compassJSON {
	const deg = 180 / math.Pi
	m := &res.Mag
	a := m.Affine
	out := compassJSON{
		OffsetUT: components(a.Offset), Samples: a.Readings,
		ResidualPercent: m.ResidualPercent, ResidualUT: a.ResidualRMS, Outliers: m.Outliers,
		Coverage:        coverageJSON{SolidAngle: m.Coverage.Occupied, LargestGapDeg: m.Coverage.GapDeg, GapDirection: components(m.Coverage.Gap)},
		HeadingSigmaDeg: m.HeadingSigmaDeg, HeadingSigmaDipDeg: m.HeadingDipRad * deg,
		FieldUT: m.FieldUT, StrengthGiven: m.StrengthKnown,
		Aligned: m.Aligned, RotationSigmaDeg: components(r3.Scale(deg, m.RotationSigma)),
		HeldBack:    heldBackJSON{100 * m.HeldBackBefore, 100 * m.HeldBackAfter},
		Calibration: a,
	}
	for i := range 3 {
		out.OffsetSigmaUT[i] = math.Sqrt(a.Cov[i][i])
		copy(out.Matrix[i][:], a.Matrix[3*i:])
	}
	if m.DipKnown {
		dip, sigma := m.DipRad*deg, m.DipSigmaRad*deg
		out.DipDeg, out.DipSigmaDeg = &dip, &sigma
	}
	if m.Aligned {
		rot := components(r3.Scale(deg, m.Rotation))
		out.RotationDeg = &rot
	}
	if res.HasAccel {
		acc := accelJSON{RestPoses: len(res.Poses)}
		if res.AccelErr != nil {
			why := res.AccelErr.Error()
			acc.Refused = &why
		} else {
			acc.TiltSigmaDeg, acc.Calibration = &res.AccelFit.TiltSigmaDeg, &res.Accel
		}
		out.Accelerometer = &acc
	}
	return out
}

func components(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
