// A converter chip of type MAX31865, from its data sheet alone: 19-6478, revision 3. Its circuit is solved as a circuit, so a wire that
// breaks or touches another gives whatever the currents then make of it.
//
// Sources: registers, bits, fault cycle and what each fault compares, figures and tables 1 to 12 of the data sheet. Times, from memory of
// its table of electrical characteristics: 10 ms for the bias, 66 ms and 55 ms at most for one conversion with the filter at 50 Hz and 60 Hz, 0.6 ms at
// most for the fault cycle, 400 ns from select to the first clock.

const CONFIG = 0;
const CODE_HIGH = 1;
const CODE_LOW = 2;
const STATUS = 7;
const AT_RESET = [0x00, 0x00, 0x00, 0xff, 0xff, 0x00, 0x00, 0x00];

const BIAS = 0x80;
const AUTO = 0x40;
const ONE_SHOT = 0x20;
const THREE_WIRE = 0x10;
const CYCLE = 0x0c;
const CYCLE_AUTO = 0x04;
const CLEAR = 0x02;
const FILTER_50_HZ = 0x01;

const BIAS_V = 2.0;
const SUPPLY_V = 3.3;
// Ideal but for what must not be infinite: a wire, a switch that is open, an input.
const WIRE_OHM = 1e-3;
const OFF_OHM = 1e12;
const INPUT_OHM = 1e10;
// From RTDIN+ to the module's supply.
const FINDS_OHM = 100e6;

const BIAS_MS = 10;
const CYCLE_MS = 0.6;
export const SELECT_NS = 400;
export const MOST_HZ = 5e6;

// Nodes of the circuit. Ground is not one of them.
const NODES = ['bias', 'supply', 'refinMinus', 'forcePlus', 'rtdinPlus', 'rtdinMinus', 'forceMinus', 'top', 'bottom', 'switched'];

// The voltages of a network of resistors: [one, other, ohms], with 'ground' and sources [node, volts].
function solve(resistors, sources) {
  const size = NODES.length;
  const rows = NODES.map(() => new Float64Array(size + 1));
  const at = (node) => NODES.indexOf(node);
  for (const [one, other, ohms] of resistors) {
    const conductance = 1 / ohms;
    for (const [from, to] of [[at(one), at(other)], [at(other), at(one)]]) {
      if (from < 0) continue;
      rows[from][from] += conductance;
      if (to >= 0) rows[from][to] -= conductance;
    }
  }
  for (const [node, volts] of sources) {
    rows[at(node)].fill(0);
    rows[at(node)][at(node)] = 1;
    rows[at(node)][size] = volts;
  }
  for (let column = 0; column < size; column++) {
    let best = column;
    for (let row = column; row < size; row++) if (Math.abs(rows[row][column]) > Math.abs(rows[best][column])) best = row;
    [rows[column], rows[best]] = [rows[best], rows[column]];
    for (let row = 0; row < size; row++) {
      if (row === column) continue;
      const factor = rows[row][column] / rows[column][column];
      if (factor !== 0) for (let k = column; k <= size; k++) rows[row][k] -= factor * rows[column][k];
    }
  }
  return Object.fromEntries(NODES.map((node, index) => [node, rows[index][size] / rows[index][index]]));
}

