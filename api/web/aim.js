// What to turn, how sure that is, and what is wrong.
import { strings, fill, degrees, doubt, exposure, Way } from "/words.js";
import { $, put, el, mark, reshape, keep, kept } from "/dom.js";
import { ErrorMap } from "/map.js";
import { ready, teller, told } from "/told.js";

const MARKS = { steady: "steady", settling: "settling", moving: "moving", disturbed: "disturbed", stale: "lost", lost: "lost" };
const VERDICTS = { yes: "yes", probably: "probably", no: "no" };
const SPEAK_EVERY_MS = 5000;

export class Aim {
  #altitude = new Way();
  #azimuth = new Way();
  #said = { text: "", at: 0 };
  #lists = new Map();
  #map = new ErrorMap($("map"), $("map-key"));
  #more = []; // warnings of the page itself
  #words = false; // those for the board's sentences have arrived
  #newest = null;
  #lens = kept("lens");
  #listeners = [];
  #spoken = null; // what the listeners heard last

  constructor() {
    this.#blank(strings.state.waiting);
    document.addEventListener("visibilitychange", () => document.hidden && this.#cover(true));
    ready.then(() => {
      this.#words = true;
      if (this.#newest) this.#warn();
    });
  }

  /** onWords tells f the sentence of each state, with the state. */
  onWords(f) {
    this.#listeners.push(f);
    if (this.#spoken) f(...this.#spoken);
  }

  /** show takes a guidance object of the API. */
  show(g) {
    this.#newest = g;
    this.#cover(document.hidden);
    if (document.body.classList.contains("waiting")) {
      document.body.classList.remove("waiting");
      $("link-lost").hidden = true;
      put($("link-lost-what"), ""); // so that the next loss is announced again
    }
    reshape($("state-mark"), "mark-" + (MARKS[g.state] ?? "lost"));
    put($("state-text"), strings.state[g.state] ?? g.state);
    const [upTurns, eastTurns] = turns(g.move.text);
    const up = this.#altitude.next(g.move.raise_deg, g.axis.altitude_sigma_deg);
    const east = this.#azimuth.next(g.move.turn_east_deg, g.axis.azimuth_sigma_deg, Math.cos(((g.axis.altitude_deg ?? 0) * Math.PI) / 180));
    const a = this.#move($("move-altitude"), up, {
      side: up.positive ? "up" : "down",
      verb: up.positive ? strings.raise : strings.lower,
      done: strings.altitudeDone,
      blank: strings.altitudeUnknown,
      turns: upTurns,
    });
    // Facing the northern pole, east is on the right; facing the southern, on the left.
    const right = (g.hemisphere !== "south") === east.positive;
    const b = this.#move($("move-azimuth"), east, {
      side: right ? "right" : "left",
      verb: east.positive ? strings.turnEast : strings.turnWest,
      hand: right ? strings.toRight : strings.toLeft,
      done: strings.azimuthDone,
      blank: strings.azimuthUnknown,
      turns: eastTurns,
    });
    const sentence = fill(strings.spoken, { a, b });
    this.#live(sentence);
    this.#spoken = [sentence, g, up, east];
    for (const f of this.#listeners) f(...this.#spoken);
    this.#map.show(g);
    this.#sure(g);
    this.#warn();
    this.#lenses(g);
  }

  /** alsoWarn gives warnings of the page itself: { code, text, go }. */
  alsoWarn(list) {
    this.#more = list;
    if (this.#newest) this.#warn();
  }

  /** allow draws the ring of what a lens and exposure bear; null takes it away. */
  allow(ring) {
    this.#map.allow(ring);
  }

  /** lens is the one whose ring is drawn: its name, or null for the first. */
  get lens() {
    return this.#lens;
  }

  onLens = () => {};

  /** lose takes every number back. */
  lose(seconds) {
    this.#newest = null;
    this.#spoken = null;
    this.#cover(false);
    $("link-lost").hidden = false;
    put($("link-lost-what"), strings.linkLost);
    put($("link-lost-since"), fill(strings.linkLostSince, { n: seconds }));
    this.#blank(strings.state.noLink);
  }

  /** #cover hides all numbers of a page that nobody sees, until the next are there. */
  #cover(yes) {
    document.body.classList.toggle("covered", yes);
  }

