// What the chosen lens and exposure bear: the ring on the map of the aim place.
import { strings, fill, exposure } from "/words.js";
import { ask, exists } from "/board.js";

const AGAIN_MS = 30000;

export class Allowed {
  #aim;
  #rows = null;

  constructor(aim, facts) {
    this.#aim = aim;
    aim.onLens = () => this.#ring();
    facts.on("kit", () => this.#ask());
    this.#ask();
    setInterval(() => !document.hidden && this.#ask(), AGAIN_MS);
  }

  async #ask() {
    if (!(await exists("/api/v1/exposure"))) return;
    const { data } = await ask("GET", "/api/v1/exposure");
    this.#rows = data?.lenses ?? null;
    this.#ring();
  }

  #ring() {
    const row = this.#rows?.find((l) => l.lens === this.#aim.lens) ?? this.#rows?.[0];
    const deg = row ? row.allowed_arcmin / 60 : null;
    this.#aim.allow(deg ? { deg, what: fill(strings.lens, { lens: row.lens, exposure: exposure(row.exposure_s) }) } : null);
  }
}
