// The entry of one reading: three numbers and the arm. Faults are told in plain words beside the field.

import { make } from "./dom.js";
import { keep, recall } from "./kept.js";

const MOST_MMHG = 400;
const MOST_PULSE = 400;
const NUMBERS = [["systolic", true, MOST_MMHG], ["diastolic", true, MOST_MMHG], ["pulse", false, MOST_PULSE]];
const ARMS = ["left-upper-arm", "right-upper-arm"];

export function show_entry(page, step, focus) {
  const { texts } = page;
  const draft = draft_of(page, step);
  const fields = NUMBERS.map(([name, needed]) => number_field(page, draft, name, needed));
  const form = make("form", { className: "entry", noValidate: true, "aria-labelledby": "entry-title" },
    make("h2", { id: "entry-title" }, texts.say("enter-reading")),
    make("div", { className: "numbers-row" }, fields),
    arms(texts, draft),
    tick(texts.say("irregular-shown"), draft.irregular, (checked) => save(draft, { irregular: checked })),
    tick(texts.say("by-ear"), draft.by_ear, (checked) => save(draft, { by_ear: checked })),
    make("div", { className: "row" },
      make("button", { type: "submit", className: "big" }, texts.say("record-reading")),
      make("button", { type: "button", className: "second", onclick: () => send(page, draft, failed(draft)) }, texts.say("no-reading-shown"))));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    submit(page, draft, form);
  });
  if (focus) queueMicrotask(() => form.querySelector("input")?.focus());
  return form;
}

// What was typed outlives a change of language, a lost connection and a reload, as long as the version of the sitting stays.
function draft_of(page, step) {
  const kept = recall("entry");
  if (kept !== null && kept.sitting === page.answer.body.id && kept.count === page.answer.body.reading_set.readings.length) return kept;
  const { preparation } = page.answer.body.evaluation;
  return {
    sitting: page.answer.body.id,
    count: page.answer.body.reading_set.readings.length,
    systolic: "", diastolic: "", pulse: "",
    site: step.site ?? step.then?.site ?? preparation?.arms[0] ?? last_site(page),
    irregular: false,
    by_ear: (step.method ?? step.then?.method) === "auscultatory",
    taken_at: null,
  };
}

function last_site(page) {
  return page.answer.body.reading_set.readings.at(-1)?.site ?? ARMS[0];
}

function save(draft, changed) {
  keep("entry", Object.assign(draft, changed));
}

function number_field(page, draft, name, needed) {
  const { texts } = page;
  const id = `entry-${name}`;
  const input = make("input", { id, type: "text", inputMode: "numeric", autocomplete: "off", maxLength: 6, required: needed,
    value: draft[name], "aria-describedby": `${id}-unit ${id}-fault`, oninput: () => {
      // The measurement is over when its numbers are typed; what is typed later does not move its time.
      save(draft, { [name]: input.value, taken_at: draft.taken_at ?? stamp(page.service.now()) });
    } });
  return make("div", { className: "number" },
    make("label", { for: id }, texts.say(name)), input,
    make("span", { id: `${id}-unit`, className: "unit" }, texts.say(name === "pulse" ? "per-minute" : "mmhg")),
    make("p", { id: `${id}-fault`, className: "fault" }));
}

function arms(texts, draft) {
  const choices = ARMS.map((arm) => make("label", {},
    make("input", { type: "radio", name: "arm", value: arm, checked: arm === draft.site, onchange: () => save(draft, { site: arm }) }),
    make("span", {}, texts.value(arm))));
  return make("fieldset", { className: "question" }, make("legend", {}, texts.say("which-arm")),
    make("div", { className: "choices" }, choices));
}

function tick(text, checked, take) {
  return make("label", { className: "tick" },
    make("input", { type: "checkbox", checked, onchange: (event) => take(event.target.checked) }), make("span", {}, text));
}

// Tell every fault at once, beside its field, and go to the first.
function submit(page, draft, form) {
  const faults = faults_of(draft, page.texts);
  for (const [name] of NUMBERS) {
    const input = form.querySelector(`#entry-${name}`);
    form.querySelector(`#entry-${name}-fault`).textContent = faults[name] ?? "";
    input.setAttribute("aria-invalid", String(name in faults));
  }
  const first = Object.keys(faults)[0];
  if (first === undefined) return send(page, draft, reading_of(draft));
  page.say(Object.values(faults).join(" "));
  form.querySelector(`#entry-${first}`).focus();
}

function faults_of(draft, texts) {
  const faults = {};
  for (const [name, needed, most] of NUMBERS) {
    const text = draft[name].trim();
    if (text === "" && needed) faults[name] = texts.say(`${name}-missing`);
    else if (text !== "" && !(/^\d{1,3}$/.test(text) && Number(text) <= most)) faults[name] = texts.say("whole-number", { most });
  }
  const is_swapped = Number(draft.systolic) <= Number(draft.diastolic);
  // Devices do show such numbers now and then: said once, and sent as it is when it is pressed again.
  const shown = `${draft.systolic}/${draft.diastolic}`;
  if (Object.keys(faults).length === 0 && is_swapped && draft.doubted !== shown) {
    save(draft, { doubted: shown });
    faults.systolic = texts.say("upper-not-above");
  }
  return faults;
}

function reading_of(draft) {
  const reading = {
    taken_at: draft.taken_at,
    systolic_mmhg: Number(draft.systolic), diastolic_mmhg: Number(draft.diastolic),
    site: draft.site, position: "sitting",
    method: draft.by_ear ? "auscultatory" : "oscillometric",
  };
  if (draft.pulse.trim() !== "") reading.pulse_per_min = Number(draft.pulse);
  if (draft.irregular) reading.rhythm = "irregular";
  if (draft.irregular && !draft.by_ear) reading.device_flags = ["irregular-pulse"];
  return reading;
}

// The device tried and showed no numbers: an attempt is worth keeping too.
function failed(draft) {
  return { site: draft.site, position: "sitting", method: "oscillometric", device_flags: ["measurement-failed"] };
}

async function send(page, draft, reading) {
  reading.taken_at ??= stamp(page.service.now());
  const body = { readings: [reading], closed: false };
  const cuff = recall("cuff") ?? page.answer.body.reading_set.readings.at(-1)?.cuff;
  if (cuff) body.cuff = cuff;
  if (await page.change(`/${page.answer.body.id}/readings`, body)) keep("entry", null);
  page.render();
}

// A moment as RFC 3339, with the offset that this place has at that moment.
export function stamp(instant) {
  const minutes = -new Date(instant).getTimezoneOffset();
  const local = new Date(instant + minutes * 60_000).toISOString().slice(0, 19);
  const size = Math.abs(minutes);
  const two = (number) => String(number).padStart(2, "0");
  return `${local}${minutes < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}
