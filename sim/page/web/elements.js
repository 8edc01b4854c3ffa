// ---- elements of the page ----

const byId = (id) => document.getElementById(id);

// An element with attributes, what is in it (texts stay text), and what happens to it.
function make(name, attributes = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...inside.filter((part) => part !== null && part !== undefined));
  return made;
}

const button = (text, act, attributes = {}) => make("button", { type: "button", onclick: act, ...attributes }, text);

// Says something to who sees the page and to who hears it.
function say(text) {
  byId("said").textContent = text;
  clearTimeout(say.until);
  // It stands over what is below it.
  say.until = setTimeout(() => (byId("said").textContent = ""), 20000);
}

// Greys what is being computed anew.
function busy(id, is) {
  byId(id).setAttribute("aria-busy", String(is));
}

// A number as it is read and written here: with a point, and a minus that a file understands.
const plain = (value) => String(Number(value.toPrecision(12)));

const inMeasure = (value, digits) => (value === null || value === undefined ? "none" : value.toFixed(digits));

function download(name, type, text) {
  const address = URL.createObjectURL(new Blob([text], { type }));
  const link = make("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}
