// Numbers and words: pure functions, no page and no network.
import strings from "/strings.en.js";

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

/** doubt writes a sigma with one digit that counts, two below 2 of it. */
export function doubt(sigma) {
  if (sigma >= 9.5) return number(sigma, 0);
  if (sigma >= 0.95) return number(sigma, 1);
  if (sigma >= 0.195) return number(sigma, 1);
  return number(Math.max(sigma, 0.01), 2);
}

export function number(v, digits) {
  return v.toFixed(digits).replace(".", strings.decimal);
}

/** exposure writes seconds as people say them. */
export function exposure(s) {
  if (s >= 120 && s % 60 === 0) return fill(strings.minutes, { n: s / 60 });
  return fill(strings.seconds, { n: number(s, s < 10 && s % 1 ? 1 : 0) });
}

/**
 * Way remembers one direction, so that its words do not flicker when the
 * amount hovers about a limit. A move much smaller than its doubt counts as
 * done: turning further would be chance.
 */
export class Way {
  #done = false;
  #shown = null;

  /** next takes amount and sigma in degrees, null when not known. */
  next(amount, sigma) {
    if (amount === null || sigma === null) {
      this.#done = false;
      this.#shown = null;
      return { kind: "blank" };
    }
    const size = Math.abs(amount);
    this.#done = size < Math.max((this.#done ? 0.7 : 0.35) * sigma, 0.02);
    if (this.#done) {
      this.#shown = null;
      return { kind: "done", sigma: doubt(sigma) };
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
