// Who is here: an invented person is chosen, and the sitting is opened without a reading.

import { make } from "./dom.js";
import { keep } from "./kept.js";
import { opening, people } from "./people.js";

export function show_start(page) {
  const { texts } = page;
  const open = async (person) => {
    keep("prepared", null);
    await page.change("", opening(person, page.service.now()));
    page.render();
  };
  const cards = people().map((person) => make("li", {},
    make("button", { type: "button", className: "person", onclick: () => open(person) },
      make("strong", {}, texts.say(`person-${person.code}`)),
      make("span", {}, texts.say(`person-${person.code}-about`, { age: person.age })))));
  return [
    make("h1", { tabIndex: -1, "data-focus": "" }, texts.say("title")),
    make("p", { className: "lead" }, texts.say("title-about")),
    make("h2", { id: "who" }, texts.say("who-is-here")),
    make("ul", { className: "people", "aria-labelledby": "who" }, cards),
  ];
}
