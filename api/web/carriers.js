// The alarms that leave the board: how each stands, and a try of each by itself.
import { strings, fill, clock } from "/words.js";
import { el, put, mark } from "/dom.js";
import { teller } from "/told.js";

const PATH = "/api/v1/alarms";
const LOOK_MS = 1000;
const PATIENCE_MS = 30000; // for the outcome of a try
const EVERY_MS = 20000;
const MARKS = { ready: "yes", sending: "settling", retrying: "warning", faulty: "lost" };

export class Carriers {
  #board;
  #box;
  #list = el("ul", { class: "carriers" });
  #trial = null; // { name, before, until } of the try whose outcome is awaited
  #asked = 0;
  #told = {}; // outcome by name

  constructor(box, board) {
    this.#board = board;
    this.#box = box;
    box.hidden = true;
    box.append(el("h3", {}, strings.carriersTitle), this.#list);
  }

  follow() {
    if (Date.now() - this.#asked >= (this.#trial ? LOOK_MS : EVERY_MS)) this.refresh();
  }

  async refresh() {
    this.#asked = Date.now();
    if (!(await this.#board.exists(PATH))) return;
    const { data } = await this.#board.ask("GET", PATH);
    if (!data) return;
    this.#judge(data.alarms);
    this.#draw(data.alarms);
  }

  /** #judge looks whether a try has arrived. */
  #judge(alarms) {
    const t = this.#trial;
    const now = t && alarms.find((a) => a.name === t.name);
    if (!now) return;
    const told = (words, values) => (this.#told[t.name] = fill(words, { time: clock(Date.now()), ...values }));
    if (now.sent > t.before.sent) told(strings.trialArrived);
    else if (now.refused > t.before.refused) told(strings.trialRefused);
    else if (now.failed > t.before.failed) told(strings.trialFailed);
    else if (Date.now() > t.until) told(strings.trialUnknown);
    else return;
    this.#trial = null;
  }

  #draw(alarms) {
    this.#box.hidden = false;
    const focused = document.activeElement?.dataset?.carrier;
    const set = alarms.filter((a) => a.state !== "off");
    this.#list.replaceChildren(
      ...set.map((a) => {
        const name = strings.carrier[a.name] ?? a.name;
        const answer = el("p", { class: "answer", role: "status" }, this.#told[a.name] ?? "");
        const tryIt = el("button", { type: "button", "data-carrier": a.name, click: () => this.#try(a, answer) }, fill(strings.trialOf, { what: name }));
        return el(
          "li",
          {},
          mark("mark-" + (MARKS[a.state] ?? "open")),
          el("div", {}, el("b", {}, `${name}: ${strings.carrierState[a.state] ?? a.state}`), a.target ? el("p", { class: "note" }, a.target) : null, a.why ? teller(a.why, null, "p", "note") : null, a.state === "faulty" ? null : tryIt, answer),
        );
      }),
    );
    if (set.length < alarms.length) {
      const off = alarms.filter((a) => a.state === "off").map((a) => strings.carrier[a.name] ?? a.name).join(", ");
      this.#list.append(el("li", {}, mark("mark-open"), el("span", {}, fill(set.length ? strings.carriersOff : strings.carriersNone, { which: off }))));
    }
    if (focused) this.#list.querySelector(`[data-carrier="${focused}"]`)?.focus({ preventScroll: true });
  }

  async #try(a, answer) {
    const before = (await this.#board.ask("GET", PATH)).data?.alarms.find((x) => x.name === a.name) ?? a;
    const { why } = await this.#board.ask("POST", `${PATH}/${a.name}/try`);
    // Nothing but the ear knows whether a buzzer sounds; a pin that fails is faulty.
    const heard = a.name === "buzzer";
    this.#told[a.name] = why ? fill(strings.failed, { why }) : heard ? strings.trialSounds : strings.trialSent;
    put(answer, this.#told[a.name]);
    this.#trial = why || heard ? null : { name: a.name, before, until: Date.now() + PATIENCE_MS };
  }
}
