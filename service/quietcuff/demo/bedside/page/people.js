// Invented people. Each is told by a text of the page; the facts are what a gateway would know of a person at this sitting.

export const SYSTEM = "urn:example:quietcuff-bedside";
export const DEVICE = { kind: "automatic", site: "upper-arm", validated: "yes" };

const PEOPLE = [
  { code: "first", age: 52, visit: "first", facts: { sex: "female", arm_circumference_cm: 30 } },
  {
    code: "again", age: 67, visit: "follow-up",
    facts: { sex: "male", arm_circumference_cm: 31, known_irregular_rhythm: "yes", known_hypertension: "yes" },
  },
  { code: "arm", age: 45, visit: "first", facts: { sex: "male", arm_circumference_cm: 38 } },
  {
    code: "access", age: 71, visit: "follow-up",
    facts: { sex: "female", arm_circumference_cm: 29, arm_restrictions: [{ arm: "left", reason: "dialysis-access" }] },
  },
  { code: "pregnant", age: 31, visit: "follow-up", facts: { sex: "female", arm_circumference_cm: 28, pregnancy: "pregnant" } },
];

export function people() {
  return PEOPLE;
}

// The body that opens a sitting: no reading yet, and more to come.
export function opening(person, now) {
  const year = new Date(now).getFullYear() - person.age;
  return {
    subject: { identifier: { system: SYSTEM, value: person.code }, birth_date: `${year}-01-15`, ...person.facts },
    setting: "office",
    visit: person.visit,
    device: DEVICE,
    closed: false,
    readings: [],
  };
}
