// usage: node tests/tools/drag.mjs PAGE [EXAMPLE]
//
// How long a page takes to answer while a slider is dragged: opens it in Chromium (FOREWARM_BROWSER, or chromium on the PATH), begins with a
// worked example, moves some sliders stop by stop, and waits for each answer. Prints the median and the longest time, ms, from the movement
// to what it shows, for verdicts and for the winter. The first stop of each slider does not count: it may find nothing prepared.

import { spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const [page, example = "hut"] = process.argv.slice(2);
const STOPS = 9;
// What leaves shape and materials alone, and what makes the plant anew.
const SLIDERS = ["charge-release_c", "charge-soak_min", "heater-power_w", "source-0-budget_w", "winter-offset_k", "box-thickness_mm", "pad-length_mm"];

const folder = mkdtempSync(join(tmpdir(), "forewarm-drag-"));
const options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", `--user-data-dir=${folder}`, "about:blank"];
const browser = spawn(process.env.FOREWARM_BROWSER ?? "chromium", options, { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] });
const calls = new Map();
let heard = "";
browser.stdio[4].on("data", (part) => {
  heard += part;
  const messages = heard.split("\0");
  heard = messages.pop();
  for (const { id, result, error } of messages.map((text) => JSON.parse(text))) {
    const call = calls.get(id);
    calls.delete(id);
    if (call && error) call.reject(new Error(error.message));
    else if (call) call.resolve(result);
  }
});

let count = 0;
let sessionId;
const call = (method, params = {}) => new Promise((resolve, reject) => {
  count += 1;
  calls.set(count, { resolve, reject });
  browser.stdio[3].write(`${JSON.stringify({ id: count, method, params, sessionId })}\0`);
});

async function value(expression) {
  const { result, exceptionDetails } = await call("Runtime.evaluate", { expression, awaitPromise: true, returnByValue: true });
  if (exceptionDetails) throw new Error(exceptionDetails.exception?.description ?? exceptionDetails.text);
  return result.value;
}

const until = (expression) => value(`new Promise((done) => { const look = () => (${expression} ? done() : setTimeout(look, 5)); look(); })`);
const median = (times) => times.sort((a, b) => a - b)[times.length >> 1];

try {
  const { targetId } = await call("Target.createTarget", { url: "about:blank" });
  ({ sessionId } = await call("Target.attachToTarget", { targetId, flatten: true }));
  await call("Page.navigate", { url: pathToFileURL(resolve(page)).href });
  // What is asked of a page that is going is not answered.
  while (!(await value("location.protocol === 'file:' && document.readyState === 'complete'").catch(() => false)));
  await until("document.querySelectorAll('#examples button').length > 0");
  await value(`[...document.querySelectorAll('#examples button')].find((one) => one.textContent.startsWith('${example}')).click()`);
  const isDone = (times) => `['verdicts', 'winter'].every((what) => forewarm.measured.filter((one) => one.what === what).length >= ${times})`;
  await until(isDone(1));
  for (const slider of SLIDERS) {
    await value(`forewarm.measured.length = 0; stops = document.getElementById('value-${slider}')?.parentElement.querySelector('[type=range]'); stops?.focus()`);
    if (!(await value("Boolean(stops)"))) continue;
    for (let stop = 0; stop <= STOPS; stop += 1) {
      await value("stops.value = Number(stops.value) + 1; stops.dispatchEvent(new Event('input')); true");
      await until(isDone(stop + 1));
    }
    const times = (what) => value(`forewarm.measured.filter((one) => one.what === '${what}').slice(1).map((one) => one.ms)`);
    const told = async (what) => {
      const all = await times(what);
      return `${what} ${median(all).toFixed(0)} (${Math.max(...all).toFixed(0)})`;
    };
    console.log(`${example}  ${slider.padEnd(18)} ${await told("verdicts")}  ${await told("winter")}`);
  }
} finally {
  browser.kill();
  await once(browser, "exit");
  rmSync(folder, { recursive: true, force: true });
}
