// During the sitting: one instruction, the time to wait, the questions, the entry, and the readings so far.

import { capital, make } from "./dom.js";
import { show_entry } from "./entry.js";
import { asked_now } from "./questions.js";
import { readings_list } from "./readings.js";

const SAID_AT_SECONDS = [30, 10];
const CLOCK_SECONDS = 10;
// Steps at which no reading is wanted next; whoever took one may still enter it.
const NO_READING = ["close", "none", "review", "same-day-review", "urgent-assessment", "ask-symptoms", "sit-or-lie-down"];
const CLOSING = ["close", "none", "review", "same-day-review", "urgent-assessment"];

let timer = null;

export function stop_waiting() {
  clearInterval(timer);
  timer = null;
}

export function show_measuring(page) {
  const { evaluation } = page.answer.body;
  const step = evaluation.next_step;
  const entry = make("div", { id: "entry" });
  const left = make("div", { className: "doing" },
    instruction(page, step),
    asked_now(page),
    waiting(page, step, entry),
    ...(CLOSING.includes(step.action) ? [closing(page, step), entry] : [entry, closing(page, step)]));
  const right = make("div", { className: "taken" }, progress(page), readings_list(page), for_the_person(page));
  return [make("div", { className: "columns" }, left, right)];
}

function instruction(page, step) {
  const { texts, answer } = page;
  const pressing = ["confirm", "same-day", "urgent"].includes(answer.body.evaluation.safety.level);
  const told = [
    step.site && [texts.say("arm"), texts.value(step.site)],
    step.cuff && [texts.heading("cuff"), texts.value(step.cuff)],
    step.method === "auscultatory" && [texts.heading("method"), texts.value(step.method)],
    step.not_after && [texts.say("at-the-latest"), texts.time(step.not_after)],
  ].filter(Boolean);
  return make("section", { className: pressing ? "now pressing" : "now" },
    make("h1", { tabIndex: -1, "data-focus": "" }, capital(answer.body.words.next_step)),
    make("p", { className: "lead" }, step.reason),
    told.length ? make("dl", { className: "facts" }, told.map(([name, value]) =>
      make("div", {}, make("dt", {}, capital(name)), make("dd", {}, value)))) : null);
}

// The time until the next reading may be taken, by the service's clock. The entry stands open when it is over.
function waiting(page, step, entry) {
  const wanted = !NO_READING.includes(step.action);
  const open = (focus) => entry.replaceChildren(show_entry(page, step, focus));
  const until = step.not_before ? Date.parse(step.not_before) : 0;
  const left = () => Math.ceil((until - page.service.now()) / 1000);
  if (!wanted || left() > 0) entry.replaceChildren(reveal(page, () => open(true), wanted));
  else open(false);
  if (!wanted || left() <= 0) return null;
  const clock = make("p", { className: "clock", role: "timer", "aria-live": "off" });
  const box = make("section", { className: "wait" }, make("h2", {}, page.texts.say("wait")), clock,
    make("p", {}, page.texts.say("wait-about")));
  const tick = () => {
    const seconds = left();
    if (seconds <= 0) {
      stop_waiting();
      box.remove();
      const is_elsewhere = entry.querySelector("form") !== null || document.activeElement?.matches("input, select");
      if (entry.querySelector("form") === null) open(!is_elsewhere);
      page.say(page.texts.say("measure-now"));
      return;
    }
    clock.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    if (SAID_AT_SECONDS.includes(seconds)) page.say(page.texts.say("seconds-left", { seconds }));
    if (seconds % CLOCK_SECONDS === 0) page.service.look_at_clock();
  };
  tick();
  timer = setInterval(tick, 1000);
  return box;
}

function reveal(page, open, wanted) {
  const text = page.texts.say(wanted ? "measured-already" : "enter-anyway");
  return make("button", { type: "button", className: "second", onclick: open }, text);
}

function closing(page, step) {
  const { texts } = page;
  const close = async () => {
    await page.change(`/${page.answer.body.id}/readings`, { closed: true });
    page.render();
  };
  // A sitting without a reading cannot be closed: the service closes it by itself when nothing comes.
  if (page.answer.body.reading_set.readings.length === 0) {
    const leave = () => {
      page.leave();
      page.render();
    };
    return make("button", { type: "button", className: "second", onclick: leave }, texts.say("leave"));
  }
  const due = CLOSING.includes(step.action);
  if (due) return make("button", { type: "button", className: "big", onclick: close }, texts.say("close"));
  // Early, so it takes two presses: without the planned readings there may be no result.
  return make("details", { className: "early" }, make("summary", {}, texts.say("end-early")),
    make("p", {}, texts.say("end-early-about")),
    make("button", { type: "button", className: "second", onclick: close }, texts.say("close")));
}

function progress(page) {
  const { plan } = page.answer.body.evaluation;
  return make("p", { className: "progress" }, page.texts.say("progress", { taken: plan.taken, planned: plan.planned }));
}

export function for_the_person(page) {
  const { words } = page.answer.body;
  return make("section", { className: "person-told" }, make("h2", {}, page.texts.say("for-the-person")),
    make("p", {}, words.for_the_person));
}
