// What outlives a reload of this tab: which sitting is shown, the change that waits for its answer, and choices of the page.
// Everything about the sitting itself is read from the service.

const PREFIX = "quietcuff-bedside-";

export function recall(name) {
  const text = sessionStorage.getItem(PREFIX + name);
  return text === null ? null : JSON.parse(text);
}

export function keep(name, value) {
  if (value === null) sessionStorage.removeItem(PREFIX + name);
  else sessionStorage.setItem(PREFIX + name, JSON.stringify(value));
}
