// ---- the page ----

const quick = new Desk();
// A winter takes longer than verdicts: it has a worker of its own, so that a drag does not wait for it.
const seasons = new Desk();
const winter = new Winter();

// How long it took from a change to what it shows (ms), for whoever measures: {what, ms}.
window.forewarm = { measured: [] };
let changedAt = 0;

function measured(what) {
  const since = changedAt;
  if (since) requestAnimationFrame(() => window.forewarm.measured.push({ what, ms: performance.now() - since }));
}

// The work that has failed last.
let failing = null;

// Stands above everything, until what has failed works again, or another file is taken.
function alarmed(title, ...parts) {
  failing = null;
  const panel = byId("broken");
  panel.hidden = false;
  panel.replaceChildren(make("h2", {}, title), ...parts);
  panel.scrollIntoView({ block: "nearest" });
}

function fail(error, work) {
  if (error instanceof Stopped) return;
  alarmed("Something in this page has failed",
    make("p", {}, quick.isReady ? "What it shows may be old. Save the file, and load the page again."
      : "A browser of 2023 or newer is needed: one with WebAssembly, its vectors, and DecompressionStream."),
    make("p", {}, "Whoever mends the page needs this line:"), make("code", {}, String(error?.message ?? error)));
  failing = work ?? null;
}

// Nothing fails without a word.
addEventListener("error", (event) => {
  event.preventDefault();
  fail(event.error ?? new Error(event.message));
});
addEventListener("unhandledrejection", (event) => {
  event.preventDefault();
  fail(event.reason);
});

function shown(which) {
  for (const id of ["begin", "questions", "desk"]) byId(id).hidden = id !== which;
  const isThere = state.text !== null;
  byId("now").hidden = which !== "desk";
  byId("start").hidden = which === "begin";
  byId("back").hidden = which === "desk" || !isThere;
  for (const id of ["save", "link", "report"]) byId(id).disabled = !isThere;
  turnable();
}

function turnable() {
  byId("undo").disabled = state.past.length === 0;
  byId("redo").disabled = state.future.length === 0;
}

// ---- one thing after another, the newest first ----

// How long an answer may take that nobody wants any more. Ending it costs its worker what it remembers.
const PATIENCE_MS = 5000;

// Does some work of a desk again and again as long as somebody has asked since it began. `isOld` says whether somebody has. `refused` gets
// the problems of what is refused.
function newest(desk, work, refused) {
  let isRunning = false;
  let isAsked = false;
  let began = 0;
  let patience = 0;
  return async () => {
    isAsked = true;
    if (isRunning) {
      clearTimeout(patience);
      patience = setTimeout(() => desk.stop(), Math.max(0, began + PATIENCE_MS - performance.now()));
      return;
    }
    isRunning = true;
    while (isAsked) {
      isAsked = false;
      began = performance.now();
      try {
        await work(() => isAsked);
        if (failing === work) byId("broken").hidden = true;
      } catch (error) {
        if (!(error instanceof Refused)) fail(error, work);
        else if (!isAsked) refused(error.problems);
      }
      clearTimeout(patience);
    }
    isRunning = false;
  };
}

const form = new Form(byId("form"), (change, path) => {
  typedNow();
  changedAt = performance.now();
  waiting.set(path, change);
  refresh();
});
// The timer of what is being typed into the text, or 0.
let typed = 0;
// Changes that are not in the text yet, the last of each value.
const waiting = new Map();
let looked = null;

function refresh() {
  busy("verdicts", true);
  busy("winter-panel", true);
  busy("bank-panel", true);
  say("");
  shown("desk");
  beside();
  judge();
}

