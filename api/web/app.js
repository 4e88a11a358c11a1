// Wires the page together. What the first look does not need is loaded after it.
import { strings } from "/words.js";
import { $, label } from "/dom.js";
import { Aim } from "/aim.js";
import { Link } from "/link.js";

document.title = strings.page;
label(document);

const aim = new Aim();
const PLACES = ["aim", "star", "night", "kit"];
let later = null; // everything behind the first look
let newest = null;
let linked = false;

/** go shows one place; part is a section in it: #kit/site. */
async function go(first) {
  const [name, part] = location.hash.slice(1).split("/");
  const place = PLACES.includes(name) ? name : "aim";
  for (const p of PLACES) $("place-" + p).hidden = p !== place;
  for (const a of $("places").querySelectorAll("a")) {
    if (a.getAttribute("href") === "#" + place) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  if (!first) {
    scrollTo(0, 0);
    $("place-" + place).focus({ preventScroll: true });
  }
  if (later || place !== "aim") (await loadLater()).open(place, part);
}

function loadLater() {
  later ??= import("/later.js").then((m) => {
    const all = m.wire(aim);
    if (newest) all.follow(newest);
    return all;
  });
  return later;
}

go(true);
addEventListener("hashchange", () => go(false));

new Link(
  "/api/v1/guidance/stream?events=new",
  globalThis.early,
  async (g) => {
    newest = g;
    aim.show(g);
    if (!linked) {
      linked = true;
      // The first numbers are painted before more is loaded.
      requestAnimationFrame(() =>
        setTimeout(async () => {
          const first = later === null;
          const all = await loadLater();
          all.linked();
          if (first) go(true);
        }),
      );
      return;
    }
    if (later) (await later).follow(g);
  },
  async (e) => (await loadLater()).happened(e),
  async (seconds) => {
    linked = false;
    newest = null;
    aim.lose(seconds);
    if (later) (await later).lose();
  },
);

// Without a board too, the other places and the settings of the screen must open.
setTimeout(async () => {
  const first = later === null;
  await loadLater();
  if (first) go(true);
}, 1500);
