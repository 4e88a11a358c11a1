package api

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"

	"github.com/danielgtaylor/huma/v2"
)

// Number is a JSON number that may be not known. The zero value is not known
// and is written as null, so that a forgotten assignment never shows as 0.
type Number struct {
	Value float64
	Known bool
}

// Known is the number v, rounded to 1e-4 (0.36″ when it is degrees), which is
// finer than any sensor here resolves. NaN and infinities are not known.
func Known(v float64) Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Number{}
	}
	r := math.Round(v*1e4) / 1e4
	if math.IsInf(r, 0) {
		r = v
	}
	return Number{Value: r + 0, Known: true} // + 0 turns -0 into 0
}

// knownSigma is Known for an uncertainty: what is above zero stays above zero,
// because a sigma of 0 would claim perfection.
func knownSigma(v float64) Number {
	n := Known(v)
	if n.Known && n.Value == 0 && v > 0 {
		n.Value = 1e-4
	}
	return n
}

// append adds the JSON form to b; JSON has no NaN and no infinity.
func (n Number) append(b []byte) []byte {
	if !n.Known || math.IsNaN(n.Value) || math.IsInf(n.Value, 0) {
		return append(b, "null"...)
	}
	format := byte('f')
	if a := math.Abs(n.Value); a >= 1e21 || (a > 0 && a < 1e-6) {
		format = 'e'
	}
	return strconv.AppendFloat(b, n.Value, format, -1, 64)
}

// MarshalJSON writes the number or null.
func (n Number) MarshalJSON() ([]byte, error) { return n.append(nil), nil }

// UnmarshalJSON reads a number or null.
func (n *Number) UnmarshalJSON(b []byte) error {
	if bytes.Equal(b, []byte("null")) {
		*n = Number{}
		return nil
	}
	var v float64
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	*n = Number{Value: v, Known: true}
	return nil
}

// Schema describes the type in the OpenAPI document.
func (Number) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeNumber, Nullable: true}
}
