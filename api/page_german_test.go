package api

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"
)

// The tests of this file run with -chromium PATH.

// openGerman opens a page in German.
func openGerman(t *testing.T, width, height int) *tab {
	page := openTab(t, width, height)
	page.atStart(`localStorage.setItem("lang", "de")`)
	return page
}

// germanOf asks the page for a sentence; "" when it has none.
func germanOf(page *tab, text, code string) string {
	return page.eval(`import("/told.js").then(async (m) => { await m.ready; return m.told(` + string(mustJSON(page.t, text)) + `, ` + string(mustJSON(page.t, code)) + `) ?? "" })`)
}

// TestPageKnowsTheBoardsGerman: each sentence of the source, filled in, is found
// again; and those that are joined of several parts.
func TestPageKnowsTheBoardsGerman(t *testing.T) {
	page := openGerman(t, 360, 740)
	b := start(t, nil)
	page.open(b.url)
	page.says("Höher")
	_, sentences := german(t)
	var filled []string
	for text := range sentences {
		filled = append(filled, strings.ReplaceAll(text, "{}", "3.5"))
	}
	list, err := json.Marshal(filled)
	if err != nil {
		t.Fatal(err)
	}
	if missing := page.eval(`import("/told.js").then(async (m) => { await m.ready; return ` + string(list) + `.filter((s) => m.told(s) === null).join("\n") })`); missing != "" {
		t.Errorf("not found again:\n%s", missing)
	}
	for _, x := range [][3]string{
		{"No direction: direction uncertain by 12°.", "azimuth-uncertain", "Keine Richtung: die Richtung ist um 12° ungewiss."},
		{"The altitude of the axis is not known: no sensor can be used.", "altitude-not-known", "Die Höhe der Achse ist unbekannt: kein Sensor ist brauchbar."},
		{"The magnetic field is not the Earth's alone: strength 61.2 µT where 48.9 is expected. Move steel, phone and power leads away.", "field-disturbed",
			"Das Magnetfeld ist nicht das der Erde allein: Stärke 61,2 µT, wo 48,9 zu erwarten sind. Stahl, Telefon und Stromkabel entfernen."},
		{"Two clocks disagree: the satellite receiver shows 02:10:00, the system clock 02:15:12. The time may be wrong by 5 min: check which is right.", "clock-disagrees",
			"Zwei Uhren widersprechen sich: Satellitenempfänger 02:10:00, Systemuhr 02:15:12. Die Uhrzeit kann um 5 min falsch sein: prüfen, welche stimmt."},
		{"accelerometer calibration refused: 2 rest poses in different directions, offset and 3x3 matrix need at least 9: let the board rest on each of its faces and some edges", "calibration-refused",
			"Beschleunigungsmesser: 2 verschiedene Ruhelagen, mindestens 9 sind nötig: die Platine auf jeder Seite und einigen Kanten ruhen lassen"},
		{"Taken. Lay the board down so that the edge between front and left side points up, and let go of it for two seconds (3 of at least 6 poses).", "",
			"Genommen. Die Platine so hinlegen, dass die Kante zwischen vorn und links nach oben zeigt, und zwei Sekunden loslassen (3 von mindestens 6 Lagen)."},
		{"Turn the board slowly through all directions, away from iron: bring the front down and toward the north, 67° below level (20 of at least 60 %).", "",
			"Die Platine langsam in alle Richtungen drehen, fern von Eisen: vorn nach unten und nach Norden bringen, 67° unter die Waagrechte (20 von mindestens 60 %)."},
		{"2 nights can be compared, 4 are needed; in 3 the temperature changed by less than 3 °C: keep watch on more nights that cool down", "",
			"2 Nächte lassen sich vergleichen, 4 sind nötig; in 3 änderte sich die Temperatur um weniger als 3 °C: in mehr Nächten wachen, die abkühlen"},
		{"The accelerometers ADXL355 at 0x1d and MPU-6050 at 0x68 differ by 0.82°, 7 times what their errors explain: one of them came loose or is no longer as calibrated. The height is less sure: press on both boards, or calibrate again.", "sensors-disagree",
			"Die Beschleunigungsmesser ADXL355 at 0x1d und MPU-6050 at 0x68 weichen um 0,82° voneinander ab, das 7-Fache dessen, was ihre Fehler erklären: Einer sitzt lose oder ist nicht mehr, wie er kalibriert wurde. Die Höhe ist weniger sicher: beide Platinen andrücken oder neu kalibrieren."},
		{"Polaris is not in view. Make the moves one after the other and look after each; the first finds it with 64 %, all 5 with 99 %. First: raise 2.0°, turn west 3.1°, look.", "",
			"Polaris ist nicht zu sehen. Einen Schritt nach dem anderen machen und nach jedem schauen; der erste findet ihn mit 64 %, alle 5 mit 99 %. Zuerst: 2,0° höher, 3,1° nach Westen, schauen."},
		{"The star 0.8° up and left of the centre is Polaris. It must move down by 0.42°: lower 0.31°, turn east 0.50°.", "",
			"Der Stern 0,8° links oben von der Mitte ist Polaris. Er muss um 0,42° nach unten: 0,31° tiefer, 0,50° nach Osten."},
		{"the kit has no lens named \"night lens\": name one of it, or add it to the kit", "lens", "beim Gerät gibt es kein Objektiv \"night lens\": eines von dort nennen oder es eintragen"},
		// Nothing but the code is known: its words stand for the sentence.
		{"Something that nobody has written down yet.", "stale", "Die letzte Messung ist zu alt."},
		{"Something that nobody has written down yet.", "night-log-full", "Das Protokoll der Nacht lässt sich nicht schreiben. Führung und Wache laufen weiter."},
		{"Something that nobody has written down yet.", "newer-than-this-page", ""},
		// No half of a sentence is put into German.
		{"No direction: a reason that nobody has written down yet.", "", ""},
	} {
		if got := germanOf(page, x[0], x[1]); got != x[2] {
			t.Errorf("%q (%s):\n got %q\nwant %q", x[0], x[1], got, x[2])
		}
	}
}

// TestPageGermanScenes: on the German page no warning stays English, and what the
// board says in a language that nobody translated is marked as English.
func TestPageGermanScenes(t *testing.T) {
	page := openGerman(t, 320, 568)
	for name, want := range map[string]string{
		"no-compass": "Keine Richtung:",
		"disturbed":  "Stärke 60,2 µT, wo 48,1 zu erwarten sind",
		"lost":       "Kein Sensor ist brauchbar",
		"no-clock":   "Die Uhrzeit ist unbekannt",
	} {
		b := start(t, nil)
		b.source.publish(scene(name, 2, 51.52, 358.81))
		page.open(b.url)
		page.says("Wie sicher ist das?")
		waitFor(t, "the warnings of "+name, func() bool { return page.eval(`document.querySelectorAll("#warnings li").length`) != "0" })
		page.says(want)
		for _, w := range strings.Split(page.eval(`[...document.querySelectorAll("#warnings li")].map((l) => l.querySelector('[lang="en"]') ? "en " + l.textContent : l.textContent).join("\n")`), "\n") {
			english := regexp.MustCompile(`\b(the|is|not|and)\b`).MatchString(w)
			if english != strings.HasPrefix(w, "en ") {
				t.Errorf("%s: %q", name, w)
			}
		}
		page.fits("german " + name)
	}
}
