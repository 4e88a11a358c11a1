// Numbers and words: no page and no network but the file of words itself.
const { default: strings } = await import(document.documentElement.lang === "de" ? "/strings.de.js" : "/strings.en.js");

export { strings };

/** fill puts values into the {places} of a template. */
export function fill(template, values) {
  return template.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
}

/** degrees writes an amount with as many digits as its doubt deserves. */
export function degrees(value, sigma) {
  const v = Math.abs(value);
  const digits = v >= 10 ? 0 : v < 0.95 && sigma !== null && sigma < 0.05 ? 2 : 1;
  return number(v, digits);
}

/** doubt writes a sigma with one digit that counts, two below 0.2. */
export function doubt(sigma) {
  if (sigma >= 9.5) return number(sigma, 0);
  if (sigma >= 0.195) return number(sigma, 1);
  return number(Math.max(sigma, 0.01), 2);
}

export function number(v, digits) {
  return v.toFixed(digits).replace(".", strings.decimal).replace("-", "−");
}

/** size writes a number with two digits that count at least. */
export function size(v) {
  const a = Math.abs(v);
  return number(v, a >= 10 || a === 0 ? 0 : a >= 1 ? 1 : 2);
}

/** parse reads what a person typed as a number; NaN when it is none. */
export function parse(text) {
  const t = text.trim().replace(",", ".").replace("−", "-");
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(t) ? Number(t) : NaN;
}

/**
 * parseAngle reads 51.9, -31,6, 51 54 0 N or 139°18'E as degrees; NaN when it is
 * none. letters are those for positive and negative, such as "NS".
 */
export function parseAngle(text, letters) {
  let t = text.trim().toUpperCase().replace(/,/g, ".").replace(/−/g, "-").replace(/[°º'′’"″”:]/g, " ");
  let sign = 1;
  const side = t.match(/[A-Z]/g) ?? [];
  if (side.length > 1 || (side.length === 1 && !letters.includes(side[0]))) return NaN;
  if (side.length === 1) {
    if (t.includes("-") || t.includes("+")) return NaN;
    sign = side[0] === letters.at(-1) ? -1 : 1;
    t = t.replace(side[0], " ").trim();
  }
  const m = t.match(/^([-+]?)(\d+(?:\.\d*)?)(?:\s+(\d+(?:\.\d*)?))?(?:\s+(\d+(?:\.\d*)?))?\s*$/);
  if (!m) return NaN;
  const [whole, minutes, seconds] = [m[2], m[3], m[4]].map((x) => (x === undefined ? 0 : Number(x)));
  if (minutes >= 60 || seconds >= 60 || (m[3] !== undefined && m[2].includes(".")) || (m[4] !== undefined && m[3].includes("."))) return NaN;
  return sign * (m[1] === "-" ? -1 : 1) * (whole + minutes / 60 + seconds / 3600);
}

/** exposure writes seconds as people say them. */
export function exposure(s) {
  if (s >= 120 && s % 60 === 0) return fill(strings.minutes, { n: s / 60 });
  return fill(strings.seconds, { n: number(s, s < 10 && s % 1 ? 1 : 0) });
}

/** atMost keeps two digits of seconds, rounded down: longer would be too long. */
export function atMost(s) {
  const step = 10 ** Math.max(Math.floor(Math.log10(s)) - 1, -1);
  const r = Math.floor(s / step) * step;
  return r >= 600 ? fill(strings.minutes, { n: Math.floor(r / 60) }) : fill(strings.seconds, { n: number(r, step < 1 ? 1 : 0) });
}

/** arc writes an angle on the night sky in degrees or, when small, minutes of arc. */
export function arc(arcmin) {
  return arcmin >= 60 ? number(arcmin / 60, arcmin >= 600 ? 0 : 1) + "°" : number(arcmin, arcmin >= 10 ? 0 : 1) + "′";
}

/** clock writes a UTC time as this phone's time of day. */
export function clock(utc) {
  return new Date(utc).toLocaleTimeString(strings.lang, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
}

/** span writes a time span in plain units. */
export function span(s) {
  const a = Math.abs(s);
  if (a < 90) return fill(strings.seconds, { n: number(a, a < 10 ? 1 : 0) });
  if (a < 5400) return fill(strings.minutes, { n: number(a / 60, 0) });
  if (a < 36 * 3600) return fill(strings.hours, { n: number(a / 3600, 1) });
  return fill(strings.days, { n: number(a / 86400, 0) });
}

/** With a wider doubt, degrees on the night sky, nothing is called right: as in the board's own words. */
const VAGUE_DEG = 3;

/**
 * Way remembers one direction, so that its words do not flicker when the
 * amount hovers about a limit. A move much smaller than its doubt counts as
 * done: turning further would be chance.
 */
export class Way {
  #done = false;
  #shown = null;

  /**
   * next takes amount and sigma in degrees, null when not known, and how many degrees
   * on the night sky one of them makes. What is right only because the doubt is wide
   * counts as not known.
   */
  next(amount, sigma, arc = 1) {
    if (amount === null || sigma === null) {
      this.#done = false;
      this.#shown = null;
      return { kind: "blank" };
    }
    const size = Math.abs(amount);
    this.#done = size < Math.max((this.#done ? 0.7 : 0.35) * sigma, 0.02);
    if (this.#done) {
      this.#shown = null;
      return { kind: sigma * arc > VAGUE_DEG ? "blank" : "done", sigma: doubt(sigma) };
    }
    const step = size >= 10 ? 1 : size < 0.95 && sigma < 0.05 ? 0.01 : 0.1;
    const last = this.#shown;
    if (!last || last.step !== step || last.amount < 0 !== amount < 0 || Math.abs(amount - last.amount) > 0.7 * step) {
      const rounded = Math.round(amount / step) * step || Math.sign(amount) * step;
      this.#shown = { step, amount: rounded };
    }
    return {
      kind: "go",
      positive: this.#shown.amount > 0,
      strokes: size >= 3 ? 3 : size >= 0.5 ? 2 : 1,
      amount: degrees(this.#shown.amount, sigma),
      sigma: doubt(sigma),
    };
  }
}
