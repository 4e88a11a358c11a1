// Pairing this phone: by a code in the address, or typed.
import { strings, fill } from "/words.js";
import { ask, whenRefused } from "/board.js";
import { $, put } from "/dom.js";

const PATH = "/api/v1/pairing";
const SHOWN_MS = 8000;

export class Pairing {
  #wanted = false;
  #paired = false;
  #changed = [];
  #sending = null;

  constructor() {
    $("pairing-form").addEventListener("submit", (e) => {
      e.preventDefault();
      this.#send($("pairing-code").value);
    });
    whenRefused(() => {
      this.refresh();
      this.want(true);
    });
    this.#fromAddress();
    addEventListener("hashchange", () => this.#fromAddress());
  }

  #fromAddress() {
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

  /** want shows the form to a phone that is not paired; now brings it into view. */
  want(now) {
    this.#wanted = true;
    this.#draw();
    if (now && !$("pairing").hidden) {
      scrollTo(0, 0);
      $("pairing-code").focus();
    }
  }

  async refresh() {
    // An answer from before the pairing must not undo it.
    await this.#sending;
    const { data } = await ask("GET", PATH);
    if (data) this.#set(data.role === "write");
    if (data?.read === "paired" && data.role === null) this.want();
  }

  #send(code) {
    this.#sending = this.#exchange(code);
  }

  async #exchange(code) {
    const { data, why } = await ask("POST", PATH, { code, name: strings.pairingName });
    if (data) {
      put($("pairing-answer"), strings.pairingDone);
      setTimeout(() => put($("pairing-answer"), ""), SHOWN_MS);
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
