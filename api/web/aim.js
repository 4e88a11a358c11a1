// What to turn, how sure that is, and what is wrong.
import { strings, fill, degrees, doubt, exposure, Way } from "/words.js";
import { $, put } from "/dom.js";

const MARKS = { steady: "steady", settling: "settling", moving: "moving", disturbed: "disturbed", stale: "lost", lost: "lost" };
const VERDICTS = { yes: "yes", probably: "probably", no: "no" };
const SPEAK_EVERY_MS = 5000;

function draw(use, shape) {
  if (use.getAttribute("href") !== "#" + shape) use.setAttribute("href", "#" + shape);
}

/** mark makes a small drawn sign. */
function mark(shape) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(ns, "use");
  use.setAttribute("href", "#" + shape);
  svg.append(use);
  return svg;
}

export class Aim {
  #altitude = new Way();
  #azimuth = new Way();
  #spoken = { text: "", at: 0 };
  #lists = new Map();

  constructor() {
    put($("sure-title"), strings.sureTitle);
    put($("sure-note"), strings.sureNote);
    put($("warnings-title"), strings.warningsTitle);
    put($("lenses-title"), strings.lensesTitle);
    this.#blank(strings.state.waiting);
  }

  /** show takes a guidance object of the API. */
  show(g) {
    document.body.className = "";
    $("link-lost").hidden = true;
    put($("link-lost-what"), ""); // so that the next loss is announced again
    draw($("state-mark"), "mark-" + (MARKS[g.state] ?? "lost"));
    put($("state-text"), strings.state[g.state] ?? g.state);
    const up = this.#altitude.next(g.move.raise_deg, g.axis.altitude_sigma_deg);
    const east = this.#azimuth.next(g.move.turn_east_deg, g.axis.azimuth_sigma_deg);
    const a = this.#move($("move-altitude"), up, {
      side: up.positive ? "up" : "down",
      verb: up.positive ? strings.raise : strings.lower,
      done: strings.altitudeDone,
      blank: strings.altitudeUnknown,
    });
    // Facing the northern pole, east is on the right; facing the southern, on the left.
    const right = (g.hemisphere !== "south") === east.positive;
    const b = this.#move($("move-azimuth"), east, {
      side: right ? "right" : "left",
      verb: east.positive ? strings.turnEast : strings.turnWest,
      hand: right ? strings.toRight : strings.toLeft,
      done: strings.azimuthDone,
      blank: strings.azimuthUnknown,
    });
    this.#speak(fill(strings.spoken, { a, b }));
    this.#sure(g);
    this.#list("warnings", g.warnings, (w) => [mark("mark-warning"), span(w.text)]);
    this.#list("lenses", g.good_for, (f) => [
      mark("mark-" + (VERDICTS[f.verdict] ?? "open")),
      span(fill(strings.lens, { lens: f.lens, exposure: exposure(f.exposure_s) })),
      span(strings.verdict[f.verdict] ?? f.verdict),
    ]);
  }

  /** lose takes every number back. */
  lose(seconds) {
    $("link-lost").hidden = false;
    put($("link-lost-what"), strings.linkLost);
    put($("link-lost-since"), fill(strings.linkLostSince, { n: seconds }));
    this.#blank(strings.state.noLink);
  }

  #blank(state) {
    document.body.className = "waiting";
    draw($("state-mark"), "mark-lost");
    put($("state-text"), state);
    this.#move($("move-altitude"), this.#altitude.next(null, null), { blank: strings.altitudeUnknown });
    this.#move($("move-azimuth"), this.#azimuth.next(null, null), { blank: strings.azimuthUnknown });
    put($("sure-total"), strings.sureTotalUnknown);
    put($("sure-altitude"), "");
    put($("sure-azimuth"), "");
    this.#list("warnings", [], () => []);
    this.#list("lenses", [], () => []);
    this.#spoken = { text: "", at: 0 };
    put($("said"), "");
  }

  /** #move draws one direction and returns its words. */
  #move(box, way, words) {
    const use = box.querySelector("use");
    const [verb, amount, about, hand] = ["verb", "amount", "doubt", "hand"].map((c) => box.querySelector("." + c));
    if (way.kind === "go") {
      box.className = "move " + words.side;
      draw(use, "go-" + way.strokes);
      put(verb, words.verb);
      put(amount, fill(strings.amount, { deg: way.amount }));
      put(about, fill(strings.doubt, { sigma: way.sigma }));
      put(hand, words.hand ?? "");
      return words.verb + " " + amount.textContent;
    }
    const done = way.kind === "done";
    box.className = "move " + way.kind;
    draw(use, done ? "there" : "unknown");
    put(verb, done ? words.done : words.blank);
    put(amount, "");
    put(about, done ? fill(strings.within, { sigma: way.sigma }) : "");
    put(hand, "");
    return verb.textContent;
  }

  #sure(g) {
    put(
      $("sure-total"),
      g.error_deg === null
        ? strings.sureTotalUnknown
        : fill(strings.sureTotal, { error: degrees(g.error_deg, g.error_sigma_deg), sigma: doubt(g.error_sigma_deg) }),
    );
    $("sure-note").hidden = g.axis.altitude_sigma_deg === null && g.axis.azimuth_sigma_deg === null;
    for (const name of ["altitude", "azimuth"]) {
      const sigma = g.axis[name + "_sigma_deg"];
      const source = g.reliance[name];
      if (sigma === null || source === null) {
        put($("sure-" + name), "");
        continue;
      }
      const template = name === "altitude" ? strings.sureAltitude : strings.sureAzimuth;
      const lines = [fill(template, { sigma: doubt(sigma), source: strings.source[source] ?? source })];
      const most = g.budget.reduce((m, p) => ((p[name + "_deg"] ?? 0) > (m?.[name + "_deg"] ?? 0) ? p : m), null);
      if (most && most[name + "_deg"] > 0.5 * sigma) {
        lines.push(fill(strings.sureMost, { part: strings.part[most.part] ?? most.part, sigma: doubt(most[name + "_deg"]) }));
      }
      put($("sure-" + name), lines.join(" "));
    }
  }

  /** #speak feeds the hidden live region, at most every few seconds. */
  #speak(text) {
    const now = Date.now();
    if (text === this.#spoken.text || now - this.#spoken.at < SPEAK_EVERY_MS) return;
    this.#spoken = { text, at: now };
    put($("said"), text);
  }

  /** #list redraws a list only when its content changed. */
  #list(id, items, row) {
    const key = JSON.stringify(items);
    if (this.#lists.get(id) === key) return;
    this.#lists.set(id, key);
    $(id).replaceChildren(
      ...items.map((item) => {
        const li = document.createElement("li");
        li.append(...row(item));
        return li;
      }),
    );
    $(id + "-box").hidden = items.length === 0;
  }
}

function span(text) {
  const s = document.createElement("span");
  s.textContent = text;
  return s;
}
