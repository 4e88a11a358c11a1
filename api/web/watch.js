// The watch over the aligned axis: armed and disarmed, and what it knows.
import { strings, fill, number, exposure, atMost, clock, size } from "/words.js";
import { el, put, choice, chosen, field, mark } from "/dom.js";
import { angle, moved, telling } from "/happened.js";
import { told } from "/told.js";
import { Carriers } from "/carriers.js";

const PATH = "/api/v1/watch";
const EVERY_MS = 3000;
const STATES = { unarmed: "open", settling: "settling", watching: "steady", moved: "warning", blind: "lost" };

export class WatchSection {
  #board;
  #body = el("div", {});
  #form;
  #answer = el("p", { class: "answer", role: "status" });
  #asked = 0;
  #state = null;
  #lenses = "";
  #carriers;

  constructor(box, board) {
    this.#board = board;
    this.#form = el("div", {});
    const carriers = el("div", {});
    box.append(el("h2", {}, strings.watchTitle), this.#body, this.#form, this.#answer, carriers);
    this.#carriers = new Carriers(carriers, board);
    board.alarm.on((w) => this.#show(w));
    board.facts.on("kit", () => this.#ways());
  }

  /** follow asks again now and then while it is looked at. */
  follow() {
    this.#carriers.follow();
    if (Date.now() - this.#asked < EVERY_MS) return;
    this.#asked = Date.now();
    this.#board.alarm.refresh();
  }

  #show(w) {
    const lines = [];
    const armed = w.armed_at === null ? strings.watchState[w.state] : fill(strings.watchSince, { state: strings.watchState[w.state], time: clock(w.armed_at) });
    lines.push(el("p", { class: "state watch-state" }, mark("mark-" + (STATES[w.state] ?? "lost")), el("b", {}, armed)));
    if (w.armed) {
      if (w.moved.size_deg >= 0.0005) lines.push(el("p", {}, fill(strings.movedSince, { moved: moved(w.moved) })));
      lines.push(el("p", {}, w.error_deg === null ? fill(strings.errorNotKnown, { why: told(w.error_why) ?? w.error_why ?? "" }) : fill(strings.errorNow, { deg: angle(w.error_deg), sigma: angle(w.error_sigma_deg) })));
      if (w.lens) lines.push(el("p", {}, this.#lensLine(w)));
      const v = w.vibration;
      if (v) lines.push(el("p", {}, fill(v.blurs ? strings.shakesBlurs : strings.shakes, { shake: number(v.shake_arcsec, 0), floor: number(v.floor_arcsec, 0) })));
      if (w.drift.temp_fall_c !== null && w.drift.up_deg !== null && Math.abs(w.drift.temp_fall_c) >= 1) {
        lines.push(el("p", {}, fill(strings.driftNow, { deg: angle(w.drift.up_deg), c: size(w.drift.temp_fall_c) })));
      }
      if (w.findings.length === 0) lines.push(el("p", {}, strings.nothingFound));
      else lines.push(el("ul", {}, ...w.findings.map((e) => el("li", {}, mark("mark-warning"), telling(e)))));
    } else {
      lines.push(el("p", {}, w.offered ? strings.watchOffered : strings.watchWhat));
    }
    this.#body.replaceChildren(...lines);
    const state = w.armed ? "armed" : "open";
    if (state === this.#state) return;
    this.#state = state;
    this.#ways();
  }

  #lensLine(w) {
    const longest = w.longest_exposure_unlimited ? strings.noLimit : w.longest_exposure_s === null ? strings.notKnown : atMost(w.longest_exposure_s);
    return fill(strings.watchLens, { lens: w.lens, exposure: exposure(w.exposure_s), longest });
  }

  /** #ways shows what can be done now. */
  #ways() {
    if (this.#state === null) return;
    const kit = this.#board.facts.get("kit");
    const key = this.#state + JSON.stringify(kit?.lenses ?? []);
    if (key === this.#lenses) return;
    this.#lenses = key;
    const button = (words, f) => el("button", { type: "button", click: f }, words);
    if (this.#state === "armed") {
      this.#form.replaceChildren(el("div", { class: "ways" }, button(strings.disarm, () => this.#send("/disarm")), button(strings.armAnew, () => this.#arm()), button(strings.tryAlarm, () => this.#send("/try", { severity: "moved" }))));
      return;
    }
    const lenses = (kit?.lenses ?? []).map((l) => [l.name, l.name]);
    this.#form.replaceChildren(
      ...(lenses.length ? [choice("watch-lens", strings.watchLensFor, [["", strings.anyLens], ...lenses], "")] : []),
      field("watch-exposure", strings.watchExposure, "", { inputmode: "decimal" }),
      el("div", { class: "ways" }, button(strings.arm, () => this.#arm()), button(strings.tryAlarm, () => this.#send("/try", { severity: "moved" }))),
    );
  }

  #arm() {
    const q = {};
    const lens = chosen(this.#form, "watch-lens");
    if (lens) q.lens = lens;
    const input = this.#form.querySelector('[name="watch-exposure"]');
    const text = (input?.value ?? "").trim().replace(",", ".");
    if (text !== "") {
      q.exposure_s = Number(text);
      const bad = !(q.exposure_s > 0);
      input.setAttribute("aria-invalid", String(bad));
      if (bad) {
        put(this.#answer, fill(strings.notANumber, { what: strings.watchExposure }));
        input.focus();
        return;
      }
    }
    this.#send("/arm", q);
  }

  async #send(what, body) {
    const { data, why } = await this.#board.ask("POST", PATH + what, body);
    put(this.#answer, why ? fill(strings.failed, { why }) : (strings.watchDone[what] ?? ""));
    if (data?.findings) this.#board.alarm.set(data);
  }
}

