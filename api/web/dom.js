// The two smallest helpers of the page.

export const $ = (id) => document.getElementById(id);

/** put changes text only when it differs: cheaper, and quiet for screen readers. */
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
