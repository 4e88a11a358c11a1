// The mount's adjusters: what a turn of each does, as the board has learned it.
import { strings, fill, number, parse } from "/words.js";
import { el, put, choice, chosen, field } from "/dom.js";

const PATH = "/api/v1/adjusters";

export function adjustersSection(body, brief, { ask, exists }, section) {
  const now = el("div", {});
  const answer = el("p", { class: "answer", role: "status" });
  const form = el(
    "form",
    { novalidate: true },
    choice("adjuster", strings.adjusterWhich, [["altitude", strings.adjuster.altitude], ["azimuth", strings.adjuster.azimuth]], "altitude"),
    field("turns", strings.adjusterTurns, "", { inputmode: "text" }),
    el("button", {}, strings.adjusterTell),
    answer,
  );
  const forget = el("button", { type: "button", click: () => send("DELETE", PATH) }, strings.adjusterForget);
  body.append(el("p", {}, strings.adjusterWhat), now, form, forget);
  section.addEventListener("toggle", () => section.open && load());

  async function load() {
    if (!(await exists(PATH))) {
      put(answer, strings.notOffered);
      return;
    }
    const { data, why } = await ask("GET", PATH);
    if (why) put(answer, fill(strings.notNow, { why }));
    if (data) show(data);
  }

  function show(a) {
    const known = ["altitude", "azimuth"].filter((k) => a[k].known);
    put(brief, known.length === 2 ? strings.adjusterKnown : known.length ? strings.adjuster[known[0]] : strings.adjusterLearning);
    now.replaceChildren(
      ...["altitude", "azimuth"].map((k) => {
        const x = a[k];
        const lines = [x.deg_per_turn === null ? fill(strings.adjusterNone, { n: x.steps_seen }) : fill(strings.adjusterTurn, { deg: number(x.deg_per_turn, 2), sigma: number(x.deg_per_turn_sigma, 2), n: x.turns_told })];
        if (x.backlash_deg !== null && x.backlash_deg > x.backlash_sigma_deg) lines.push(fill(strings.adjusterBacklash, { deg: number(x.backlash_deg, 2), sigma: number(x.backlash_sigma_deg, 2) }));
        return el("p", {}, el("b", {}, strings.adjuster[k] + ": "), lines.join(" "));
      }),
    );
  }

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const input = form.elements.turns;
    const turns = turnsOf(input.value);
    input.setAttribute("aria-invalid", String(Number.isNaN(turns)));
    if (Number.isNaN(turns)) {
      put(answer, fill(strings.notANumber, { what: strings.adjusterTurns }));
      input.focus();
      return;
    }
    send("POST", PATH + "/turns", { adjuster: chosen(form, "adjuster"), turns });
  });

  async function send(method, path, q) {
    const { data, why } = await ask(method, path, q);
    put(answer, why ? fill(strings.failed, { why }) : strings.saved);
    if (data) show(data);
    else if (!why) load();
  }
}

/** turnsOf reads 0.5, -1/4 or 1 1/2. */
function turnsOf(text) {
  const m = text.trim().match(/^([-+−]?)\s*(?:(\d+)\s+)?(\d+)\/(\d+)$/);
  if (!m) return parse(text);
  return ((m[1] === "-" || m[1] === "−") ? -1 : 1) * (Number(m[2] ?? 0) + Number(m[3]) / Number(m[4]));
}
