// The words of the page, all of them from GET /v1/words in the language chosen.

export const LANGUAGES = { en: "English", de: "Deutsch", fr: "Français", es: "Español" };

export class Texts {
  constructor(catalogue) {
    this.language = catalogue.language;
    this.machine_drafted = catalogue.machine_drafted;
    this.kinds = Object.fromEntries(
      Object.entries(catalogue.words).map(([kind, entries]) => [kind, new Map(entries.map((entry) => [entry.code, entry]))]),
    );
  }

  // A text of this page, with the values of its parameters.
  say(code, values = {}) {
    const text = this.kinds.bedside.get(code)?.sentence ?? code;
    const told = text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
    // French has a narrow space before these, which must not break.
    return this.language === "fr" ? told.replace(/ (?=[:;?!])/g, "\u202f") : told;
  }

  // The short text of a code that stands for a value; a code without one is told by its own letters.
  value(code) {
    return this.kinds.value.get(code)?.short ?? code.replace(/[-_]/g, " ");
  }

  question(field) {
    return this.kinds.context.get(field)?.question ?? this.value(field);
  }

  heading(field) {
    return this.kinds.heading.get(field)?.short ?? this.value(field);
  }

  time(instant) {
    return new Date(instant).toLocaleTimeString(this.language, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  }
}