// What is wired to a chip: { wires: 2 | 3 | 4, element_ohm, lead_ohm: [...], reference_ohm, broken: [...], shorts: [[a, b]] }. The leads are, in
// order, FORCE+, RTDIN+, RTDIN-, FORCE- for four wires; FORCE+, RTDIN+, common for three; two for two. `broken` names leads by index, and
// `shorts` terminals or 'ground', 'plus' (the module's supply), 'battery'.
function circuit(wired, forceMinusOpen) {
  const { wires, element_ohm: element, lead_ohm: leads, reference_ohm: reference, broken = [], shorts = [] } = wired;
  const lead = (index) => leads[index] + (broken.includes(index) ? OFF_OHM : 0) + WIRE_OHM;
  const resistors = [
    ['bias', 'refinMinus', reference],
    // The terminal of the reference resistor is that of FORCE+ on every module.
    ['refinMinus', 'forcePlus', WIRE_OHM],
    ['forceMinus', 'ground', forceMinusOpen ? OFF_OHM : WIRE_OHM],
    ['rtdinPlus', 'ground', INPUT_OHM],
    ['rtdinMinus', 'ground', INPUT_OHM],
    // The page of the board asks for it: without it, an RTDIN+ that hangs free shows anything. It sends a little current through the
    // element that the reference does not see.
    ['rtdinPlus', 'supply', FINDS_OHM],
    ['top', 'bottom', element],
    ['switched', 'ground', 1],
  ];
  const sources = [['bias', wired.biased ? BIAS_V : 0], ['supply', SUPPLY_V]];
  if (wires === 4) {
    resistors.push(['forcePlus', 'top', lead(0)], ['rtdinPlus', 'top', lead(1)]);
    resistors.push(['rtdinMinus', 'bottom', lead(2)], ['forceMinus', 'bottom', lead(3)]);
  } else if (wires === 3) {
    resistors.push(['forcePlus', 'top', lead(0)], ['rtdinPlus', 'top', lead(1)]);
    resistors.push(['rtdinMinus', 'forceMinus', WIRE_OHM], ['forceMinus', 'bottom', lead(2)]);
  } else {
    resistors.push(['rtdinPlus', 'forcePlus', WIRE_OHM], ['forcePlus', 'top', lead(0)]);
    resistors.push(['rtdinMinus', 'forceMinus', WIRE_OHM], ['forceMinus', 'bottom', lead(1)]);
  }
  for (const [one, other] of shorts) {
    if (other === 'ground') resistors.push([one, 'ground', 0.1]);
    // Through what protects the input.
    else if (other === 'plus' || other === 'battery') {
      const volts = other === 'plus' ? SUPPLY_V : 13.2;
      resistors.push([one, 'switched', 100]);
      sources.push(['switched', volts]);
    } else resistors.push([one, other, 0.1]);
  }
  return solve(resistors, sources);
}

export class Chip {
  // `now` gives milliseconds.
  constructor(now) {
    this.now = now;
    this.registers = [...AT_RESET];
    this.wired = null;
    this.held = { volts: 0, at: 0 };
    this.state = 'works';
    this.violations = [];
    this.powerUp();
  }

  powerUp() {
    this.registers = [...AT_RESET];
    this.biasSince = null;
    this.conversion = null;
    this.cycleEnds = null;
    this.selectedAt = null;
    this.shown = null;
  }

  // `wired` as in `circuit`, or null where there is no module. `state`: 'works', 'dead' (answers nothing), 'ones', 'busy' (never
  // finishes what it is told), 'frozen' (shows the same code for ever).
  connect(wired, state) {
    this.catchUp();
    // What the capacitor holds when a lead comes off. It must not begin anew while the lead stays off.
    if (JSON.stringify(wired) !== JSON.stringify(this.wired)) {
      const volts = this.wired === null ? { rtdinPlus: 0, rtdinMinus: 0 } : this.volts(false);
      this.held = { volts: volts.rtdinPlus - volts.rtdinMinus, at: this.now() };
    }
    this.wired = wired;
    this.state = state;
  }

  // Loses its settings, as after a dip of its supply.
  forget() {
    this.catchUp();
    this.powerUp();
  }

  // The capacitor between the inputs: 100 nF for Pt100, 10 nF for Pt1000.
  get farads() {
    return this.wired.reference_ohm > 1000 ? 10e-9 : 100e-9;
  }

  // Volts at each terminal now. An input whose lead is off hangs on the capacitor to the other one, and on what pulls it.
  volts(forceMinusOpen) {
    const { wires, broken = [] } = this.wired;
    const volts = circuit({ ...this.wired, biased: (this.registers[CONFIG] & BIAS) !== 0 }, forceMinusOpen);
    const plusHangs = wires >= 3 && broken.includes(1);
    const minusHangs = wires === 4 && broken.includes(2);
    if (plusHangs || minusHangs) {
      const seconds = (this.now() - this.held.at) / 1e3;
      const end = plusHangs ? volts.rtdinPlus - volts.rtdinMinus : 0;
      const tau = (plusHangs ? FINDS_OHM : INPUT_OHM) * this.farads;
      const over = end + (this.held.volts - end) * Math.exp(-seconds / tau);
      if (plusHangs) volts.rtdinPlus = volts.rtdinMinus + over;
      else volts.rtdinMinus = volts.rtdinPlus - over;
    }
    return volts;
  }

  overvoltage(volts) {
    return ['forcePlus', 'rtdinPlus', 'rtdinMinus', 'forceMinus'].some((pin) => volts[pin] > SUPPLY_V + 0.1 || volts[pin] < -0.1);
  }

