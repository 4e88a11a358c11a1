// How the board and its sensors fare, and what to do about it.
import { strings, fill, number, span } from "/words.js";
import { el, put, mark } from "/dom.js";
import { teller } from "/told.js";

export function healthSection(body, brief, { facts }) {
  facts.on("health", (h) => {
    const bad = h.sensors.filter((s) => s.state !== "ok").length;
    put(brief, h.status === "silent" ? strings.healthSilent : bad ? fill(strings.healthBad, { n: bad, of: h.sensors.length }) : strings.healthOk);
    body.replaceChildren(
      el("ul", { class: "sensors" }, ...h.sensors.map(sensor)),
      el("p", {}, fill(strings.healthLoop, { late: h.loop.late, ticks: h.loop.ticks, version: h.version, listeners: h.listeners })),
    );
  });
}

function sensor(s) {
  const faults = Object.entries(s.faults).map(([name, n]) => `${strings.fault[name] ?? name} ${n}`).join(", ");
  const facts = [
    s.rate_hz ? fill(strings.sensorRate, { hz: number(s.rate_hz, 0) }) : null,
    s.temp_c !== null ? fill(strings.sensorTemp, { c: number(s.temp_c, 1) }) : null,
    s.age_s !== null && s.age_s > 1 ? fill(strings.sensorAge, { time: span(s.age_s) }) : null,
    s.errors ? fill(strings.sensorErrors, { n: s.errors, faults, back: s.recoveries }) : strings.sensorNoErrors,
    s.clipped ? fill(strings.sensorClipped, { n: s.clipped }) : null,
    s.overruns ? fill(strings.sensorOverruns, { n: s.overruns }) : null,
  ].filter(Boolean);
  return el(
    "li",
    {},
    mark({ ok: "mark-yes", starting: "mark-settling" }[s.state] ?? "mark-lost"),
    el(
      "div",
      {},
      el("b", {}, `${strings.sensor[s.name] ?? s.name}: ${strings.sensorState[s.state] ?? s.state}`),
      el("p", { class: "note" }, s.device),
      s.state !== "ok" && s.advice ? teller(s.advice, null, "p") : null,
      s.state !== "ok" && s.last_error ? el("p", { class: "note", lang: "en" }, s.last_error) : null,
      el("p", { class: "note" }, facts.join("; ") + "."),
    ),
  );
}
