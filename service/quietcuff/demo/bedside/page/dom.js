// Elements made by hand: text is always text, and no markup comes from anywhere but these files.

// An element with its properties; names with a hyphen are attributes, `on…` are listeners.
export function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key.includes("-") || key === "role" || key === "for") element.setAttribute(key, value);
    else element[key] = value;
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== ""));
  return element;
}

export function by_id(id) {
  return document.getElementById(id);
}

export function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
