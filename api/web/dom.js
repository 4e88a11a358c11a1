// The smallest helpers of the page: elements, labels, kept choices.
import { strings } from "/words.js";

export const $ = (id) => document.getElementById(id);

/** put changes text only when it differs: cheaper, and quiet for screen readers. */
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** label writes the words that the markup names in data-s. */
export function label(root) {
  for (const e of root.querySelectorAll("[data-s]")) put(e, strings[e.dataset.s]);
  for (const e of root.querySelectorAll("[data-s-label]")) e.setAttribute("aria-label", strings[e.dataset.sLabel]);
}

/** el makes an element; attributes that are null are left out. */
export function el(tag, attributes = {}, ...children) {
  return fillIn(document.createElement(tag), attributes, children);
}

/** draw makes an SVG element. */
export function draw(tag, attributes = {}, ...children) {
  return fillIn(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

function fillIn(e, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "click") e.addEventListener("click", value);
    else if (value !== null && value !== false) e.setAttribute(name, value === true ? "" : value);
  }
  e.append(...children.filter((c) => c !== null));
  return e;
}

/** mark makes a small drawn sign of the sheet in index.html. */
export function mark(shape) {
  return draw("svg", { "aria-hidden": "true", class: "mark" }, draw("use", { href: "#" + shape }));
}

/** reshape changes the sign that a use element shows. */
export function reshape(use, shape) {
  if (use.getAttribute("href") !== "#" + shape) use.setAttribute("href", "#" + shape);
}

/**
 * choice makes a row of radio buttons: unlike a drop-down list it stays within
 * the page's own colours. options are [value, words].
 */
export function choice(name, legend, options, value, onChange) {
  const row = el("div", { class: "row choice" });
  for (const [v, words] of options) {
    const input = el("input", { type: "radio", name, value: v });
    input.checked = String(v) === String(value);
    input.addEventListener("change", () => onChange?.(v));
    row.append(el("label", {}, input, el("span", {}, words)));
  }
  return el("fieldset", { class: "choices" }, el("legend", {}, legend), row);
}

/** chosen is the value of a choice. */
export function chosen(root, name) {
  return root.querySelector(`input[name="${name}"]:checked`)?.value;
}

let fields = 0;

/** field makes a labelled line of input; unit is shown behind the label. */
export function field(name, words, value = "", attributes = {}) {
  const id = "field-" + ++fields;
  const input = el("input", { id, name, autocomplete: "off", inputmode: "text", ...attributes });
  input.value = value;
  return el("p", { class: "field" }, el("label", { for: id }, words), input);
}

/** keep and kept hold choices of this phone; a browser may refuse. */
export function keep(name, value) {
  try {
    localStorage.setItem(name, value);
  } catch {
    // the choice then lasts as long as the page
  }
}

export function kept(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null;
  }
}
