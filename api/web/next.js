// What to do next, once the sentence above has nothing more to say, or before its
// first turn.
import { strings, fill } from "/words.js";
import { $, el } from "/dom.js";

const FAR_DEG = 3; // beyond it the tripod is still being set up
const SEEN = ["stars", "sighting"];

export class Next {
  #armed = null;
  #shown = "";

  constructor(aim, alarm) {
    alarm.on((w) => (this.#armed = w.armed));
    aim.onWords((_, g, up, east) => this.#show(this.#step(g, up, east)));
  }

  /** #step is words and a place to go, or null. */
  #step(g, up, east) {
    if (this.#armed || g.state === "lost" || g.state === "stale" || g.state === "moving") return null;
    if (up.kind === "done" && east.kind === "done") {
      const seen = SEEN.includes(g.reliance.azimuth) && SEEN.includes(g.reliance.altitude);
      // Without a watch, or before it has answered, there is nothing to arm.
      if (seen) return this.#armed === null ? null : [strings.nextWatch, "#night"];
      return [strings.nextStar, "#star"];
    }
    // Known, but so badly that nothing is called right.
    if (east.kind === "blank" && east.sigma) return [strings.nextVague, "#kit/calibration"];
    return g.error_deg === null || g.error_deg > FAR_DEG ? [strings.nextTurn, null] : null;
  }

  #show(step) {
    const key = String(step);
    if (key === this.#shown) return;
    this.#shown = key;
    const box = $("next");
    box.hidden = step === null;
    if (step === null) return;
    const [words, go] = step;
    box.replaceChildren(el("p", {}, words), ...(go ? [el("a", { class: "button", href: go }, fill(strings.nextGo, { place: { "#star": strings.placeStar, "#night": strings.placeNight }[go] ?? strings.calibrationTitle }))] : []));
  }
}
