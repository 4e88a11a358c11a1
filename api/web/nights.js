// The nights in the board's log: charts, what happened, report and downloads.
import { strings, fill, number, clock } from "/words.js";
import { el, put, choice, field } from "/dom.js";
import { telling } from "/happened.js";
import { Charts } from "/charts.js";

const PATH = "/api/v1/nights";
const MOST = 12; // nights offered to choose from
const AGAIN_MS = 30000; // the running night grows

export class NightsSection {
  #board;
  #list = el("div", {});
  #night = el("div", {});
  #answer = el("p", { class: "answer", role: "status" });
  #charts = new Charts();
  #nights = [];
  #open = null;
  #asked = 0;

  constructor(box, board) {
    this.#board = board;
    box.append(el("h2", {}, strings.nightsTitle), this.#answer, this.#list, this.#night);
  }

  async open() {
    if (!(await this.#board.exists(PATH))) {
      put(this.#answer, strings.nightsNone);
      return;
    }
    const { data, why } = await this.#board.ask("GET", PATH + "?limit=" + MOST);
    put(this.#answer, why ? fill(strings.notNow, { why }) : data.nights.length ? "" : strings.nightsEmpty);
    this.#nights = data?.nights ?? [];
    if (this.#nights.length === 0) return;
    if (!this.#nights.some((n) => n.night === this.#open)) this.#open = this.#nights[0].night;
    const options = this.#nights.map((n) => [String(n.night), title(n)]);
    this.#list.replaceChildren(choice("night", strings.nightWhich, options, String(this.#open), (v) => this.#show(Number(v))));
    this.#show(this.#open);
  }

  /** follow draws a running night on. */
  follow() {
    const n = this.#nights.find((x) => x.night === this.#open);
    if (n?.open && Date.now() - this.#asked > AGAIN_MS) this.#chart(n);
  }

  #show(id) {
    this.#open = id;
    const n = this.#nights.find((x) => x.night === id);
    this.#charts.clear();
    const file = (name, words) => el("a", { class: "button", href: `${PATH}/${id}/${name}`, download: `night-${id}-${name}` }, words);
    const report = () => `${PATH}/${id}/report?lang=${strings.lang}&look=${document.documentElement.dataset.theme ?? "night"}`;
    const happened = el("div", { id: "night-events" });
    this.#night.replaceChildren(
      el("p", {}, fill(n.open ? strings.nightOpen : strings.nightFromTo, { a: clock(n.begin), b: clock(n.end) })),
      ...(n.note ? [el("p", {}, n.note)] : []),
      this.#charts.box,
      happened,
      el("div", { class: "ways" },
        // A white page at night would end the eye's adaptation.
        el("a", { class: "button", href: report(), target: "_blank", rel: "noopener", click: (e) => { e.currentTarget.href = report(); } }, strings.nightReport),
        file("samples.csv", strings.nightSamples),
        file("events.csv", strings.nightEvents)),
      this.#naming(n),
    );
    this.#chart(n);
  }

  async #chart(n) {
    this.#asked = Date.now();
    const { data, why } = await this.#board.ask("GET", `${PATH}/${n.night}/chart?points=400`);
    if (this.#open !== n.night) return;
    put(this.#answer, why ? fill(strings.notNow, { why }) : "");
    if (!data) return;
    await this.#charts.show(data);
    const rows = data.events.slice(-40).map((e) => el("li", { "data-t": e.t_s }, el("b", {}, e.time === null ? "–" : clock(e.time)), telling({ ...e, text: e.text })));
    this.#night.querySelector("#night-events")?.replaceChildren(...(rows.length ? [el("h3", {}, strings.nightHappened), el("ol", { class: "times" }, ...rows)] : [el("p", {}, strings.nightNothing)]));
  }

  #naming(n) {
    const answer = el("p", { class: "answer", role: "status" });
    const form = el("form", { novalidate: true }, field("name", strings.nightName, n.name, { maxlength: 100 }), field("note", strings.nightNote, n.note, { maxlength: 4000 }), el("button", {}, strings.save), answer);
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      const { why } = await this.#board.ask("PUT", `${PATH}/${n.night}`, { name: form.elements.name.value, note: form.elements.note.value });
      put(answer, why ? fill(strings.failed, { why }) : strings.saved);
      if (!why) Object.assign(n, { name: form.elements.name.value, note: form.elements.note.value });
    });
    return el("details", { class: "section" }, el("summary", {}, el("span", { class: "section-name" }, strings.nightNameIt)), el("div", { class: "section-body" }, form));
  }
}

function title(n) {
  if (n.name) return n.name;
  const day = n.begin === null ? null : new Date(n.begin).toLocaleDateString(strings.lang, { day: "numeric", month: "short" });
  return day ?? fill(strings.nightNumber, { n: number(n.night, 0) });
}

