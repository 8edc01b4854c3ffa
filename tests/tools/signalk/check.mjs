// Checks deltas, a line each on the standard input, with the schema that the authors of Signal K publish. Prints each violation with its line and
// place, and ends with status 1 if there is one.
//
// The package's own check of a delta looks at its envelope alone: not whether a path exists, nor at a value or its unit. That is done here, with
// what the package says of each path. A path that the schema does not have must be one of ours below, and explained before it is used.

import { createInterface } from "node:readline";
import schema from "@signalk/signalk-schema";

// The paths that the schema lacks, with their units. `*` is a name that is chosen.
const OURS = {
  "electrical/batteries/*/thermometers/*/temperature": "K",
  "electrical/batteries/*/charge/currentLimit": "A",
  "electrical/batteries/*/charge/permission": undefined,
  "electrical/batteries/*/charge/cause": undefined,
  "electrical/heaters/*/voltage": "V",
  "electrical/heaters/*/state": undefined,
};

// Seconds until a value is said again, at the latest. One that is old sooner would blink.
const AGAIN_S = 60;

// What can be at a battery, by unit. Celsius for kelvin, percent for a ratio and millivolts for volts lie outside.
const POSSIBLE = { K: [173, 473], V: [0, 100], A: [0, 5000], ratio: [0, 1] };

const SELF = "urn:mrn:imo:mmsi:230099999";
const NAME = /^[A-Za-z0-9]+$/;
const tv4 = schema.getTv4();
const base = tv4.getSchemaUris().find((uri) => uri.endsWith("/groups/notifications.json"));

const pattern = (key) => key.replace("/vessels/*/", "").split("/").map((word) => (word === "RegExp" || word === "*" ? NAME : word));
const isOf = (words, pattern) =>
  words.length === pattern.length && pattern.every((part, index) => (part === NAME ? NAME.test(words[index]) : part === words[index]));
const standard = Object.entries(schema.metadata)
  .filter(([key]) => key.startsWith("/vessels/*/"))
  .map(([key, { units }]) => ({ words: pattern(key), units }));
const ours = Object.entries(OURS).map(([key, units]) => ({ words: pattern(key), units }));

const explained = new Map();
const paths = new Set();
let violations = 0;
let deltas = 0;

function check(line, at) {
  const violation = (place, what) => {
    violations += 1;
    console.log(`line ${at}: ${place}: ${what}`);
  };
  let delta;
  try {
    delta = JSON.parse(line);
  } catch (error) {
    return violation("delta", error.message);
  }
  for (const error of schema.validateDelta(delta).errors) violation(error.dataPath || "delta", error.message);
  if (delta.context !== "vessels.self") violation("context", `is ${delta.context}`);
  for (const update of Array.isArray(delta.updates) ? delta.updates : []) {
    if (update.source === undefined) violation("updates", "an update without a source");
    if (!(Date.parse(update.timestamp) > 0)) violation("updates", `${update.timestamp} is no moment`);
    for (const item of update.meta ?? []) checkMeaning(item, violation);
    for (const item of update.values ?? []) {
      paths.add(item.path);
      checkValue(item, update, violation);
    }
  }
}

function known(path) {
  const words = path.split(".");
  const there = standard.find((entry) => isOf(words, entry.words));
  if (there) return { ...there, isOurs: false };
  const own = ours.find((entry) => isOf(words, entry.words));
  return own && { ...own, isOurs: true };
}

function checkMeaning({ path, value }, violation) {
  const entry = known(path);
  if (!entry) return violation(path, "is a path of nobody");
  if (value.units !== entry.units) violation(path, `is said to be in ${value.units}, and is in ${entry.units}`);
  if (value.units !== undefined && !(value.units in schema.units.properties)) violation(path, `${value.units} is no unit`);
  if (!(typeof value.timeout === "number" && value.timeout > AGAIN_S)) violation(path, `is said to be old after ${value.timeout} s`);
  explained.set(path, value);
}

function checkValue({ path, value }, { source, timestamp }, violation) {
  if (path.startsWith("notifications.")) return checkNotification(path, value, { source, timestamp }, violation);
  const entry = known(path);
  if (!entry) return violation(path, "is a path of nobody");
  if (entry.isOurs && !explained.has(path)) violation(path, "is not in the schema, and was not explained before");
  // "The value must be JSON null" where there is none: the specification, "Missing or Invalid Data". The schema does not know that.
  if (value === null) return;
  if (entry.units === undefined) {
    if (typeof value !== "string") violation(path, `${JSON.stringify(value)} is no text`);
  } else {
    const [least, most] = POSSIBLE[entry.units] ?? [NaN, NaN];
    if (!(typeof value === "number" && value >= least && value <= most)) {
      violation(path, `${JSON.stringify(value)} cannot be in ${entry.units} at a battery`);
    }
  }
  if (!entry.isOurs) {
    const full = new schema.FullSignalK(SELF);
    full.addDelta({ context: `vessels.${SELF}`, updates: [{ source, timestamp, values: [{ path, value }] }] });
    const group = path.split(".")[0];
    for (const error of schema.validateFull(full.retrieve()).errors) {
      if (error.dataPath.startsWith(`/vessels/${SELF}/${group}`)) violation(path, `${error.message} at ${error.dataPath}`);
    }
  }
}

function checkNotification(path, value, { source, timestamp }, violation) {
  const branch = schema.subSchemas.notifications.definitions.notificationBranch;
  const [name] = Object.keys(branch.patternProperties).map((text) => new RegExp(text));
  for (const word of path.split(".").slice(1)) if (!name.test(word)) violation(path, `${word} cannot be a name there`);
  const leaf = { value, timestamp, $source: `${source?.label}.XX` };
  const errors = tv4.validateMultiple(leaf, { $ref: `${base}#/definitions/notification` }, true).errors;
  for (const error of errors) violation(path, `${error.message} at ${error.dataPath}`);
}

for await (const line of createInterface({ input: process.stdin })) {
  deltas += 1;
  check(line, deltas);
}
console.log(`${deltas} deltas with ${paths.size} paths, ${violations} violations`);
process.exitCode = deltas > 0 && violations === 0 ? 0 : 1;
