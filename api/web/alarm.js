// The alarm: over every place, until somebody says that it is known.
import { strings, fill } from "/words.js";
import { $, el, put, mark } from "/dom.js";
import { alarming, telling } from "/happened.js";

const WATCH = "/api/v1/watch";
const LOUD = { moved: true, "sensor-lost": true };
const SHOWN_MS = 60000; // of what nobody has to acknowledge
const AGAIN_MS = 30000; // the tones of an alarm that nobody acknowledges

export class Alarm {
  #board;
  #told = new Set(); // findings that made their noise
  #brief = []; // events without a finding, for a while
  #findings = [];
  #noise = 0;
  #listeners = [];
  #shown = "";

  constructor(board) {
    this.#board = board;
    setInterval(() => this.#tick(), 1000);
  }

  /** on tells f whenever the watch was asked. */
  on(f) {
    this.#listeners.push(f);
  }

  /** linked asks what was found while this phone slept. */
  linked() {
    this.refresh();
  }

  /** happened takes an event of the live link. */
  happened(e) {
    if (e.finding === 0 && (e.trial || e.severity === "sensor-lost")) {
      this.#brief = [...this.#brief, { ...e, until: Date.now() + SHOWN_MS }].slice(-3);
      this.#draw();
      if (!e.quiet) this.#sound(e);
    }
    this.refresh();
  }

  async refresh() {
    if (!(await this.#board.exists(WATCH))) return;
    const { data } = await this.#board.ask("GET", WATCH);
    if (data) this.set(data);
  }

  /** set takes an answer of the watch. */
  set(w) {
    this.#findings = w.findings;
    for (const e of w.findings) {
      if (this.#told.has(e.finding) || e.quiet || !LOUD[e.severity]) continue;
      this.#told.add(e.finding);
      this.#sound(e);
    }
    this.#draw();
    for (const f of this.#listeners) f(w);
  }

  lose() {
    this.#findings = [];
    this.#brief = [];
    this.#draw();
  }

  #sound(e) {
    this.#noise = Date.now();
    const span = telling(e);
    this.#board.sound.alarm(span.lang === "en" && strings.lang !== "en" ? strings.alarmSpoken : span.textContent);
  }

  #tick() {
    const now = Date.now();
    const before = this.#brief.length;
    this.#brief = this.#brief.filter((e) => e.until > now);
    if (this.#brief.length !== before) this.#draw();
    if (now - this.#noise < AGAIN_MS || !this.#findings.some((e) => LOUD[e.severity] && !e.quiet)) return;
    this.#noise = now;
    this.#board.sound.alarm("");
  }

  #draw() {
    const list = [...this.#findings, ...this.#brief];
    const key = JSON.stringify(list.map((e) => [e.id, e.text]));
    if (key === this.#shown) return;
    this.#shown = key;
    const box = $("alarm");
    box.hidden = list.length === 0;
    const loud = list.some((e) => LOUD[e.severity]);
    box.className = loud ? "alarm loud" : "alarm";
    const rows = list.map((e) => el("li", {}, mark("mark-warning"), el("div", {}, alarming(e), e.kind === "sensor-lost" ? el("p", {}, el("a", { href: "#kit/health" }, strings.first.board.go)) : null)));
    const known = this.#findings.length ? el("button", { type: "button", click: () => this.#acknowledge() }, strings.acknowledge) : null;
    box.replaceChildren(...(list.length ? [el("div", { role: "alert" }, el("ul", {}, ...rows)), el("p", { class: "answer", role: "status", id: "alarm-answer" }), ...(known ? [known] : [])] : []));
  }

  async #acknowledge() {
    const { data, why } = await this.#board.ask("POST", WATCH + "/acknowledge");
    if (data) {
      this.#brief = [];
      this.set(data);
    } else put($("alarm-answer"), fill(strings.failed, { why }));
  }
}
