// What changes slowly: asked for now and then, and after each change.
import { ask, exists } from "/board.js";

const PATHS = {
  health: "/api/v1/health",
  site: "/api/v1/site",
  clock: "/api/v1/clock",
  kit: "/api/v1/kit",
  calibrations: "/api/v1/calibrations",
};
const SLOW_MS = 20000;
const FAST_MS = 4000;

export class Facts {
  #data = {};
  #listeners = {};
  #linked = false;
  #every = SLOW_MS;
  #asked = 0;

  constructor() {
    setInterval(() => {
      if (this.#linked && !document.hidden && Date.now() - this.#asked >= this.#every) this.refresh();
    }, 1000);
  }

  /** get is the newest answer; null when there is none. */
  get(name) {
    return this.#data[name] ?? null;
  }

  /** on tells f of each new answer, and of the present one. */
  on(name, f) {
    (this.#listeners[name] ??= []).push(f);
    if (name in this.#data) f(this.#data[name]);
  }

  /** skyKnown is false while site or time are missing, without which there is no sky. */
  get skyKnown() {
    return this.#data.site?.known === true && this.#data.clock?.plausible === true;
  }

  link(yes) {
    this.#linked = yes;
    if (yes) this.refresh();
  }

  hurry(yes) {
    this.#every = yes ? FAST_MS : SLOW_MS;
    if (yes && this.#linked) this.refresh();
  }

  async refresh(...names) {
    if (names.length === 0) {
      this.#asked = Date.now();
      names = Object.keys(PATHS);
    }
    await Promise.all(
      names.map(async (name) => {
        if (!(await exists(PATHS[name]))) return;
        const sent = Date.now();
        const { data } = await ask("GET", PATHS[name]);
        if (!data) return;
        this.#data[name] = data;
        // Half of the way there and back: how old the answer is about now.
        if (name === "clock") this.offsetS = data.time === null ? null : (Date.parse(data.time) - (sent + Date.now()) / 2) / 1000;
        for (const f of this.#listeners[name] ?? []) f(data);
      }),
    );
  }

  /** offsetS is how far the board's clock is ahead of this phone's, seconds. */
  offsetS = null;
}
