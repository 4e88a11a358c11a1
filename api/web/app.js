// Wires the page together.
import { strings } from "/words.js";
import { Aim } from "/aim.js";
import { Link } from "/link.js";
import { Knobs } from "/knobs.js";
import { Pairing } from "/pairing.js";
import { ClockHelp } from "/clock.js";
import { ask } from "/board.js";

document.documentElement.lang = strings.lang;
document.title = strings.page;

const aim = new Aim();
const pairing = new Pairing();
const knobs = new Knobs(pairing);
const clock = new ClockHelp(pairing);

async function learn() {
  const { data } = await ask("GET", "/api/v1/health");
  knobs.show(data?.simulated_knobs === true);
}

let linked = false;
new Link(
  "/api/v1/guidance/stream",
  (g) => {
    if (!linked) {
      linked = true;
      learn();
      pairing.refresh();
    }
    aim.show(g);
    knobs.follow(g);
    clock.follow(g);
  },
  (seconds) => {
    linked = false;
    aim.lose(seconds);
    clock.lose();
  },
);