// Text, form and verdicts.
const judge = newest(quick, async (isOld) => {
  if (waiting.size) {
    const { name, text } = state;
    const changes = [...waiting.values()];
    const path = waiting.size === 1 ? [...waiting.keys()][0] : null;
    waiting.clear();
    try {
      const changed = await quick.text("change", [name, text, JSON.stringify(changes)]);
      // What came meanwhile, another file or an undo, counts more.
      if (text === state.text) take(changed, path);
    } catch (error) {
      if (error instanceof Stopped && text === state.text) changes.forEach((change) => waiting.set(pathOf(change.place, change.key), change));
      if (!(error instanceof Refused)) throw error;
      say("The value is not changed: first mend what the problems above the values name.");
    }
  }
  turnable();
  address();
  const { name, text } = state;
  // Not over what is being typed.
  if (!typed && byId("text").value !== text) byId("text").value = text;
  looked = await quick.ask("look", [name, text]);
  document.title = looked.title ? `${looked.title} – Forewarm` : "Forewarm";
  byId("problems").replaceChildren(...problemsOf(looked.problems, name, goTo), ...looked.files.map(fileWanted));
  if (looked.sections.length) form.show(looked.sections, (path) => waiting.has(path));
  if (isOld()) return;
  if (!looked.ok) return unusable(looked.problems.filter(({ severity }) => severity === "error").length);
  outOfSight(false);
  rehearse();
  const plan = await quick.ask("verdicts", [name, text]);
  byId("verdicts").replaceChildren(...verdictsOf(plan, mend));
  judged(plan.findings.every(({ severity }) => severity === "fine"));
  if (isOld()) return;
  busy("verdicts", false);
  measured("verdicts");
  const bank = await quick.text("section", [name, text]);
  byId("bank").replaceChildren(make("figure", { class: "bank" }, markup(bank)));
  if (!isOld()) busy("bank-panel", false);
}, (problems) => {
  byId("verdicts").replaceChildren(make("p", { class: "overall danger" }, "It cannot be judged."), ...problemsOf(problems, state.name, goTo));
  byId("bank").replaceChildren();
  judged(true);
  busy("verdicts", false);
  busy("bank-panel", false);
});

// The verdict in short, where the whole of it is out of sight.
function judged(isFine) {
  const [whole, part] = byId("verdicts").querySelector(".overall").textContent.replace(/\.$/, "").split(": ");
  byId("now-verdict").textContent = isFine ? whole : part;
  byId("mend").hidden = isFine;
}

// What was computed before is not shown beside a file that nothing can be computed of.
function outOfSight(is) {
  for (const id of ["winter-panel", "bank-panel", "now-winter"]) byId(id).hidden = is;
}

function unusable(count) {
  outOfSight(true);
  byId("verdicts").replaceChildren(
    make("p", { class: "overall danger" }, `The file has ${count === 1 ? "a problem" : `${count} problems`}.`),
    make("p", { class: "row" }, `Until ${count === 1 ? "it is" : "they are"} mended there is no verdict and no winter. `, button("Show the problems", () => {
      byId("values-panel").scrollIntoView();
      byId("values-panel").focus();
    })));
  judged(true);
  busy("verdicts", false);
}

// The winter, and what lies beside it.
const rehearse = newest(seasons, async (isOld) => {
  const { text, other } = state;
  const names = labels();
  const { sections } = looked;
  const season = await seasons.ask("winter", [JSON.stringify(names.map((name, index) => [name, index ? other.text : text]))]);
  winter.show(season);
  const { charge_won_s: won, against } = JSON.parse(season.report);
  const inHours = (seconds) => `${inMeasure(seconds / 3600, 1)} h`;
  byId("lead").replaceChildren(won === null ? "" : make("p", { class: "overall" }, `${inHours(won)} of charging won by heating`,
    typeof against?.charge_won_s === "number" ? `; with the other ${inHours(against.charge_won_s)}` : ""));
  byId("now-winter").textContent = won === null ? "The winter" : `Winter: ${inHours(won)} won`;
  const theirs = other ? await seasons.ask("look", [other.name, other.text]) : null;
  byId("differences").replaceChildren(theirs ? differenceTable(names, differencesOf(sections, theirs.sections)) : "");
  if (isOld() || text !== state.text || other !== state.other) return;
  busy("winter-panel", false);
  measured("winter");
}, (problems) => {
  winter.clear();
  byId("differences").replaceChildren();
  byId("lead").replaceChildren(make("p", { class: "overall danger" }, "There is no winter to rehearse."), ...problemsOf(problems, state.name, goTo));
  byId("now-winter").textContent = "No winter";
  busy("winter-panel", false);
});

