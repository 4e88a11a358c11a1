// What happened, in the words of this page: events of the board have a kind and
// numbers. What has no words here keeps the board's own.
import { strings, fill, number, exposure, atMost, span } from "/words.js";
import { el } from "/dom.js";
import { teller } from "/told.js";

/** angle writes a small angle with as many digits as it deserves. */
export function angle(deg) {
  const a = Math.abs(deg);
  return number(a, a < 0.1 ? 3 : a < 1 ? 2 : 1) + "°";
}

/** moved says how far something went and where to. */
export function moved(n) {
  if (n.size_deg == null) return "";
  const parts = [];
  if (n.up_deg != null && Math.abs(n.up_deg) > (n.up_sigma_deg ?? 0)) parts.push(fill(n.up_deg > 0 ? strings.movedUp : strings.movedDown, { deg: angle(n.up_deg) }));
  if (n.east_deg != null && Math.abs(n.east_deg) > (n.east_sigma_deg ?? 0)) parts.push(fill(n.east_deg > 0 ? strings.movedEast : strings.movedWest, { deg: angle(n.east_deg) }));
  const size = fill(strings.movedBy, { deg: angle(n.size_deg), sigma: angle(n.size_sigma_deg ?? 0) });
  return parts.length ? fill(strings.movedWhere, { size, where: parts.join(", ") }) : size;
}

/** cost says what an alignment error does to the exposure being taken. */
export function cost(n) {
  const lines = [];
  if (n.error_deg != null) lines.push(fill(strings.errorNow, { deg: angle(n.error_deg), sigma: angle(n.error_sigma_deg ?? 0) }));
  if (n.exposure_s != null && n.longest_exposure_s != null) {
    const longest = atMost(n.longest_exposure_s);
    lines.push(fill(n.longest_exposure_s < n.exposure_s ? strings.holdsNoMore : strings.holdsStill, { exposure: exposure(n.exposure_s), longest }));
  }
  return lines.join(" ");
}

/** sentences is the event as text: what, and what follows. */
export function sentences(e) {
  const template = strings.happened[e.kind];
  if (!template) return null;
  const n = e.numbers;
  const text = fill(template, {
    moved: moved(n),
    shake: n.shake_arcsec == null ? "" : number(n.shake_arcsec, 0) + "″",
    field: n.field_change_uT == null ? "" : number(n.field_change_uT, 1) + " µT",
    roll: n.roll_deg == null ? "" : angle(n.roll_deg),
    sensor: sensor(e),
    step: n.step_s == null ? "" : span(n.step_s),
  });
  return [text, cost(n)].filter(Boolean).join(" ");
}

/** sensor is the name of the one that an event is about: the board begins with it. */
function sensor(e) {
  return strings.sensor[/: (\w+):/.exec(e.text)?.[1]] ?? strings.aSensor;
}

// What the board says of these is for who repairs it; health shows it.
const SHORT = ["sensor-lost", "sensor-found"];

/** telling is an element with the event's words; the board's English is marked so. */
export function telling(e) {
  const own = strings.lang === "en" && !SHORT.includes(e.kind) ? null : sentences(e);
  return own ? el("span", {}, own) : teller(e.text);
}

/** alarming is telling with what happened before what follows from it. */
export function alarming(e) {
  const said = telling(e);
  const [what, ...rest] = said.textContent.split(/(?<=[^.\d]\.) /);
  if (rest.length) said.replaceChildren(what + " ", el("small", {}, rest.join(" ")));
  return said;
}
