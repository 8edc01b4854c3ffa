// ---- what is on the page: one installation, and perhaps another beside it ----

const state = {
  name: "installation.toml",
  text: null,
  // The other: { name, text }.
  other: null,
  isAddressed: false,
  past: [],
  future: [],
  // Which value was changed last, and when: a drag is undone as one.
  last: { what: null, at: 0 },
};

const TOGETHER_MS = 1500;

// What the two are called beside each other.
function labels() {
  const { name, other } = state;
  return other ? [name, other.name === name ? `${name} (kept)` : other.name] : [name];
}

// Takes a new text. `what` is what was changed; the same within a moment is one change.
function take(text, what) {
  if (text === state.text) return false;
  const now = performance.now();
  if (state.text !== null && !(what && what === state.last.what && now - state.last.at < TOGETHER_MS)) {
    state.past.push({ name: state.name, text: state.text, other: state.other });
    if (state.past.length > 200) state.past.shift();
  }
  state.future = [];
  state.last = { what, at: now };
  state.text = text;
  return true;
}

// Goes back, or forth again.
function turn(from, to) {
  const there = from.pop();
  if (!there) return false;
  to.push({ name: state.name, text: state.text, other: state.other });
  Object.assign(state, there, { last: { what: null, at: 0 } });
  return true;
}

// ---- the same in the address ----

// A longer address is cut by some of what passes it on.
const LONGEST_ADDRESS = 30000;
// As file systems have it.
const LONGEST_NAME = 255;
// What an address may unpack to: twice the largest file.
const LARGEST = 1 << 20;

async function through(bytes, transform) {
  const reader = new Blob([bytes]).stream().pipeThrough(transform).getReader();
  const parts = [];
  let size = 0;
  for (;;) {
    const { done, value } = await reader.read();
    if (done) break;
    size += value.length;
    if (size > LARGEST) {
      reader.cancel().catch(() => {});
      throw new Error("it is too large");
    }
    parts.push(value);
  }
  const whole = new Uint8Array(size);
  let at = 0;
  for (const part of parts) {
    whole.set(part, at);
    at += part.length;
  }
  return whole;
}

async function packed(value) {
  const bytes = await through(new TextEncoder().encode(JSON.stringify(value)), new CompressionStream("deflate-raw"));
  let letters = "";
  for (const byte of bytes) letters += String.fromCharCode(byte);
  return btoa(letters).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
}

async function unpacked(text) {
  const bytes = Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (letter) => letter.charCodeAt(0));
  const value = JSON.parse(new TextDecoder("utf-8", { fatal: true }).decode(await through(bytes, new DecompressionStream("deflate-raw"))));
  const isFile = (file) => file && typeof file.name === "string" && file.name.length <= LONGEST_NAME && typeof file.text === "string";
  if (!isFile(value) || (value.other && !isFile(value.other))) throw new Error("it holds no installation");
  return value;
}

let addressed = 0;

// Writes the state into the address once it rests; nothing where it is too long, rather than what was there before.
function address() {
  clearTimeout(addressed);
  state.isAddressed = false;
  addressed = setTimeout(async () => {
    const { name, text, other } = state;
    const hash = await packed({ name, text, other });
    const fits = hash.length <= LONGEST_ADDRESS;
    try {
      history.replaceState(null, "", fits ? `#${hash}` : location.href.split("#")[0]);
      state.isAddressed = fits && text === state.text;
    } catch {
      // Some browsers take only so many in a minute. The next change writes it.
    }
  }, 300);
}

// Whoever leaves loses what the address does not hold.
addEventListener("beforeunload", (event) => {
  if (state.text !== null && !state.isAddressed && state.past.length) event.preventDefault();
});
