// The sitting is closed: the result, how sure each label is, what comes next, and what may be wrong with it.

import { capital, make } from "./dom.js";
import { for_the_person } from "./measuring.js";
import { asked_now } from "./questions.js";
import { readings_list } from "./readings.js";

export function show_end(page) {
  const { texts, answer } = page;
  const { evaluation, words } = answer.body;
  const left = make("div", { className: "doing" },
    result(page), labels(page), next(page), asked_now(page), for_the_person(page));
  const right = make("div", { className: "taken" }, readings_list(page), noticed(page), record(page));
  const again = () => {
    page.leave();
    page.render();
  };
  return [
    make("h1", { tabIndex: -1, "data-focus": "" }, evaluation.result === null ? words.state : texts.say("result")),
    make("div", { className: "columns" }, left, right),
    make("ul", { className: "cautions" }, evaluation.cautions.map((caution) => make("li", {}, caution))),
    make("button", { type: "button", className: "big", onclick: again }, texts.say("next-person")),
  ];
}

function result(page) {
  const { texts } = page;
  const { result: value, safety } = page.answer.body.evaluation;
  if (value === null) return null;
  return make("section", { className: "result", "data-level": safety.level },
    make("p", { className: "value" }, `${value.systolic_mmhg}/${value.diastolic_mmhg}`, make("span", {}, ` ${texts.say("mmhg")}`)),
    make("p", {}, texts.say("mean-of", { arm: texts.value(value.site), count: value.readings_counted })),
    value.pulse_per_min == null ? null : make("p", {}, texts.say("pulse-of", { pulse: value.pulse_per_min })));
}

function labels(page) {
  const { texts } = page;
  const { evaluation, words } = page.answer.body;
  const named = evaluation.categories.filter((each) => each.label !== null);
  if (named.length === 0) return null;
  const sure = new Map(words.how_sure.map((each) => [each.guideline, each]));
  const items = named.map((each) => {
    const how = sure.get(each.guideline);
    return make("li", {}, make("strong", {}, capital(each.label)),
      make("span", { className: "soft" }, texts.say("by-guideline", { guideline: how?.guideline_name ?? each.guideline })),
      how ? make("p", {}, make("strong", { className: "sure" }, capital(how.short)), ` – ${how.sentence}`) : null);
  });
  return make("section", { className: "labels" }, make("h2", {}, texts.say("labels")),
    make("ul", {}, items),
    words.provisional ? make("p", { className: "soft" }, words.provisional) : null);
}

function next(page) {
  const { texts } = page;
  const { evaluation, words } = page.answer.body;
  const { next_step: step } = evaluation;
  const pressing = ["same-day", "urgent"].includes(evaluation.safety.level);
  return make("section", { className: pressing ? "now pressing" : "now" }, make("h2", {}, texts.say("do-now")),
    make("p", { className: "lead" }, capital(words.next_step)),
    make("p", {}, step.reason),
    step.then ? make("p", { className: "soft" }, step.then.reason) : null);
}

function noticed(page) {
  const { findings } = page.answer.body.evaluation;
  const told = findings.filter((finding) => finding.severity !== "info");
  if (told.length === 0) return null;
  const messages = [...new Set(told.map((finding) => finding.message))];
  return make("section", {}, make("h2", {}, page.texts.say("noticed")),
    make("ul", {}, messages.map((message) => make("li", {}, message))));
}

function record(page) {
  const { texts } = page;
  const line = page.answer.body.evaluation.record_line;
  if (line === null) return null;
  return make("section", {}, make("h2", {}, texts.say("record-line")), make("p", { className: "record" }, line));
}
