// Every word of the page. A translation is one more file of this shape;
// {names} are filled in, and a missing entry shows as its key.
export default {
  lang: "en",
  decimal: ".",
  page: "plumbstar",

  // one moment's state, in a few words and what they mean for the hands
  state: {
    settling: "Hold still: getting surer",
    steady: "Steady: this is as sure as it gets",
    moving: "Moving: follow it, then let it rest",
    disturbed: "Magnetic disturbance: the compass is not trusted now",
    stale: "The last reading is too old",
    lost: "No sensor can be used",
    waiting: "Waiting for the board …",
    noLink: "No link",
  },

  raise: "Raise",
  lower: "Lower",
  turnEast: "Turn east",
  turnWest: "Turn west",
  altitudeDone: "Altitude is right",
  azimuthDone: "Direction is right",
  altitudeUnknown: "Altitude not known",
  azimuthUnknown: "Direction not known",
  amount: "{deg}°",
  doubt: "give or take {sigma}°",
  within: "within {sigma}°, as far as can be told",
  toRight: "to your right, facing the pole",
  toLeft: "to your left, facing the pole",
  spoken: "{a}; {b}",

  sureTitle: "How sure is this?",
  sureTotal: "{error}° from the pole, give or take {sigma}°",
  sureTotalUnknown: "How far from the pole: not known",
  sureAltitude: "Altitude ± {sigma}°, from the {source}.",
  sureAzimuth: "Direction ± {sigma}°, from the {source}.",
  sureMost: "Most of the doubt: {part} ({sigma}°).",
  sureNote: "± holds the truth two times out of three; twice as much, nearly always.",

  source: {
    accelerometer: "accelerometer",
    compass: "compass",
    gyroscope: "gyroscope, carried on",
    sighting: "sighting",
    stars: "stars",
  },
  part: {
    noise: "noise",
    calibration: "calibration",
    temperature: "temperature",
    mounting: "mounting",
    "declination model": "map of the Earth's field",
    "local deviation": "iron nearby",
    "field variation": "daily change of the field",
    reference: "reference",
  },

  warningsTitle: "Mind this",
  lensesTitle: "Good enough for",
  lens: "{lens}, {exposure}",
  seconds: "{n} s",
  minutes: "{n} min",
  verdict: { yes: "yes", probably: "probably", no: "no", "not known": "not known" },

  linkLost: "The link to the board is lost.",
  linkLostSince: "Nothing heard for {n} s. Old numbers are taken away. Trying again …",

  clockTitle: "The board does not know the time",
  clockText: "Without it, true north is not known. This phone says {time}.",
  clockSet: "Use this phone's clock",
  clockDone: "The board took this phone's time.",

  pairingTitle: "Pair this phone",
  pairingText: "Only paired devices may change anything. Run “plumbstar pair” on the board; it shows a code.",
  pairingLabel: "Code",
  pairingSend: "Pair",
  pairingDone: "This phone is paired.",
  pairingName: "phone page",
  pairingFirst: "Pair this phone first: see below.",

  knobsTitle: "Knobs of the simulated mount",
  knobAltitude: "Altitude",
  knobAzimuth: "Direction",
  knobDown: "lower",
  knobUp: "raise",
  knobEast: "east",
  knobWest: "west",

  failed: "That did not work: {why}",
  noAnswer: "the board does not answer",
};
