// The knobs of the demo's simulated mount.
import { strings, fill, number } from "/words.js";
import { ask } from "/board.js";
import { $, put } from "/dom.js";

const STEPS = [-1, -0.1, 0.1, 1];
export class Knobs {
  #pairing;
  #south = null;
  #shown = false;

  constructor(pairing) {
    this.#pairing = pairing;
    put($("knobs-title"), strings.knobsTitle);
    pairing.onChange(() => this.#permit());
  }

  show(yes) {
    this.#shown = yes;
    $("knobs").hidden = !yes;
    if (yes) {
      if (!this.#pairing.paired) this.#pairing.want();
      this.#permit();
    }
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
    const set = document.createElement("fieldset");
    set.className = "knob";
    const legend = document.createElement("legend");
    legend.textContent = name;
    const row = document.createElement("div");
    row.className = "row";
    for (const s of steps) {
      const button = document.createElement("button");
      button.type = "button";
      const small = document.createElement("small");
      small.textContent = word(s);
      button.append(small, fill(strings.amount, { deg: number(Math.abs(s), Math.abs(s) < 1 ? 1 : 0) }));
      button.addEventListener("click", () => this.#turn(key, s));
      row.append(button);
    }
    set.append(legend, row);
    return set;
  }

  async #turn(key, deg) {
    const { why, status } = await ask("POST", "/api/v1/simulated-knobs", { [key]: deg });
    put($("knobs-answer"), why ? fill(strings.failed, { why }) : "");
    if (status === 401 || status === 403) this.#pairing.refresh();
  }

  #permit() {
    const may = this.#pairing.paired;
    for (const b of $("knob-rows").querySelectorAll("button")) b.disabled = !may;
    if (this.#shown) put($("knobs-answer"), may ? "" : strings.pairingFirst);
  }
}
