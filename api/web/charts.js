// Charts of a night, drawn by uPlot, which is fetched when the first is wanted.
import { strings, fill, number, clock } from "/words.js";
import { el } from "/dom.js";

const HEIGHT = 150;
// What is drawn: name, digits, columns (the value, and its 1 sigma where it has one).
const PLOTS = [
  ["altitude", 2, "altitude_deg", "altitude_sigma_deg"],
  ["azimuth", 1, "azimuth_deg", "azimuth_sigma_deg"],
  ["error", 2, "error_deg", "error_sigma_deg"],
  ["temp", 1, "temp_c"],
  ["shake", 0, "shake_arcsec"],
  ["strength", 1, "strength_uT"],
];

let library = null;

/** fetchLibrary loads uPlot and its sheet once. */
function fetchLibrary() {
  library ??= new Promise((done, failed) => {
    document.head.append(el("link", { rel: "stylesheet", href: "/uplot.css" }));
    const script = el("script", { src: "/uplot.js" });
    script.addEventListener("load", () => done(globalThis.uPlot));
    script.addEventListener("error", () => {
      library = null;
      failed(new Error(strings.noAnswer));
    });
    document.head.append(script);
  });
  return library;
}

export class Charts {
  box = el("div", { class: "charts" });
  #plots = [];
  #data = null;

  constructor() {
    addEventListener("resize", () => {
      for (const p of this.#plots) p.setSize({ width: this.#width(), height: HEIGHT });
    });
    // The colours are those of the theme at the time of drawing.
    new MutationObserver(() => this.#data && this.show(this.#data)).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme"] });
  }

  clear() {
    for (const p of this.#plots) p.destroy();
    this.#plots = [];
    this.#data = null;
    this.box.replaceChildren();
  }

  #width() {
    return Math.max(this.box.clientWidth, 260);
  }

  /** show draws a chart of the API. */
  async show(chart) {
    const U = await fetchLibrary();
    this.clear();
    this.#data = chart;
    const begin = Date.parse(chart.begin) / 1000 || 0;
    const t = chart.t_s.map((s) => begin + s);
    const events = chart.events.filter((e) => e.t_s !== null);
    for (const [name, digits, column, sigma] of PLOTS) {
      const values = chart[column];
      if (!values.some((v) => v !== null)) continue;
      const figure = el("figure", {}, el("figcaption", {}, strings.chart[name]));
      const told = el("p", { class: "note", "aria-hidden": "true" });
      const where = el("div", { role: "img", "aria-label": label(name, digits, values) });
      figure.append(where, told);
      this.box.append(figure);
      this.#plots.push(this.#plot(U, where, told, begin, t, unrolled(name, values), sigma ? chart[sigma] : null, digits, events));
    }
  }

  #plot(U, where, told, begin, t, values, sigma, digits, events) {
    const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
    const [line, faint, grid] = [colour("--text"), colour("--key-down"), colour("--faint")];
    const edge = (sign) => (sigma ? values.map((v, i) => (v === null || sigma[i] === null ? null : v + sign * sigma[i])) : null);
    const data = sigma ? [t, edge(1), edge(-1), values] : [t, values];
    const font = "13px system-ui, sans-serif";
    const none = { points: { show: false }, width: 0 };
    const main = { stroke: line, width: 2, points: { show: false } };
    const axis = { stroke: line, font, grid: { stroke: grid, width: 1 }, ticks: { stroke: grid, width: 1 } };
    return new U(
      {
        width: this.#width(),
        height: HEIGHT,
        legend: { show: false },
        cursor: { x: true, y: false, points: { show: false }, drag: { setScale: false, x: false, y: false } },
        scales: { x: { time: true }, y: { range: (_, low, high) => wide(low, high, digits) } },
        axes: [
          { ...axis, space: 60, values: (_, ticks) => ticks.map((s) => (begin ? clock(s * 1000) : number((s - begin) / 3600, 1))) },
          { ...axis, size: 58, values: (_, ticks) => ticks.map((v) => number(v, places(ticks, digits))) },
        ],
        series: sigma ? [{}, none, none, main] : [{}, main],
        bands: sigma ? [{ series: [1, 2], fill: faint }] : [],
        hooks: {
          draw: [(u) => marks(u, begin, events, line)],
          setCursor: [(u) => {
            const i = u.cursor.idx;
            const v = i == null ? null : values[i];
            told.textContent = v === null || v === undefined ? "" : fill(sigma && sigma[i] !== null ? strings.chartAtSigma : strings.chartAt, { time: begin ? clock(t[i] * 1000) : number((t[i] - begin) / 3600, 2) + " h", value: number(v, digits), sigma: sigma?.[i] == null ? "" : number(sigma[i], digits) });
          }],
        },
      },
      data,
      where,
    );
  }
}

/** unrolled makes an azimuth go on past north, so that it draws no cliffs. */
function unrolled(name, values) {
  if (name !== "azimuth") return values;
  let last = null;
  return values.map((v) => {
    if (v === null) return null;
    let x = last === null && v > 180 ? v - 360 : v;
    if (last !== null) x += 360 * Math.round((last - x) / 360);
    last = x;
    return x;
  });
}

/** wide is a range that does not blow noise up to the whole height. */
function wide(low, high, digits) {
  if (low === null || high === null) return [0, 1];
  const least = 10 ** -digits * 10;
  const extra = Math.max((high - low) * 0.08, (least - (high - low)) / 2, 0);
  return [low - extra, high + extra];
}

/** places is how many digits the steps of an axis need. */
function places(ticks, digits) {
  if (ticks.length < 2) return digits;
  return Math.min(Math.max(0, -Math.floor(Math.log10(Math.abs(ticks[1] - ticks[0])) + 1e-9)), 4);
}

/** marks draws a dashed line for each event, over the whole height. */
function marks(u, begin, events, colour) {
  const c = u.ctx;
  c.save();
  c.strokeStyle = colour;
  c.lineWidth = devicePixelRatio;
  c.setLineDash([4 * devicePixelRatio, 4 * devicePixelRatio]);
  for (const e of events) {
    if (!SHOWN.has(e.kind)) continue;
    const x = Math.round(u.valToPos(begin + e.t_s, "x", true));
    c.beginPath();
    c.moveTo(x, u.bbox.top);
    c.lineTo(x, u.bbox.top + u.bbox.height);
    c.stroke();
  }
  c.restore();
}

const SHOWN = new Set(["knock", "slip", "creep", "nudge", "roll", "head-stopped", "field-change", "gap", "sensor-lost", "watch-armed", "watch-disarmed", "clock-step"]);

/** label says in words what a drawing shows. */
function label(name, digits, values) {
  const known = values.filter((v) => v !== null);
  const [a, b] = [Math.min(...known), Math.max(...known)];
  return fill(strings.chartLabel, { what: strings.chart[name], a: number(a, digits), b: number(b, digits) });
}