  #blank(state) {
    document.body.classList.add("waiting");
    reshape($("state-mark"), "mark-lost");
    put($("state-text"), state);
    this.#move($("move-altitude"), this.#altitude.next(null, null), { blank: strings.altitudeUnknown });
    this.#move($("move-azimuth"), this.#azimuth.next(null, null), { blank: strings.azimuthUnknown });
    this.#map.blank();
    put($("sure-total"), strings.sureTotalUnknown);
    put($("sure-altitude"), "");
    put($("sure-azimuth"), "");
    this.#list("warnings", [], () => []);
    this.#list("lenses", [], () => []);
    this.#said = { text: "", at: 0 };
    put($("said"), "");
  }

  /** #move draws one direction and returns its words. */
  #move(box, way, words) {
    const use = box.querySelector("use");
    const [verb, amount, turn, about, hand] = ["verb", "amount", "turns", "doubt", "hand"].map((c) => box.querySelector("." + c));
    const dress = (name) => {
      if (box.className !== name) box.className = name;
    };
    put(turn, way.kind === "go" && words.turns ? words.turns : "");
    if (way.kind === "go") {
      dress("move " + words.side);
      reshape(use, "go-" + way.strokes);
      put(verb, words.verb);
      put(amount, fill(strings.amount, { deg: way.amount }));
      put(about, fill(strings.doubt, { sigma: way.sigma }));
      put(hand, words.hand ?? "");
      return words.verb + " " + amount.textContent;
    }
    const done = way.kind === "done";
    dress("move " + way.kind);
    reshape(use, done ? "there" : "unknown");
    put(verb, done ? words.done : words.blank);
    put(amount, "");
    put(about, way.sigma ? fill(strings.within, { sigma: way.sigma }) : "");
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

  /** #warn lists warnings; those of the watch stand in the alarm over every place. */
  #warn() {
    if (!this.#words) return;
    this.#list("warnings", [...this.#newest.warnings.filter((w) => !w.code.startsWith("watch-")), ...this.#more], (w) => [
      mark("mark-warning"),
      warning(w),
      w.go ? el("a", { class: "button", href: w.go }, strings.doIt) : null,
    ]);
  }

  #lenses(g) {
    // The one whose ring is drawn is pressed.
    const drawn = g.good_for.find((f) => f.lens === this.#lens) ?? g.good_for[0];
    this.#list(
      "lenses",
      g.good_for.map((f) => ({ ...f, drawn: f === drawn })),
      (f) => {
        const button = el(
          "button",
          { type: "button", class: "plain", "aria-pressed": String(f.drawn) },
          mark("mark-" + (VERDICTS[f.verdict] ?? "open")),
          el("span", {}, fill(strings.lens, { lens: f.lens, exposure: exposure(f.exposure_s) })),
          " ",
          el("span", {}, strings.verdict[f.verdict] ?? f.verdict),
        );
        button.addEventListener("click", () => {
          this.#lens = f.lens;
          keep("lens", f.lens);
          this.#lists.delete("lenses");
          if (this.#newest) this.#lenses(this.#newest);
          this.onLens();
          [...$("lenses").querySelectorAll("button")].find((b) => b.ariaPressed === "true")?.focus();
        });
        return [button];
      },
    );
  }

  /** #live feeds the hidden live region, at most every few seconds. */
  #live(text) {
    const now = Date.now();
    if (text === this.#said.text || now - this.#said.at < SPEAK_EVERY_MS) return;
    this.#said = { text, at: now };
    put($("said"), text);
    this.#map.describe(text);
  }

  /** #list redraws a list only when its content changed. */
  #list(id, items, row) {
    const key = JSON.stringify(items);
    if (this.#lists.get(id) === key) return;
    this.#lists.set(id, key);
    $(id).replaceChildren(...items.map((item) => el("li", {}, ...row(item))));
    $(id + "-box").hidden = items.length === 0;
  }
}

/** turns are what the board adds to the degrees once it knows the adjusters. */
function turns(text) {
  const of = (verbs) => {
    const m = new RegExp(`(?:${verbs}) [^,;(]*\\(([^)]*)\\)`, "i").exec(text);
    return m ? (told(m[1]) ?? m[1]) : "";
  };
  return [of("raise|lower"), of("turn east|turn west")];
}

/** warning is the text of a warning, which may be the page's own. */
function warning(w) {
  return w.go ? el("span", {}, w.text) : teller(w.text, w.code);
}
