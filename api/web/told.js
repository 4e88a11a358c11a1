// What the board says, in the language of this page. The board speaks English;
// board.de.js knows its sentences. What has no words there stays English and is
// marked so.
import { strings } from "/words.js";
import { el } from "/dom.js";

let table = null;
const known = new Map(); // text -> German or null

/** ready tells when told may be asked; without the table all stays English. */
export const ready =
  strings.lang !== "de"
    ? Promise.resolve()
    : import("/board.de.js").then(
        (m) => {
          table = compile(m.default);
        },
        () => {},
      );

/** told is a sentence of the board in the page's language, or null. */
export function told(text, code) {
  if (!text || !table) return null;
  return sentence(text) ?? byCode(code);
}

/** reason is why something was refused, as text: what has no words here is kept beside them. */
export function reason(text, code) {
  if (!text) return null;
  const general = table && byCode(code);
  return told(text) ?? (general ? general + " (" + text + ")" : text);
}

/** teller makes an element of a sentence; the board's English is marked so. */
export function teller(text, code, tag = "span", name = null) {
  const own = told(text, code);
  // What stands alone begins with a capital.
  const said = own ?? text;
  return el(tag, { class: name, lang: own === null && strings.lang !== "en" ? "en" : null }, said.charAt(0).toUpperCase() + said.slice(1));
}

function byCode(code) {
  if (!code) return null;
  return table.codes[code] ?? Object.entries(table.codes).find(([k]) => k.endsWith("*") && code.startsWith(k.slice(0, -1)))?.[1] ?? null;
}

function compile({ codes, sentences }) {
  const rows = sentences.map(([english, own]) => {
    const parts = english.split("{}");
    const first = parts[0].slice(0, 1);
    // A part of a sentence may begin one, and the other way round.
    parts[0] = parts[0].slice(1);
    const head = /[a-z]/i.test(first) ? `[${first.toLowerCase()}${first.toUpperCase()}]` : escape(first);
    const text = parts.map(escape);
    // Places side by side: where one ends is told by what can be put into words.
    const forms = text.length > 2 ? ["(.*?)", "(.*)"] : ["(.*)"];
    return { forms: forms.map((f) => new RegExp("^" + head + text.join(f) + "$", "s")), own, weight: english.length };
  });
  rows.sort((a, b) => b.weight - a.weight);
  return { codes, rows };
}

function escape(text) {
  return text.replace(/[.*+?^${}()|[\]\\/]/g, "\\$&");
}

/** sentence puts a whole text into the page's language, or gives null. */
function sentence(text) {
  if (known.has(text)) return known.get(text);
  if (known.size > 500) known.clear(); // ages and figures make ever new texts
  known.set(text, null); // of a part that holds itself
  let own = whole(text);
  // Sentences in a row, and parts of one: each on its own.
  for (const cut of [". ", ": ", "; ", ", "]) {
    for (let i = text.indexOf(cut); own === null && i > 0; i = text.indexOf(cut, i + 1)) {
      const head = sentence(text.slice(0, i));
      if (head === null) continue;
      const tail = part(text.slice(i + 2));
      own = tail === null ? null : head + cut + tail;
      const joined = own === null ? sentence(text.slice(i)) : null;
      if (joined !== null) own = head + joined;
    }
  }
  if (own === null && text.endsWith(".")) {
    const bare = sentence(text.slice(0, -1));
    if (bare !== null) own = bare + ".";
  }
  known.set(text, own);
  return own;
}

function whole(text) {
  for (const { forms, own } of table.rows) {
    for (const form of forms) {
      const m = form.exec(text);
      if (!m) break;
      const filled = insert(own, m.slice(1));
      if (filled !== null) return /^[A-Z]/.test(text) ? filled.charAt(0).toUpperCase() + filled.slice(1) : filled;
    }
  }
  return null;
}

/** insert fills {}, {=} and {2} of a template; null when a part stays foreign. */
function insert(template, values) {
  let n = 0;
  let foreign = false;
  const out = template.replace(/\{(=?)(\d*)\}/g, (_, raw, place) => {
    const value = values[place === "" ? n++ : Number(place) - 1] ?? "";
    if (raw) return value;
    const own = part(value);
    foreign ||= own === null;
    return own;
  });
  return foreign ? null : out;
}

/** part puts what stands in a sentence into the page's language: a figure, a name, words. */
function part(value) {
  const lead = /^[:;,] /.exec(value);
  if (lead) {
    const rest = part(value.slice(2));
    return rest === null ? null : lead[0] + rest;
  }
  if (!/[A-Za-z]{2}/.test(value) || /^[^ ]*\d[^ ]*$/.test(value)) return figure(value);
  if (/^[-+−\d.,]+ (km|min|µT|mm)$/.test(value)) return figure(value);
  const own = sentence(value);
  if (own !== null) return own;
  return /^("[^"]*"|[A-Z][\w.-]*)$/.test(value) ? value : null; // a name
}

/** figure writes 3.5 as this language does; an address or a date stays. */
function figure(value) {
  return /\d\.\d+\.\d|\d-\d\d-|^0x/.test(value) ? value : value.replace(/(\d)\.(\d)/g, "$1" + strings.decimal + "$2");
}
