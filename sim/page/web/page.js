// ---- the page ----

const quick = new Desk();
// A winter takes longer than verdicts, and a search longer still: each has a worker of its own, so that a drag never waits for it.
const seasons = new Desk();
const slow = new Desk();
const winter = new Winter();

// How long it took from a change to what it shows (ms), for whoever measures: {what, ms}.
window.forewarm = { measured: [] };
let changedAt = 0;

function measured(what) {
  const since = changedAt;
  if (since) requestAnimationFrame(() => window.forewarm.measured.push({ what, ms: performance.now() - since }));
}

function fail(error) {
  const panel = byId("broken");
  panel.hidden = false;
  panel.replaceChildren(make("h2", {}, "Something in this page has failed"),
    make("p", {}, "What it shows may be old. Save the file, and load the page again. Whoever mends the page needs this line:"),
    make("code", {}, error.message));
}

function shown(which) {
  for (const id of ["begin", "questions", "desk"]) byId(id).hidden = id !== which;
  const isThere = state.text !== null;
  byId("now").hidden = which !== "desk";
  byId("start").hidden = which === "begin";
  byId("back").hidden = which === "desk" || !isThere;
  for (const id of ["save", "link", "report"]) byId(id).disabled = !isThere;
  byId("undo").disabled = state.past.length === 0;
  byId("redo").disabled = state.future.length === 0;
}

// ---- one thing after another, the newest first ----

// Does some work again and again as long as somebody has asked since it began. `isOld` says whether somebody has.
function newest(work) {
  let isRunning = false;
  let isAsked = false;
  return async () => {
    isAsked = true;
    if (isRunning) return;
    isRunning = true;
    while (isAsked) {
      isAsked = false;
      try {
        await work(() => isAsked);
      } catch (error) {
        if (error instanceof Refused) refused(error.problems);
        else fail(error);
      }
    }
    isRunning = false;
  };
}

const form = new Form(byId("form"), (change, path) => {
  changedAt = performance.now();
  waiting.set(path, change);
  refresh();
});
// Changes that are not in the text yet, the last of each value.
const waiting = new Map();
let looked = null;

function refresh() {
  busy("verdicts", true);
  busy("winter-panel", true);
  busy("bank-panel", true);
  judge();
}

// Text, form and verdicts.
const judge = newest(async (isOld) => {
  if (waiting.size) {
    const changes = [...waiting.values()];
    const path = waiting.size === 1 ? [...waiting.keys()][0] : null;
    waiting.clear();
    take(await quick.text("change", [state.name, state.text, JSON.stringify(changes)]), path);
  }
  shown("desk");
  address();
  const { name, text } = state;
  // Not over what is being typed.
  if (!typed && byId("text").value !== text) byId("text").value = text;
  looked = await quick.ask("look", [name, text]);
  document.title = looked.title ? `${looked.title} – Forewarm` : "Forewarm";
  const missing = looked.files.filter((file) => !Desk.files.has(file));
  byId("problems").replaceChildren(...problemsOf(looked.problems, goTo), ...missing.map(fileWanted));
  if (looked.sections.length) form.show(looked.sections);
  if (isOld() || !looked.ok) return;
  rehearse();
  const plan = await quick.ask("verdicts", [name, text]);
  byId("verdicts").replaceChildren(...verdictsOf(plan, mend));
  byId("now-verdict").textContent = byId("verdicts").querySelector(".overall").textContent;
  if (isOld()) return;
  busy("verdicts", false);
  measured("verdicts");
  const bank = await quick.text("section", [name, text]);
  byId("bank").replaceChildren(make("figure", { class: "bank" }, markup(bank)));
  if (!isOld()) busy("bank-panel", false);
});

// The winter, and what lies beside it.
const rehearse = newest(async (isOld) => {
  const { name, text, other } = state;
  const files = [[name, text], ...(other ? [[other.name === name ? `${name} (before)` : other.name, other.text]] : [])];
  const season = await seasons.ask("winter", [JSON.stringify(files)]);
  winter.show(season);
  const won = JSON.parse(season.report).charge_won_s;
  byId("now-winter").textContent = won === null ? "The winter" : `The winter: ${inMeasure(won / 3600, 1)} h of charging won`;
  await beside();
  if (isOld() || text !== state.text || other !== state.other) return;
  busy("winter-panel", false);
  measured("winter");
});

