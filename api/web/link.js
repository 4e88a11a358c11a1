// The live link: server-sent events with a watchdog of its own, because a
// phone that walks out of the network hears of no error.

const SILENCE_MS = 3000; // the board speaks at least once a second
const AGAIN_MS = 1500;

export class Link {
  #url;
  #onState;
  #onHappened;
  #onLost;
  #source = null;
  #heard = Date.now();
  #awake = Date.now(); // when this page last did anything
  #opened = 0;
  #lost = false;

  /** early is a link that was opened before this module had arrived. */
  constructor(url, early, onState, onHappened, onLost) {
    this.#url = url;
    this.#onState = onState;
    this.#onHappened = onHappened;
    this.#onLost = onLost;
    if (early && early.source.readyState !== EventSource.CLOSED) {
      this.#adopt(early.source);
      if (early.last && Date.now() - early.at < SILENCE_MS) early.source.onmessage(early.last);
      for (const e of early.happened) this.#happened(e);
      globalThis.early = undefined;
    } else {
      this.#open();
    }
    setInterval(() => this.#watch(), 500);
    // A phone that wakes up holds numbers from before it slept. What it is warned of
    // it forgets beforehand; else #slept tells.
    document.addEventListener("freeze", () => {
      this.#source.close();
      this.#lose();
    });
    document.addEventListener("resume", () => this.#watch());
    document.addEventListener("visibilitychange", () => this.#watch());
    addEventListener("pageshow", () => this.#watch());
    addEventListener("offline", () => this.#lose());
    addEventListener("online", () => this.#watch());
  }

  #open() {
    this.#source?.close();
    this.#adopt(new EventSource(this.#url));
  }

  #adopt(source) {
    this.#opened = Date.now();
    this.#source = source;
    source.onmessage = (e) => {
      if (source !== this.#source) return;
      if (this.#slept()) {
        // It may have lain in a buffer for as long as the sleep.
        this.#watch();
        return;
      }
      let state;
      try {
        state = JSON.parse(e.data);
      } catch {
        return; // not ours; the watchdog judges
      }
      this.#heard = Date.now();
      this.#lost = false;
      this.#onState(state);
    };
    source.addEventListener("happened", (e) => source === this.#source && this.#happened(e));
    source.onerror = () => {
      if (source === this.#source) this.#lose();
    };
  }

  #happened(e) {
    try {
      this.#onHappened(JSON.parse(e.data));
    } catch {
      // not ours
    }
  }

  #lose() {
    this.#lost = true;
    this.#onLost(Math.round((Date.now() - this.#heard) / 1000));
  }

  /** #slept tells whether the page stood still: then it knows no more how old news are. */
  #slept() {
    const now = Date.now();
    const still = now - this.#awake;
    this.#awake = now;
    if (still <= SILENCE_MS && still >= 0) return false;
    this.#lost = true;
    this.#opened = 0;
    return true;
  }

  #watch() {
    this.#slept();
    const now = Date.now();
    if (this.#lost || now - this.#heard > SILENCE_MS || now < this.#heard) {
      this.#lose();
      const busy = this.#source.readyState === EventSource.CONNECTING && now - this.#opened < 2 * SILENCE_MS;
      if (!busy && now - this.#opened > AGAIN_MS) this.#open();
    }
  }
}
