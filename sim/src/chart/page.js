"use strict";
// Shows seasons in an element, to a pointer, a finger or the keyboard. `kept` is what an earlier picture in its place answered: the stretch
// and the lines that it showed. The data, all times in s, all temperatures in °C:
//   length, of the time axis that all seasons share; threshold and dash, the colour and dashes of levels; pause, the colour of pauses; for
//   each season title, label (the file), start (of its second 0, or null where no date is known), zone, offset (of its second 0 on the
//   time axis), span,
//   lines [name, colour, dash, width, fill (opacity), bin (width), low and high (base64, hundredths, two bytes each), doubtful [low, high]],
//   levels [name, at, always (shown)], hystereses [[from, to]],
//   bands [name, colour, on (off for, on for, off for …), causes, cause (of each stretch), part (for how long each is on, if not for all
//   of it)], charge (a line, in %), day (length of),
//   amounts [what, flow (what it is called as it flows), measure, band (that it flows in), bin, series [name, colour, unit, bins (base64, units, two bytes each), days]],
//   pauses (known for, unknown for, known for …).
function showSeasons(data, root, kept) {
  const NONE = -32768;
  const SHORTEST = Math.min(data.length, 60);

  // ---- data ----

  function unpacked(text, Numbers) {
    const bytes = atob(text);
    const out = new Numbers(bytes.length / 2);
    for (let i = 0; i < out.length; i += 1) {
      out[i] = bytes.charCodeAt(2 * i) | (bytes.charCodeAt(2 * i + 1) << 8);
    }
    return out;
  }

  // Stretches [from, to, on for, cause], of one cause or of all: when each starts and ends, for how long it is on, and how long it was
  // on before it.
  function stretches(all) {
    const out = { from: [], to: [], part: [], before: [] };
    let before = 0;
    for (const [from, to, part] of all) {
      out.from.push(from);
      out.to.push(to);
      out.part.push(part);
      out.before.push(before);
      before += part;
    }
    return out;
  }

  function unrolled(steps) {
    const out = [];
    let at = 0;
    for (let i = 0; i + 1 < steps.length; i += 2) out.push([at += steps[i], at += steps[i + 1]]);
    return out;
  }

  for (const season of data.seasons) {
    season.startMs = season.start === null ? null : Date.parse(season.start + "Z");
    season.atMidnight = season.start !== null && season.start.endsWith("T00:00:00");
    for (const line of [...season.lines, ...(season.charge ? [season.charge] : [])]) {
      line.low = unpacked(line.low, Int16Array);
      line.high = unpacked(line.high, Int16Array);
      if (line.doubtful) {
        const [low, high] = line.doubtful.map((end) => unpacked(end, Int16Array));
        line.doubtful = { ...line, low, high, doubtful: null };
      }
    }
    for (const band of season.bands) {
      const all = unrolled(band.on).map(([from, to], i) => [from, to, band.part ? band.part[i] : to - from, band.cause ? band.cause[i] : 0]);
      Object.assign(band, stretches(all));
      band.whys = band.causes.map((name, i) => ({ name, ...stretches(all.filter(([, , , cause]) => cause === i)) }));
    }
    season.unknown = stretches(unrolled(season.pauses).map(([from, to]) => [from, to, to - from]));
    for (const amount of season.amounts) {
      for (const series of amount.series) {
        // How much there was before each bin.
        series.before = [0];
        for (const units of unpacked(series.bins, Uint16Array)) series.before.push(series.before[series.before.length - 1] + units * series.unit);
      }
    }
  }

  // Lowest and highest (°C) of a line in the bins that lie in the stretch, at least one; null where there is nothing.
  function extremes(season, line, from, to) {
    if (!line || to <= 0 || from >= season.span) return null;
    const first = Math.max(0, Math.floor(from / line.bin));
    const end = Math.min(line.low.length, Math.max(first + 1, Math.ceil(to / line.bin)));
    let low = 32767;
    let high = NONE;
    for (let i = first; i < end; i += 1) {
      if (line.low[i] === NONE) continue;
      if (line.low[i] < low) low = line.low[i];
      if (line.high[i] > high) high = line.high[i];
    }
    return high === NONE ? null : [low / 100, high / 100];
  }

  // How many stretches start before a moment.
  function started(band, at) {
    let low = 0;
    let high = band.from.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (band.from[middle] < at) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  function onUntil(band, at) {
    const last = started(band, at) - 1;
    if (last < 0) return 0;
    const whole = band.to[last] - band.from[last];
    return band.before[last] + (band.part[last] * (Math.min(at, band.to[last]) - band.from[last])) / whole;
  }

  // How much of a series there was until a moment.
  function until(amount, series, at) {
    const place = Math.min(Math.max(0, at / amount.bin), series.before.length - 1);
    const bin = Math.floor(place);
    const next = series.before[Math.min(bin + 1, series.before.length - 1)];
    return series.before[bin] + (place - bin) * (next - series.before[bin]);
  }

  function within(season, from, to) {
    return [Math.max(0, from), Math.min(season.span, to)];
  }

  // How much of a stretch is known (s).
  function known(season, from, to) {
    const [a, b] = within(season, from, to);
    return b > a ? b - a - (onUntil(season.unknown, b) - onUntil(season.unknown, a)) : 0;
  }

  // For how much of what is known of a stretch a band was on, from 0 to 1.
  function share(season, band, from, to) {
    const [a, b] = within(season, from, to);
    const time = known(season, from, to);
    return time > 0 ? (onUntil(band, b) - onUntil(band, a)) / time : 0;
  }

  // ---- words ----

  const MINUS = "\u2212";
  const number = (value, digits) => value.toFixed(digits).replace(/^-(?=.*[1-9])/, MINUS).replace(/^-/, "");

  function celsius(range) {
    if (!range) return "no reading";
    const [low, high] = range.map((t) => number(t, 1));
    return low === high ? `${low} °C` : `${low} to ${high} °C`;
  }

  function sum(measure, value) {
    if (measure === "Ah") return `${number(value, value < 10 ? 1 : 0)} Ah`;
    if (value < 1000) return `${number(value, 0)} Wh`;
    return `${number(value / 1000, value < 100000 ? 1 : 0)} kWh`;
  }

  function length(seconds) {
    if (seconds < 120) return `${number(seconds, 0)} s`;
    if (seconds < 7200) return `${number(seconds / 60, 0)} min`;
    if (seconds < 172800) return `${number(seconds / 3600, 1)} h`;
    return `${number(seconds / 86400, seconds < 8640000 ? 1 : 0)} d`;
  }

  function shareText(part, seconds) {
    if (part <= 0) return "off";
    if (part >= 1) return "on";
    const percent = number(100 * part, 0);
    return `${length(part * seconds)}, ${percent === "0" ? "<1" : percent === "100" ? ">99" : percent} %`;
  }

  // Date and time in a season, as in 2027-01-14T06:00:00.
  const iso = (season, at) => new Date(season.startMs + Math.round(at) * 1000).toISOString().slice(0, 19);

  // Time since the start, as in 3 d 06:00:00.
  function passed(at) {
    const seconds = Math.round(at);
    const clock = new Date((((seconds % 86400) + 86400) % 86400) * 1000).toISOString().slice(11, 19);
    return `${number(Math.floor(seconds / 86400), 0)} d ${clock}`;
  }

  // ---- axes ----

  function ticks(low, high, wanted) {
    const span = Math.max(high - low, 1);
    let step = 0.2;
    for (let i = 0; span / step > wanted; i += 1) step *= [2.5, 2, 2][i % 3];
    const out = [];
    const first = Math.floor(low / step);
    const last = Math.max(first + 1, Math.ceil(high / step));
    for (let i = first; i <= last; i += 1) {
      out.push([i * step, number(i * step, step < 1 ? 1 : 0)]);
    }
    return out;
  }

  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800];

  // Places on the time axis with what they say, and whether they start a day.
  function dates(season, from, to, most) {
    if (season.startMs === null) return elapsed(season, from, to, most);
    const zero = season.startMs / 1000 - season.offset;
    const step = STEPS.find((step) => (to - from) / step <= most);
    const out = [];
    if (step) {
      for (let at = Math.ceil((zero + from) / step) * step; at <= zero + to; at += step) {
        const text = new Date(at * 1000).toISOString();
        const day = at % 86400 === 0;
        out.push([at - zero, day ? text.slice(5, 10) : text.slice(11, step < 60 ? 19 : 16), day && step < 86400]);
      }
      return out;
    }
    const months = [1, 2, 3, 6, 12].find((months) => (to - from) / (months * 2629800) <= most) || 24;
    const first = new Date((zero + from) * 1000);
    let month = Math.ceil((first.getUTCFullYear() * 12 + first.getUTCMonth()) / months) * months;
    for (;;) {
      const at = Date.UTC(Math.floor(month / 12), month % 12, 1) / 1000;
      if (at > zero + to) return out;
      if (at >= zero + from) out.push([at - zero, new Date(at * 1000).toISOString().slice(0, 7), false]);
      month += months;
    }
  }

  // The unit that time since the start is shown in, and its length (s).
  function unitOfTime(from, to, most) {
    const step = STEPS.find((step) => (to - from) / step <= most) || Math.ceil((to - from) / most / 86400) * 86400;
    const [name, unit] = [["d", 86400], ["h", 3600], ["min", 60], ["s", 1]].find(([, unit]) => step >= unit);
    return { step, name, unit };
  }

  function elapsed(season, from, to, most) {
    const { step, unit } = unitOfTime(from, to, most);
    const out = [];
    for (let at = Math.ceil((from - season.offset) / step) * step; at <= to - season.offset; at += step) {
      out.push([at + season.offset, number(at / unit, 0), at % 86400 === 0 && step < 86400]);
    }
    return out;
  }

  // ---- elements ----

  function element(parent, name, attributes, text) {
    const made = document.createElement(name);
    return dressed(parent, made, attributes, text);
  }

  function shape(parent, name, attributes, text) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    return dressed(parent, made, attributes, text);
  }

  function dressed(parent, made, attributes, text) {
    for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  }

  function swatch(parent, colour, line) {
    const svg = shape(parent, "svg", { class: "swatch", viewBox: "0 0 26 12", "aria-hidden": "true" });
    if (!line) {
      shape(svg, "rect", { x: 7, width: 12, height: 12, fill: colour });
      return;
    }
    // From afar it is an area, from close by a line.
    shape(svg, "rect", { width: 26, height: 12, fill: colour, "fill-opacity": line.fill });
    shape(svg, "path", { d: "M0 6h26", stroke: colour, "stroke-width": line.width + 0.6, "stroke-dasharray": line.dash });
  }

  // ---- state ----

  let view = kept && kept.view.to <= data.length ? kept.view : { from: 0, to: data.length };
  let cursor = null;
  let selection = null;
  const hidden = kept ? kept.hidden : new Set();
  let pending = false;

  const whole = () => view.from <= 0 && view.to >= data.length;

  function show(from, to) {
    const span = Math.min(data.length, Math.max(SHORTEST, to - from));
    // Too short a stretch grows about its middle.
    const start = Math.min(Math.max(0, (from + to - span) / 2), data.length - span);
    view = { from: start, to: start + span };
    refresh();
  }

  function zoom(factor, about) {
    const at = about === undefined ? (cursor === null ? (view.from + view.to) / 2 : cursor) : about;
    const span = Math.min(data.length, Math.max(SHORTEST, (view.to - view.from) * factor));
    const from = at - ((at - view.from) / (view.to - view.from)) * span;
    show(from, from + span);
  }

  function pan(seconds) {
    const span = view.to - view.from;
    const from = Math.min(Math.max(0, view.from + seconds), data.length - span);
    show(from, from + span);
  }

  function refresh() {
    if (pending) return;
    pending = true;
    requestAnimationFrame(() => {
      pending = false;
      draw();
    });
  }

  // ---- page ----

  const tools = element(root, "div", { class: "tools", role: "group", "aria-label": "Time shown" });
  for (const [label, name, act] of [
    ["+", "Zoom in", () => zoom(0.5)],
    [MINUS, "Zoom out", () => zoom(2)],
    ["all", "Show all", () => show(0, data.length)],
    ["\u2190", "Earlier", () => pan((view.from - view.to) / 2)],
    ["\u2192", "Later", () => pan((view.to - view.from) / 2)],
  ]) {
    const button = element(tools, "button", { type: "button", "aria-label": name, title: name }, label);
    button.addEventListener("click", act);
  }
  const stretch = element(tools, "p", { class: "stretch" });
  const panels = data.seasons.map(panel);
  const help = element(root, "div", { class: "help" });
  element(help, "p", {}, "Drag across a picture, turn the wheel or pinch to zoom; point or touch to read. A temperature's name hides it.");
  element(help, "p", { class: "keys" },
    `Keys in a picture: arrows read, with Shift they move; + and ${MINUS} zoom; 0 shows all; Esc stops reading.`);
  const said = element(root, "p", { class: "said", role: "status" });

  function panel(season, index) {
    const section = element(root, "section", { class: "season", "aria-label": season.title });
    if (data.seasons.length > 1) element(section, "h2", {}, season.label);
    const plot = element(section, "div", {
      class: "plot", tabindex: "0", role: "application", "aria-roledescription": "picture",
      "aria-label": `${season.title}, ${season.label}: temperatures, what was on, charge and energy over time. Arrow keys read values.`,
    });
    const svg = shape(plot, "svg", { "aria-hidden": "true" });
    const clip = shape(shape(shape(svg, "defs"), "clipPath", { id: `clip${index}` }), "rect");
    const drawn = shape(svg, "g");
    const marks = shape(svg, "g");
    const readout = element(section, "div", { class: "readout" });
    const made = { season, index, plot, svg, clip, drawn, marks };
    listen(made);

    made.when = element(readout, "p", { class: "when" });
    const groups = element(readout, "div", { class: "groups" });
    const group = (caption) => {
      const box = element(groups, "div", { class: "group", role: "group", "aria-label": caption });
      return [element(box, "p", { class: "caption" }, caption), element(box, "div", { class: "items" })];
    };
    const [, temperatures] = group(season.lines.some((line) => line.doubtful) ? "temperature; pale: measured, and not believed" : "temperature");
    made.lines = season.lines.map((line) => {
      const button = element(temperatures, "button", { type: "button", class: "item", "aria-pressed": "true" });
      swatch(button, line.colour, line);
      element(button, "span", { class: "name" }, line.name);
      button.addEventListener("click", () => {
        // In every season at once: who compares wants the same lines in both.
        if (!hidden.delete(line.name)) hidden.add(line.name);
        refresh();
      });
      return { line, button, value: element(button, "span", { class: "value" }) };
    });
    const item = (parent, colour, name) => {
      const box = element(parent, "div", { class: "item" });
      if (colour) swatch(box, colour);
      element(box, "span", { class: "name" }, name);
      return element(box, "span", { class: "value" });
    };
    made.bands = [];
    made.whys = [];
    if (season.bands.length) {
      const [, bands] = group("on or off");
      for (const band of season.bands) {
        made.bands.push(item(bands, band.colour, band.name));
        made.whys.push(band.whys.map((why) => {
          const value = item(bands, null, why.name);
          value.parentElement.classList.add("why");
          return value;
        }));
      }
    }
    if (season.charge) made.charge = item(group("bank")[1], season.charge.colour, season.charge.name);
    made.amounts = season.amounts.map((amount) => {
      const [caption, items] = group(amount.what);
      const series = amount.series.map((series) => item(items, series.colour, series.name));
      return { caption, series, total: series.length > 1 ? item(items, null, "together") : null };
    });
    return made;
  }

  // ---- drawing ----

  const LEFT = 44;
  let size = null;

  // A day narrower than this is shown as one column, a week if even a day is too narrow.
  const NARROW_DAY = 8;
  const NARROWEST_DAY = 1.5;
  // A day's energy is shown down to this width, else a week's.
  const NARROWEST_BAR = 3;

  function measure() {
    const width = Math.max(240, Math.floor(panels[0].plot.clientWidth));
    const narrow = width < 640;
    const right = narrow ? width - 8 : width - 124;
    const several = data.seasons.length > 1;
    const tall = narrow ? 190 : several ? 230 : 310;
    const band = narrow ? 14 : 22;
    const pitch = band + (narrow ? 17 : 8);
    return { width, narrow, right, columns: right - LEFT, tall, band, pitch, charge: narrow ? 44 : 52, amount: narrow ? 60 : 84 };
  }

  const x = (at) => LEFT + ((at - view.from) / (view.to - view.from)) * size.columns;
  const perPixel = () => (view.to - view.from) / size.columns;

  // Length of a column (s): a dot's, or whole days.
  function columnLength(season) {
    const wide = season.day / perPixel();
    return wide >= NARROW_DAY ? perPixel() : wide >= NARROWEST_DAY ? season.day : 7 * season.day;
  }

  // The columns of a season that are in sight, each from when to when in the season.
  function columns(season) {
    const wide = columnLength(season);
    const whole = wide >= season.day;
    const [from, to] = within(season, view.from - season.offset, view.to - season.offset);
    const origin = whole ? 0 : view.from - season.offset;
    const out = [];
    for (let i = Math.floor((from - origin) / wide); origin + i * wide < to; i += 1) {
      const column = within(season, origin + i * wide, origin + (i + 1) * wide);
      if (column[1] > column[0]) out.push(column);
    }
    return out;
  }

  // One frame of temperatures and energies for all seasons, so that they can be compared.
  function scales() {
    let low = Infinity;
    let high = -Infinity;
    for (const { season, lines } of panels) {
      for (const { line } of lines) {
        if (hidden.has(line.name)) continue;
        for (const of of [line, line.doubtful]) {
          const range = extremes(season, of, view.from - season.offset, view.to - season.offset);
          if (range) {
            low = Math.min(low, range[0]);
            high = Math.max(high, range[1]);
          }
        }
      }
    }
    const near = panels.flatMap(({ season }) => season.levels)
      .filter((level) => level.always || (level.at >= low - 5 && level.at <= high + 5)).map((level) => level.at);
    low = Math.min(low, ...near);
    high = Math.max(high, ...near);
    if (low > high) [low, high] = [0, 1];
    const perBar = panels[0].season.day / perPixel() >= NARROWEST_BAR ? 1 : 7;
    const amounts = {};
    for (const { season } of panels) {
      for (const amount of season.amounts) {
        const frame = (amounts[amount.what] = amounts[amount.what] || { most: 0, measure: amount.measure });
        const inSight = isClose() ? flows(season, amount).map(([, , rates]) => rates)
          : bars(season, amount, perBar).filter((bar) => shown(season, bar)).map((bar) => bar.parts);
        for (const parts of inSight) frame.most = Math.max(frame.most, parts.reduce((sum, part) => sum + part, 0));
      }
    }
    for (const frame of Object.values(amounts)) {
      const name = isClose() ? frame.measure.slice(0, -1) : frame.measure;
      frame.unit = frame.measure === "Wh" && frame.most >= 5000 ? [`k${name}`, 1000] : [name, 1];
      frame.ticks = ticks(0, frame.most / frame.unit[1], 3);
    }
    return { temperatures: ticks(low, high, size.narrow ? 5 : 7), perBar, amounts };
  }

  const shown = (season, stretch) => stretch.from + season.offset < view.to && stretch.to + season.offset > view.from;

  // A bar of a day would be all there is to see: what flows is shown in its place.
  const isClose = () => view.to - view.from < 2 * data.seasons[0].day;

  function bars(season, amount, perBar) {
    const count = Math.max(0, ...amount.series.map((series) => series.days.length));
    const out = [];
    for (let first = 0; first < count; first += perBar) {
      const parts = amount.series.map((series) => series.days.slice(first, first + perBar).reduce((sum, part) => sum + part, 0));
      out.push({ from: first * season.day, to: Math.min((first + perBar) * season.day, season.span), parts });
    }
    return out;
  }

  function draw() {
    size = measure();
    const frame = scales();
    panels.forEach((panel) => drawPanel(panel, frame));
    stretch.textContent = whole() ? `all ${length(data.length)}` : `${length(view.to - view.from)} of ${length(data.length)}`;
    mark();
  }

  const fixed = (value) => value.toFixed(1);

  function drawPanel(panel, frame) {
    const { season, svg, clip, drawn, index } = panel;
    const { width, narrow, right, columns: wide, tall, band, pitch } = size;
    drawn.replaceChildren();
    const top = 26;
    const bottom = top + tall;
    const bandsTop = bottom + (narrow ? 10 : 30);
    let floor = bandsTop + pitch * season.bands.length;
    const chargeTop = floor + 26;
    if (season.charge) floor = chargeTop + size.charge;
    const amountTops = season.amounts.map(() => {
      const top = floor + 30;
      floor = top + size.amount;
      return top;
    });
    const height = floor + 46;
    panel.top = top;
    panel.floor = floor;
    svg.setAttribute("width", width);
    svg.setAttribute("height", height);
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    for (const [key, value] of Object.entries({ x: LEFT, y: 0, width: wide, height: floor })) clip.setAttribute(key, value);
    const label = (at, y, anchor, text, more) => shape(drawn, "text", { x: fixed(at), y: fixed(y), "text-anchor": anchor, ...more }, text);

    season.unknown.from.forEach((from, i) => {
      const [left, end] = [x(from + season.offset), x(season.unknown.to[i] + season.offset)];
      shape(drawn, "rect", { x: fixed(left), y: top, width: fixed(end - left), height: floor - top, fill: data.pause, class: "pause", "clip-path": `url(#clip${index})` });
    });

    // Time.
    for (const [at, text, day] of dates(season, view.from, view.to, Math.min(12, wide / 64))) {
      shape(drawn, "path", { d: `M${fixed(x(at))} ${top}V${floor}`, class: day ? "grid day" : "grid" });
      const anchor = x(at) > width - 26 ? "end" : "middle";
      label(anchor === "end" ? width - 2 : x(at), floor + 17, anchor, text, day ? { "font-weight": "bold" } : {});
    }
    const axis = season.startMs === null
      ? `time since the start, ${unitOfTime(view.from, view.to, Math.min(12, wide / 64)).name}` : `date and time, ${season.zone}`;
    label(LEFT + wide / 2, floor + 36, "middle", axis);

    // Temperatures.
    const marks = frame.temperatures;
    const low = marks[0][0];
    const high = marks[marks.length - 1][0];
    const y = (t) => bottom - ((t - low) / (high - low)) * tall;
    panel.y = y;
    label(LEFT - 6, top - 10, "end", "°C");
    const of = { [season.day]: " of each day", [7 * season.day]: " of each week" }[columnLength(season)];
    label(LEFT, top - 10, "start", of ? `temperature, lowest to highest${of}` : "temperature");
    for (const [at, text] of marks) {
      shape(drawn, "path", { d: `M${LEFT} ${fixed(y(at))}H${right}`, class: "grid" });
      label(LEFT - 6, y(at) + 4, "end", text);
    }
    const shade = (colour, opacity) => {
      for (const pair of season.hystereses) {
        const upper = Math.max(top, y(Math.max(...pair)));
        const lower = Math.min(bottom, y(Math.min(...pair)));
        if (lower > upper) {
          shape(drawn, "rect", { x: LEFT, y: fixed(upper), width: wide, height: fixed(lower - upper), fill: colour, "fill-opacity": opacity });
        }
      }
    };
    shade(data.threshold, 0.14);
    const lines = shape(drawn, "g", { "clip-path": `url(#clip${index})`, class: "lines" });
    for (const line of season.lines) {
      if (hidden.has(line.name)) continue;
      if (line.doubtful) drawLine(lines, season, line.doubtful, y, true);
      drawLine(lines, season, line, y);
    }
    // Where dark areas would hide it.
    shade("#fff", 0.22);
    const levels = season.levels.filter((level) => level.at >= low && level.at <= high).sort((a, b) => b.at - a.at);
    const places = levels.map((level) => y(level.at) + (narrow ? -4 : 4));
    for (let round = 0; round < places.length; round += 1) {
      for (let i = 1; i < places.length; i += 1) {
        const overlap = 14 - (places[i] - places[i - 1]);
        if (overlap > 0) {
          places[i - 1] -= overlap / 2;
          places[i] += overlap / 2;
        }
      }
    }
    levels.forEach((level, i) => {
      shape(drawn, "path", { d: `M${LEFT} ${fixed(y(level.at))}H${right}`, class: "level under" });
      shape(drawn, "path", { d: `M${LEFT} ${fixed(y(level.at))}H${right}`, class: "level", stroke: data.threshold, "stroke-dasharray": data.dash });
      const text = `${level.name} ${String(level.at).replace("-", MINUS)} °C`;
      if (narrow) label(right - 4, places[i], "end", text, { class: "halo" });
      else label(right + 8, places[i], "start", text);
    });
    shape(drawn, "path", { d: `M${LEFT} ${top}H${right}V${bottom}H${LEFT}Z`, class: "frame" });

    // On or off.
    season.bands.forEach((of, row) => {
      const base = bandsTop + pitch * (row + 1) - (narrow ? 2 : 5);
      shape(drawn, "path", { d: `M${LEFT} ${fixed(base)}H${right}`, class: "base" });
      shape(drawn, "path", { d: bandPath(season, of, base, band), fill: of.colour, class: "band", "clip-path": `url(#clip${index})` });
      if (narrow) label(LEFT, base - band - 4, "start", of.name);
      else label(right + 8, base - band / 2 + 4, "start", of.name);
    });
    if (season.bands.length && !narrow) {
      label(LEFT, bandsTop - 8, "start", upright(season)
        ? "on or off, each day from midnight at the bottom to midnight at the top" : "on or off; between the two, height is the share of the time");
    }

    // State of charge.
    if (season.charge) {
      const level = (percent) => chargeTop + size.charge * (1 - percent / 100);
      label(LEFT - 6, chargeTop - 9, "end", "%");
      label(LEFT, chargeTop - 9, "start", "state of charge");
      for (const percent of [0, 50, 100]) {
        shape(drawn, "path", { d: `M${LEFT} ${fixed(level(percent))}H${right}`, class: percent ? "grid" : "base" });
        label(LEFT - 6, level(percent) + 4, "end", String(percent));
      }
      drawLine(shape(drawn, "g", { "clip-path": `url(#clip${index})`, class: "charge" }), season, season.charge, level);
    }
    season.amounts.forEach((amount, i) => drawAmount(panel, frame, amount, amountTops[i], label));
  }

  function drawAmount(panel, frame, amount, top, label) {
    const { season, drawn, index } = panel;
    const { narrow, right } = size;
    const { unit: [name, unit], ticks } = frame.amounts[amount.what];
    const floor = top + size.amount;
    const most = ticks[ticks.length - 1][0] * unit;
    const level = (value) => floor - (value / most) * size.amount;
    label(LEFT - 6, top - 9, "end", name);
    label(LEFT, top - 9, "start", isClose() ? `${amount.flow}, ${name}` : `${amount.what}, ${name} a ${frame.perBar === 1 ? "day" : "week"}`);
    for (const [at, text] of ticks) {
      shape(drawn, "path", { d: `M${LEFT} ${fixed(level(at * unit))}H${right}`, class: "grid" });
      label(LEFT - 6, level(at * unit) + 4, "end", text);
    }
    if (isClose()) flowing(drawn, season, amount, index, level);
    const paths = isClose() ? null : stacked(season, amount, frame, level);
    amount.series.forEach((series, i) => {
      if (paths) shape(drawn, "path", { d: paths[i], fill: series.colour, class: "bar", "clip-path": `url(#clip${index})` });
      if (narrow) return;
      const place = top + 8 + 16 * (amount.series.length - 1 - i);
      shape(drawn, "rect", { x: right + 8, y: place - 7, width: 10, height: 10, fill: series.colour });
      label(right + 24, place + 2, "start", series.name);
    });
    shape(drawn, "path", { d: `M${LEFT} ${fixed(floor)}H${right}`, class: "frame" });
  }

  // A bar for each day or week.
  function stacked(season, amount, frame, level) {
    const paths = amount.series.map(() => "");
    for (const bar of bars(season, amount, frame.perBar)) {
      if (!shown(season, bar)) continue;
      const [left, end] = [x(bar.from + season.offset), x(bar.to + season.offset)];
      const gap = Math.min(2, (end - left) / 5);
      let below = 0;
      bar.parts.forEach((part, i) => {
        if (part <= 0) return;
        paths[i] += `M${fixed(left)} ${fixed(level(below))}V${fixed(level(below + part))}H${fixed(end - gap)}V${fixed(level(below))}Z`;
        below += part;
      });
    }
    return paths;
  }

  // What flows in sight while the band is on that it flows in: from, to, and the rate of each series (W or A).
  function flows(season, amount) {
    const band = season.bands[amount.band];
    const [from, to] = within(season, view.from - season.offset, view.to - season.offset);
    const out = [];
    for (let bin = Math.floor(from / amount.bin); bin * amount.bin < to; bin += 1) {
      const [start, end] = [bin * amount.bin, Math.min(season.span, (bin + 1) * amount.bin)];
      const parts = amount.series.map((series) => until(amount, series, end) - until(amount, series, start));
      if (!parts.some((part) => part > 0)) continue;
      const on = onUntil(band, end) - onUntil(band, start);
      const rates = parts.map((part) => (part * 3600) / (on > 0 ? on : end - start));
      if (on <= 0) out.push([start, end, rates]);
      else for (let i = Math.max(0, started(band, start) - 1); band.from[i] < end; i += 1) {
        const [left, right] = [Math.max(start, band.from[i]), Math.min(end, band.to[i])];
        if (right > left) out.push([left, right, rates]);
      }
    }
    return out;
  }

  // What flows, each as a line with a pale area beneath.
  function flowing(parent, season, amount, index, level) {
    const areas = amount.series.map(() => "");
    const tops = amount.series.map(() => "");
    for (const [from, to, rates] of flows(season, amount)) {
      const [left, right] = [fixed(x(from + season.offset)), fixed(x(to + season.offset))];
      let below = 0;
      rates.forEach((rate, i) => {
        if (rate <= 0) return;
        areas[i] += `M${left} ${fixed(level(below))}V${fixed(level(below + rate))}H${right}V${fixed(level(below))}Z`;
        tops[i] += `M${left} ${fixed(level(below + rate))}H${right}`;
        below += rate;
      });
    }
    amount.series.forEach((series, i) => {
      const clip = { "clip-path": `url(#clip${index})` };
      shape(parent, "path", { d: areas[i], fill: series.colour, "fill-opacity": 0.2, class: "flow", ...clip });
      shape(parent, "path", { d: tops[i], stroke: series.colour, "stroke-width": 2, class: "rate", ...clip });
    });
  }

  // The area between lowest and highest, in pieces where there is nothing between; with the line midway where bins are told apart.
  function drawLine(parent, season, line, y, doubtful) {
    const points = [];
    const add = (from, to, range) => points.push(range && [x((from + to) / 2 + season.offset), y(range[1]), y(range[0])]);
    const apart = line.bin >= 2 * columnLength(season);
    if (apart) {
      const first = Math.max(0, Math.floor((view.from - season.offset) / line.bin) - 1);
      const end = Math.min(line.low.length, Math.ceil((view.to - season.offset) / line.bin) + 1);
      for (let i = first; i < end; i += 1) {
        const [from, to] = within(season, i * line.bin, (i + 1) * line.bin);
        add(from, to, extremes(season, line, from, to));
      }
    } else {
      for (const [from, to] of columns(season)) add(from, to, extremes(season, line, from, to));
    }
    let area = "";
    let middle = "";
    let piece = [];
    const close = () => {
      if (piece.length) {
        area += "M" + piece.map(([at, upper]) => `${fixed(at)} ${fixed(upper)}`).join("L");
        area += "L" + piece.reverse().map(([at, , lower]) => `${fixed(at)} ${fixed(lower)}`).join("L") + "Z";
        middle += "M" + piece.map(([at, upper, lower]) => `${fixed(at)} ${fixed((upper + lower) / 2)}`).join("L");
      }
      piece = [];
    };
    for (const point of points) {
      if (point) piece.push(point);
      else close();
    }
    close();
    if (doubtful) {
      // Far paler than what was believed, and empty.
      shape(parent, "path", { d: area, fill: "none", stroke: line.colour, "stroke-opacity": 0.4, "stroke-dasharray": line.dash, class: "doubtful" });
      return;
    }
    // Never thinner than can be seen.
    shape(parent, "path", {
      d: area, fill: line.colour, "fill-opacity": line.fill * (apart ? 0.6 : 1), class: "area",
      stroke: apart ? "none" : line.colour, "stroke-width": 0.8, "stroke-dasharray": line.dash,
    });
    if (apart && line.width) shape(parent, "path", { d: middle, stroke: line.colour, "stroke-width": line.width, "stroke-dasharray": line.dash, class: "middle" });
  }

  // Gaps shorter than this (s) are too thin to be seen in a day on end.
  const THIN = 900;

  // Whether each day of a band stands on end, so that one sees when in the day.
  function upright(season) {
    return columnLength(season) === season.day && season.atMidnight;
  }

  function bandPath(season, band, base, height) {
    if (upright(season)) return daysPath(season, band, base, height);
    const [from, to] = [view.from - season.offset, view.to - season.offset];
    const [first, end] = [Math.max(0, started(band, from) - 1), started(band, to)];
    let path = "";
    if (end - first < size.columns / 3 && columnLength(season) < season.day) {
      for (let i = first; i < end; i += 1) {
        const left = x(band.from[i] + season.offset);
        // What is on is seen, however short.
        const right = Math.max(left + 0.5, x(band.to[i] + season.offset));
        const up = fixed((height * band.part[i]) / (band.to[i] - band.from[i]));
        path += `M${fixed(left)} ${fixed(base)}v${-up}H${fixed(right)}v${up}Z`;
      }
      return path;
    }
    for (const [start, stop] of columns(season)) {
      const part = share(season, band, start, stop);
      if (part > 0) {
        path += `M${fixed(x(start + season.offset))} ${fixed(base)}v${fixed(-height * part)}H${fixed(x(stop + season.offset))}V${fixed(base)}Z`;
      }
    }
    return path;
  }

  function daysPath(season, band, base, height) {
    let path = "";
    const [from, to] = within(season, view.from - season.offset, view.to - season.offset);
    const add = (start, stop) => {
      const day = Math.floor(start / season.day) * season.day;
      const [left, right] = [x(day + season.offset), x(day + season.day + season.offset)];
      const up = (at) => fixed(base - (height * (at - day)) / season.day);
      path += `M${fixed(left)} ${up(start)}V${up(stop)}H${fixed(right)}V${up(start)}Z`;
    };
    let piece = null;
    const end = started(band, to);
    for (let i = Math.max(0, started(band, from) - 1); i < end; i += 1) {
      for (let start = band.from[i]; start < band.to[i];) {
        const midnight = (Math.floor(start / season.day) + 1) * season.day;
        const stop = Math.min(midnight, band.to[i]);
        if (piece && start - piece[1] < THIN && start % season.day !== 0) {
          piece[1] = stop;
        } else {
          if (piece) add(...piece);
          piece = [start, stop];
        }
        start = stop;
      }
    }
    if (piece) add(...piece);
    return path;
  }

  // ---- reading ----

  // The column of a season that a moment of the time axis lies in, from when to when in the season.
  function columnAt(season, at) {
    const wide = columnLength(season);
    if (wide >= season.day) {
      const index = Math.floor((at - season.offset) / wide);
      return [index * wide, (index + 1) * wide];
    }
    const column = Math.min(size.columns - 1, Math.max(0, Math.floor((at - view.from) / wide)));
    const edge = (index) => Math.floor(view.from + index * wide - season.offset);
    // Whole seconds, as the clock that is shown beside it.
    return [edge(column), Math.max(edge(column) + 1, edge(column + 1))];
  }

  function mark() {
    const reading = cursor !== null && cursor >= view.from && cursor <= view.to;
    for (const panel of panels) {
      const { season, marks } = panel;
      marks.replaceChildren();
      const [from, to] = reading ? columnAt(season, cursor) : [view.from - season.offset, view.to - season.offset];
      const middle = fixed(x((from + to) / 2 + season.offset));
      panel.when.replaceChildren();
      const dated = season.startMs !== null;
      const [start, end] = dated ? [iso(season, from), iso(season, to)] : ["", ""];
      const stamp = (at, text) => element(panel.when, "time", { datetime: at }, text.replace("T", " "));
      if (!dated) {
        panel.when.append(to - from < 60 ? passed(from) : `${passed(from)} to ${passed(to)}`);
      } else if (to - from < 60) {
        stamp(start, start);
      } else if (to - from === season.day && season.atMidnight) {
        stamp(start, start.slice(0, 10));
      } else if (to - from > 2 * season.day) {
        stamp(start, start.slice(0, 10));
        panel.when.append(" to ");
        stamp(end, end.slice(0, 10));
      } else {
        stamp(start, start.slice(0, 16));
        panel.when.append(" to ");
        stamp(end, start.slice(0, 10) === end.slice(0, 10) ? end.slice(11, 16) : end.slice(0, 16));
      }
      for (const { line, button, value } of panel.lines) {
        const off = hidden.has(line.name);
        button.setAttribute("aria-pressed", String(!off));
        const good = extremes(season, line, from, to);
        const range = good || extremes(season, line.doubtful, from, to);
        value.textContent = good || !range ? celsius(range) : `${celsius(range)}, not believed`;
        if (reading && range && !off) {
          const [upper, lower] = [panel.y(range[1]), panel.y(range[0])];
          shape(marks, "path", { d: `M${middle} ${fixed(upper)}V${fixed(lower + 0.1)}`, class: "dot", stroke: line.colour, "stroke-width": lower - upper > 8 ? 3 : 7 });
        }
      }
      const [a, b] = within(season, from, to);
      const time = known(season, from, to);
      season.bands.forEach((band, i) => {
        const text = (of) => (time > 0 ? shareText(share(season, of, from, to), time) : b > a ? "not known" : "not in this season");
        panel.bands[i].textContent = text(band);
        band.whys.forEach((why, k) => {
          const value = panel.whys[i][k];
          value.textContent = text(why);
          // Only what there is: most causes are those of other days.
          value.parentElement.classList.toggle("absent", reading && value.textContent === "off");
        });
      });
      if (season.charge) {
        const range = extremes(season, season.charge, from, to);
        const [low, high] = (range || [0, 0]).map((percent) => number(percent, 0));
        panel.charge.textContent = !range ? "not known" : low === high ? `${low} %` : `${low} to ${high} %`;
      }
      season.amounts.forEach((amount, i) => readAmount(panel, amount, panel.amounts[i], from, to, reading));
      if (reading) {
        marks.prepend(shape(marks, "path", { d: `M${middle} ${panel.top}V${panel.floor}`, class: "cursor" }));
      }
      if (selection) {
        const [left, right] = [x(selection[0]), x(selection[1])].sort((a, b) => a - b);
        shape(marks, "rect", { x: fixed(left), y: panel.top, width: fixed(right - left), height: panel.floor - panel.top, class: "selection" });
      }
    }
  }

  function readAmount(panel, amount, shown, from, to, reading) {
    const { season } = panel;
    const count = Math.max(0, ...amount.series.map((series) => series.days.length));
    const middle = Math.floor((from + to) / 2 / season.day);
    let [first, end] = reading ? [middle, middle] : [Math.floor(from / season.day), Math.ceil(to / season.day) - 1];
    [first, end] = [Math.max(0, first), Math.min(count - 1, end)];
    const days = Math.max(0, end + 1 - first);
    let values = amount.series.map((series) => series.days.slice(first, first + days).reduce((sum, part) => sum + part, 0));
    let when = "";
    if (days > 0) {
      const name = season.startMs === null ? `day ${first + 1}` : iso(season, first * season.day).slice(0, 10);
      // A season that does not start at midnight has days of its own.
      const day = season.atMidnight || season.startMs === null ? name : "the 24 h from " + iso(season, first * season.day).slice(0, 16).replace("T", " ");
      when = days === 1 ? `, ${day}` : `, ${days} days from ${name}`;
    }
    if (isClose() && reading && days > 0) {
      values = amount.series.map((series) => until(amount, series, to) - until(amount, series, first * season.day));
      const clock = season.startMs === null ? passed(to) : iso(season, to).slice(11, 16);
      when += ` until ${clock === "00:00" ? "24:00" : clock}`;
    }
    shown.caption.textContent = amount.what + when;
    values.forEach((value, i) => (shown.series[i].textContent = sum(amount.measure, value)));
    if (shown.total) shown.total.textContent = sum(amount.measure, values.reduce((sum, value) => sum + value, 0));
  }

  // ---- listening ----

  let telling = 0;

  // To who cannot see the picture, once the keys rest.
  function tell(panel) {
    clearTimeout(telling);
    telling = setTimeout(() => {
      const values = [...panel.lines.map(({ line, value }) => `${line.name} ${value.textContent}`),
        ...panel.season.bands.map((band, i) => `${band.name} ${panel.bands[i].textContent}`),
        ...(panel.season.charge ? [`state of charge ${panel.charge.textContent}`] : [])];
      said.textContent = `${panel.when.textContent}: ${values.join(", ")}`;
    }, 300);
  }

  function read(at) {
    cursor = at;
    mark();
  }

  function listen(panel) {
    const { plot, svg } = panel;
    const fingers = new Map();
    let drag = null;
    let pinch = null;

    const place = (event) => event.clientX - svg.getBoundingClientRect().left;
    const moment = (place) => {
      const inside = Math.min(size.right - 0.01, Math.max(LEFT, place));
      return view.from + ((inside - LEFT) / size.columns) * (view.to - view.from);
    };

    svg.addEventListener("wheel", (event) => {
      const sideways = event.shiftKey ? event.deltaX || event.deltaY : event.deltaX;
      const pixels = event.deltaMode === 1 ? 16 : 1;
      const before = view;
      if (Math.abs(sideways) > Math.abs(event.shiftKey ? 0 : event.deltaY)) {
        pan(sideways * pixels * perPixel());
      } else {
        zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY * pixels * 0.003))), moment(place(event)));
      }
      // At either end the page scrolls on.
      if (before.from !== view.from || before.to !== view.to) event.preventDefault();
    }, { passive: false });

    svg.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      svg.setPointerCapture(event.pointerId);
      if (event.pointerType === "touch") {
        fingers.set(event.pointerId, place(event));
        if (fingers.size === 2) {
          const places = [...fingers.values()];
          pinch = places.map((at) => view.from + (at - LEFT) * perPixel());
          cursor = null;
        } else if (fingers.size === 1) {
          read(moment(place(event)));
        }
      } else {
        drag = place(event);
      }
    });

    svg.addEventListener("pointermove", (event) => {
      if (event.pointerType === "touch") {
        if (!fingers.has(event.pointerId)) return;
        fingers.set(event.pointerId, place(event));
        if (pinch && fingers.size === 2) {
          const [a, b] = [...fingers.values()];
          // The moments stay under the fingers.
          if (Math.abs(b - a) > 8 && (b - a) * (pinch[1] - pinch[0]) > 0) {
            const step = (pinch[1] - pinch[0]) / (b - a);
            const from = pinch[0] - (a - LEFT) * step;
            show(from, from + step * size.columns);
          }
        } else if (fingers.size === 1 && !pinch) {
          read(moment(place(event)));
        }
        return;
      }
      if (drag !== null && Math.abs(place(event) - drag) > 4) selection = [moment(drag), moment(place(event))];
      read(moment(place(event)));
    });

    const lift = (event) => {
      fingers.delete(event.pointerId);
      if (fingers.size === 0) pinch = null;
      const chosen = event.type === "pointerup" ? selection : null;
      drag = null;
      selection = null;
      if (chosen) show(Math.min(...chosen), Math.max(...chosen));
      else mark();
    };
    svg.addEventListener("pointerup", lift);
    svg.addEventListener("pointercancel", lift);
    svg.addEventListener("pointerleave", (event) => {
      // A finger that is lifted leaves its reading.
      if (event.pointerType !== "touch" && drag === null) read(null);
    });

    plot.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const span = view.to - view.from;
      const direction = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (direction && event.shiftKey) {
        pan((direction * span) / 4);
        if (cursor !== null) cursor = Math.min(Math.max(view.from, cursor + (direction * span) / 4), view.to);
      } else if (direction) {
        const step = Math.max(span / 100, perPixel());
        const from = cursor === null || cursor < view.from || cursor > view.to ? (view.from + view.to) / 2 : cursor;
        cursor = Math.min(Math.max(0, from + (cursor === null ? 0 : direction * step)), data.length - perPixel() / 2);
        if (cursor < view.from || cursor > view.to) pan(direction * span / 4);
        else mark();
      } else if (event.key === "+" || event.key === "=") {
        zoom(0.5);
      } else if (event.key === "-" || event.key === "_") {
        zoom(2);
      } else if (event.key === "0") {
        show(0, data.length);
      } else if (event.key === "Escape") {
        read(null);
      } else {
        return;
      }
      event.preventDefault();
      tell(panel);
    });
  }

  // Only a new width asks for a new picture: the height is its own doing.
  let drawnWidth = 0;
  const observer = new ResizeObserver(() => {
    if (root.clientWidth !== drawnWidth && root.clientWidth > 0) {
      drawnWidth = root.clientWidth;
      refresh();
    }
  });
  observer.observe(root);
  draw();

  // Leaves the place to the next picture.
  return function leave() {
    observer.disconnect();
    root.replaceChildren();
    return { view: whole() ? { from: 0, to: Infinity } : view, hidden };
  };
}

// Opens the figures above a picture where there is room for all beside each other, and in print.
function openFigures(figures) {
  if (matchMedia("(min-width: 64rem)").matches) figures.forEach((part) => (part.open = !part.classList.contains("aside")));
  addEventListener("beforeprint", () => figures.forEach((part) => (part.open = true)));
}