function refused(problems) {
  byId("problems").replaceChildren(...problemsOf(problems, goTo));
  say("The file cannot be used as it is: its problems stand above its values.");
}

function mend(changes) {
  const draft = structuredClone(changes);
  const edits = draft.map(({ place, to }) => changeOf(place, to)).filter((edit) => edit);
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
  const input = make("input", { type: "file", "aria-label": `The file ${path}` });
  input.addEventListener("change", async () => {
    const bytes = new Uint8Array(await input.files[0].arrayBuffer());
    Desk.files.set(path, bytes);
    for (const desk of [quick, seasons, slow]) desk.text("keep", [path, bytes]).catch(fail);
    refresh();
  });
  return make("div", { class: "problem warning" }, make("p", {}, "The file names ", make("code", {}, path), ". Without it there is no winter to rehearse."), input);
}

// ---- begin ----

function load(name, text, other = null) {
  changedAt = performance.now();
  waiting.clear();
  take(text, null);
  Object.assign(state, { name, other });
  byId("candidates").replaceChildren();
  refresh();
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
    load(name, text, other);
  } catch (error) {
    shown("begin");
    say(`The address holds no installation that can be read: ${error.message}. Begin anew below.`);
  }
}

async function example(name) {
  const { text } = await quick.ask("ask", [name, "[]"]);
  load(`${name}.toml`, text);
  byId("main").focus();
}

// ---- questions ----

const answers = new Map();

async function questions() {
  shown("questions");
  const { questions, refused } = await quick.ask("ask", ["", JSON.stringify([...answers])]);
  const root = byId("asked");
  const focused = document.activeElement && document.activeElement.id;
  root.replaceChildren(...questions.filter(({ open }) => open).map(({ key, asks, choice, words, now }) => {
    const id = `answer-${key}`;
    const problem = refused.find((one) => one.key === key);
    const described = { id, "aria-describedby": `${id}-note`, "aria-invalid": problem ? "true" : null };
    // A site in a room stands as no word says.
    const options = words.length && now === null ? ["", ...words] : words;
    const input = words.length ? make("select", described, ...options.map((word) => make("option", { value: word }, word.replaceAll("_", " "))))
      : make("input", { ...described, type: "text", autocomplete: "off" });
    input.value = problem ? answers.get(key) : now ?? "";
    input.addEventListener("change", () => {
      answers.set(key, input.value);
      questionsAgain();
    });
    return make("div", { class: "field text" }, make("label", { for: id }, asks), input,
      make("p", { class: "note", id: `${id}-note` }, words.length ? "" : choice),
      problem ? make("p", { class: "problem error", role: "alert" }, `${problem.message}; try: ${problem.remedy}`) : null);
  }), make("p", { class: "row" }, make("button", { type: "submit" }, "See what comes of it")));
  if (focused && byId(focused)) byId(focused).focus();
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
  load("installation.toml", text);
  byId("main").focus();
});

// ---- open, save, undo, link ----

async function opened(file) {
  try {
    const bytes = new Uint8Array(await file.arrayBuffer());
    load(file.name, await quick.text("decode", [file.name, bytes]));
  } catch (error) {
    if (!(error instanceof Refused)) return fail(error);
    shown(state.text === null ? "begin" : "desk");
    byId("broken").hidden = false;
    byId("broken").replaceChildren(make("h2", {}, `${file.name} cannot be opened`), ...problemsOf(error.problems));
    return;
  }
  byId("broken").hidden = true;
}

const choose = () => byId("file").click();
byId("file").addEventListener("change", () => {
  const [file] = byId("file").files;
  if (file) opened(file);
  byId("file").value = "";
});
addEventListener("dragover", (event) => event.preventDefault());
addEventListener("drop", (event) => {
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
  download(state.name.endsWith(".toml") ? state.name : `${state.name}.toml`, "application/toml", state.text);
  say(`${state.name} is saved with what your browser downloads.`);
});