function mend(changes) {
  const edits = changes.map(({ place, to }) => changeOf(place, to)).filter((edit) => edit);
  if (edits.length !== changes.length) return say("This page cannot make the change. Make it in the text of the file.");
  typedNow();
  changedAt = performance.now();
  edits.forEach((edit) => waiting.set(pathOf(edit.place, edit.key), edit));
  refresh();
}

// A change as a plan writes it, `channel.top.at = "end"`, as one of the form.
function changeOf(place, to) {
  const parts = place.split(".");
  for (const section of looked.sections) {
    const [kind, index] = section.place;
    const name = section.quantities.find(({ key }) => key === "name")?.value;
    const heads = typeof index === "number"
      ? [[kind, String(name ?? index + 1)], [kind, String(index + 1)]] : [section.place.map((step) => (typeof step === "number" ? String(step + 1) : step))];
    for (const head of heads) {
      const start = `${head.join(".")}.`;
      const key = place.startsWith(start) ? place.slice(start.length) : section.place.length === 0 ? parts.join(".") : null;
      if (key && section.quantities.some((item) => item.key === key)) {
        const value = to === null ? null : /^".*"$/.test(to) ? JSON.parse(to) : Number(to);
        return { place: section.place, key, value };
      }
    }
  }
  return null;
}

function goTo(line) {
  const area = byId("text");
  byId("source").open = true;
  const lines = area.value.split("\n");
  const start = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
  area.focus();
  area.setSelectionRange(start, start + (lines[line - 1] || "").length);
  area.scrollTop = Math.max(0, (line - 4) * (area.scrollHeight / Math.max(1, lines.length)));
}

// A file of weather or a log that the installation names.
function fileWanted(path) {
  const isThere = Desk.files.has(path);
  const input = make("input", { type: "file", "aria-label": `The file ${path}` });
  input.addEventListener("change", async () => {
    const bytes = await bytesOf(input.files[0]);
    if (!bytes) return;
    Desk.files.set(path, bytes);
    for (const desk of [quick, seasons]) desk.text("keep", [path, bytes]).catch(fail);
    refresh();
  });
  return make("div", { class: `problem ${isThere ? "there" : "warning"}` },
    make("p", {}, "The file names ", make("code", {}, path), isThere ? ". You have chosen it; here you can choose another." : ". Choose it here: without it there is no winter to rehearse."), input);
}

// What a file holds, as far as `most` says. Nothing where it cannot be read: a folder, or a file that is gone.
async function bytesOf(file, most) {
  if (!file) return null;
  try {
    return new Uint8Array(await (most === undefined ? file : file.slice(0, most)).arrayBuffer());
  } catch (error) {
    alarmed(`${file.name} cannot be opened`, make("p", {}, `The browser says: ${error.message} Is it a file, and still there?`));
    return null;
  }
}

// ---- begin ----

function load(name, text, other = null) {
  typedNow();
  changedAt = performance.now();
  waiting.clear();
  take(text, null);
  Object.assign(state, { name, other });
  refresh();
}

// Another file, to which nothing belongs that was found for the last.
function fresh(name, text, other) {
  searching?.stop();
  mending?.stop();
  byId("searched").replaceChildren();
  byId("candidates").replaceChildren();
  byId("broken").hidden = true;
  load(name, text, other);
}

async function begin() {
  const about = await quick.ask("about", []);
  byId("cautions").replaceChildren(...about.cautions.map((text) => make("p", {}, text)));
  byId("examples").replaceChildren(...about.examples.map(({ name, meaning }) =>
    make("button", { type: "button", class: "choice", onclick: () => example(name) }, make("b", {}, name), make("span", {}, meaning))));
  const hash = location.hash.slice(1);
  if (hash) await fromAddress(hash);
  if (state.text === null) shown("begin");
}

async function fromAddress(hash) {
  try {
    const { name, text, other } = await unpacked(hash);
    fresh(name, text, other);
  } catch {
    const isThere = state.text !== null;
    if (isThere) address();
    else shown("begin");
    say(`The address holds no installation that can be read: perhaps it was cut on its way. ${isThere ? "This one stays." : "Begin anew below."}`);
  }
}

