// The first minutes: what a board needs before its guidance is worth following.
// A step that was skipped stays as a warning.
import { strings, fill, clock } from "/words.js";
import { ask } from "/board.js";
import { $, put, el, mark, keep, kept } from "/dom.js";

const STEPS = ["board", "site", "clock", "mounting", "calibration"];

export class First {
  #facts;
  #aim;
  #skipped = new Set((kept("skipped") ?? "").split(",").filter(Boolean));
  #codes = "";
  #state = {};
  #drawn = "";

  constructor(facts, aim) {
    this.#facts = facts;
    this.#aim = aim;
    for (const name of ["health", "site", "clock", "calibrations"]) facts.on(name, () => this.#judge());
  }

  follow(g) {
    const codes = g.warnings.map((w) => w.code).join();
    if (codes === this.#codes) return;
    this.#codes = codes;
    this.#judge();
    this.#facts.refresh("health", "site", "clock");
  }

  /** #judge finds what is done: true, false, or null while it is not known. */
  #judge() {
    const f = (name) => this.#facts.get(name);
    const sensors = f("health")?.sensors ?? null;
    const inUse = f("calibrations")?.in_use ?? null;
    const has = (part) => inUse.some((c) => c.part === part);
    this.#state = {
      board: sensors === null ? null : sensors.length > 0 && sensors.every((s) => s.state === "ok"),
      site: f("site")?.known ?? null,
      clock: f("clock")?.plausible ?? null,
      mounting: inUse === null ? null : has("axis"),
      calibration: inUse === null ? null : has("accelerometer") && (has("compass") || !(sensors ?? []).some((s) => s.name === "magnetic")),
    };
    const open = STEPS.filter((s) => this.#state[s] === false);
    const now = open.find((s) => !this.#skipped.has(s));
    this.#draw(now);
    this.#aim.alsoWarn(
      open
        // The board has warnings of its own for what it lacks.
        .filter((s) => this.#skipped.has(s) && (s === "mounting" || (s === "calibration" && !this.#codes.includes("uncalibrated"))))
        .map((s) => ({ code: "step-" + s, text: strings.first[s].missing, go: "#kit/" + s })),
    );
  }

  #draw(now) {
    const box = $("first");
    const key = JSON.stringify([now, this.#state]);
    if (key === this.#drawn) return;
    this.#drawn = key;
    box.hidden = now === undefined;
    if (now === undefined) return;
    const words = strings.first[now];
    const done = STEPS.filter((s) => this.#state[s]).length;
    const answer = el("p", { class: "answer", role: "status" });
    box.replaceChildren(
      el("h2", { id: "first-title" }, fill(strings.firstTitle, { n: done, of: STEPS.length })),
      el("ul", { class: "steps" }, ...STEPS.map((s) => el("li", { "aria-current": s === now ? "step" : null }, mark({ true: "mark-yes", false: "mark-no" }[this.#state[s]] ?? "mark-open"), el("span", {}, strings.first[s].name, " ", el("small", {}, this.#tell(s)))))),
      el("p", {}, now === "clock" ? fill(words.text, { time: clock(Date.now()) }) : words.text),
      el(
        "div",
        { class: "row" },
        now === "clock"
          ? el("button", { type: "button", click: () => this.#setClock(answer) }, strings.clockSet)
          : el("a", { class: "button", href: "#kit/" + now }, words.go),
        el("button", { type: "button", click: () => this.#skip(now) }, strings.firstSkip),
      ),
      answer,
    );
  }

  #tell(step) {
    if (this.#state[step] === null) return strings.notKnown;
    return this.#state[step] ? strings.firstDone : this.#skipped.has(step) ? strings.firstSkipped : strings.firstOpen;
  }

  #skip(step) {
    this.#skipped.add(step);
    keep("skipped", [...this.#skipped].join());
    this.#judge();
    $("place-aim").focus({ preventScroll: true });
  }

  async #setClock(answer) {
    const { why } = await setClock();
    put(answer, why ? fill(strings.failed, { why }) : strings.clockDone);
    if (!why) this.#facts.refresh();
  }
}

/** setClock gives the board this phone's time. */
export function setClock() {
  // A phone with a network is right within a second or so; allow for the way there.
  return ask("PUT", "/api/v1/clock", { time: new Date().toISOString(), sigma_s: 2 });
}
