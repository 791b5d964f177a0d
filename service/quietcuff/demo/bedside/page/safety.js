// The banner: what must not wait stands above everything else, on every screen, whatever the sitting says.

import { by_id, make } from "./dom.js";

export function show_safety(page) {
  const { texts } = page;
  const banner = by_id("safety");
  const evaluation = page.answer?.body.evaluation;
  const level = evaluation?.safety.level ?? "none";
  banner.dataset.level = level;
  banner.setAttribute("aria-label", texts.say("safety"));
  const told = [];
  if (level !== "none") {
    told.push(make("h2", {}, page.answer.body.words.safety));
    if (evaluation.safety.text) told.push(make("p", {}, evaluation.safety.text));
  }
  told.push(make("p", { className: "always" }, texts.say("safety-always")));
  const wrapped = make("div", {}, told);
  // A live region that is filled with what it says already would be read out again.
  if (banner.textContent !== wrapped.textContent) banner.replaceChildren(wrapped);
}