async function example(name) {
  const { text } = await quick.ask("ask", [name, "[]"]);
  fresh(`${name}.toml`, text);
  byId("main").focus();
}

// ---- questions ----

const answers = new Map();

// A question that stands on the page, by its key. It stays the same element: whoever types in it or points at what is below is not disturbed.
const posed = new Map();

function pose({ key, asks, choice, words, now }) {
  const id = `answer-${key}`;
  const note = make("p", { class: "note", id: `${id}-note` }, words.length ? "" : choice);
  const wrong = make("div", { role: "alert" });
  const described = { id, "aria-describedby": note.id };
  // A site in a room stands as no word says.
  const options = words.length && now === null ? ["", ...words] : words;
  const input = words.length ? make("select", described, ...options.map((word) => make("option", { value: word }, word.replaceAll("_", " "))))
    : make("input", { ...described, type: "text", autocomplete: "off" });
  let isTyping = false;
  input.addEventListener("input", () => (isTyping = true));
  input.addEventListener("blur", () => (isTyping = false));
  input.addEventListener("change", () => {
    isTyping = false;
    answers.set(key, input.value);
    questionsAgain();
  });
  const put = (text, problem) => {
    if (!isTyping) input.value = text;
    if (problem) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
    wrong.replaceChildren(problem ? make("p", { class: "problem error" }, `${problem.message}; try: ${problem.remedy}`) : "");
  };
  return { element: make("div", { class: "field text" }, make("label", { for: id }, asks), input, note, wrong), put };
}

async function questions() {
  shown("questions");
  const { questions, refused } = await quick.ask("ask", ["", JSON.stringify([...answers])]);
  const root = byId("answers");
  let last = null;
  for (const question of questions) {
    const { key, open, now } = question;
    if (!open) {
      posed.get(key)?.element.remove();
      continue;
    }
    if (!posed.has(key)) posed.set(key, pose(question));
    const { element, put } = posed.get(key);
    const place = last ? last.nextSibling : root.firstChild;
    if (place !== element) root.insertBefore(element, place);
    last = element;
    const problem = refused.find((one) => one.key === key);
    put(problem ? answers.get(key) : now ?? "", problem);
  }
}

const questionsAgain = () => questions().catch(fail);

byId("asked").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { text, refused } = await quick.ask("ask", ["", JSON.stringify([...answers])]);
  if (refused.length) {
    await questions();
    byId(`answer-${refused[0].key}`).focus();
    return;
  }
  fresh("installation.toml", text);
  byId("main").focus();
});

// ---- open, save, undo, link ----

async function opened(file) {
  // More than this is too large for the library too.
  const bytes = await bytesOf(file, LARGEST);
  if (!bytes) return;
  try {
    fresh(file.name, await quick.text("decode", [file.name, bytes]));
  } catch (error) {
    if (!(error instanceof Refused)) return fail(error);
    alarmed(`${file.name} cannot be opened`, ...problemsOf(error.problems, file.name));
  }
}

const choose = () => byId("file").click();
byId("file").addEventListener("change", () => {
  const [file] = byId("file").files;
  if (file) opened(file);
  byId("file").value = "";
});
const isFile = (event) => event.dataTransfer.types.includes("Files");
addEventListener("dragover", (event) => {
  if (isFile(event)) event.preventDefault();
});
addEventListener("drop", (event) => {
  if (!isFile(event)) return;
  event.preventDefault();
  const [file] = event.dataTransfer.files;
  if (file) opened(file);
});

byId("open").addEventListener("click", choose);
byId("begin-open").addEventListener("click", choose);
byId("begin-questions").addEventListener("click", questionsAgain);
byId("start").addEventListener("click", () => shown("begin"));
byId("back").addEventListener("click", () => shown("desk"));
byId("save").addEventListener("click", () => {
  typedNow();
  download(state.name.endsWith(".toml") ? state.name : `${state.name}.toml`, "application/toml", state.text);
  say(`${state.name} is saved with what your browser downloads.`);
});

