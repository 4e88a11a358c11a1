package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"plumbstar/daemon/estimator"
	"plumbstar/sensors/recorded"
)

func newOrientCommand(e env) *cobra.Command {
	var o orientOptions
	c := &cobra.Command{
		Use:   "orient FILE",
		Short: "Compute the attitude along a recording",
		Long: `Compute the attitude of the sensor along a recording, each row from that row and
those before it.

FILE, or - for standard input, is comma-separated with the columns t_s (s),
ax,ay,az (m/s2, +g on the axis that points up), gx,gy,gz (rad/s) and mx,my,mz
(uT); gzip accepted, other columns ignored, empty cells are missing readings. The
answer has one row per row: t_s, the unit quaternion qw,qx,qy,qz that turns sensor
vectors into east, magnetic north, up, and the 1-sigma errors heading_sigma_deg
(about the vertical; 180: not known) and inclination_sigma_deg (about each
horizontal direction). Rows before the first acceleration have empty cells.

The readings are taken as calibrated; the two error options say how well.`,
		Args: oneFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, f := range []struct {
				name string
				v    float64
			}{{"accel-error-ms2", o.accelErrorMS2}, {"field-error-uT", o.fieldErrorUT}} {
				if cmd.Flags().Changed(f.name) && !(f.v > 0 && f.v < 1000) {
					return usagef("--%s %g: give the 1-sigma error per axis, above 0", f.name, f.v)
				}
			}
			return orientFile(cmd.Context(), e, args[0], o)
		},
	}
	c.Flags().BoolVar(&o.json, "json", false, "print one JSON object per row")
	c.Flags().Float64Var(&o.accelErrorMS2, "accel-error-ms2", 0, "1-sigma error per axis that calibration left in the acceleration (default 0.02)")
	c.Flags().Float64Var(&o.fieldErrorUT, "field-error-uT", 0, "1-sigma error per axis that calibration left in the field (default 0.25)")
	return c
}

type orientOptions struct {
	json                        bool
	accelErrorMS2, fieldErrorUT float64 // 0: the filter's defaults
}

func orientFile(ctx context.Context, e env, path string, o orientOptions) error {
	in, name := e.stdin, "standard input"
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return fmt.Errorf("%w: give a readable recording or - for standard input", err)
		}
		defer f.Close()
		in, name = f, path
	}
	if err := orient(ctx, in, e.stdout, o, path == "-"); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// orient filters the recording in; eager writes each row at once, for a reader
// that waits at the other end.
func orient(ctx context.Context, in io.Reader, out io.Writer, o orientOptions, eager bool) error {
	r, err := recorded.NewReader(in)
	if err != nil {
		return err
	}
	if !r.HasInertial() {
		return errors.New("columns ax, ay, az are missing: without the specific force there is no attitude")
	}
	f := estimator.NewFilter(estimator.FilterOptions{
		NoGyro:      !r.HasGyro(),
		AccelOffset: o.accelErrorMS2,
		MagOffsetUT: o.fieldErrorUT,
	})
	w := bufio.NewWriterSize(out, 1<<16)
	if !o.json {
		if _, err := w.WriteString("t_s,qw,qx,qy,qz,heading_sigma_deg,inclination_sigma_deg\n"); err != nil {
			return err
		}
	}
	var line []byte
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			return w.Flush()
		}
		if err != nil {
			// What is right so far is shown.
			return errors.Join(err, w.Flush())
		}
		if row.HasInertial {
			f.Inertial(row.T, row.Inertial.Accel, row.Inertial.Gyro)
		}
		if row.HasMagnetic {
			f.Magnetic(row.T, row.Magnetic.FieldUT)
		}
		if o.json {
			line = appendAttitudeJSON(line[:0], &row, f)
		} else {
			line = appendAttitudeCSV(line[:0], &row, f)
		}
		if _, err := w.Write(line); err != nil {
			return err
		}
		if eager {
			if err := w.Flush(); err != nil {
				return err
			}
		}
	}
}

// attitudeDecimals is the number of decimals of quaternions: 1e-7 is 0.04″.
const attitudeDecimals = 7

func appendAttitudeCSV(b []byte, row *recorded.Row, f *estimator.Filter) []byte {
	b = strconv.AppendFloat(b, row.T.Seconds(), 'f', -1, 64)
	if !f.Started() {
		return append(b, ",,,,,,\n"...)
	}
	q := f.Attitude()
	for _, v := range [...]float64{q.Real, q.Imag, q.Jmag, q.Kmag} {
		b = strconv.AppendFloat(append(b, ','), v, 'f', attitudeDecimals, 64)
	}
	for _, s := range [...]float64{f.HeadingSigma(), f.InclinationSigma()} {
		b = strconv.AppendFloat(append(b, ','), s*180/math.Pi, 'f', 4, 64)
	}
	return append(b, '\n')
}

func appendAttitudeJSON(b []byte, row *recorded.Row, f *estimator.Filter) []byte {
	b = strconv.AppendFloat(append(b, `{"t_s":`...), row.T.Seconds(), 'f', -1, 64)
	number := func(key string, v float64, decimals int, known bool) {
		b = append(append(append(b, `,"`...), key...), `":`...)
		if !known {
			b = append(b, "null"...)
			return
		}
		b = strconv.AppendFloat(b, v, 'f', decimals, 64)
	}
	q, on := f.Attitude(), f.Started()
	number("qw", q.Real, attitudeDecimals, on)
	number("qx", q.Imag, attitudeDecimals, on)
	number("qy", q.Jmag, attitudeDecimals, on)
	number("qz", q.Kmag, attitudeDecimals, on)
	number("heading_sigma_deg", f.HeadingSigma()*180/math.Pi, 4, on && f.HeadingKnown())
	number("inclination_sigma_deg", f.InclinationSigma()*180/math.Pi, 4, on)
	b = strconv.AppendBool(append(b, `,"at_rest":`...), f.AtRest())
	b = strconv.AppendBool(append(b, `,"field_disturbed":`...), f.MagDisturbed())
	return append(b, "}\n"...)
}
