// The pole star in the finder: where it belongs, which one it is, and "I see it
// here".
import { strings, fill, number, degrees, clock } from "/words.js";
import { el, draw, put } from "/dom.js";
import { teller } from "/told.js";
import { drawFinder, hourWords, placeWords, place, unplace } from "/finder.js";

const PATH = "/api/v1/polestar";
const AGAIN_MS = 10000;

export default class Star {
  #box;
  #board;
  #svg = draw("svg", { class: "finder", role: "img" });
  #parts = {};
  #newest = null;
  #asked = 0;
  #spot = null; // where the person sees the star, degrees right and up

  constructor(box, board) {
    this.#box = box;
    this.#board = board;
    const p = this.#parts;
    p.answer = el("p", { class: "answer", role: "status" });
    p.hour = el("p", { class: "hour-words" });
    p.words = el("p", {});
    p.more = el("div", {});
    p.controls = el("div", { class: "see" });
    p.search = el("div", {});
    this.#box.append(
      el("h1", {}, strings.starTitle),
      p.answer,
      el("div", { class: "star-two", hidden: true }, el("div", { class: "star-picture" }, this.#svg), el("div", { class: "star-words" }, p.hour, p.words, p.controls, p.more)),
      p.search,
    );
    this.#svg.addEventListener("click", (e) => this.#tap(e));
    this.#controls();
  }

  async open() {
    await this.#board.facts.refresh("site", "clock", "kit");
    this.#load();
  }

  follow(g) {
    if (Date.now() - this.#asked > AGAIN_MS) this.#load();
    const far = this.#newest && g.error_deg > this.#newest.finder.field_deg / 2;
    put(this.#parts.far, far ? fill(strings.starFar, { deg: degrees(g.error_deg, g.error_sigma_deg) }) : "");
    put(this.#parts.now, g.error_deg === null ? strings.sureTotalUnknown : fill(strings.starNow, { text: this.#board.words }));
  }

  lose() {
    this.#asked = 0;
  }

  async #load() {
    this.#asked = Date.now();
    const offered = await this.#board.exists(PATH);
    const { data, why } = !offered ? {} : this.#board.facts.skyKnown ? await this.#board.ask("GET", PATH) : { why: strings.skyNeeds };
    put(this.#parts.answer, data ? "" : offered ? fill(strings.notNow, { why }) : strings.notOffered);
    this.#box.querySelector(".star-two").hidden = !data;
    if (!data) return;
    this.#newest = data;
    drawFinder(this.#svg, data);
    this.#svg.setAttribute("aria-label", fill(strings.finderLabel, { star: data.star.name || data.star.id, place: hourWords(data.mark.clock_hour) }));
    put(this.#parts.hour, hourWords(data.mark.clock_hour));
    put(this.#parts.words, placeWords(data.mark));
    this.#more(data);
    this.#showSpot();
  }

  #more(p) {
    const m = p.mark;
    const lines = [];
    if (!m.in_field) lines.push(strings.starOutside);
    const others = p.field.filter((s) => s.id !== p.star.id);
    const brighter = others.filter((s) => s.v_mag < p.star.v_mag).length;
    lines.push(fill(brighter ? strings.starNotBrightest : strings.starBrightest, { name: p.star.name || p.star.id, mag: number(p.star.v_mag, 1), n: brighter }));
    if (m.scale_hour !== null) lines.push(fill(strings.starScale, { hour: number(m.scale_hour, 2) }));
    if (p.circles) lines.push(circles(p.circles));
    const last = p.later?.at(-1);
    if (last) lines.push(fill(strings.starLater, { time: clock(last.time), hour: hourWords(last.clock_hour) }));
    if (others.length) lines.push(fill(strings.starOthers, { n: others.length, mag: number(Math.min(...others.map((s) => s.v_mag)), 1) }));
    this.#parts.more.replaceChildren(
      ...lines.map((t) => el("p", {}, t)),
      el("h2", {}, strings.starKnobs),
      el("ul", {}, knob(strings.raise, p.knobs.raise), knob(strings.turnEast, p.knobs.turn_east)),
      el("p", { class: "note" }, fill(strings.starView, { view: strings.view[p.finder.view], field: number(p.finder.field_deg, 1) }), " ", el("a", { href: "#kit/finder" }, strings.starChange)),
    );
  }

  /** #controls are the ways to tell where the star is. */
  #controls() {
    const p = this.#parts;
    p.now = el("p", {});
    p.far = el("p", { class: "far" });
    const button = (words, click) => el("button", { type: "button", click }, words);
    p.send = button(strings.seeSend, () => this.#send({ how: "in-finder", x_deg: this.#spot.xDeg, y_deg: this.#spot.yDeg }));
    const nudge = (words, label, dx, dy) => el("button", { type: "button", "aria-label": label, click: () => this.#nudge(dx, dy) }, words);
    p.spot = el(
      "div",
      { class: "spot", hidden: true },
      el("p", { class: "spot-place" }),
      el("div", { class: "row" }, nudge("←", strings.seeLeft, -1, 0), nudge("↑", strings.seeUp, 0, 1), nudge("↓", strings.seeDown, 0, -1), nudge("→", strings.seeRight, 1, 0)),
      el("div", { class: "row" }, p.send, button(strings.cancel, () => this.#see(null))),
      button(strings.seeWhich, () => this.#ask(this.#spot.xDeg.toFixed(3) + "," + this.#spot.yDeg.toFixed(3))),
    );
    p.ways = el(
      "div",
      { class: "ways" },
      button(strings.seeHere, () => this.#see({ xDeg: 0, yDeg: 0 })),
      button(strings.seePlaced, () => this.#send({ how: "at-mark" })),
      button(strings.seeNone, () => this.#ask("")),
    );
    p.told = el("div", { class: "answer", role: "status" });
    p.controls.append(p.now, p.far, p.ways, p.spot, p.told);
  }

  /** #ask has the board say what to do, given what shows in the finder. */
  async #ask(spots) {
    const told = this.#parts.told;
    const { data, why } = await this.#board.ask("GET", "/api/v1/last-step" + (spots ? "?spots=" + encodeURIComponent(spots) : ""));
    if (!data) {
      put(told, fill(strings.notNow, { why }));
      return;
    }
    told.replaceChildren(teller(data.text), ...(data.search.length ? [el("ol", { class: "search" }, ...data.search.slice(0, 12).map((s, i) => el("li", {}, el("b", {}, String(i + 1)), teller(s.text))))] : []));
  }

  #see(spot) {
    this.#spot = spot;
    this.#parts.spot.hidden = spot === null;
    this.#parts.ways.hidden = spot !== null;
    this.#showSpot();
  }

  #nudge(dx, dy) {
    const step = this.#newest.finder.field_deg / 60;
    this.#see({ xDeg: this.#spot.xDeg + dx * step, yDeg: this.#spot.yDeg + dy * step });
  }

  #tap(e) {
    if (!this.#newest) return;
    const m = this.#svg.getScreenCTM().inverse();
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(m);
    const spot = unplace(this.#newest.finder, p.x, p.y);
    if (Math.hypot(spot.xDeg, spot.yDeg) <= this.#newest.finder.field_deg / 2) this.#see(spot);
  }

  #showSpot() {
    this.#svg.querySelector(".spot-mark")?.remove();
    if (!this.#spot || !this.#newest) return;
    const { x, y } = place(this.#newest.finder, this.#spot.xDeg, this.#spot.yDeg);
    this.#svg.append(draw("path", { class: "spot-mark", d: "M-16-16-7-7M16-16 7-7M-16 16-7 7M16 16 7 7", transform: `translate(${x.toFixed(2)} ${y.toFixed(2)})` }));
    const side = (v, plus, minus) => (v >= 0 ? plus : minus);
    put(
      this.#parts.spot.querySelector(".spot-place"),
      fill(strings.seePlace, {
        x: number(Math.abs(this.#spot.xDeg), 2), right: side(this.#spot.xDeg, strings.seeRight, strings.seeLeft),
        y: number(Math.abs(this.#spot.yDeg), 2), up: side(this.#spot.yDeg, strings.seeUp, strings.seeDown),
      }),
    );
  }

  async #send(how, sure) {
    const told = this.#parts.told;
    const body = { kind: "pole-star", ...how, ...(sure ? { sure: true } : {}) };
    const { why, code } = await this.#board.ask("POST", "/api/v1/sightings", body);
    told.replaceChildren(why ? fill(strings.failed, { why }) : strings.seeTaken);
    if (why && code === "contradiction") told.append(" ", el("button", { type: "button", click: () => this.#send(how, true) }, strings.sure));
    if (!why) this.#see(null);
    this.#load();
  }
}

function knob(words, k) {
  const angle = Math.round((Math.atan2(k.x_per_deg, k.y_per_deg) * 180) / Math.PI);
  return el(
    "li",
    {},
    draw("svg", { viewBox: "0 0 24 24", class: "mark", "aria-hidden": "true" }, draw("path", { d: "M12 21V4M5 11l7-7 7 7", transform: `rotate(${angle} 12 12)` })),
    el("span", {}, fill(strings.starKnob, { knob: words, way: strings.towards[k.words] ?? k.words })),
  );
}

function circles(c) {
  const year = (x) => String(Math.round(x.year));
  if (c.inner && c.outer) return fill(strings.circlesBetween, { a: year(c.inner), b: year(c.outer), percent: number(c.fraction * 100, 0) });
  return c.inner ? fill(strings.circlesOutside, { a: year(c.inner) }) : fill(strings.circlesInside, { a: year(c.outer) });
}