function again(from, to) {
  typedNow();
  if (turn(from, to)) {
    waiting.clear();
    changedAt = performance.now();
    refresh();
  }
}

byId("undo").addEventListener("click", () => again(state.past, state.future));
byId("redo").addEventListener("click", () => again(state.future, state.past));
addEventListener("keydown", (event) => {
  // In a text the browser's own undo counts.
  if (!(event.ctrlKey || event.metaKey) || event.altKey || event.target.matches("textarea, input[type=text]")) return;
  const key = event.key.toLowerCase();
  if (key === "z" && !event.shiftKey) again(state.past, state.future);
  else if (key === "y" || (key === "z" && event.shiftKey)) again(state.future, state.past);
  else if (key === "s" && state.text !== null) byId("save").click();
  else return;
  event.preventDefault();
});

byId("link").addEventListener("click", async () => {
  typedNow();
  const { name, text, other } = state;
  const hash = await packed({ name, text, other });
  if (hash.length > LONGEST_ADDRESS) return say("This file is too long for an address. Save it, and pass on the file.");
  const link = `${location.href.split("#")[0]}#${hash}`;
  try {
    await navigator.clipboard.writeText(link);
    say("The link is copied. It holds the whole file: whoever has this page and the link sees the same.");
  } catch {
    history.replaceState(null, "", `#${hash}`);
    say("This browser does not let a page copy. The address above is the link: it holds the whole file.");
  }
});
for (const id of ["skip", "now-verdict", "now-winter", "now-propose", "to-propose"]) {
  byId(id).addEventListener("click", (event) => {
    // The address holds the installation.
    event.preventDefault();
    const place = byId(byId(id).getAttribute("href").slice(1));
    place.scrollIntoView();
    place.focus();
  });
}
addEventListener("hashchange", () => {
  const hash = location.hash.slice(1);
  if (hash) fromAddress(hash);
});

byId("text").addEventListener("input", () => {
  clearTimeout(typed);
  typed = setTimeout(() => {
    typedNow();
    refresh();
  }, 250);
});

// Takes what has been typed into the text, before anything else happens to it.
function typedNow() {
  if (!typed) return;
  clearTimeout(typed);
  typed = 0;
  changedAt = performance.now();
  waiting.clear();
  take(byId("text").value, "text");
}

// ---- another beside it ----

// Made anew only where it changes: whoever stands on a button stays there.
let besides = null;

function beside() {
  const isThere = state.other !== null;
  if (besides === isThere) return;
  besides = isThere;
  byId("beside").replaceChildren(...(isThere
    ? [button("Exchange the two", () => {
      typedNow();
      const { name, text, other } = state;
      load(other.name, other.text, { name, text });
    }), button("Leave the other out", () => load(state.name, state.text))]
    : [button("Keep a copy beside it, to compare", () => {
      typedNow();
      load(state.name, state.text, { name: state.name, text: state.text });
      say("A copy is kept. Change the installation: both winters stand beside each other.");
    })]));
}

// ---- what takes long ----

let mending = null;
byId("mend").addEventListener("click", async () => {
  typedNow();
  const { name, text } = state;
  const tell = (words) => (byId("mending").textContent = words);
  byId("mend").disabled = true;
  tell("Trying single changes, each planned anew. This takes a while.");
  try {
    mending = apart("plan", [name, text]);
    const plan = JSON.parse(await mending.answer);
    if (text === state.text) byId("verdicts").replaceChildren(...verdictsOf(plan, mend));
    const found = plan.findings.some(({ checked }) => checked?.length);
    tell(text !== state.text ? "The file has changed meanwhile. Look again." : found ? "What mends it stands with the verdicts."
      : "No single change mends it. A search changes several things at once.");
  } catch (error) {
    tell(error instanceof Refused ? `It cannot be planned: ${error.message}` : "");
    if (!(error instanceof Refused)) fail(error);
  }
  byId("mend").disabled = false;
});

