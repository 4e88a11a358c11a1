// The knobs of the demo's simulated mount.
import { strings, fill, number } from "/words.js";
import { ask } from "/board.js";
import { $, put, el } from "/dom.js";

const STEPS = [-1, -0.1, 0.1, 1];
export class Knobs {
  #pairing;
  #south = null;

  constructor(pairing) {
    this.#pairing = pairing;
    pairing.onChange(() => this.#permit());
    $("knobs-pair").addEventListener("click", () => pairing.want(true));
  }

  show(yes) {
    $("knobs").hidden = !yes;
    if (yes) this.#permit();
  }

  /** follow puts the directions on the side of the hand that they mean. */
  follow(g) {
    const south = g.hemisphere === "south";
    if (south === this.#south) return;
    this.#south = south;
    $("knob-rows").replaceChildren(
      this.#row(strings.knobAltitude, STEPS, (s) => (s > 0 ? strings.knobUp : strings.knobDown), "altitude_deg"),
      // Left to right as one faces the pole, growing azimuth is always to the right.
      this.#row(strings.knobAzimuth, STEPS, (s) => (s > 0 !== south ? strings.knobEast : strings.knobWest), "azimuth_deg"),
    );
    this.#permit();
  }

  #row(name, steps, word, key) {
    const row = el("div", { class: "row" });
    for (const s of steps) {
      const amount = fill(strings.amount, { deg: number(Math.abs(s), Math.abs(s) < 1 ? 1 : 0) });
      row.append(el("button", { type: "button", click: () => this.#turn(key, s) }, el("small", {}, word(s)), " ", amount));
    }
    return el("fieldset", { class: "knob" }, el("legend", {}, name), row);
  }

  async #turn(key, deg) {
    const { why } = await ask("POST", "/api/v1/simulated-knobs", { [key]: deg });
    put($("knobs-answer"), why ? fill(strings.failed, { why }) : "");
  }

  #permit() {
    const may = this.#pairing.paired;
    for (const b of $("knob-rows").querySelectorAll("button")) b.disabled = !may;
    $("knobs-pair").hidden = may;
  }
}
