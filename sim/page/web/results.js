// ---- verdicts ----

// How many of the findings that are fine stand open: they say what the heater does.
const SHOWN_FINE = 3;

// The changes of a file that a plan or a proposal lists.
const written = ({ place, to }) => (to === null ? `leave out ${place}` : `${place} = ${to}`);

function findingOf({ severity, text, change, checked }, mend) {
  const offers = (checked || []).map((changes) => make("li", {},
    make("code", {}, changes.map(written).join(", ")), " ", button("Make this change", () => mend(changes), { "aria-label": `Make this change: ${changes.map(written).join(", ")}` })));
  return make("li", { class: `finding ${severity}` },
    make("b", {}, severity), " ", text,
    change ? make("p", { class: "why" }, `to change: ${change}`) : null,
    offers.length ? make("p", { class: "why" }, "Each of these alone mends it, and makes nothing else worse:") : null,
    offers.length ? make("ul", {}, ...offers) : null);
}

function verdictsOf(plan, mend) {
  const count = (severity) => plan.findings.filter((finding) => finding.severity === severity).length;
  const [danger, change] = [count("danger"), count("change")];
  const said = danger ? `${danger} dangerous` : change ? `${change} to change` : "nothing to change";
  const list = (findings) => make("ul", { class: "findings" }, ...findings.map((finding) => findingOf(finding, mend)));
  const open = plan.findings.filter((finding) => finding.severity !== "fine");
  const fine = plan.findings.filter((finding) => finding.severity === "fine");
  const rest = fine.slice(SHOWN_FINE);
  const wasOpen = byId("fine")?.open ?? false;
  return [
    make("p", { class: `overall ${danger ? "danger" : change ? "change" : "fine"}` }, `${plan.ok ? "It passes" : "It does not pass"}: ${said}.`),
    list([...open, ...fine.slice(0, SHOWN_FINE)]),
    rest.length ? make("details", { id: "fine", open: wasOpen }, make("summary", {}, `${rest.length} more things are fine`), list(rest)) : "",
    make("p", { class: "note" }, `settings ${plan.settings_fingerprint}: a board that has them shows the same`),
  ];
}

// ---- winters ----

// Markup that the library made of its own texts. Everything in it that comes from a file is escaped there.
function markup(text) {
  const made = document.createElement("template");
  made.innerHTML = text;
  return made.content;
}

class Winter {
  constructor() {
    this.leave = null;
  }

  show({ data, summary, drawn }) {
    const kept = this.leave ? this.leave() : undefined;
    const open = new Set([...byId("figures").querySelectorAll("details[open] > summary")].map((part) => part.textContent));
    const isFirst = !byId("figures").hasChildNodes();
    byId("figures").replaceChildren(markup(summary));
    const parts = [...byId("figures").querySelectorAll("details")];
    if (!isFirst) parts.forEach((part) => (part.open = open.has(part.querySelector("summary").textContent)));
    byId("drawn").replaceChildren(...drawn.map((one) => make("figure", { class: "drawn" }, markup(one))));
    this.leave = showSeasons(JSON.parse(data), byId("live"), kept);
  }

  clear() {
    if (this.leave) this.leave();
    this.leave = null;
    for (const id of ["figures", "drawn", "live"]) byId(id).replaceChildren();
  }
}

// Values that two files have, and that differ.
function differencesOf(ours, theirs) {
  const values = (sections) => new Map(sections.flatMap(({ place, title, quantities }) =>
    quantities.map((item) => [pathOf(place, item.key), { ...item, name: title ? `${title}: ${item.key}` : item.key }])));
  const [one, other] = [values(ours), values(theirs)];
  const shown = (item) => (!item || item.value === null ? "not stated" : `${item.value}${item.unit ? ` ${item.unit}` : ""}`);
  return [...new Set([...one.keys(), ...other.keys()])]
    .map((path) => [(one.get(path) ?? other.get(path)).name, shown(one.get(path)), shown(other.get(path))])
    .filter(([, ours, theirs]) => ours !== theirs);
}

function differenceTable(names, rows) {
  if (!rows.length) return make("p", {}, "Both have the same values.");
  const cells = (kind, row) => make("tr", {}, ...row.map((text, index) => make(index === 0 ? "th" : kind, { scope: index === 0 ? "row" : kind === "th" ? "col" : null }, text)));
  return make("details", { open: rows.length < 12 }, make("summary", {}, rows.length === 1 ? "One value differs" : `${rows.length} values differ`),
    make("table", { class: "differing" }, cells("th", ["", ...names]), ...rows.map((row) => cells("td", row))));
}

// ---- proposals ----

const MEASURES = [
  ["charge used, h", (one) => inMeasure(one.charge_used_h, 1)],
  ["heat, kWh", (one) => inMeasure(one.heater_wh / 1000, 1)],
  ["warm-up, h", (one) => inMeasure(one.warm_up_h, 1)],
  ["effort, h", (one) => inMeasure(one.effort_h, 1)],
  ["margin, K", (one) => inMeasure(one.worst_margin_k, 2)],
  ["lowest charge, %", (one) => inMeasure(one.least_soc_pct, 0)],
];

function candidatesOf({ candidates, requirements, tried, met, nearest_lacks: lacks, open, file_lacks: now }, choose) {
  const head = make("tr", {}, make("th", { scope: "col" }, "number"), make("td"), ...MEASURES.map(([name]) => make("th", { scope: "col" }, name)));
  const rows = candidates.map((candidate, index) => make("tr", {},
    make("th", { scope: "row" }, String(index + 1)),
    make("td", {}, button("Take it", () => choose(candidate.installation), { "aria-label": `Take it: number ${index + 1}` })),
    ...MEASURES.map(([, value]) => make("td", {}, value(candidate)))));
  const changes = candidates.map((candidate, index) => make("details", {},
    make("summary", {}, `number ${index + 1}: what it changes, and what it rests on`),
    make("ul", {}, ...candidate.changes.map((change) => make("li", {}, make("code", {}, written(change)), change.from === null ? "" : ` (was ${change.from})`))),
    make("ul", {}, ...candidate.rests_on.map((text) => make("li", {}, text)))));
  return [
    make("p", {}, `${tried} installations tried, ${met} good enough.`),
    now && now.length ? make("div", {}, make("p", {}, "The file as it is lacks:"), make("ul", {}, ...now.map((text) => make("li", {}, text)))) : null,
    candidates.length ? make("div", { class: "wide" }, make("table", { class: "candidates" }, head, ...rows))
      : make("div", {}, make("p", {}, "None is good enough. The nearest lacks:"), make("ul", {}, ...lacks.map((text) => make("li", {}, text)))),
    candidates.length ? make("p", { class: "note" }, "charge used: time in the season with power to charge with, and used. heat: energy into the pad. warm-up: from the coldest that it is planned for to the charge permit. effort: of the change, in hours of work, rough. margin: of the coldest place above the cells' hard limit, in the worst trial.") : null,
    ...changes,
    make("details", {}, make("summary", {}, "What each had to meet, and how many did not"),
      make("ul", {}, ...requirements.map(({ requirement, excluded }) => make("li", {}, `${requirement}: ${excluded}`))),
      make("p", {}, `Left open: ${open.join(", ")}.`)),
  ].filter((part) => part);
}
