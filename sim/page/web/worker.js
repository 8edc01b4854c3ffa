// Runs the module beside the page. The page sends {id, call, values}; the answer is {id, value} or {id, error}. While it works it may send
// {id, progress}.
let desk = null;

async function begun(packed) {
  const bytes = Uint8Array.from(atob(packed), (letter) => letter.charCodeAt(0));
  const unpacked = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  wasm_bindgen.initSync({ module: await new Response(unpacked).arrayBuffer() });
  desk = new wasm_bindgen.Desk();
  return "";
}

addEventListener("message", async ({ data: { id, call, values } }) => {
  try {
    const listener = (tried, rehearsed) => postMessage({ id, progress: { tried, rehearsed } });
    const value = call === "begin" ? await begun(values[0])
      : call === "propose" ? desk.propose(...values, listener)
      : desk[call](...values);
    postMessage({ id, value });
  } catch (error) {
    postMessage({ id, error: String(error && error.message !== undefined ? error.message : error) });
  }
});
