// Everything that the first look does not need: pairing, sound, first steps and
// the other three places, each loaded when it is opened.
import { strings, fill } from "/words.js";
import { $, put } from "/dom.js";
import { ask, exists } from "/board.js";
import { Pairing } from "/pairing.js";
import { Knobs } from "/knobs.js";
import { Facts } from "/facts.js";
import { First } from "/first.js";
import { Sound } from "/sound.js";
import { Look } from "/look.js";
import { Allowed } from "/allowed.js";
import { Alarm } from "/alarm.js";
import { Next } from "/next.js";

/** wire builds it all; the result is told of states, losses and places. */
export function wire(aim) {
  const pairing = new Pairing();
  const facts = new Facts();
  const knobs = new Knobs(pairing);
  const sound = new Sound();
  const first = new First(facts, aim);
  new Look(sound);
  new Allowed(aim, facts);
  const board = { ask, exists, facts, pairing, sound };
  const alarm = (board.alarm = new Alarm(board));
  new Next(aim, alarm);
  const places = {};
  let newest = null;
  let open = "aim";

  pairing.onChange(() => facts.refresh());
  facts.on("health", (h) => knobs.show(h?.simulated_knobs === true));
  aim.onWords((sentence, g, up, east) => {
    board.words = sentence;
    sound.guide(sentence, g, up, east);
  });

  return {
    linked() {
      pairing.refresh();
      facts.link(true);
      alarm.linked();
    },
    follow(g) {
      newest = g;
      knobs.follow(g);
      first.follow(g);
      places[open]?.follow?.(g);
    },
    happened: (e) => alarm.happened(e),
    lose() {
      newest = null;
      alarm.lose();
      facts.link(false);
      sound.quiet();
      for (const p of Object.values(places)) p.lose?.();
    },
    async open(name, part) {
      open = name;
      facts.hurry(name === "kit");
      if (name === "aim") return;
      const box = $("place-" + name);
      if (!places[name]) {
        let module;
        try {
          module = await import(`/${name}.js`);
        } catch (e) {
          put(box, fill(strings.failed, { why: e.message }));
          return;
        }
        places[name] ??= new module.default(box, board);
      }
      if (open !== name) return;
      places[name].open?.(part);
      if (newest) places[name].follow?.(newest);
    },
  };
}
