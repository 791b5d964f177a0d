// The guided sitting: one screen for each state that the service answers. The browser decides nothing about the sitting.

import { by_id, make } from "./dom.js";
import { show_end } from "./ending.js";
import { keep, recall } from "./kept.js";
import { show_measuring, stop_waiting } from "./measuring.js";
import { show_preparation } from "./preparing.js";
import { show_safety } from "./safety.js";
import { key_of_the_demonstration, Refusal, Service } from "./service.js";
import { show_start } from "./starting.js";
import { LANGUAGES, Texts } from "./texts.js";

// What every screen is given: the service, the words, the sitting as last answered, and how a change is sent.
const page = {
  service: null,
  texts: null,
  answer: null,
  busy: false,
  notice: null,
  change,
  leave,
  render,
  say(text) {
    by_id("said").textContent = text;
  },
};

async function begin() {
  try {
    page.service = new Service(await key_of_the_demonstration(), tell_connection);
  } catch {
    by_id("main").replaceChildren(make("p", {}, "Open this page at the address that quietcuff demo --keep prints."));
    return;
  }
  const wanted = [recall("language"), ...navigator.languages.map((each) => each.slice(0, 2))];
  page.service.language = wanted.find((each) => each in LANGUAGES) ?? "en";
  await choose_language(page.service.language);
  const waiting = recall("change");
  if (waiting !== null) await send(waiting);
  else if (recall("sitting") !== null) await read_again();
  render();
  addEventListener("visibilitychange", () => page.service.look_at_clock());
}

async function choose_language(language) {
  page.service.language = language;
  page.texts = new Texts(await page.service.words());
  keep("language", language);
  const { texts } = page;
  document.documentElement.lang = language;
  document.title = `${texts.say("title")} – Quietcuff`;
  by_id("invented").textContent = texts.say("invented");
  by_id("not-medical").textContent = texts.say("not-medical");
  by_id("drafted").hidden = !texts.machine_drafted;
  by_id("drafted").textContent = texts.say("drafted");
  const chosen = make("select", { id: "chosen-language", onchange: (event) => change_language(event.target.value) },
    Object.entries(LANGUAGES).map(([code, name]) => make("option", { value: code, lang: code, selected: code === language }, name)));
  by_id("language").replaceChildren(make("label", { for: "chosen-language" }, texts.say("language")), chosen);
}

async function change_language(language) {
  await choose_language(language);
  if (page.answer !== null) await read_again();
  render({ focus: false });
  by_id("chosen-language").focus();
}

// Send one change of the sitting. A second press while one is under way does nothing: it is the same press.
async function change(path, body) {
  if (page.busy) return false;
  const version = path === "" ? null : page.answer.version;
  return send({ key: crypto.randomUUID(), path, body, version });
}

async function send(waiting) {
  page.busy = true;
  page.notice = null;
  document.body.setAttribute("aria-busy", "true");
  // Kept until it is answered: after a reload it is sent again under the same key.
  keep("change", waiting);
  try {
    page.answer = await page.service.send(waiting);
    keep("sitting", page.answer.body.id);
    return true;
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    await take_refusal(error);
    return false;
  } finally {
    keep("change", null);
    page.busy = false;
    document.body.removeAttribute("aria-busy");
  }
}

// 409 and 412: the sitting is another than this page thought, so it is read anew and shown as it stands.
async function take_refusal(refusal) {
  page.notice = { code: "refused", refusal };
  if (refusal.status === 412 || refusal.status === 409) {
    page.notice = { code: refusal.status === 412 ? "changed-elsewhere" : "not-possible", refusal };
    if (recall("sitting") !== null) await read_again();
  } else if (refusal.status === 404 || refusal.status === 401) {
    leave();
    page.notice = { code: "gone", refusal };
  }
}

async function read_again() {
  try {
    page.answer = await page.service.read(recall("sitting"));
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    leave();
    page.notice = { code: "gone", refusal: error };
  }
}

// Leave the sitting as it is and show who may come next.
function leave() {
  page.answer = null;
  for (const name of ["sitting", "prepared", "cuff", "entry"]) keep(name, null);
}

function render({ focus = true } = {}) {
  stop_waiting();
  show_safety(page);
  const screen = screen_of(page.answer?.body);
  by_id("main").replaceChildren(...notice(), ...screen(page));
  if (focus) by_id("main").querySelector("[data-focus]")?.focus();
}

function screen_of(sitting) {
  if (!sitting) return show_start;
  if (sitting.closed) return show_end;
  // What is urgent is not prepared for: the instruction is to act.
  const is_urgent = sitting.evaluation.safety.level === "urgent";
  const began = is_urgent || sitting.reading_set.readings.length > 0 || recall("prepared") === sitting.id;
  return began ? show_measuring : show_preparation;
}

function notice() {
  if (page.notice === null) return [];
  const { code, refusal } = page.notice;
  const said = refusal.faults.map((fault) => make("li", {}, `${fault.pointer ?? fault.header ?? ""} ${fault.detail}`));
  const detail = said.length ? make("ul", { lang: "en" }, said) : make("p", { lang: "en" }, refusal.problem.detail ?? "");
  return [make("div", { className: "notice", role: "alert" }, make("p", {}, page.texts.say(code)), code === "changed-elsewhere" ? null : detail)];
}

function tell_connection(seconds, now) {
  const line = by_id("line");
  line.hidden = seconds === null;
  if (seconds === null || page.texts === null) return;
  const { texts } = page;
  // Said once when it is lost; the seconds count on without being read out.
  if (line.childElementCount === 0 || line.dataset.language !== texts.language) {
    line.dataset.language = texts.language;
    line.replaceChildren(make("span", {}, texts.say("no-connection")), make("span", { "aria-hidden": "true" }),
      make("button", { type: "button", className: "small" }, texts.say("try-now")));
  }
  line.children[1].textContent = texts.say("tries-in", { seconds });
  line.children[2].onclick = now;
}

begin();
