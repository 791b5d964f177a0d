// The readings as the service keeps them: numbers, arm, time, and whether each counts and why.

import { make } from "./dom.js";

export function readings_list(page) {
  const { texts, answer } = page;
  const { reading_set, evaluation, words, closed } = answer.body;
  const items = reading_set.readings.map((reading, place) => {
    const outcome = evaluation.readings[place];
    const pending = outcome.reason === "pending";
    return make("li", { className: pending ? "pending" : outcome.counts ? "counts" : "left-out" },
      make("span", { className: "numbers" }, numbers(reading)),
      make("span", { className: "where" }, [texts.value(reading.site), texts.time(reading.taken_at), pulse(texts, reading)].filter(Boolean).join(" · ")),
      make("span", { className: "why" }, pending ? texts.say("pending") : words.readings[place]),
      closed || reading.voided ? null : take_back(page, place));
  });
  return make("section", { className: "readings", "aria-labelledby": "readings" },
    make("h2", { id: "readings" }, texts.say("readings")),
    items.length ? make("ol", {}, items) : make("p", {}, texts.say("no-reading-yet")));
}

function numbers(reading) {
  return reading.systolic_mmhg == null ? "–" : `${reading.systolic_mmhg}/${reading.diastolic_mmhg}`;
}

function pulse(texts, reading) {
  return reading.pulse_per_min == null ? "" : texts.say("pulse-of", { pulse: reading.pulse_per_min });
}

// A slip of the finger: the reading stays visible, and no longer counts.
function take_back(page, place) {
  const { texts } = page;
  const press = async () => {
    await page.change(`/${page.answer.body.id}/corrections`, {
      reason: "mistyped at the bedside",
      changes: [{ change: "void-reading", index: place }],
    });
    page.render();
  };
  return make("button", { type: "button", className: "small", "aria-label": texts.say("take-back-which", { number: place + 1 }), onclick: press },
    texts.say("take-back"));
}
