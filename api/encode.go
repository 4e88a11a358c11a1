package api

// MarshalJSON is AppendJSON for encoding/json.
func (g Guidance) MarshalJSON() ([]byte, error) { return g.AppendJSON(make([]byte, 0, 1024)), nil }

// AppendJSON adds the object, without a line end, to b. It is written out by
// hand because each event of the stream passes through here, and reflection
// costs several times as much; a test holds it to the tags of the types.
func (g *Guidance) AppendJSON(b []byte) []byte {
	b = append(b, '{')
	if g.T.Known {
		b = append(g.T.append(append(b, `"t_s":`...)), ',')
	}
	b = g.Time.append(append(b, `"time":`...))
	b = appendString(append(b, `,"state":`...), g.State)
	b = g.Hemisphere.append(append(b, `,"hemisphere":`...))
	b = g.Axis.append(append(b, `,"axis":`...))
	b = g.Aim.Altitude.append(append(b, `,"aim":{"altitude_deg":`...))
	b = g.Aim.Azimuth.append(append(b, `,"azimuth_deg":`...))
	b = g.Aim.Kind.append(append(b, `,"kind":`...))
	b = g.Move.Raise.append(append(b, `},"move":{"raise_deg":`...))
	b = g.Move.TurnEast.append(append(b, `,"turn_east_deg":`...))
	b = appendString(append(b, `,"text":`...), g.Move.Text)
	b = g.Error.append(append(b, `},"error_deg":`...))
	b = g.ErrorSigma.append(append(b, `,"error_sigma_deg":`...))
	b = append(b, `,"budget":[`...)
	for i := range g.Budget {
		b = g.Budget[i].append(separate(b, i))
	}
	b = g.Reliance.Altitude.append(append(b, `],"reliance":{"altitude":`...))
	b = g.Reliance.Azimuth.append(append(b, `,"azimuth":`...))
	b = append(b, `},"good_for":[`...)
	for i := range g.GoodFor {
		f := &g.GoodFor[i]
		b = appendString(append(separate(b, i), `{"lens":`...), f.Lens)
		b = Number{Value: f.Exposure, Known: true}.append(append(b, `,"exposure_s":`...))
		b = append(appendString(append(b, `,"verdict":`...), f.Verdict), '}')
	}
	b = append(b, `],"warnings":[`...)
	for i := range g.Warnings {
		w := &g.Warnings[i]
		b = appendString(append(separate(b, i), `{"code":`...), w.Code)
		b = append(appendString(append(b, `,"text":`...), w.Text), '}')
	}
	return append(b, `]}`...)
}

func (x *Axis) append(b []byte) []byte {
	b = x.Altitude.append(append(b, `{"altitude_deg":`...))
	b = x.AltitudeSigma.append(append(b, `,"altitude_sigma_deg":`...))
	b = x.Azimuth.append(append(b, `,"azimuth_deg":`...))
	b = x.AzimuthSigma.append(append(b, `,"azimuth_sigma_deg":`...))
	b = x.Roll.append(append(b, `,"roll_deg":`...))
	return append(b, '}')
}

func (p *Part) append(b []byte) []byte {
	b = appendString(append(b, `{"part":`...), p.Part)
	if p.Altitude.Known {
		b = p.Altitude.append(append(b, `,"altitude_deg":`...))
	}
	if p.Azimuth.Known {
		b = p.Azimuth.append(append(b, `,"azimuth_deg":`...))
	}
	if p.Roll.Known {
		b = p.Roll.append(append(b, `,"roll_deg":`...))
	}
	return append(b, '}')
}

func separate(b []byte, i int) []byte {
	if i > 0 {
		return append(b, ',')
	}
	return b
}
