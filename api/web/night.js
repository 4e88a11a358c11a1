// The night: when to be there, and what happened.
import { strings, fill, number, clock, span } from "/words.js";
import { el, draw, put } from "/dom.js";
import { WatchSection } from "/watch.js";
import { NightsSection } from "/nights.js";

const HOUR = 3600000;
const AGAIN_MS = 60000;
const LEFT = 0;
const WIDTH = 320;
const ROW = 26;

export default class Night {
  #box;
  #board;
  #answer;
  #times;
  #asked = 0;
  #watch = null;
  #nights = null;
  #ahead = 0; // of the board's clock, ms: its night counts

  constructor(box, board) {
    this.#box = box;
    this.#board = board;
    this.#times = el("section", { class: "tonight" });
    this.#answer = el("p", { class: "answer", role: "status" });
    this.#box.append(el("h1", {}, strings.nightTitle), this.#answer, this.#times, el("section", { class: "watch", id: "watch-box" }), el("section", { id: "nights-box" }));
  }

  async open() {
    await this.#board.facts.refresh("site", "clock");
    this.#load();
    this.#others();
  }

  follow(g) {
    this.#ahead = g.time === null ? 0 : Date.parse(g.time) - Date.now();
    if (Date.now() - this.#asked > AGAIN_MS) this.#load();
    this.#watch?.follow();
    this.#nights?.follow();
  }

  lose() {
    this.#asked = 0;
  }

  async #load() {
    this.#asked = Date.now();
    if (!(await this.#board.exists("/api/v1/tonight"))) {
      put(this.#answer, strings.notOffered);
      return;
    }
    if (!this.#board.facts.skyKnown) {
      put(this.#answer, fill(strings.notNow, { why: strings.skyNeeds }));
      return;
    }
    const { data, why } = await this.#board.ask("GET", "/api/v1/tonight");
    put(this.#answer, data ? "" : fill(strings.notNow, { why }));
    this.#times.replaceChildren(...(data ? tonight(data, Date.now() + this.#ahead) : []));
  }

  /** #others shows the watch and the nights before. */
  async #others() {
    if (!this.#watch) {
      const box = this.#box.querySelector("#watch-box");
      this.#watch = new WatchSection(box, this.#board);
      // Armed, the watch comes first; before, the times of the night.
      this.#board.alarm.on((w) => {
        const before = w.armed ? this.#answer : this.#box.querySelector("#nights-box");
        if (box.nextElementSibling !== before) this.#box.insertBefore(box, before);
      });
    }
    this.#board.alarm.refresh();
    this.#nights ??= new NightsSection(this.#box.querySelector("#nights-box"), this.#board);
    this.#nights.open();
  }
}

/** moments is every time of the night with its words, in order. */
function moments(n) {
  const list = [];
  const add = (time, words, key) => time && list.push({ time: Date.parse(time), words, key });
  add(n.sunset, strings.sunset, "sunset");
  add(n.civil_dusk, strings.civilDusk, "civil_dusk");
  add(n.nautical_dusk, strings.nauticalDusk, "nautical_dusk");
  add(n.astronomical_dusk, strings.astronomicalDusk, "astronomical_dusk");
  add(n.astronomical_dawn, strings.astronomicalDawn, "astronomical_dawn");
  add(n.nautical_dawn, strings.nauticalDawn, "nautical_dawn");
  add(n.civil_dawn, strings.civilDawn, "civil_dawn");
  add(n.sunrise, strings.sunrise, "sunrise");
  const whole = Date.parse(n.whole.from);
  for (const s of n.pole_star?.in_finder ?? []) if (Date.parse(s.from) > whole) add(s.from, strings.starInFinder, "in_finder");
  for (const s of n.pole_star?.by_eye ?? []) if (Date.parse(s.from) > whole) add(s.from, strings.starByEye, "by_eye");
  for (const t of n.moon?.rises ?? []) add(t, strings.moonrise, "moonrise");
  for (const t of n.moon?.sets ?? []) add(t, strings.moonset, "moonset");
  return list.sort((a, b) => a.time - b.time);
}

function tonight(n, now) {
  const out = [];
  if (n.align) {
    const wait = (Date.parse(n.align.from) - now) / 1000;
    const left = (Date.parse(n.align.until) - now) / 1000;
    const when = wait > 0 ? fill(strings.alignIn, { time: span(wait) }) : left > 0 ? fill(strings.alignNow, { time: span(left) }) : strings.alignPast;
    out.push(el("p", { class: "best" }, el("span", {}, strings.alignTitle), el("b", {}, fill(strings.fromTo, { a: clock(n.align.from), b: clock(n.align.until) })), el("span", {}, when)));
  } else {
    out.push(el("p", { class: "best" }, strings.alignNone));
  }
  if (n.moon) out.push(el("p", {}, fill(n.moon.waxing ? strings.moonWaxing : strings.moonWaning, { lit: number(n.moon.lit_fraction * 100, 0) })));
  out.push(el("p", {}, n.dark.length ? fill(strings.darkFrom, { spans: n.dark.map((s) => fill(strings.fromTo, { a: clock(s.from), b: clock(s.until) })).join(", ") }) : strings.darkNone));
  out.push(bars(n, now));
  const list = el("ol", { class: "times" });
  let told = false;
  for (const m of moments(n)) {
    if (!told && m.time > now) {
      told = true;
      list.append(el("li", { class: "now" }, el("b", {}, clock(now)), el("span", {}, strings.now)));
    }
    list.append(el("li", { class: m.time < now ? "past" : null }, el("b", { "data-key": m.key, "data-utc": new Date(m.time).toISOString() }, clock(m.time)), el("span", {}, m.words)));
  }
  out.push(el("h2", {}, fill(strings.timesTitle, { zone: zone() })), list, el("p", { class: "note" }, strings.timesNote));
  return out;
}

function zone() {
  return Intl.DateTimeFormat(strings.lang, { timeZoneName: "short" }).formatToParts(new Date()).find((p) => p.type === "timeZoneName")?.value ?? "";
}

/** bars draws the night from an hour before sunset to an hour after sunrise. */
function bars(n, now) {
  const from = n.sunset ? Date.parse(n.sunset) - HOUR : Date.parse(n.whole.from);
  const until = n.sunrise ? Date.parse(n.sunrise) + HOUR : Date.parse(n.whole.until);
  const x = (t) => LEFT + ((Math.min(Math.max(Date.parse(t) || t, from), until) - from) / (until - from)) * WIDTH;
  const rows = [
    // The less Sun, the more of the row is left empty.
    [strings.barSun, (y) => sun(n, x, y, from, until)],
    [strings.barStar, (y) => spans(n.pole_star?.by_eye ?? [], x, y, "full")],
    [strings.barFinder, (y) => spans(n.pole_star?.in_finder ?? [], x, y, "full")],
    [strings.barAlign, (y) => spans(n.align ? [n.align] : [], x, y, "best")],
    [strings.barMoon, (y) => spans(n.moon?.up ?? [], x, y, "hollow")],
    [strings.barDark, (y) => spans(n.dark, x, y, "hollow")],
  ];
  const height = rows.length * (ROW + 12) + 16;
  const svg = draw("svg", { class: "bars", viewBox: `0 0 ${WIDTH} ${height}`, role: "img", "aria-label": strings.barsLabel });
  const start = new Date(from);
  start.setMinutes(0, 0, 0);
  const step = until - from > 15 * HOUR ? 3 : 2;
  for (let t = start.getTime() + HOUR; t < until; t += HOUR) {
    if (new Date(t).getHours() % step) continue;
    svg.append(draw("path", { class: "grid", d: `M${x(t).toFixed(1)} 0V${height - 14}` }), draw("text", { x: x(t).toFixed(1), y: height - 1, "text-anchor": "middle" }, String(new Date(t).getHours())));
  }
  rows.forEach(([words, shapes], i) => {
    const y = i * (ROW + 12);
    svg.append(draw("text", { class: "row-name", x: 0, y: y + 11 }, words), draw("path", { class: "grid", d: `M0 ${y + ROW + 9}H${WIDTH}` }), ...shapes(y + 14));
  });
  if (now > from && now < until) svg.append(draw("path", { class: "hand", d: `M${x(now).toFixed(1)} 0V${height - 14}` }));
  return svg;
}

const HEIGHT = ROW - 8;

function spans(list, x, y, name) {
  return list.map((s) => draw("rect", { class: name, x: x(s.from).toFixed(1), y, width: Math.max(x(s.until) - x(s.from), 2).toFixed(1), height: HEIGHT, "data-from": s.from, "data-until": s.until }));
}

/** sun draws steps: full by day, a quarter less for each twilight, none at night. */
function sun(n, x, y, from, until) {
  const first = n.sunset ? 4 : n.civil_dusk ? 3 : n.nautical_dusk ? 2 : n.astronomical_dusk ? 1 : [-0.833, -6, -12, -18].filter((d) => n.sun_highest_deg > d).length;
  const edges = [
    [from, first], [n.sunset, 3], [n.civil_dusk, 2], [n.nautical_dusk, 1], [n.astronomical_dusk, 0],
    [n.astronomical_dawn, 1], [n.nautical_dawn, 2], [n.civil_dawn, 3], [n.sunrise, 4],
  ].filter((e) => e[0]);
  return edges.map(([t, level], i) => {
    const [a, b] = [x(t), x(edges[i + 1]?.[0] ?? until)];
    const h = (HEIGHT * level) / 4;
    return draw("rect", { class: "full", x: a.toFixed(1), y: (y + HEIGHT - h).toFixed(1), width: Math.max(b - a, 0).toFixed(1), height: h.toFixed(1) });
  });
}