// What a search may be asked for: as the command has it.
const EXTENT = [["tries", "installations to try", 120, 1, 100000], ["trials", "trials of each proposal", 10, 1, 10000], ["most", "proposals at most", 6, 1, 30], ["seed", "seed of the draws", 1, 0, 4294967295]];

function searchForm() {
  const fields = EXTENT.map(([key, label, value, min, max]) => make("label", {}, `${label} `, make("input", { name: key, type: "number", value, min, max, step: 1, required: true })));
  const stop = button("Stop", () => searching?.stop(), { id: "stop", disabled: true });
  byId("search").replaceChildren(make("button", { type: "submit", id: "go" }, "Search"), stop,
    make("details", {}, make("summary", {}, "How far it searches"), make("div", { class: "row" }, ...fields)));
  // A field that is not as it may be must be in sight for the browser to say so.
  byId("search").addEventListener("invalid", () => (byId("search").querySelector("details").open = true), true);
}

let searching = null;
byId("search").addEventListener("submit", async (event) => {
  event.preventDefault();
  // The key Enter asks again, where the button does not.
  if (searching) return;
  typedNow();
  const extent = Object.fromEntries(EXTENT.map(([key]) => [key, byId("search").elements[key].valueAsNumber]));
  const { name, text } = state;
  const bar = make("progress", { max: extent.tries, value: 0, "aria-label": "Installations tried" });
  const count = make("p", {}, "Begins.");
  byId("searched").replaceChildren(bar, count);
  byId("go").disabled = true;
  byId("stop").disabled = false;
  const progress = ({ tried, rehearsed }) => {
    bar.value = rehearsed ? extent.tries : tried;
    count.textContent = rehearsed ? `${rehearsed} trials of proposals rehearsed` : `${tried} of ${extent.tries} tried`;
  };
  try {
    searching = apart("propose", [name, text, JSON.stringify(extent)], progress);
    const proposal = JSON.parse(await searching.answer);
    byId("searched").replaceChildren();
    byId("candidates").replaceChildren(...candidatesOf(proposal, (installation) => {
      load(name, installation, { name, text });
      say("The proposal is taken, and the file as it was is kept beside it. Undo brings it back.");
    }));
  } catch (error) {
    byId("searched").replaceChildren(...(error instanceof Refused ? problemsOf(error.problems, name) : [make("p", {}, error instanceof Stopped ? "Stopped." : "")]));
    if (!(error instanceof Refused)) fail(error);
  }
  searching = null;
  byId("go").disabled = false;
  byId("stop").disabled = true;
});

// ---- the report ----

let reporting = null;
// The text that the paper is of.
let papered = null;

function paper(page, text) {
  papered = text;
  byId("paper").hidden = page === null;
  byId("paper").srcdoc = page ?? "";
  byId("keep").onclick = () => download(`${state.name.replace(/\.toml$/, "")}.html`, "text/html", page);
  byId("print").disabled = byId("keep").disabled = page === null;
}

byId("report").addEventListener("click", () => {
  typedNow();
  byId("made").replaceChildren();
  if (papered !== state.text) paper(null, null);
  byId("document").showModal();
});
byId("close").addEventListener("click", () => byId("document").close());
byId("document").addEventListener("close", () => reporting?.stop());
byId("asked-report").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (reporting) return;
  const { name, text } = state;
  byId("make").disabled = true;
  byId("made").textContent = "Rehearses the winter and every fault. This takes a while.";
  try {
    reporting = apart("report", [name, text, byId("by").value]);
    paper(await reporting.answer, text);
    byId("made").textContent = "It is ready to print.";
  } catch (error) {
    byId("made").replaceChildren(...(error instanceof Refused ? problemsOf(error.problems, name) : []));
    if (!(error instanceof Refused || error instanceof Stopped)) byId("made").textContent = `It has failed: ${error.message}`;
  }
  reporting = null;
  byId("make").disabled = false;
});
byId("print").addEventListener("click", () => byId("paper").contentWindow.print());
paper(null, null);

// ---- start ----

searchForm();
shown("begin");
document.documentElement.classList.add("scripted");
addEventListener("beforeprint", () => byId("figures").querySelectorAll("details").forEach((part) => (part.open = true)));
begin().catch(fail);
