// ---- the values of the file ----

// What is shown first, in this order; an asterisk stands for the number of an entry. All else is below, section by section.
const FIRST = [
  "title", "site.design_min_c", "battery.count", "charge.capacity_ah", "box.insulation", "box.thickness_mm", "heater.power_w",
  "pad.length_mm", "pad.width_mm", "charge.inhibit_c", "charge.release_c", "charge.soak_min", "source.*.budget_w", "source.*.schedule",
  "winter.offset_k",
];
// Between ends that lie so far apart a slider goes by ratio.
const FAR_APART = 200;
const STOPS = 400;

const pathOf = (place, key) => [...place, key].join(".");
const general = (path) => path.replace(/\.\d+\./g, ".*.");

// How a slider moves: from its stop to a value and back, about the value that it starts from.
function scaleOf(item, value) {
  const { least, most, whole } = item;
  const about = value ?? item.default ?? (least > 0 ? least : 0);
  const isFar = least >= 0 && most / Math.max(least, 1e-3, about / 50) > FAR_APART;
  const rounded = (number) => {
    if (whole) return Math.round(number);
    const digits = isFar ? 2 : 3;
    return Math.min(most, Math.max(least, Number(number.toPrecision(digits))));
  };
  if (!isFar) {
    const steps = whole ? most - least : STOPS;
    // An even step: 0.1, 0.2, 0.5 and so on.
    const raw = (most - least) / steps;
    const ten = 10 ** Math.floor(Math.log10(raw));
    const step = whole ? 1 : [1, 2, 5, 10].map((times) => times * ten).find((step) => step >= raw - 1e-12);
    const even = (number) => Math.min(most, Math.max(least, Number((Math.round(number / step) * step).toPrecision(9))));
    return { steps: Math.round((most - least) / step), to: (stop) => even(least + stop * step), from: (number) => Math.round((number - least) / step) };
  }
  const low = Math.max(least, about > 0 ? about / 10 : most / 1000);
  const high = Math.min(most, Math.max(low * 100, about * 10));
  return {
    steps: STOPS,
    to: (stop) => rounded(low * (high / low) ** (stop / STOPS)),
    from: (number) => (number <= low ? 0 : Math.round((STOPS * Math.log(number / low)) / Math.log(high / low))),
  };
}

function rangeText(item) {
  const unit = item.unit ? ` ${item.unit}` : "";
  const fallback = item.default === null ? "" : `; ${plain(item.default)} where it is left out`;
  return `${plain(item.least)} to ${plain(item.most)}${unit}${fallback}`;
}

// One value, with what changes it.
class Field {
  constructor(section, item, changed) {
    this.path = pathOf(section.place, item.key);
    this.change = (value) => changed({ place: section.place, key: item.key, value }, this.path);
    const id = `value-${this.path.replaceAll(".", "-")}`;
    // What it is comes first, as far as one reads in a glance; the rest of it, and what the file calls it, below.
    const [first, ...more] = (item.meaning || item.key.replaceAll("_", " ")).split("; ");
    const label = make("label", { for: id }, first[0].toUpperCase() + first.slice(1));
    // One of several must say which.
    if (section.place.length > 1) label.prepend(make("span", { class: "of" }, `${section.title}: `));
    const notes = [make("code", {}, this.path.replace(/\.(\d+)\./, (all, index) => ` ${Number(index) + 1} `)), item.kind === "number" ? `: ${rangeText(item)}` : "",
      ...[...more, item.source].filter((note) => note).map((note) => `; ${note}`)];
    this.element = make("div", { class: `field ${item.kind}` }, label);
    this.input = { number: () => this.number(id, item), word: () => this.word(id, item), text: () => this.words(id) }[item.kind]();
    this.input.setAttribute("aria-describedby", `${id}-note`);
    this.element.append(make("p", { class: "note", id: `${id}-note` }, ...notes));
  }

