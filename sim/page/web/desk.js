// ---- the module, in workers ----

// What the library refused, with every problem and the file that it is in; anything else that is thrown is a defect.
class Refused extends Error {
  constructor(problems, files = []) {
    super(problems.map((problem) => problem.message).join("; "));
    this.problems = problems.map((problem, index) => ({ ...problem, file: files[index] }));
  }
}

// What nobody waits for any more.
class Stopped extends Error {}

function understood(message) {
  try {
    const { problems, files } = JSON.parse(message);
    if (Array.isArray(problems)) return new Refused(problems, files);
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
    for (const kind of ["error", "messageerror"]) {
      this.worker.addEventListener(kind, (event) => {
        event.preventDefault();
        this.fail(new Error(event.message || "the worker has ended"));
      });
    }
    this.isReady = false;
    this.ready = this.prepare();
    // Whoever calls hears of it.
    this.ready.catch(() => {});
  }

  async prepare() {
    await this.send("begin", [byId("module").textContent]);
    for (const [path, bytes] of Desk.files) await this.send("keep", [path, bytes]);
    this.isReady = true;
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
      if (!(thrown instanceof Refused)) this.fail(thrown);
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

  // A module that has failed may hold anything. One that cannot even begin would fail for ever.
  fail(error) {
    if (this.isReady) this.stop(error);
    else this.leave(error);
  }

  // Ends whatever it does, and begins anew.
  stop(error = new Stopped()) {
    this.leave(error);
    this.begin();
  }

  // Ends for good.
  leave(error = new Stopped()) {
    this.worker.terminate();
    this.end(error);
  }
}

// Has something computed by a worker that is there for nothing else: it waits for nobody, nobody waits for it, and it can be stopped.
function apart(call, values, progress) {
  const desk = new Desk();
  const answer = desk.text(call, values, progress).finally(() => desk.leave());
  return { answer, stop: () => desk.leave() };
}
