// Camera, lenses and finder: described by their owner, kept by the board.
import { strings, fill, number, parse, exposure, atMost, arc } from "/words.js";
import { el, put, field, choice, chosen, mark } from "/dom.js";

const VERDICTS = { yes: "yes", probably: "probably", no: "no" };

/** read takes numbers of named fields; it points at the first bad one. */
function read(form, names) {
  const out = {};
  for (const name of names) {
    const input = form.elements[name];
    const v = parse(input.value);
    input.setAttribute("aria-invalid", String(Number.isNaN(v)));
    if (Number.isNaN(v)) {
      input.focus();
      return { bad: fill(strings.notANumber, { what: form.querySelector(`label[for="${input.id}"]`).textContent }) };
    }
    out[name] = v;
  }
  return { values: out };
}

async function save(board, change, answer) {
  const kit = structuredClone(board.facts.get("kit"));
  if (!kit) {
    put(answer, strings.notOffered);
    return;
  }
  change(kit);
  const { why } = await board.ask("PUT", "/api/v1/kit", kit);
  put(answer, why ? fill(strings.failed, { why }) : strings.saved);
  board.facts.refresh("kit");
}

export function cameraSection(body, brief, board, section) {
  const answer = el("p", { class: "answer", role: "status" });
  const table = el("div", {});
  const lenses = el("div", {});
  const form = el("form", { novalidate: true }, field("pixel_um", strings.pixel), field("trail_px", strings.trail), field("sensor_width_mm", strings.sensorWidth), field("sensor_height_mm", strings.sensorHeight), el("button", {}, strings.save));
  const add = el("form", { novalidate: true }, el("h3", {}, strings.lensAdd), field("name", strings.lensName, "", { maxlength: 40 }), field("focal_mm", strings.focal, ""), field("exposure_s", strings.exposureWish, ""), el("button", {}, strings.lensAdd));
  body.append(table, lenses, add, el("h3", {}, strings.cameraOnly), form, answer);
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const { values, bad } = read(form, ["pixel_um", "trail_px", "sensor_width_mm", "sensor_height_mm"]);
    if (bad) put(answer, bad);
    else save(board, (k) => Object.assign(k, values), answer);
  });
  add.addEventListener("submit", (e) => {
    e.preventDefault();
    const { values, bad } = read(add, ["focal_mm", "exposure_s"]);
    if (bad) {
      put(answer, bad);
      return;
    }
    const name = add.elements.name.value.trim() || fill(strings.lensMm, { mm: values.focal_mm });
    save(board, (k) => k.lenses.push({ name, ...values }), answer);
    add.reset();
  });
  board.facts.on("kit", (k) => {
    put(brief, k.lenses.map((l) => l.name).join(", ") || strings.notSet);
    if (!form.contains(document.activeElement)) for (const n of ["pixel_um", "trail_px", "sensor_width_mm", "sensor_height_mm"]) form.elements[n].value = number(k[n], k[n] % 1 ? 2 : 0);
    lenses.replaceChildren(
      ...k.lenses.map((l, i) =>
        el("div", { class: "row between" }, el("span", {}, fill(strings.lens, { lens: l.name, exposure: exposure(l.exposure_s) })), el("button", { type: "button", "aria-label": fill(strings.lensDrop, { lens: l.name }), click: () => save(board, (x) => x.lenses.splice(i, 1), answer) }, strings.drop)),
      ),
    );
    if (section.open) load();
  });
  section.addEventListener("toggle", () => section.open && load());
  async function load() {
    if (!(await board.exists("/api/v1/exposure"))) return;
    const { data, why } = await board.ask("GET", "/api/v1/exposure");
    table.replaceChildren(data ? exposures(data) : el("p", {}, fill(strings.notNow, { why })));
  }
}

/** exposures is the table of what the alignment allows and each wish needs. */
function exposures(e) {
  return el(
    "table",
    {},
    el("caption", {}, strings.exposureTitle),
    el("thead", {}, el("tr", {}, ...[strings.exposureLens, strings.exposureLongest, strings.exposureNeeds].map((t) => el("th", { scope: "col" }, t)))),
    el(
      "tbody",
      {},
      ...e.lenses.map((l) =>
        el(
          "tr",
          {},
          el("th", { scope: "row" }, mark("mark-" + (VERDICTS[l.verdict] ?? "open")), " ", fill(strings.lens, { lens: l.lens, exposure: exposure(l.exposure_s) }), " ", el("small", {}, strings.verdict[l.verdict] ?? l.verdict)),
          el("td", {}, l.sure_s ? atMost(l.sure_s) : strings.notKnown),
          el("td", {}, l.allowed_arcmin ? arc(l.allowed_arcmin) : strings.notKnown),
        ),
      ),
    ),
  );
}

export function finderSection(body, brief, board) {
  const answer = el("p", { class: "answer", role: "status" });
  const form = el("form", { novalidate: true });
  body.append(form, answer);
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const { values, bad } = read(form, ["field_deg", "limit_mag", "rotation_deg"]);
    if (bad) {
      put(answer, bad);
      return;
    }
    const circles = [];
    for (const part of form.elements.circles.value.split(/[;\n]/).filter((t) => t.trim())) {
      const [year, radius] = part.split("=").map((t) => parse(t ?? ""));
      if (Number.isNaN(year) || Number.isNaN(radius ?? NaN)) {
        form.elements.circles.setAttribute("aria-invalid", "true");
        put(answer, strings.circlesBad);
        return;
      }
      circles.push({ year, radius_arcmin: radius });
    }
    const finder = { ...values, view: chosen(form, "view"), scale_hours: Number(chosen(form, "hours")), counterclockwise: chosen(form, "sense") === "against", circles };
    save(board, (k) => (k.finder = finder), answer);
  });
  board.facts.on("kit", (k) => {
    const f = k.finder;
    if (!f) return;
    put(brief, fill(strings.finderBrief, { view: strings.view[f.view] ?? f.view, field: number(f.field_deg, 1) }));
    if (form.contains(document.activeElement)) return;
    form.replaceChildren(
      choice("view", strings.finderView, Object.entries(strings.view), f.view),
      el("p", { class: "note" }, strings.finderViewHelp),
      field("field_deg", strings.finderField, number(f.field_deg, f.field_deg % 1 ? 1 : 0)),
      field("limit_mag", strings.finderLimit, number(f.limit_mag, 1)),
      choice("hours", strings.finderScale, [["12", "12"], ["24", "24"], ["0", strings.none]], f.scale_hours),
      choice("sense", strings.finderSense, [["with", strings.senseWith], ["against", strings.senseAgainst]], f.counterclockwise ? "against" : "with"),
      field("rotation_deg", strings.finderRotation, number(f.rotation_deg, f.rotation_deg % 1 ? 1 : 0)),
      field("circles", strings.finderCircles, (f.circles ?? []).map((c) => `${Math.round(c.year)} = ${number(c.radius_arcmin, 1)}`).join("; "), { placeholder: "2020 = 39.5; 2030 = 36.8" }),
      el("p", { class: "note" }, strings.finderCirclesHelp),
      el("button", {}, strings.save),
    );
  });
}
