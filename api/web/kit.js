// The kit: everything that is set once, or looked at when something is wrong.
import { strings } from "/words.js";
import { el } from "/dom.js";
import { siteSection, clockSection, pairingSection } from "/place.js";
import { cameraSection, finderSection } from "/gear.js";
import { calibrationSection } from "/calibrate.js";
import { sightSection } from "/sight.js";
import { readingsSection } from "/readings.js";
import { adjustersSection } from "/adjusters.js";
import { healthSection } from "/health.js";

// Other names under which the first minutes know a section.
const ALSO = { board: "health", mounting: "calibration" };

export default class Kit {
  #sections = new Map();

  constructor(box, board) {
    box.append(el("h1", {}, strings.kitTitle));
    for (const [name, title, build] of [
      ["site", strings.siteTitle, siteSection],
      ["clock", strings.clockTitle, clockSection],
      ["camera", strings.cameraTitle, cameraSection],
      ["finder", strings.finderTitle, finderSection],
      ["calibration", strings.calibrationTitle, calibrationSection],
      ["sight", strings.sightTitle, sightSection],
      ["readings", strings.readingsTitle, readingsSection],
      ["adjusters", strings.adjustersTitle, adjustersSection],
      ["health", strings.healthTitle, healthSection],
      ["pairing", strings.pairingTitle, pairingSection],
    ]) {
      const brief = el("span", { class: "brief" });
      const body = el("div", { class: "section-body" });
      const section = el("details", { class: "section", id: "kit-" + name }, el("summary", {}, el("span", { class: "section-name" }, title), brief), body);
      const parts = build(body, brief, board, section) ?? {};
      this.#sections.set(name, { section, ...parts });
      box.append(section);
    }
  }

  open(part) {
    const s = this.#sections.get(ALSO[part] ?? part);
    if (!s) return;
    s.section.open = true;
    s.section.scrollIntoView({ block: "start" });
    s.section.querySelector("summary").focus({ preventScroll: true });
  }

  follow(g) {
    for (const s of this.#sections.values()) if (s.section.open) s.follow?.(g);
  }
}
