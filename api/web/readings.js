// Readings of the camera: how a star drifts, or where frames are centred once they
// were solved. Both tell how far the axis is from the pole, to minutes of arc.
import { strings, fill, number, parse } from "/words.js";
import { el, put, choice, chosen, field } from "/dom.js";
import { teller } from "/told.js";

const DRIFT = "/api/v1/drift-readings";
const FRAMES = "/api/v1/frame-centres";
// name in the form, key of the API, whether it must be there
const FIELDS = {
  drift: [
    ["hour_angle", "hour_angle_deg", true],
    ["declination", "declination_deg", true],
    ["north", "north_arcsec_per_min", false],
    ["north_sigma", "north_sigma", false],
    ["east", "east_arcsec_per_min", false],
    ["east_sigma", "east_sigma", false],
  ],
  frames: [
    ["ra", "ra_deg", true],
    ["dec", "dec_deg", true],
    ["head", "head_deg", false],
  ],
};

export function readingsSection(body, brief, { ask, exists, facts }) {
  const lists = { drift: [], frames: [] };
  const what = choice("readings", strings.readingsKind, [["drift", strings.readingsDrift], ["frames", strings.readingsFrames]], "drift", () => draw());
  const more = el("div", {});
  const kept = el("ul", {});
  const answer = el("p", { class: "answer", role: "status" });
  const form = el("form", { novalidate: true }, what, more, el("button", {}, strings.readingsAdd), answer);
  const use = el("button", { type: "button", click: () => send(false) }, strings.readingsUse);
  body.append(el("p", {}, strings.readingsWhat), form, kept, use);
  const kind = () => chosen(form, "readings");

  function draw() {
    const k = kind();
    const parts = [el("p", { class: "note" }, k === "drift" ? strings.readingsDriftHelp : strings.readingsFramesHelp)];
    if (k === "drift") parts.push(field("star", strings.readingsStar));
    for (const [name] of FIELDS[k]) parts.push(field(name, strings.reading[name], "", { inputmode: "decimal" }));
    parts.push(field("age", strings.readingsAge, "0", { inputmode: "decimal" }));
    more.replaceChildren(...parts);
    list();
  }

  function list() {
    const rows = lists[kind()];
    put(brief, rows.length ? fill(strings.readingsBrief, { n: rows.length }) : strings.none);
    use.hidden = rows.length === 0;
    kept.replaceChildren(
      ...rows.map((r, i) =>
        el("li", {}, el("span", {}, r.label), el("button", { type: "button", click: () => (rows.splice(i, 1), list()) }, strings.drop)),
      ),
    );
  }

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const k = kind();
    const row = {};
    const text = (name) => form.elements[name]?.value.trim() ?? "";
    const fail = (name, words) => {
      form.elements[name].setAttribute("aria-invalid", "true");
      put(answer, words);
      form.elements[name].focus();
    };
    for (const input of form.querySelectorAll("input[aria-invalid]")) input.removeAttribute("aria-invalid");
    const star = k === "drift" ? text("star") : "";
    for (const [name, key, must] of FIELDS[k]) {
      const t = text(name);
      if (t === "") {
        if (must && !star) return fail(name, fill(strings.notANumber, { what: strings.reading[name] }));
        continue;
      }
      row[key] = parse(t);
      if (Number.isNaN(row[key])) return fail(name, fill(strings.notANumber, { what: strings.reading[name] }));
    }
    if (star) row.star = star;
    if (k === "drift" && !(row.north_sigma > 0) && !(row.east_sigma > 0)) return fail("north_sigma", strings.readingsSigma);
    const age = parse(text("age") || "0");
    if (!(age >= 0)) return fail("age", fill(strings.notANumber, { what: strings.readingsAge }));
    // By the board's clock: it dates everything.
    row.time = new Date(Date.now() + (facts.offsetS ?? 0) * 1000 - age * 60000).toISOString();
    row.label = `${lists[k].length + 1}: ` + (k === "drift" ? `${row.star ?? number(row.hour_angle_deg, 1) + "°"} ${number(row.north_arcsec_per_min ?? 0, 1)}, ${number(row.east_arcsec_per_min ?? 0, 1)} ″/min` : `${number(row.ra_deg, 3)}°, ${number(row.dec_deg, 3)}°`);
    lists[k].push(row);
    put(answer, "");
    list();
  });

  async function send(sure) {
    const k = kind();
    const path = k === "drift" ? DRIFT : FRAMES;
    if (!(await exists(path))) {
      put(answer, strings.notOffered);
      return;
    }
    put(answer, strings.waiting);
    const { data, why, code } = await ask("POST", path, { [k === "drift" ? "readings" : "frames"]: lists[k], sure });
    if (data?.fix) {
      const f = data.fix;
      const lines = [fill(strings.readingsGave, { high: number(f.high_arcmin, 1), hs: number(f.high_sigma_arcmin, 1), east: number(f.east_arcmin, 1), es: number(f.east_sigma_arcmin, 1) })];
      for (const o of f.outliers) lines.push(fill(strings.readingsOutlier, { label: o.label, n: number(o.sigmas, 0) }));
      answer.replaceChildren(lines.join(" "), ...(f.note ? [" ", teller(f.note)] : []));
      lists[k].length = 0;
      list();
      return;
    }
    answer.replaceChildren(fill(strings.failed, { why }));
    if (code === "contradiction") answer.append(" ", el("button", { type: "button", click: () => send(true) }, strings.sure));
  }
  draw();
}
