// Guided calibrations, one step at a time, with a picture of what is still
// missing.
import { strings, fill, number } from "/words.js";
import { el, draw, put, mark } from "/dom.js";
import { told, teller } from "/told.js";

const PATH = "/api/v1/calibrations";
const SESSION = PATH + "/session";
const LOOK_MS = 700;
const KINDS = ["board", "swing", "head", "in-place"];

export function calibrationSection(body, brief, { ask, exists, facts }, section) {
  const answer = el("div", { class: "answer", role: "status" });
  const parts = el("ul", {});
  const ways = el("div", {});
  const running = el("div", { class: "sheet", hidden: true });
  const offer = el("div", {});
  body.append(parts, offer, running, answer, ways);
  let looking = null;

  facts.on("health", () => facts.get("calibrations") && list(facts.get("calibrations")));
  facts.on("calibrations", (c) => {
    list(c);
    showOffer(c.offer);
    show(c.session);
  });

  /** list shows each part that the fitted sensors can have. */
  function list(c) {
    const has = (part) => c.in_use.find((x) => x.part === part);
    const sensors = facts.get("health")?.sensors.map((s) => s.name) ?? null;
    const fitted = (name, otherwise) => sensors?.includes(name) ?? otherwise;
    const wanted = ["accelerometer", ...(fitted("inertial2", false) ? ["second accelerometer"] : []), ...(fitted("magnetic", true) ? ["compass"] : []), ...(fitted("magnetic2", false) ? ["second compass"] : []), "axis"];
    const missing = wanted.filter((p) => !has(p));
    put(brief, missing.length ? fill(strings.calibrationMissing, { parts: missing.map((p) => strings.calibrated[p]).join(", ") }) : strings.calibrationWhole);
    parts.replaceChildren(
      ...[...wanted, ...(fitted("magnetic", true) ? ["turn check"] : []), "temperature"].map((p) => {
        const x = has(p);
        const about = x ? fill(strings.calibrationLeaves, { sigma: x.sigma_deg === null ? strings.notKnown : number(x.sigma_deg, 2) + "°", method: strings.method[x.method] ?? x.method }) : strings.calibrationNone;
        return el("li", {}, mark(x ? "mark-yes" : "mark-no"), el("span", {}, el("b", {}, strings.calibrated[p]), " ", about));
      }),
    );
  }

  /** showOffer tells what the nights teach, and asks before it is used. */
  function showOffer(o) {
    const of = (name) => o.figures.find((f) => f.name === name)?.value ?? null;
    if (o?.state === "refused") put(offer, fill(strings.offerRefused, { why: told(o.reason) ?? o.reason }));
    else if (o?.state !== "open") offer.replaceChildren();
    else {
      const text = fill(strings.offerOpen, { nights: number(of("nights"), 0), before: number(of("held_back_before_deg"), 3), after: number(of("held_back_after_deg"), 3) });
      offer.replaceChildren(el("p", {}, text), el("button", { type: "button", click: accept }, strings.offerAccept));
    }
  }

  async function accept() {
    const { why } = await ask("POST", PATH + "/offer/accept");
    put(answer, why ? fill(strings.failed, { why }) : "");
    facts.refresh("calibrations");
  }

  ways.append(
    el("p", {}, strings.calibrationOrder),
    ...KINDS.map((kind) =>
      el(
        "section",
        {},
        el("h3", {}, strings.calibrate[kind].name),
        el("p", {}, strings.calibrate[kind].text),
        el("button", { type: "button", click: () => begin(kind) }, fill(strings.calibrationBegin, { what: strings.calibrate[kind].name })),
      ),
    ),
  );
  section.addEventListener("toggle", async () => {
    if (!section.open) return;
    if (!(await exists(PATH))) put(answer, strings.notOffered);
    else facts.refresh("calibrations");
  });

  async function begin(kind) {
    const { data, why } = await ask("POST", PATH, { kind });
    put(answer, why ? fill(strings.failed, { why }) : "");
    if (!data) return;
    show(data);
    running.querySelector("button")?.focus();
    section.scrollIntoView({ block: "start" });
  }

  /** show draws the running session; null: none. */
  function show(s) {
    running.hidden = s === null;
    ways.hidden = s !== null;
    clearTimeout(looking);
    if (s === null) {
      running.replaceChildren();
      return;
    }
    if (running.dataset.kind !== s.kind || !running.firstChild) {
      running.dataset.kind = s.kind;
      running.replaceChildren(
        el("h3", {}, strings.calibrate[s.kind].name),
        el("p", { class: "total", "aria-live": "polite" }),
        el("div", { class: "pictures" }),
        el("p", { class: "note still" }),
        el("div", { class: "row" }, el("button", { type: "button", class: "finish", click: finish }, strings.calibrationFinish), el("button", { type: "button", click: cancel }, strings.cancel)),
      );
    }
    const total = running.querySelector(".total");
    const message = told(s.message);
    total.lang = message === null ? "en" : strings.lang;
    put(total, message ?? s.message);
    put(running.querySelector(".still"), s.still ? strings.calibrationStill : strings.calibrationMoves);
    running.querySelector(".finish").disabled = !s.ready;
    running.querySelector(".pictures").replaceChildren(
      ...[
        s.next_up ? board(s.next_up, strings.pictureNext) : s.gap ? board(s.gap, strings.pictureGap) : null,
        s.want_directions ? meter(strings.meterPoses, s.directions, s.want_directions, String(s.directions)) : null,
        s.coverage !== null && s.want_coverage !== null ? meter(strings.meterCoverage, s.coverage, s.want_coverage, number(s.coverage * 100, 0) + " %") : null,
        s.turned_deg !== null && s.want_turn_deg !== null ? dial(s.turned_deg, s.want_turn_deg) : null,
      ].filter(Boolean),
    );
    looking = setTimeout(look, LOOK_MS);
  }

  async function look() {
    if (!section.open || document.hidden || !section.offsetParent) {
      looking = setTimeout(look, LOOK_MS);
      return;
    }
    const { data, status } = await ask("GET", SESSION);
    if (data) show(data);
    else if (status === 409) facts.refresh("calibrations");
    else looking = setTimeout(look, 3 * LOOK_MS); // the link is lost; the session may go on
  }

  async function finish() {
    clearTimeout(looking);
    put(answer, strings.calibrationFits);
    const { data, why } = await ask("POST", SESSION + "/finish");
    if (data) {
      answer.replaceChildren(
        ...data.parts.map((p) =>
          el("p", {}, el("b", {}, strings.calibrated[p.part] + ": "), p.accepted ? fill(strings.calibrationAccepted, { sigma: p.sigma_deg === null ? strings.notKnown : number(p.sigma_deg, 2) + "°" }) : strings.calibrationRefused, " ", teller(p.reason ?? p.note ?? "")),
        ),
        ...(data.not_kept ? [teller(data.not_kept, null, "p")] : []),
      );
    } else put(answer, fill(strings.failed, { why }));
    facts.refresh("calibrations");
  }

  async function cancel() {
    const { why } = await ask("DELETE", SESSION);
    put(answer, why ? fill(strings.failed, { why }) : strings.calibrationCancelled);
    facts.refresh("calibrations");
  }
}

