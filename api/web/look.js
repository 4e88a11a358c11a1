// Screen and sound: how the page looks and speaks on this phone.
import { strings } from "/words.js";
import { $, el, choice, keep, kept } from "/dom.js";

export class Look {
  #sound;

  constructor(sound) {
    this.#sound = sound;
    this.#awake();
    const open = $("look-open");
    open.addEventListener("click", () => {
      const box = $("look");
      if (!box.firstChild) this.#build(box);
      box.hidden = !box.hidden;
      open.setAttribute("aria-expanded", String(!box.hidden));
      if (!box.hidden) {
        scrollTo(0, 0);
        box.querySelector("input").focus({ preventScroll: true });
      }
    });
  }

  #build(box) {
    const root = document.documentElement;
    const dim = el("input", { type: "range", id: "dim", min: 0, max: 90, step: 5 });
    dim.value = kept("dim") ?? 0;
    dim.addEventListener("input", () => {
      root.style.setProperty("--veil", String(dim.value / 100));
      keep("dim", dim.value);
    });
    const modes = [["off", strings.soundOff], ["voice", strings.soundVoice], ["tone", strings.soundTone]];
    box.append(
      el("h2", { id: "look-title" }, strings.lookTitle),
      choice("theme", strings.lookTheme, [["night", strings.lookNight], ["day", strings.lookDay]], root.dataset.theme, (v) => theme(v)),
      el("p", { class: "field" }, el("label", { for: "dim" }, strings.lookDim), dim),
      choice("size", strings.lookSize, [["100", strings.lookSizeNormal], ["125", strings.lookSizeLarge], ["160", strings.lookSizeHuge]], kept("size") ?? "100", (v) => {
        keep("size", v);
        root.style.setProperty("--size", String(v / 100));
      }),
      choice("sound", strings.soundTitle, this.#sound.canSpeak ? modes : modes.filter((m) => m[0] !== "voice"), this.#sound.mode, (v) => this.#sound.use(v)),
      el("p", { class: "note" }, this.#sound.canSpeak ? strings.soundNote : strings.soundNoVoice),
      el("button", { type: "button", click: () => this.#sound.alarm(strings.alarmTrial) }, strings.alarmTry),
      // The language's own names, so that who reads no English finds it.
      choice("lang", strings.lookLanguage, [["en", "English"], ["de", "Deutsch"]], root.lang, (v) => {
        keep("lang", v);
        location.reload();
      }),
      el("p", { class: "note" }, isSecureContext ? strings.lookAwake : strings.lookAwakePlain),
    );
  }

  /** #awake keeps the screen on where the browser lets a page do that. */
  async #awake() {
    if (!("wakeLock" in navigator)) return;
    const hold = async () => {
      try {
        await navigator.wakeLock.request("screen");
      } catch {
        // refused while the battery is low or the page is hidden
      }
    };
    document.addEventListener("visibilitychange", () => !document.hidden && hold());
    await hold();
  }
}

function theme(name) {
  if (name === "day") globalThis.dayColours();
  keep("theme", name);
  document.documentElement.dataset.theme = name;
  document.querySelector('meta[name="color-scheme"]').content = name === "day" ? "light" : "dark";
  document.querySelector('meta[name="theme-color"]').content = name === "day" ? "#ffffff" : "#000000";
}
