// Where and when: site, clock, and whether this phone may set them.
import { strings, fill, number, parse, parseAngle, span } from "/words.js";
import { el, put, field, keep, kept } from "/dom.js";
import { setClock } from "/first.js";

function savedSites() {
  try {
    const list = JSON.parse(kept("sites") ?? "[]");
    return Array.isArray(list) ? list : [];
  } catch {
    return [];
  }
}

export function siteSection(body, brief, { ask, facts }) {
  const now = el("p", {});
  const answer = el("p", { class: "answer", role: "status" });
  const saved = el("div", { class: "ways" });
  const form = el(
    "form",
    { novalidate: true },
    field("name", strings.siteName, "", { maxlength: 60 }),
    field("lat", strings.siteLat, "", { placeholder: strings.siteLatHint }),
    field("lon", strings.siteLon, "", { placeholder: strings.siteLonHint }),
    field("height", strings.siteHeight, "", { placeholder: "0" }),
    el("p", { class: "note" }, strings.siteForms),
    el("button", {}, strings.siteSet),
  );
  const input = (name) => form.elements[name];
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const lat = parseAngle(input("lat").value, "NS");
    const lon = parseAngle(input("lon").value, "EW");
    const height = input("height").value.trim() === "" ? 0 : parse(input("height").value);
    for (const [name, bad] of [["lat", !(Math.abs(lat) <= 90)], ["lon", !(lon >= -180 && lon <= 360)], ["height", Number.isNaN(height)]]) {
      input(name).setAttribute("aria-invalid", String(bad));
      if (bad) {
        put(answer, { lat: strings.siteLatBad, lon: strings.siteLonBad, height: strings.siteHeightBad }[name]);
        input(name).focus();
        return;
      }
    }
    const site = { name: input("name").value.trim(), lat_deg: lat, lon_deg: lon, height_m: height };
    const { why } = await ask("PUT", "/api/v1/site", site);
    put(answer, why ? fill(strings.failed, { why }) : strings.siteDone);
    if (why) return;
    const others = savedSites().filter((s) => s.lat_deg !== site.lat_deg || s.lon_deg !== site.lon_deg);
    keep("sites", JSON.stringify([site, ...others].slice(0, 8)));
    offer();
    facts.refresh("site");
  });
  /** offer lists the sites that this phone has sent before. */
  function offer() {
    saved.replaceChildren(
      ...savedSites().map((s) =>
        el("button", { type: "button", click: () => take(s) }, s.name || fill(strings.siteAt, { lat: number(s.lat_deg, 4), lon: number(s.lon_deg, 4) })),
      ),
    );
  }
  function take(s) {
    input("name").value = s.name ?? "";
    input("lat").value = number(s.lat_deg, 5);
    input("lon").value = number(s.lon_deg, 5);
    input("height").value = number(s.height_m, 0);
    input("lat").focus();
  }
  const here = isSecureContext && "geolocation" in navigator
    ? el("button", { type: "button", click: () => locate() }, strings.siteHere)
    : el("p", { class: "note" }, strings.siteNoPhone);
  function locate() {
    put(answer, strings.waiting);
    navigator.geolocation.getCurrentPosition(
      (p) => {
        take({ lat_deg: p.coords.latitude, lon_deg: p.coords.longitude, height_m: p.coords.altitude ?? 0 });
        put(answer, "");
      },
      (e) => put(answer, fill(strings.failed, { why: e.message })),
      { enableHighAccuracy: true, timeout: 60000 },
    );
  }
  offer();
  body.append(now, saved, form, answer, here);
  facts.on("site", (s) => {
    put(brief, s.known ? (s.name ?? fill(strings.siteAt, { lat: number(s.lat_deg, 2), lon: number(s.lon_deg, 2) })) : strings.notSet);
    const lines = s.known
      ? [fill(strings.siteNow, { lat: number(s.lat_deg, 4), lon: number(s.lon_deg, 4), height: number(s.height_m, 0), source: strings.siteSource[s.source] ?? s.source })]
      : [strings.siteUnknown];
    if (s.field) {
      lines.push(fill(strings.siteField, { declination: number(s.field.declination_deg, 1), sigma: number(s.field.declination_sigma_deg, 1) }));
      if (s.field.zone !== "ok") lines.push(strings.zone[s.field.zone] ?? s.field.zone);
    }
    put(now, lines.join(" "));
  });
}

export function clockSection(body, brief, { facts }) {
  const now = el("p", {});
  const difference = el("p", { class: "total" });
  const answer = el("p", { class: "answer", role: "status" });
  const set = el("button", { type: "button" }, strings.clockSet);
  set.addEventListener("click", async () => {
    const { why } = await setClock();
    put(answer, why ? fill(strings.failed, { why }) : strings.clockDone);
    if (!why) facts.refresh("clock");
  });
  body.append(now, difference, set, answer, el("p", { class: "note" }, strings.clockNote));
  facts.on("clock", (c) => {
    const off = facts.offsetS;
    const close = off !== null && Math.abs(off) < 1.5;
    put(brief, !c.plausible ? strings.notKnown : close ? strings.clockAgrees : fill(strings.clockOff, { time: span(off) }));
    put(difference, off === null ? strings.clockUnknown : close ? strings.clockSame : fill(off > 0 ? strings.clockAhead : strings.clockBehind, { time: span(off) }));
    put(now, fill(strings.clockSource, { source: strings.clockFrom[c.source] ?? c.source ?? strings.notKnown, sigma: c.sigma_s === null ? strings.notKnown : "± " + span(c.sigma_s) }));
  });
}

export function pairingSection(body, brief, { pairing }) {
  const pair = el("button", { type: "button", click: () => pairing.want(true) }, strings.pairingTitle);
  const text = el("p", {});
  body.append(text, pair, el("p", { class: "note" }, strings.pairingNote));
  const show = () => {
    put(brief, pairing.paired ? strings.pairingYes : strings.pairingNo);
    put(text, pairing.paired ? strings.pairingDone : strings.pairingText);
    pair.hidden = pairing.paired;
  };
  pairing.onChange(show);
  show();
}
