// Offers the phone's clock to a board that has none.
import { strings, fill } from "/words.js";
import { ask } from "/board.js";
import { $, put } from "/dom.js";

export class ClockHelp {
  #pairing;

  constructor(pairing) {
    this.#pairing = pairing;
    put($("clock-title"), strings.clockTitle);
    put($("clock-set"), strings.clockSet);
    $("clock-set").addEventListener("click", () => this.#send());
  }

  follow(g) {
    const unknown = g.time === null && g.state !== "lost";
    $("clock-box").hidden = !unknown;
    if (!unknown) return;
    put($("clock-text"), fill(strings.clockText, { time: new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }) }));
    if (!this.#pairing.paired) this.#pairing.want();
  }

  lose() {
    $("clock-box").hidden = true;
  }

  async #send() {
    if (!this.#pairing.paired) {
      put($("clock-answer"), strings.pairingFirst);
      return;
    }
    const { why } = await ask("PUT", "/api/v1/clock", { time: new Date().toISOString(), sigma_s: 2 });
    put($("clock-answer"), why ? fill(strings.failed, { why }) : strings.clockDone);
  }
}
