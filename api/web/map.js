// A small map of the night sky around the aim, as one faces the pole: where the axis
// points, how sure that is, where it came from, and what the exposure allows.
import { strings, fill, number, size } from "/words.js";
import { draw, put } from "/dom.js";

const RADIUS = 86; // of the outer circle, in the drawing's units
const SCALES = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200]; // degrees at the outer circle
// A two-dimensional normal distribution has nine tenths inside this many sigmas:
// sqrt(-2 ln 0.1).
const NINE_TENTHS = Math.sqrt(-2 * Math.log(0.1));
const PATH_MS = 60000;
const PATH_STEP_MS = 500;
const RAD = Math.PI / 180;

/** offset is where the axis stands on the map, degrees right and up of the aim. */
export function offset(g) {
  const { raise_deg: raise, turn_east_deg: east } = g.move;
  const sigmaUp = g.axis.altitude_sigma_deg;
  const sigmaEast = g.axis.azimuth_sigma_deg;
  if ([raise, east, sigmaUp, sigmaEast, g.aim.altitude_deg].includes(null)) return null;
  // A degree of azimuth is shorter on the night sky than one of altitude.
  const onSky = Math.cos(g.aim.altitude_deg * RAD);
  const side = g.hemisphere === "south" ? -1 : 1; // facing south, east is on the left
  return { x: -side * east * onSky, y: -raise, sx: sigmaEast * onSky, sy: sigmaUp };
}

export class ErrorMap {
  #svg;
  #key;
  #parts = {};
  #scale = null;
  #ring = null;
  #path = [];
  #last = "";
  #written = "";
  #hemisphere = null;

  constructor(svg, key) {
    this.#svg = svg;
    this.#key = key;
    const text = (x, y, anchor = "middle") => draw("text", { x, y, "text-anchor": anchor });
    const p = (this.#parts = {
      outer: draw("circle", { class: "grid", r: RADIUS }),
      inner: draw("circle", { class: "grid", r: RADIUS / 2 }),
      aim: draw("path", { class: "aim", d: "M-11 0H-4M4 0H11M0-11V-4M0 4V11" }),
      ring: draw("circle", { class: "ring" }),
      path: draw("polyline", { class: "path" }),
      ellipse: draw("ellipse", { class: "doubt" }),
      axis: draw("path", { class: "axis", d: "M0-6 6 0 0 6-6 0Z" }),
      up: text(0, -RADIUS - 4),
      left: text(-97, 4, "start"),
      right: text(97, 4, "end"),
      scale: text(RADIUS * 0.71 + 3, RADIUS * 0.71 + 9, "start"),
      half: text(RADIUS * 0.36 + 1, RADIUS * 0.36 + 8, "start"),
    });
    svg.append(...Object.values(p));
    put(p.up, strings.mapUp);
  }

  allow(ring) {
    this.#ring = ring;
    this.#last = "";
  }

  describe(text) {
    this.#svg.setAttribute("aria-label", fill(strings.mapLabel, { text }));
  }

  blank() {
    this.#path = [];
    this.#svg.parentElement.hidden = true;
  }

  show(g) {
    const o = offset(g);
    this.#svg.parentElement.hidden = o === null;
    if (o === null) return;
    const now = performance.now();
    if (this.#path.length === 0 || now - this.#path.at(-1).at >= PATH_STEP_MS) this.#path.push({ ...o, at: now });
    while (now - this.#path[0].at > PATH_MS) this.#path.shift();
    this.#fit(o);
    const k = RADIUS / this.#scale;
    const at = (v) => (v * k).toFixed(1);
    const key = [at(o.x), at(o.y), at(o.sx), at(o.sy), this.#scale, this.#path.length, this.#path[0].at, this.#ring?.deg, g.hemisphere].join();
    if (key === this.#last) return; // nothing that the eye could see
    this.#last = key;
    const p = this.#parts;
    p.axis.setAttribute("transform", `translate(${at(o.x)} ${at(-o.y)})`);
    for (const [name, v] of [["cx", at(o.x)], ["cy", at(-o.y)], ["rx", at(NINE_TENTHS * o.sx)], ["ry", at(NINE_TENTHS * o.sy)]]) p.ellipse.setAttribute(name, v);
    // The path grows twice a second: it need not be written ten times.
    const path = [this.#path.length, this.#path.at(-1).at, this.#scale].join();
    if (path !== this.#written) {
      this.#written = path;
      p.path.setAttribute("points", this.#path.map((q) => at(q.x) + "," + at(-q.y)).join(" "));
    }
    const far = this.#ring && this.#ring.deg > this.#scale * 1.14;
    p.ring.setAttribute("r", this.#ring && !far ? at(this.#ring.deg) : 0);
    if (g.hemisphere !== this.#hemisphere) {
      this.#hemisphere = g.hemisphere;
      const south = g.hemisphere === "south";
      put(p.left, south ? strings.mapEast : strings.mapWest);
      put(p.right, south ? strings.mapWest : strings.mapEast);
    }
    put(p.scale, fill(strings.amount, { deg: scaleWords(this.#scale) }));
    put(p.half, fill(strings.amount, { deg: scaleWords(this.#scale / 2) }));
    const lines = [strings.mapKey];
    if (this.#ring) lines.push(fill(far ? strings.mapRingFar : strings.mapRing, { what: this.#ring.what, deg: size(this.#ring.deg) }));
    put(this.#key, lines.join(" "));
  }

  /** #fit chooses the scale; it shrinks late, so that the map does not jump. */
  #fit(o) {
    const reach = Math.max(Math.abs(o.x) + NINE_TENTHS * o.sx, Math.abs(o.y) + NINE_TENTHS * o.sy);
    const need = Math.max(reach, Math.min(this.#ring?.deg ?? 0, 2 * reach));
    const fits = (slack) => SCALES.find((s) => need <= s * slack) ?? SCALES.at(-1);
    if (this.#scale === null || need > this.#scale * 1.1) this.#scale = fits(1);
    else if (fits(0.75) < this.#scale) this.#scale = fits(0.75);
  }
}

function scaleWords(deg) {
  return number(deg, deg >= 1 && Number.isInteger(deg) ? 0 : deg >= 0.1 && Number.isInteger(Math.round(deg * 1000) / 100) ? 1 : deg >= 1 ? 1 : 3).replace(/([.,]\d*?)0+$/, "$1");
}