  fault(bit) {
    this.registers[STATUS] |= bit;
    this.registers[CODE_LOW] |= 1;
  }

  // What has come to its end since it was last looked at.
  catchUp() {
    const now = this.now();
    if (this.wired === null) return;
    if (this.cycleEnds !== null && now >= this.cycleEnds && this.state !== 'busy') {
      this.cycleEnds = null;
      this.registers[CONFIG] &= ~CYCLE;
      const limit = 0.85 * BIAS_V;
      if (this.volts(false).refinMinus > limit) this.fault(0x20);
      const open = this.volts(true);
      if (open.refinMinus < limit) this.fault(0x10);
      if (open.rtdinMinus < limit) this.fault(0x08);
      if (this.overvoltage(open)) this.fault(0x04);
    }
    if (this.conversion !== null && now >= this.conversion.ends && this.state !== 'busy') {
      const { settled } = this.conversion;
      this.conversion = null;
      this.registers[CONFIG] &= ~ONE_SHOT;
      const volts = this.volts(false);
      let over = volts.rtdinPlus - volts.rtdinMinus;
      // Three wires: the drop along the lead of FORCE+ is taken away.
      if (this.registers[CONFIG] & THREE_WIRE) over -= volts.forcePlus - volts.rtdinPlus;
      const ratio = (settled * over) / (volts.bias - volts.refinMinus);
      const code = Math.max(0, Math.min(32767, Number.isFinite(ratio) ? Math.floor(ratio * 32768) : 32767));
      this.shown = { code, ratio };
      const previous = this.registers[CODE_LOW] & 1;
      if (this.state !== 'frozen' || this.frozen === undefined) {
        this.frozen = code;
      }
      const shown = this.state === 'frozen' ? this.frozen : code;
      this.registers[CODE_HIGH] = shown >> 7;
      this.registers[CODE_LOW] = ((shown << 1) & 0xff) | previous;
      const threshold = (register) => ((this.registers[register] << 8) | this.registers[register + 1]) >> 1;
      if (code >= threshold(3)) this.fault(0x80);
      if (code <= threshold(5)) this.fault(0x40);
      if (this.overvoltage(volts)) this.fault(0x04);
    }
    if (this.overvoltage(this.volts(false))) this.fault(0x04);
  }

  select() {
    this.catchUp();
    this.selectedAt = this.now();
    this.address = null;
    this.configured = null;
  }

  // A byte in either direction.
  exchange(out) {
    if (this.wired === null || this.state === 'dead') return 0x00;
    if (this.state === 'ones') return 0xff;
    if (this.address === null) {
      if ((this.now() - this.selectedAt) * 1e6 < SELECT_NS) this.violations.push('clocked too soon after its selection');
      this.address = out;
      return 0;
    }
    const register = this.address & 0x07;
    const writes = this.address & 0x80;
    this.address = writes | ((register + 1) & 0x07);
    if (!writes) return this.registers[register];
    if (register === CONFIG) this.configured = out;
    else if (register >= 3 && register <= 6) this.registers[register] = out;
    return 0;
  }

  // The configuration takes effect when the chip is released.
  release() {
    this.selectedAt = null;
    if (this.wired === null) return;
    if (this.configured === null || this.configured === undefined) return;
    const bits = this.configured;
    this.configured = null;
    const now = this.now();
    if (bits & CLEAR && !(bits & (ONE_SHOT | CYCLE))) {
      this.registers[STATUS] = 0;
      this.registers[CODE_LOW] &= 0xfe;
    }
    if (bits & AUTO) this.violations.push('set to convert for ever, which warms its element');
    if (bits & BIAS) this.biasSince ??= now;
    else this.biasSince = null;
    this.registers[CONFIG] = bits & ~CLEAR;
    if ((bits & CYCLE) === CYCLE_AUTO) this.cycleEnds = now + CYCLE_MS;
    else if (bits & CYCLE) this.violations.push('set to a fault cycle by hand');
    if (bits & ONE_SHOT) {
      const { reference_ohm: reference, element_ohm: element } = this.wired;
      const tau = ((element * reference) / (element + reference)) * this.farads * 1e3;
      const waited = this.biasSince === null ? 0 : now - this.biasSince - BIAS_MS;
      const settled = waited <= 0 ? 0 : 1 - Math.exp(-waited / tau);
      this.conversion = { ends: now + (bits & FILTER_50_HZ ? 66 : 55), settled };
    }
  }
}