function again(from, to) {
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
  const hash = await packed({ name: state.name, text: state.text, other: state.other });
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
for (const id of ["skip", "now-verdict", "now-winter"]) {
  byId(id).addEventListener("click", (event) => {
    // The address holds the installation.
    event.preventDefault();
    const place = byId(byId(id).getAttribute("href").slice(1));
    place.scrollIntoView();
    place.focus();
  });
}
addEventListener("hashchange", () => fromAddress(location.hash.slice(1)));

let typed = 0;
byId("text").addEventListener("input", () => {
  clearTimeout(typed);
  typed = setTimeout(() => {
    typed = 0;
    changedAt = performance.now();
    waiting.clear();
    take(byId("text").value, "text");
    refresh();
  }, 250);
});

// ---- another beside it ----

async function beside() {
  const { other } = state;
  byId("beside").replaceChildren(...(other
    ? [button("Exchange the two", () => {
      const { name, text } = state;
      load(other.name, other.text, { name, text });
    }), button("Leave the other out", () => load(state.name, state.text))]
    : [button("Keep this one beside it, to compare", () => {
      state.other = { name: `before, ${state.name}`, text: state.text };
      changedAt = performance.now();
      refresh();
    })]));
  if (!other) return byId("differences").replaceChildren();
  const theirs = await seasons.ask("look", [other.name, other.text]);
  byId("differences").replaceChildren(differenceTable([state.name, other.name], differencesOf(looked.sections, theirs.sections)));
}

// ---- what takes long ----

byId("mend").addEventListener("click", async () => {
  const { name, text } = state;
  byId("mend").disabled = true;
  say("Trying single changes, each planned anew. This takes a while.");
  try {
    const plan = await slow.ask("plan", [name, text]);
    if (text === state.text) byId("verdicts").replaceChildren(...verdictsOf(plan, mend));
    say(text === state.text ? "The changes that mend it stand with the verdicts." : "The file has changed meanwhile. Look again.");
  } catch (error) {
    if (error instanceof Refused) refused(error.problems);
    else if (error.message !== "stopped") fail(error);
  }
  byId("mend").disabled = false;
});

// What a search may be asked for: as the command has it.
const EXTENT = [["tries", "installations to try", 120, 1, 100000], ["trials", "trials of each proposal", 10, 1, 10000], ["most", "proposals at most", 6, 1, 30], ["seed", "seed of the draws", 1, 0, 4294967295]];

function searchForm() {
  const fields = EXTENT.map(([key, label, value, min, max]) => make("label", {}, `${label} `, make("input", { name: key, type: "number", value, min, max, step: 1, required: true })));
  const stop = button("Stop", () => slow.stop(), { id: "stop", disabled: true });
  byId("search").replaceChildren(...fields, make("button", { type: "submit", id: "go" }, "Search"), stop);
}

byId("search").addEventListener("submit", async (event) => {
  event.preventDefault();
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
    const proposal = await slow.ask("propose", [name, text, JSON.stringify(extent)], progress);
    byId("searched").replaceChildren();
    byId("candidates").replaceChildren(...candidatesOf(proposal, (installation) => {
      state.other = { name: `before, ${name}`, text };
      load(name, installation, state.other);
      say("The proposal is taken, and the file as it was is kept beside it. Undo brings it back.");
    }));
  } catch (error) {
    byId("searched").replaceChildren(make("p", {}, error.message === "stopped" ? "Stopped." : ""));
    if (error instanceof Refused) byId("searched").replaceChildren(...problemsOf(error.problems));
    else if (error.message !== "stopped") fail(error);
  }
  byId("go").disabled = false;
  byId("stop").disabled = true;
});

// ---- the report ----

byId("report").addEventListener("click", () => {
  byId("made").textContent = "";
  byId("document").showModal();
});
byId("close").addEventListener("click", () => byId("document").close());
byId("make").addEventListener("click", async () => {
  byId("make").disabled = true;
  byId("made").textContent = "Rehearses the winter and every fault. This takes a while.";
  try {
    const page = await slow.text("report", [state.name, state.text, byId("by").value]);
    byId("paper").srcdoc = page;
    byId("keep").onclick = () => download(`${state.name.replace(/\.toml$/, "")}.html`, "text/html", page);
    byId("print").disabled = byId("keep").disabled = false;
    byId("made").textContent = "";
  } catch (error) {
    byId("made").textContent = error.message === "stopped" ? "Stopped." : error.message;
    if (!(error instanceof Refused) && error.message !== "stopped") fail(error);
  }
  byId("make").disabled = false;
});
byId("print").addEventListener("click", () => byId("paper").contentWindow.print());

// ---- start ----

searchForm();
shown("begin");
document.documentElement.classList.add("scripted");
addEventListener("beforeprint", () => byId("figures").querySelectorAll("details").forEach((part) => (part.open = true)));
begin().catch(fail);
