// ---- the module, in workers ----

// What the library refused, with every problem; anything else that is thrown is a defect.
class Refused extends Error {
  constructor(problems) {
    super(problems.map((problem) => problem.message).join("; "));
    this.problems = problems;
  }
}

function understood(message) {
  try {
    const { problems } = JSON.parse(message);
    if (Array.isArray(problems)) return new Refused(problems);
  } catch {
    // No JSON: the module has failed.
  }
  return new Error(message);
}

// A worker with the module. It answers one call after another.
class Desk {
  static files = new Map();

  constructor() {
    this.calls = new Map();
    this.count = 0;
    this.begin();
  }

  begin() {
    const source = byId("worker").textContent;
    const address = URL.createObjectURL(new Blob([source], { type: "text/javascript" }));
    this.worker = new Worker(address);
    URL.revokeObjectURL(address);
    this.worker.addEventListener("message", ({ data }) => this.heard(data));
    this.worker.addEventListener("error", (event) => {
      event.preventDefault();
      this.end(new Error(event.message || "the worker does not start"));
    });
    this.ready = this.send("begin", [byId("module").textContent]);
    // Whoever calls hears of it.
    this.ready.catch(() => {});
    for (const [path, bytes] of Desk.files) this.send("keep", [path, bytes]).catch(() => {});
  }

  heard({ id, value, error, progress }) {
    const call = this.calls.get(id);
    if (!call) return;
    if (progress) {
      if (call.progress) call.progress(progress);
      return;
    }
    this.calls.delete(id);
    if (error === undefined) call.resolve(value);
    else {
      const thrown = understood(error);
      call.reject(thrown);
      // A module that has failed may hold anything.
      if (!(thrown instanceof Refused)) this.stop(thrown);
    }
  }

  send(call, values, progress) {
    return new Promise((resolve, reject) => {
      const id = (this.count += 1);
      this.calls.set(id, { resolve, reject, progress });
      this.worker.postMessage({ id, call, values });
    });
  }

  // An answer as text, or as what its JSON holds.
  async text(call, values, progress) {
    await this.ready;
    return this.send(call, values, progress);
  }

  async ask(call, values, progress) {
    return JSON.parse(await this.text(call, values, progress));
  }

  end(error) {
    for (const { reject } of this.calls.values()) reject(error);
    this.calls.clear();
  }

  // Ends whatever it does, and begins anew.
  stop(error = new Error("stopped")) {
    this.worker.terminate();
    this.end(error);
    this.begin();
  }
}