  number(id, item) {
    const input = make("input", { id, type: "number", step: "any", min: item.least, max: item.most, inputmode: "decimal", placeholder: item.default === null ? "" : plain(item.default) });
    this.slider = make("input", { type: "range", "aria-label": `${item.meaning || item.key}, slider`, min: 0, step: 1 });
    this.slider.addEventListener("input", () => {
      const value = this.scale.to(Number(this.slider.value));
      input.value = plain(value);
      this.slider.setAttribute("aria-valuetext", `${plain(value)} ${item.unit}`);
      this.change(value);
    });
    this.slider.addEventListener("change", () => this.aim());
    // What is being typed and not entered yet is not written over.
    let isTyping = false;
    let last = null;
    input.addEventListener("input", () => (isTyping = true));
    input.addEventListener("blur", () => (isTyping = false));
    input.addEventListener("change", () => {
      isTyping = false;
      // No number: the file keeps what it has.
      if (input.validity.badInput) this.put(last);
      else this.change(input.value === "" ? null : input.valueAsNumber);
      this.aim();
    });
    this.aim = () => {
      this.scale = scaleOf(item, Number.isFinite(input.valueAsNumber) ? input.valueAsNumber : null);
      this.slider.max = this.scale.steps;
      const value = Number.isFinite(input.valueAsNumber) ? input.valueAsNumber : item.default;
      this.slider.value = value === null ? 0 : this.scale.from(value);
      this.slider.setAttribute("aria-valuetext", value === null ? "not stated" : `${plain(value)} ${item.unit}`);
    };
    this.put = (value) => {
      last = value;
      if (isTyping) return;
      const text = typeof value === "number" ? plain(value) : "";
      // Whoever moves the slider keeps its scale for as long as it stands where the file does.
      const isThere = this.scale && document.activeElement === this.slider && plain(this.scale.to(Number(this.slider.value))) === text;
      if (input.value !== text || input.validity.badInput) input.value = text;
      if (!isThere) this.aim();
    };
    this.element.append(make("div", { class: "pair" }, this.slider, input, make("span", { class: "unit" }, item.unit)));
    return input;
  }

  word(id, item) {
    const input = make("select", { id }, make("option", { value: "" }, "as by default"), ...item.words.map((word) => make("option", { value: word }, word.replaceAll("_", " "))));
    input.addEventListener("change", () => this.change(input.value === "" ? null : input.value));
    this.put = (value) => {
      if (value !== null && ![...input.options].some((option) => option.value === String(value))) input.append(make("option", { value: String(value) }, String(value)));
      input.value = value === null ? "" : String(value);
    };
    this.element.append(input);
    return input;
  }

  words(id) {
    const input = make("input", { id, type: "text" });
    let isTyping = false;
    input.addEventListener("input", () => (isTyping = true));
    input.addEventListener("blur", () => (isTyping = false));
    input.addEventListener("change", () => {
      isTyping = false;
      this.change(input.value === "" ? null : input.value);
    });
    this.put = (value) => {
      if (!isTyping) input.value = value === null ? "" : String(value);
    };
    this.element.append(input);
    return input;
  }
}

// All values of a file. It is made anew only where the file has other values to show.
class Form {
  constructor(root, changed) {
    Object.assign(this, { root, changed, shape: null, fields: new Map() });
  }

  // `isAwaited` says of which values the text does not have the newest yet.
  show(sections, isAwaited) {
    const shape = JSON.stringify(sections.map(({ place, title, quantities }) => [place, title, quantities.map(({ key, kind }) => [key, kind])]));
    if (shape !== this.shape) this.build(sections);
    this.shape = shape;
    for (const { place, quantities } of sections) {
      for (const item of quantities) {
        const path = pathOf(place, item.key);
        if (!isAwaited(path)) this.fields.get(path).put(item.value);
      }
    }
  }

  build(sections) {
    const open = new Set([...this.root.querySelectorAll("details[open]")].map((part) => part.dataset.title));
    const focused = document.activeElement && document.activeElement.id;
    this.fields.clear();
    const field = (section, item) => {
      const made = new Field(section, item, this.changed);
      this.fields.set(made.path, made);
      return made.element;
    };
    const rank = (section, item) => FIRST.indexOf(general(pathOf(section.place, item.key)));
    const all = sections.flatMap((section) => section.quantities.map((item) => ({ section, item, rank: rank(section, item) })));
    const first = all.filter(({ rank }) => rank >= 0).sort((a, b) => a.rank - b.rank);
    const rest = sections.map((section) => {
      const inside = all.filter((one) => one.section === section && one.rank < 0).map(({ item }) => field(section, item));
      const title = section.title || "the file";
      return inside.length === 0 ? null : make("details", { "data-title": title, open: open.has(title) }, make("summary", {}, title), ...inside);
    });
    this.root.replaceChildren(
      make("div", { class: "first" }, ...first.map(({ section, item }) => field(section, item))),
      make("h3", {}, "Everything else"), ...rest.filter((part) => part),
    );
    if (focused && byId(focused)) byId(focused).focus();
  }
}

// ---- what is wrong with a file ----

// `name` is the file that `go` goes to a line of.
function problemsOf(problems, name, go) {
  return problems.map(({ file = name, severity, line, column, place, message, why, try: remedy }) => {
    const isElsewhere = file !== name;
    const where = [isElsewhere ? file : "", line === null ? "" : `line ${line}, column ${column}`, place].filter((part) => part).join(", ");
    return make("div", { class: `problem ${severity}` },
      make("p", {}, make("b", {}, severity), where ? ` ${where}: ` : ": ", message),
      why ? make("p", { class: "why" }, `why: ${why}`) : null,
      remedy ? make("p", { class: "why" }, "try: ", make("code", {}, remedy)) : null,
      line === null || isElsewhere || !go ? null : button("Go to the line", () => go(line)));
  });
}
