// usage: node tests/tools/module.mjs PAGE
//
// Runs the module that a page carries, outside a browser. Reads calls from the standard input, a line each: {"call": "plan", "values": [...]}.
// Prints an answer to each on a line: {"value": ...} or {"error": ...}.

import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { gunzipSync } from "node:zlib";

const page = readFileSync(process.argv[2], "utf8");
const held = (id) => page.split(`<script type="text/plain" id="${id}">`)[1].split("</script>")[0];
// The worker listens where it runs; here nobody calls it.
const worker = new Function("addEventListener", `${held("worker")}\nreturn wasm_bindgen;`);
const glue = worker(() => {});
glue.initSync({ module: gunzipSync(Buffer.from(held("module"), "base64")) });
const desk = new glue.Desk();

for await (const line of createInterface({ input: process.stdin })) {
  const { call, values } = JSON.parse(line);
  let answer;
  try {
    answer = { value: call === "propose" ? desk.propose(...values, () => {}) : desk[call](...values) };
  } catch (error) {
    answer = { error: error.message };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
