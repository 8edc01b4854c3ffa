"use strict";
(() => {
  const at = id => document.getElementById(id);
  /** A word that is older has outlived four messages: the same as the listener's own bound. */
  const STALE_MS = 45000;
  const HISTORY_MS = 60000;
  const MINUS = "\u2212";
  let view = null;
  let viewAt = 0;
  let past = null;
  let isConnected = false;
  let source = null;

  /** Writes only what differs, so that a screen reader says only what has changed. */
  function write(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }
  function make(name, text, kind) {
    const element = document.createElement(name);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  }
  const number = (value, digits) => value.toFixed(digits).replace("-", MINUS);
  const degrees = value => value === null ? "not trusted" : number(value, 1) + " °C";
  const sentence = text => text.charAt(0).toUpperCase() + text.slice(1) + ".";
  function span(ms) {
    const s = Math.max(0, Math.round(ms / 1000));
    if (s < 100) return s + " s";
    if (s < 6000) return Math.round(s / 60) + " min";
    if (s < 172800) return Math.round(s / 3600) + " h";
    return Math.round(s / 86400) + " days";
  }
  const age = () => view === null || view.age_ms === null ? null : view.age_ms + Date.now() - viewAt;

  function tick() {
    const ms = age();
    const isStale = view !== null && (view.lost !== null || (ms !== null && ms > STALE_MS));
    document.body.classList.toggle("stale", isStale || (view !== null && !isConnected));
    write(at("age"), ms === null ? "Waiting for the first word of the controller." : "Last word " + span(ms) + " ago");
    let warning = "";
    if (!isConnected && view !== null) {
      warning = "No connection to the computer that listens. What stands below is old.";
    } else if (isStale) {
      warning = "No word from the controller." + (ms === null ? "" : " What stands below is old.");
      if (view.lost !== null) warning += " " + sentence(view.lost);
    } else if (view !== null && view.not_kept !== null) {
      warning = "Nothing is kept at the moment. " + sentence(view.not_kept);
    }
    write(at("stale"), warning);
    // How old counts on beside the alarm and not within it: it would be said anew each second.
    const isOld = document.body.classList.contains("stale") && ms !== null;
    write(at("how-old"), isOld ? span(ms) + " old" : "");
  }

  const PERMITS = { permitted: "✓ permitted", reduced: "✓ permitted, reduced", refused: "✕ refused" };

  function show() {
    const now = view.now;
    const title = view.title || "The bank";
    write(at("title"), title);
    if (view.controller !== null) {
      write(at("caution"), "Caution: " + view.controller.caution);
      write(at("who"), "Controller on board " + view.controller.board + ", version " + view.controller.version + ".");
    }
    at("shown").hidden = now === null;
    if (now === null) return;
    const cold = now.coldest_cell_c;
    write(at("coldest"), cold === null ? "–" : number(cold, 1));
    write(at("where"), cold === null ? "No cell thermometer is trusted." : now.coldest_cell || "");
    document.title = (cold === null ? "–" : number(cold, 1) + " °C") + ", charge " + now.charge + " – " + title;
    write(at("charge"), PERMITS[now.charge]);
    at("charge").className = "word " + (now.charge === "refused" ? "refused" : "permitted");
    write(at("why"), sentence(now.why));
    at("overdue").hidden = now.overdue === null;
    write(at("overdue"), now.overdue === null ? "" : "Refused for long. Mostly because " + now.overdue + ".");
    write(at("heater"), now.heater);
    at("heater").className = "word " + now.heater;
    const payers = view.paid_by.join(" and ");
    const paid = payers === "" ? "Who pays shows within a minute or two." : "Paid by " + payers + ".";
    write(at("paid"), now.heater === "off" ? "Nobody pays." : paid);
    showFaults(now.faults);
    showReadings(now);
    tick();
  }

  function showFaults(faults) {
    const key = JSON.stringify(faults);
    const box = at("faults");
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.replaceChildren(...(faults.length === 0 ? [make("p", "None.")] : faults.map(fault => {
      const part = make("div", undefined, fault.alarm ? "fault alarm" : "fault");
      part.append(
        make("strong", (fault.alarm ? "Alarm: " : "Notice: ") + (fault.of === null ? "" : fault.of + ": ") + fault.meaning + "."),
        make("p", "Check first: " + fault.check_first + "."),
        make("p", "What ends it: " + fault.cleared_by + ".", "quiet"),
      );
      return part;
    })));
  }

  function showReadings(now) {
    const rows = [];
    if (now.soc_pct !== null) rows.push(["state of charge", number(now.soc_pct, 0) + " %"]);
    if (now.bank_v !== null) rows.push(["bank", number(now.bank_v, 2) + " V"]);
    if (now.supply_v !== null) rows.push(["heater supply", number(now.supply_v, 2) + " V"]);
    rows.push(["sources present", now.present.length === 0 ? "none" : now.present.join(", ")]);
    rows.push(["battery protection", now.protection]);
    if (now.charge !== "refused") rows.push(["charge current, at most", number(now.ceiling_c_rate, 2) + " of the capacity an hour"]);
    for (const channel of now.channels) rows.push([channel.name, degrees(channel.reading_c)]);
    const box = at("readings");
    const key = JSON.stringify(rows);
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.replaceChildren(...rows.flatMap(([name, value]) => [make("dt", name), make("dd", value)]));
  }

  const wattHours = wh => wh === null ? "–" : wh >= 10000 ? number(wh / 1000, 1) + " kWh" : number(wh, 0) + " Wh";

  function showPast() {
    const { today, month } = past;
    const names = view !== null && view.sources.length > 0 ? view.sources : [];
    const of = (energy, take) => energy === null ? null : take(energy);
    const rows = names.map((name, index) => [name, energy => energy.sources_wh[index]]);
    rows.push(["the bank", energy => energy.bank_wh]);
    const sum = energy => energy.sources_wh.reduce((all, wh) => all + wh, energy.bank_wh);
    const body = rows.concat([["together", sum]]).map(([name, take], index) => {
      const row = make("tr", undefined, index === rows.length ? "sum" : "");
      const head = make("th", name);
      head.scope = "row";
      row.append(head, make("td", wattHours(of(today, take))), make("td", wattHours(of(month, take))));
      return row;
    });
    at("energy").replaceChildren(...body);
    const late = month !== null && month.since_utc_ms > begin().month_utc_ms + 60000;
    write(at("since"), late ? "Known since " + moment(new Date(month.since_utc_ms)) + "." : "");
    draw(at("day"), at("day-said"), past.last_day, 6 * 3600000, time => pad(time.getHours()) + ":00");
    draw(at("month"), at("month-said"), past.last_month, 7 * 86400000, date);
  }

  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const date = time => time.getDate() + " " + MONTHS[time.getMonth()];
  const moment = time => date(time) + ", " + pad(time.getHours()) + ":" + pad(time.getMinutes());
  const pad = value => String(value).padStart(2, "0");

  function shape(name, marks, text) {
    const element = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(marks)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    return element;
  }

  /** Where days begin in the reader's own time, from a moment on; a day is not always 24 hours. */
  function marks(from, to, every) {
    const moments = [];
    const time = new Date(from);
    time.setHours(0, 0, 0, 0);
    while (time.getTime() <= to) {
      if (time.getTime() >= from) moments.push(time.getTime());
      if (every < 86400000) time.setHours(time.getHours() + every / 3600000);
      else time.setDate(time.getDate() + every / 86400000);
    }
    return moments;
  }

  function draw(svg, said, course, every, label) {
    svg.replaceChildren();
    const known = course === null ? [] : course.coldest_c.filter(range => range !== null);
    const share = of => {
      const values = of.filter(value => value !== null);
      return values.length === 0 ? 0 : Math.round(100 * values.reduce((all, value) => all + value, 0) / values.length);
    };
    if (known.length === 0) {
      write(said, "Nothing is kept of it yet.");
      svg.setAttribute("aria-label", "An empty chart.");
      svg.classList.add("empty");
      return;
    }
    const low = Math.min(...known.map(range => range[0]));
    const high = Math.max(...known.map(range => range[1]));
    const text = "Coldest cell from " + number(low, 1) + " to " + number(high, 1) + " °C. Heater on for " + share(course.heater)
      + " % of the time, charge permitted for " + share(course.charge) + " %.";
    write(said, text);
    svg.setAttribute("aria-label", text);
    const width = svg.clientWidth || 320;
    const height = svg.clientHeight || 208;
    const left = 52, right = width - 6, top = 10, strip = 14;
    const bottom = height - 32 - 2 * (strip + 6);
    svg.setAttribute("viewBox", "0 0 " + width + " " + height);
    const levels = view !== null && view.now !== null ? [view.now.inhibit_c, view.now.release_c].filter(c => c !== null) : [];
    const all = [low, high, ...levels];
    const least = Math.min(...all), most = Math.max(...all);
    const step = [0.5, 1, 2, 5, 10, 20, 50].find(step => (most - least) / step <= 4) || 100;
    const floor = Math.floor(least / step - 0.2) * step, roof = Math.ceil(most / step + 0.2) * step;
    const count = course.coldest_c.length;
    const to = course.from_utc_ms + count * course.bin_ms;
    const x = utc => left + (right - left) * (utc - course.from_utc_ms) / (to - course.from_utc_ms);
    const y = c => bottom - (bottom - top) * (c - floor) / (roof - floor);
    for (let c = floor; c <= roof + step / 2; c += step) {
      svg.append(shape("path", { class: "grid", d: "M" + left + " " + y(c) + "H" + right }));
      svg.append(shape("text", { x: left - 6, y: y(c) + 4, "text-anchor": "end" }, number(c, step < 1 ? 1 : 0) + " °C"));
    }
    let written = -Infinity;
    for (const moment of marks(course.from_utc_ms, to, every)) {
      svg.append(shape("path", { class: "grid", d: "M" + x(moment) + " " + top + "V" + (height - 22) }));
      // A label stays within the picture, and beside the one before it.
      const place = Math.min(Math.max(x(moment), left + 24), right - 24);
      if (place - written < 44) continue;
      written = place;
      svg.append(shape("text", { x: place, y: height - 6, "text-anchor": "middle" }, label(new Date(moment))));
    }
    const middle = index => x(course.from_utc_ms + (index + 0.5) * course.bin_ms);
    for (let index = 0; index < count; index++) {
      if (course.coldest_c[index] === null) continue;
      const start = index;
      while (index + 1 < count && course.coldest_c[index + 1] !== null) index++;
      const run = course.coldest_c.slice(start, index + 1);
      const upper = run.map((range, place) => middle(start + place) + " " + y(range[1]));
      const lower = run.map((range, place) => middle(start + place) + " " + y(range[0])).reverse();
      // A single bin has no width of its own.
      const only = run.length === 1 ? "h1" : "";
      svg.append(shape("path", { class: "range", d: "M" + upper.join("L") + only + "L" + lower.join("L") + "Z" }));
    }
    for (const c of levels) svg.append(shape("path", { class: "level", d: "M" + left + " " + y(c) + "H" + right }));
    [["heater", course.heater], ["charge", course.charge]].forEach(([name, shares], row) => {
      const base = bottom + 14 + (row + 1) * strip + row * 4;
      svg.append(shape("rect", { class: "track", x: left, y: base - strip, width: right - left, height: strip }));
      svg.append(shape("text", { x: left - 6, y: base - 3, "text-anchor": "end" }, name));
      const wide = (right - left) / count;
      let d = "";
      shares.forEach((value, index) => {
        if (value) d += "M" + (left + index * wide).toFixed(2) + " " + base + "v" + (-strip * value).toFixed(2) + "h" + (wide + 0.1).toFixed(2) + "V" + base + "Z";
      });
      svg.append(shape("path", { class: name, d }));
    });
  }

  /** Where this day and this month begin for the reader. */
  function begin() {
    const day = new Date();
    day.setHours(0, 0, 0, 0);
    const month = new Date(day);
    month.setDate(1);
    return { day_utc_ms: day.getTime(), month_utc_ms: month.getTime() };
  }

  /** Reads what was. Returns whether it may. */
  async function readPast() {
    try {
      const answer = await fetch("/history?" + new URLSearchParams(begin()));
      if (answer.status === 401) return false;
      if (answer.ok) {
        past = await answer.json();
        showPast();
      }
    } catch {
      // The stream of events notices the same, and says so.
    }
    return true;
  }

  function listen() {
    source = new EventSource("/events");
    source.addEventListener("view", event => {
      const names = view === null ? "" : view.sources.join();
      view = JSON.parse(event.data);
      viewAt = Date.now();
      isConnected = true;
      show();
      tick();
      // The first view brings the names and the thresholds.
      if (past !== null && names !== view.sources.join()) showPast();
    });
    source.addEventListener("error", () => {
      isConnected = false;
      tick();
      // One that is refused is not tried again by the browser itself.
      if (source.readyState === EventSource.CLOSED) {
        source.close();
        setTimeout(start, 5000);
      }
    });
  }

  async function start() {
    const mayEnter = await readPast();
    at("door").hidden = mayEnter;
    at("age").hidden = !mayEnter;
    if (mayEnter) listen();
    else at("token").focus();
  }

  at("door").addEventListener("submit", async event => {
    event.preventDefault();
    const token = at("token").value.trim();
    write(at("refused"), "");
    let answer = null;
    try {
      answer = await fetch("/enter", { headers: { Authorization: "Bearer " + token } });
    } catch {
      write(at("refused"), "The computer that listens does not answer. Try again.");
      return;
    }
    at("token").value = "";
    if (answer.ok) {
      at("door").hidden = true;
      start();
    } else {
      write(at("refused"), "That is not the token. Look into the file that --token-file names.");
    }
  });

  let resized = 0;
  addEventListener("resize", () => {
    clearTimeout(resized);
    resized = setTimeout(() => { if (past !== null) showPast(); }, 100);
  });
  setInterval(tick, 1000);
  setInterval(() => { if (isConnected) readPast(); }, HISTORY_MS);
  start();
})();
