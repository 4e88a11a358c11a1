// Pairing this phone: by a code in the address, or typed.
import { strings, fill } from "/words.js";
import { ask } from "/board.js";
import { $, put } from "/dom.js";

const PATH = "/api/v1/pairing";
export class Pairing {
  #wanted = false;
  #paired = false;
  #changed = [];

  constructor() {
    put($("pairing-title"), strings.pairingTitle);
    put($("pairing-text"), strings.pairingText);
    put($("pairing-label"), strings.pairingLabel);
    put($("pairing-send"), strings.pairingSend);
    $("pairing-form").addEventListener("submit", (e) => {
      e.preventDefault();
      this.#send($("pairing-code").value);
    });
    // The code must not stay in the address: it would be shared and kept.
    const code = new URLSearchParams(location.hash.slice(1)).get("code");
    if (code) {
      history.replaceState(null, "", location.pathname + location.search);
      this.#send(code);
    }
  }

  get paired() {
    return this.#paired;
  }

  /** onChange tells f whenever this phone is paired or no longer. */
  onChange(f) {
    this.#changed.push(f);
  }

  /** want shows the form to a phone that is not paired. */
  want() {
    this.#wanted = true;
    this.#draw();
  }

  async refresh() {
    const { data } = await ask("GET", PATH);
    if (data) this.#set(data.role === "write");
    if (data?.read === "paired" && data.role === null) this.want();
  }

  async #send(code) {
    const { data, why } = await ask("POST", PATH, { code, name: strings.pairingName });
    if (data) {
      put($("pairing-answer"), strings.pairingDone);
      this.#set(data.role === "write");
    } else {
      this.want();
      put($("pairing-answer"), fill(strings.failed, { why }));
    }
  }

  #set(paired) {
    if (paired !== this.#paired) {
      this.#paired = paired;
      this.#changed.forEach((f) => f(paired));
    }
    this.#draw();
  }

  #draw() {
    $("pairing").hidden = !this.#wanted || this.#paired;
  }
}
