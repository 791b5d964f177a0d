// Questions to tap: a group of buttons for each, the answer sent as soon as it is given.

import { choices_of, NUMBERS, OF_PERSON } from "./asked.js";
import { capital, make } from "./dom.js";

// A question of a list, answered together with others: nothing is sent yet, `take` is called with each new answer.
export function question(texts, field, text, given, take) {
  if (NUMBERS.includes(field) || field === "birth_date") return typed(field, text, given, take);
  const choices = choices_of(field).map((choice) => make("label", {},
    make("input", { type: "radio", name: `asked-${field}`, value: choice, checked: choice === given, onchange: () => take(choice) }),
    make("span", {}, texts.value(choice))));
  return make("fieldset", { className: "question" }, make("legend", {}, text), make("div", { className: "choices" }, choices));
}

function typed(field, text, given, take) {
  const id = `asked-${field}`;
  const is_day = field === "birth_date";
  const input = make("input", { id, type: is_day ? "date" : "text", inputMode: is_day ? "" : "decimal", autocomplete: "off",
    value: given ?? "", onchange: () => {
      const said = input.value.trim().replace(",", ".");
      const value = is_day ? said : Number(said);
      const is_good = is_day || Number.isFinite(value);
      input.setAttribute("aria-invalid", String(!is_good));
      if (is_good) take(said === "" ? null : value);
    } });
  return make("div", { className: "question" }, make("label", { for: id }, text), input);
}

// The answer as a change of the sitting: of the measurement it is appended, of the person it is a correction.
export async function answer(page, field, value) {
  const path = `/${page.answer.body.id}`;
  if (OF_PERSON.includes(field)) {
    await page.change(`${path}/corrections`, {
      reason: "answered at the bedside",
      changes: [{ change: "amend-set", set: { subject: { [field]: value } } }],
    });
  } else await page.change(`${path}/readings`, { context: { [field]: value }, closed: false });
  page.render();
}

// The questions that the service asks now. An answer is sent as it is tapped, so each choice is a button.
export function asked_now(page) {
  const { texts, answer: { body } } = page;
  // A closed sitting takes corrections alone.
  const asked = body.words.questions.filter(({ field }) => (body.closed ? OF_PERSON.includes(field) : !field.includes(".")));
  // Nobody knows before the last reading whether anybody talked.
  const is_last = body.evaluation.next_step.action === "close" && body.reading_set.context.talking === "not-recorded";
  if (is_last) asked.push({ field: "talking", question: texts.question("talking") });
  if (asked.length === 0) return null;
  return make("section", { className: "asked", "aria-labelledby": "asked" },
    make("h2", { id: "asked" }, texts.say("please-ask")),
    asked.map(({ field, question: text }) => tapped(page, field, text)));
}

function tapped(page, field, text) {
  if (NUMBERS.includes(field) || field === "birth_date") {
    return typed(field, text, null, (value) => value !== null && answer(page, field, value));
  }
  return make("div", { className: "question", role: "group", "aria-labelledby": `ask-${field}` },
    make("p", { id: `ask-${field}` }, text),
    make("div", { className: "choices" }, choices_of(field).map((choice) =>
      make("button", { type: "button", className: "choice", onclick: () => answer(page, field, choice) },
        capital(page.texts.value(choice))))));
}
