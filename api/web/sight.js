// Sightings: something of known place in the night sky or on the ground, sighted along
// the axis, corrects what the sensors say.
import { strings, fill, number, parse, parseAngle, clock } from "/words.js";
import { el, put, field, choice, chosen } from "/dom.js";

const PATH = "/api/v1/sightings";

export function sightSection(body, brief, { ask, exists, facts }, section) {
  const answer = el("p", { class: "answer", role: "status" });
  const what = el("div", {});
  const more = el("div", {});
  const take = el("button", {}, strings.sightTake);
  const form = el("form", { novalidate: true }, what, more, take, answer);
  const taken = el("div", {});
  let bodies = [];
  body.append(el("p", {}, strings.sightWhat), form, taken);

  section.addEventListener("toggle", () => section.open && load());

  async function load() {
    if (!(await exists(PATH))) {
      put(answer, strings.notOffered);
      return;
    }
    list();
    let why = strings.skyNeeds;
    bodies = [];
    if (facts.skyKnown) {
      const got = await ask("GET", "/api/v1/sightable");
      bodies = got.data?.bodies ?? [];
      why = got.why;
    }
    put(answer, bodies.length || !why ? "" : fill(strings.notNow, { why }));
    const options = bodies.map((b, i) => [String(i), b.kind === "pole-star" ? fill(strings.sightPoleStar, { name: b.name }) : (strings.body[b.name] ?? b.name)]);
    what.replaceChildren(choice("what", strings.sightKind, [...options, ["landmark", strings.landmark]], options.length ? options.find(([i]) => bodies[i].kind === "pole-star")?.[0] ?? "0" : "landmark", questions));
    questions();
  }

  /** questions shows what must be said about the chosen body. */
  function questions() {
    const b = bodies[chosen(form, "what")];
    const parts = [];
    if (b?.caution) {
      parts.push(el("p", { class: "caution", role: "alert" }, strings.sunCaution));
      parts.push(el("label", { class: "check" }, el("input", { type: "checkbox", name: "by_shadow" }), el("span", {}, strings.byShadow)));
    }
    if (b) {
      parts.push(el("p", {}, fill(strings.sightAt, { alt: number(b.altitude_deg, 0), az: number(b.azimuth_deg, 0) })));
      parts.push(choice("how", strings.sightHow, [["along", strings.sightAlong], ["above", strings.sightAbove], ...(b.caution ? [] : [["centred", strings.sightCentred]])], "along"));
    } else {
      parts.push(choice("how", strings.sightHow, [["along", strings.sightAlong], ["above", strings.sightAbove]], "along"));
      parts.push(field("bearing", strings.bearing), el("p", {}, strings.sightOr), field("mark_lat", strings.siteLat), field("mark_lon", strings.siteLon), field("mark_height", strings.markHeight));
    }
    parts.push(field("sigma", strings.sightSigma));
    more.replaceChildren(...parts);
  }

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const b = bodies[chosen(form, "what")];
    const q = b ? { kind: b.kind, how: chosen(form, "how") } : { kind: "landmark", how: chosen(form, "how") };
    if (b?.kind === "planet" || b?.kind === "star") q.body = b.body;
    if (b?.caution) q.by_shadow = form.elements.by_shadow.checked;
    if (q.by_shadow === false) {
      put(answer, strings.byShadowFirst);
      form.elements.by_shadow.focus();
      return;
    }
    const read = { sigma: ["sigma_deg", parse], bearing: ["bearing_deg", parse], mark_lat: ["lat_deg", (t) => parseAngle(t, "NS")], mark_lon: ["lon_deg", (t) => parseAngle(t, "EW")], mark_height: ["height_m", parse] };
    for (const [name, [key, f]] of Object.entries(read)) {
      const input = form.elements[name];
      const text = input?.value.trim() ?? "";
      if (text === "") continue;
      q[key] = f(text);
      input.setAttribute("aria-invalid", String(Number.isNaN(q[key])));
      if (Number.isNaN(q[key])) {
        put(answer, fill(strings.notANumber, { what: form.querySelector(`label[for="${input.id}"]`).textContent }));
        input.focus();
        return;
      }
    }
    send(q);
  });

  async function send(q) {
    const { why, code } = await ask("POST", PATH, q);
    answer.replaceChildren(why ? fill(strings.failed, { why }) : strings.sightTaken);
    if (code === "contradiction") answer.append(" ", el("button", { type: "button", click: () => send({ ...q, sure: true }) }, strings.sure));
    if (!why) list();
  }

  async function list() {
    const { data } = await ask("GET", PATH);
    if (!data) return;
    const inUse = data.sightings.filter((s) => s.in_use);
    put(brief, inUse.length ? fill(strings.sightsInUse, { n: inUse.length }) : strings.none);
    const rows = data.sightings.slice(-5).reverse().map((s) => {
      const where = [
        s.altitude_deg === null ? null : fill(strings.sightAltitude, { deg: number(s.altitude_deg, 2), sigma: number(s.altitude_sigma_deg, 2) }),
        s.azimuth_deg === null ? null : fill(strings.sightAzimuth, { deg: number(s.azimuth_deg, 2), sigma: number(s.azimuth_sigma_deg, 2) }),
      ].filter(Boolean);
      const state = s.revoked ? strings.sightRevoked : s.in_use ? strings.sightInUse : strings.sightOld;
      return el("li", {}, el("span", {}, `${clock(s.time)} ${strings.body[s.body] ?? s.body ?? strings.landmark}: ${where.join(", ")} (${state})`));
    });
    const revoke = el("button", { type: "button" }, strings.sightRevoke);
    revoke.addEventListener("click", async () => {
      const { why } = await ask("DELETE", PATH);
      put(answer, why ? fill(strings.failed, { why }) : strings.sightsRevoked);
      list();
    });
    taken.replaceChildren(...(rows.length ? [el("h3", {}, strings.sightTitle), el("ul", {}, ...rows)] : []), ...(inUse.length ? [revoke] : []));
  }
}
