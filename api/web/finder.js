// The field of the finder as the eye sees it there. Every place in it comes from
// the board, which knows how the finder turns the night sky; here it is only drawn.
import { strings, fill, number } from "/words.js";
import { draw } from "/dom.js";

const RADIUS = 100; // of the field, in the drawing's units
const EDGE = 126; // with the scale around it

/** place turns degrees right and up of the centre into the drawing. */
export function place(finder, xDeg, yDeg) {
  const k = RADIUS / (finder.field_deg / 2);
  return { x: xDeg * k, y: -yDeg * k };
}

/** unplace is the other way round. */
export function unplace(finder, x, y) {
  const k = finder.field_deg / 2 / RADIUS;
  return { xDeg: x * k, yDeg: -y * k };
}

/** starRadius makes bright stars large, as the eye takes them. */
function starRadius(mag, limit) {
  return Math.min(Math.max(1.3 + 0.75 * (limit - mag), 1.3), 6);
}

/** drawFinder fills an SVG with what polestar answers. */
export function drawFinder(svg, p) {
  const f = p.finder;
  svg.setAttribute("viewBox", `${-EDGE} ${-EDGE} ${2 * EDGE} ${2 * EDGE}`);
  const at = (m) => place(f, m.x_deg, m.y_deg);
  const parts = [draw("circle", { class: "rim", r: RADIUS })];
  const aYear = (i) => ((135 - 28 * i) * Math.PI) / 180; // names stand apart though the circles hardly do
  for (const [i, c] of f.circles.entries()) {
    const r = ((c.radius_arcmin / 60) * RADIUS) / (f.field_deg / 2);
    if (r > RADIUS) continue;
    parts.push(draw("circle", { class: "circle", r: r.toFixed(2), "data-year": c.year }));
    parts.push(text((r + 4) * Math.sin(aYear(i)), -(r + 4) * Math.cos(aYear(i)) + 4, String(Math.round(c.year)), "year", "start"));
  }
  parts.push(...scale(f));
  for (const s of [...p.field].reverse()) {
    if (s.id === p.star.id) continue;
    const { x, y } = at(s);
    parts.push(draw("circle", { class: "star", cx: x.toFixed(2), cy: y.toFixed(2), r: starRadius(s.v_mag, f.limit_mag).toFixed(1), "data-id": s.id }));
  }
  parts.push(draw("path", { class: "pole", d: "M-8 0H8M0-8V8" }));
  const way = (p.later ?? []).map(at);
  if (way.length > 1) {
    parts.push(draw("polyline", { class: "later", points: way.map(({ x, y }) => x.toFixed(2) + "," + y.toFixed(2)).join(" ") }));
    const end = way.at(-1);
    parts.push(draw("circle", { class: "later-end", cx: end.x.toFixed(2), cy: end.y.toFixed(2), r: 2 }));
  }
  const m = at(p.mark);
  if (p.mark.in_field) {
    parts.push(
      draw("path", { class: "pointer", d: `M0 0L${m.x.toFixed(2)} ${m.y.toFixed(2)}` }),
      draw("circle", { class: "target", cx: m.x.toFixed(2), cy: m.y.toFixed(2), r: 10, "data-id": p.star.id }),
      draw("circle", { class: "star", cx: m.x.toFixed(2), cy: m.y.toFixed(2), r: starRadius(p.star.v_mag, f.limit_mag).toFixed(1) }),
    );
  } else {
    // The way out of the field that leads to the star.
    const out = Math.hypot(m.x, m.y);
    const [ux, uy] = [m.x / out, m.y / out];
    const tip = `${(ux * 98).toFixed(2)} ${(uy * 98).toFixed(2)}`;
    parts.push(draw("path", { class: "pointer out", d: `M${(ux * 70).toFixed(2)} ${(uy * 70).toFixed(2)}L${tip}M${(ux * 88 - uy * 7).toFixed(2)} ${(uy * 88 + ux * 7).toFixed(2)}L${tip}L${(ux * 88 + uy * 7).toFixed(2)} ${(uy * 88 - ux * 7).toFixed(2)}` }));
  }
  svg.replaceChildren(...parts);
}

/** scale draws the ticks and numbers of the finder's own pattern. */
function scale(f) {
  const n = f.scale_hours || 12;
  const sense = f.counterclockwise ? -1 : 1;
  const zero = f.scale_hours ? f.rotation_deg : 0;
  const parts = [];
  let ticks = "";
  for (let i = 0; i < n; i++) {
    const a = ((zero + (sense * i * 360) / n) * Math.PI) / 180;
    const [s, c] = [Math.sin(a), -Math.cos(a)];
    const long = i % (n / 4) === 0;
    ticks += `M${(s * RADIUS).toFixed(2)} ${(c * RADIUS).toFixed(2)}L${(s * (RADIUS + (long ? 8 : 4))).toFixed(2)} ${(c * (RADIUS + (long ? 8 : 4))).toFixed(2)}`;
    const every = n === 24 ? 3 : 1;
    if (f.scale_hours && i % every === 0) {
      const hour = i === 0 ? (n === 12 ? 12 : 0) : i;
      parts.push(text(s * (RADIUS + 17), c * (RADIUS + 17) + 4.500, String(hour), "hour"));
    }
  }
  parts.push(draw("path", { class: "ticks", d: ticks }));
  return parts;
}

function text(x, y, words, name, anchor = "middle") {
  return draw("text", { class: name, x: x.toFixed(2), y: y.toFixed(2), "text-anchor": anchor }, words);
}

/** hourWords writes a place on a clock face, where there is no hour 0. */
export function hourWords(hour) {
  return fill(strings.starHour, { hour: number(hour < 1 ? hour + 12 : hour, 1) });
}

/** placeWords says where the star belongs besides the hour. */
export function placeWords(m) {
  return fill(strings.starPlace, { angle: number(Math.round(m.angle_deg) % 360, 0), arcmin: number(m.offset_arcmin, 1) });
}
