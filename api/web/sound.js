// Guidance for the ears: spoken words, and a tone that rises as the axis closes in.
import { strings } from "/words.js";
import { keep, kept } from "/dom.js";

const SPEAK_MS = 4500; // between two sentences
const REPEAT_MS = 15000; // the same sentence again
const HIGH_HZ = 880;
const LOW_HZ = 180;
const FAR_DEG = 10;
const NEAR_DEG = 0.05;

export class Sound {
  #context = null;
  #spoken = { text: "", at: 0 };
  #beat = 0;
  #error = null;
  #timer = null;
  mode = "off"; // off, voice, tone
  #volume = 1;

  constructor() {
    this.canSpeak = "speechSynthesis" in globalThis;
    // A browser makes no sound before the page was touched, so "on" is not kept.
    this.wished = kept("sound") ?? (this.canSpeak ? "voice" : "tone");
  }

  /** use switches the guidance by ear; it must be called from a touch. */
  use(mode) {
    this.quiet();
    this.mode = mode === "voice" && !this.canSpeak ? "tone" : mode;
    if (this.mode !== "off") keep("sound", this.mode);
    clearInterval(this.#timer);
    if (this.mode === "tone") {
      this.#wake();
      this.#timer = setInterval(() => this.#tick(), 60);
    }
  }

  /** guide takes each state with its sentence. */
  guide(sentence, g, up, east) {
    const done = up.kind === "done" && east.kind === "done";
    this.#error = g.error_deg === null ? null : { deg: g.error_deg, done };
    if (this.mode !== "voice") return;
    const now = Date.now();
    const wait = sentence === this.#spoken.text ? REPEAT_MS : SPEAK_MS;
    if (now - this.#spoken.at < wait || speechSynthesis.speaking) return;
    this.#spoken = { text: sentence, at: now };
    this.say(sentence);
  }

  say(text) {
    if (!this.canSpeak) return;
    const u = new SpeechSynthesisUtterance(text.replace(/°/g, " " + strings.degreesSpoken));
    u.lang = strings.lang;
    speechSynthesis.speak(u);
  }

  quiet() {
    this.#error = null;
    this.#spoken = { text: "", at: 0 };
    if (this.canSpeak) speechSynthesis.cancel();
  }

  #wake() {
    this.#context ??= new AudioContext();
    if (this.#context.state === "suspended") this.#context.resume();
    return this.#context;
  }

  /** #tick beeps: higher and faster as the axis closes in, a double note when there. */
  #tick() {
    const now = performance.now();
    if (this.#error === null || now < this.#beat) return;
    const { deg, done } = this.#error;
    if (done) {
      this.note(HIGH_HZ, 0.09, 0);
      this.note(HIGH_HZ * 1.5, 0.12, 0.12);
      this.#beat = now + 1600;
      return;
    }
    const far = Math.log(Math.min(Math.max(deg, NEAR_DEG), FAR_DEG) / NEAR_DEG) / Math.log(FAR_DEG / NEAR_DEG); // 0 near, 1 far
    this.note(HIGH_HZ * (LOW_HZ / HIGH_HZ) ** far, 0.07, 0);
    this.#beat = now + 140 + 900 * far;
  }

  /** note plays one tone; when is in seconds from now. */
  note(hz, length, when, kind = "sine") {
    const c = this.#wake();
    const t = c.currentTime + when;
    const tone = c.createOscillator();
    const level = c.createGain();
    tone.type = kind;
    tone.frequency.value = hz;
    level.gain.setValueAtTime(0, t);
    level.gain.linearRampToValueAtTime(0.5 * this.#volume, t + 0.01);
    level.gain.setValueAtTime(0.5 * this.#volume, t + length - 0.02);
    level.gain.linearRampToValueAtTime(0, t + length);
    tone.connect(level).connect(c.destination);
    tone.start(t);
    tone.stop(t + length);
  }

  /** alarm cannot be taken for guidance: three falling pairs, then the words. */
  alarm(text) {
    for (let i = 0; i < 3; i++) {
      this.note(990, 0.22, i * 0.6, "square");
      this.note(660, 0.28, i * 0.6 + 0.24, "square");
    }
    navigator.vibrate?.([300, 150, 300, 150, 300]);
    if (text) setTimeout(() => this.say(text), 2000);
  }
}