/** meter fills towards what is wanted. */
function meter(words, value, want, text) {
  const share = Math.min(value / want, 1);
  const bar = el("span", {});
  bar.style.width = (share * 100).toFixed(0) + "%";
  return el("div", {}, el("p", {}, fill(words, { value: text })), el("div", { class: "meter", role: "img", "aria-label": fill(words, { value: text }) }, bar));
}

/** dial shows a turn as an arc, with a tick at what is wanted. */
function dial(turned, want) {
  const at = (deg, r) => `${(r * Math.sin((deg * Math.PI) / 180)).toFixed(1)} ${(-r * Math.cos((deg * Math.PI) / 180)).toFixed(1)}`;
  const shown = Math.min(Math.abs(turned), 359.9);
  return draw(
    "svg",
    { class: "dial", viewBox: "-60 -60 120 120", role: "img", "aria-label": fill(strings.dialLabel, { deg: number(Math.abs(turned), 0), want: number(want, 0) }) },
    draw("circle", { class: "grid", r: 50 }),
    draw("path", { class: "arc", d: `M0 -50A50 50 0 ${shown > 180 ? 1 : 0} 1 ${at(shown, 50)}` }),
    draw("path", { d: `M${at(want, 42)}L${at(want, 58)}` }),
    draw("text", { y: 6, "text-anchor": "middle" }, number(Math.abs(turned), 0) + "°"),
  );
}

/**
 * board draws the board as a slab seen from behind its left shoulder, and an arrow
 * out of it in one of its own directions.
 */
function board(v, words) {
  // Forward goes up and right on the paper, left goes left, up goes up.
  const flat = (f, l, u) => [34 * f - 40 * l, -22 * f - 40 * u];
  const corner = (f, l) => flat(f, l, 0).map((c) => c.toFixed(1)).join(" ");
  const [x, y] = flat(v.forward, v.left, v.up).map((c) => c * 1.25);
  const length = Math.hypot(x, y) || 1;
  const [ux, uy] = [x / length, y / length];
  const back = (k) => `${(x - 9 * ux + k * 6 * uy).toFixed(1)} ${(y - 9 * uy - k * 6 * ux).toFixed(1)}`;
  const parts = [["forward", strings.sideForward, strings.sideBack], ["left", strings.sideLeft, strings.sideRight], ["up", strings.sideUp, strings.sideDown]]
    .filter(([k]) => Math.abs(v[k]) > 0.35)
    .sort((a, b) => Math.abs(v[b[0]]) - Math.abs(v[a[0]]))
    .map(([k, plus, minus]) => (v[k] > 0 ? plus : minus));
  const text = fill(words, { side: parts.join(strings.sideAnd) });
  return el(
    "div",
    {},
    draw(
      "svg",
      { class: "board", viewBox: "-90 -70 180 140", role: "img", "aria-label": text },
      draw("path", { d: `M${corner(1, 1)}L${corner(1, -1)}L${corner(-1, -1)}L${corner(-1, 1)}Z` }),
      draw("path", { class: "edge", d: `M${corner(1, 0.5)}L${corner(1, -0.5)}` }),
      draw("path", { class: "arc", d: `M0 0L${x.toFixed(1)} ${y.toFixed(1)}M${back(1)}L${x.toFixed(1)} ${y.toFixed(1)}L${back(-1)}` }),
    ),
    el("p", {}, text),
  );
}
