// Before the first reading: symptoms first and alone, then how the person and the cuff are prepared.

import { CUFFS, PREPARATION } from "./asked.js";
import { capital, make } from "./dom.js";
import { keep } from "./kept.js";
import { answer, question } from "./questions.js";

export function show_preparation(page) {
  const { body } = page.answer;
  return body.reading_set.context.acute_symptoms === "not-recorded" ? symptoms(page) : checklist(page);
}

function symptoms(page) {
  const { texts } = page;
  const take = (value) => answer(page, "acute_symptoms", value);
  return [make("section", { className: "now" },
    make("h1", { tabIndex: -1, "data-focus": "" }, texts.say("symptoms-first")),
    make("p", { className: "lead", id: "symptoms" }, texts.question("acute_symptoms")),
    make("div", { className: "two", role: "group", "aria-labelledby": "symptoms" },
      make("button", { type: "button", className: "big", onclick: () => take("no") }, capital(texts.value("no"))),
      make("button", { type: "button", className: "big call", onclick: () => take("yes") }, capital(texts.value("yes"))))),
  ];
}

function checklist(page) {
  const { texts } = page;
  const { evaluation, reading_set: said } = page.answer.body;
  const plan = evaluation.preparation;
  const given = Object.fromEntries(Object.keys(PREPARATION).map((field) => [field, recorded(said.context[field])]));
  const cuff = { size: plan?.cuff ?? "adult", mark_within_range: null };
  const list = make("div", { className: "checklist" });
  const fill = () => list.replaceChildren(...Object.keys(PREPARATION).map((field) =>
    question(texts, field, texts.question(field), given[field], (value) => { given[field] = value; })));
  fill();
  const all_well = () => {
    for (const [field, well] of Object.entries(PREPARATION)) if (well !== null) given[field] = well;
    fill();
    page.say(texts.say("all-well-done"));
    list.querySelector("input")?.focus();
  };
  const go_on = async (event) => {
    event.preventDefault();
    const context = Object.fromEntries(Object.entries(given).filter(([, value]) => value !== null));
    keep("cuff", cuff.mark_within_range === null ? { size: cuff.size } : cuff);
    if (await page.change(`/${page.answer.body.id}/readings`, { context, closed: false })) keep("prepared", page.answer.body.id);
    page.render();
  };
  return [
    make("h1", { tabIndex: -1, "data-focus": "" }, texts.say("prepare")),
    facts(page, plan),
    evaluation.next_step.action === "take-reading" ? null : make("p", { className: "lead" }, evaluation.next_step.reason),
    make("form", { onsubmit: go_on, noValidate: true },
      make("div", { className: "row" },
        make("p", {}, texts.say("answer-or-leave")),
        make("button", { type: "button", className: "second", onclick: all_well }, texts.say("all-well"))),
      list,
      cuff_questions(texts, plan, cuff),
      make("button", { type: "submit", className: "big" }, texts.say("prepared"))),
  ].filter(Boolean);
}

function recorded(value) {
  return value === "not-recorded" || value === undefined ? null : value;
}

function facts(page, plan) {
  if (!plan) return null;
  const { texts } = page;
  const told = [
    [texts.say("arms"), plan.arms.map((arm) => texts.value(arm)).join(", ")],
    [texts.say("readings-planned"), String(plan.readings)],
    plan.minutes === null ? null : [texts.say("about"), texts.say("minutes", { minutes: plan.minutes })],
  ].filter(Boolean);
  return make("dl", { className: "facts" }, told.map(([name, value]) =>
    make("div", {}, make("dt", {}, name), make("dd", {}, value))));
}

function cuff_questions(texts, plan, cuff) {
  const sizes = CUFFS.map((size) => make("label", {},
    make("input", { type: "radio", name: "cuff", value: size, checked: size === cuff.size, onchange: () => { cuff.size = size; } }),
    make("span", {}, texts.value(size))));
  const hint = plan?.cuff ? texts.say("cuff-fits", { cuff: texts.value(plan.cuff) }) : "";
  return make("div", { className: "checklist" },
    make("fieldset", { className: "question" }, make("legend", {}, texts.say("which-cuff"), " ", make("small", {}, hint)),
      make("div", { className: "choices" }, sizes)),
    question(texts, "mark_within_range", texts.say("mark-in-range"), null, (value) => { cuff.mark_within_range = value; }));
}
