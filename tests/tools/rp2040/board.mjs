// A board of modules: an emulated RP2040 that runs the very file that is dropped on the module, with converter chips, lines, relays and flash
// memory around it.
//
// usage: node board.mjs FILE.uf2 KEPT [PORT]
//
// KEPT is a file with what the last 16 KiB of flash memory hold. Orders come as lines of JSON on the standard input, and each is answered by
// one line. Virtual time passes only while an order asks for it; with PORT it passes as it does, and the service line is that port of
// this computer. What the emulator leaves out: voltages of pins, the ring oscillator's own pace, the
// analogue converter's errors, the set-up of flash memory.

import { readFileSync, writeFileSync, existsSync, openSync, writeSync, closeSync } from 'node:fs';
import { createRequire } from 'node:module';
import { createServer } from 'node:net';
import { createInterface } from 'node:readline';
import { RP2040, GPIOPinState, LogLevel, ConsoleLogger } from 'rp2040js';
import { Chip, MOST_HZ } from './chip.mjs';

// Its files for the newer kind of module name each other in a way that only bundlers follow.
const { decodeBlock } = createRequire(import.meta.url)('uf2');

const FLASH = 0x10000000;
const FLASH_BYTES = 2 * 1024 * 1024;
const KEPT_BYTES = 16 * 1024;
const KEPT = FLASH_BYTES - KEPT_BYTES;
const SECTOR = 4096;
const CORE_HZ = 48e6;
const BYTE_NS = 1e9 / 11520;
const FAMILY = 0xe48bff56;

const PINS = { ceiling: 9, heater: 10, charge: 11, full: 12, alarm: 13, lamp: 25 };
const LINES = {
  heater_contact: 14, charge_contact: 15, source_0: 16, source_1: 17, source_2: 18, source_3: 19, charge_line: 20, discharge_line: 21,
  button: 22,
};
const SELECTS = [5, 6, 7, 8];
const STRAP = 28;
const RAM = 0x20000000;
const PAINT = 0xa5;

const [, , file, keptFile, port] = process.argv;
if (!file || !keptFile) {
  console.error('usage: node board.mjs FILE.uf2 KEPT [PORT]');
  process.exit(2);
}

// The program as the module's loader writes it.
function program() {
  const bytes = new Uint8Array(readFileSync(file));
  const flash = new Uint8Array(FLASH_BYTES).fill(0xff);
  if (bytes.length === 0 || bytes.length % 512 !== 0) throw new Error(`${file}: no UF2 file`);
  for (let at = 0; at < bytes.length; at += 512) {
    const { flashAddress, payload, familyId } = decodeBlock(bytes.subarray(at, at + 512));
    if (familyId !== undefined && familyId !== FAMILY) throw new Error(`${file}: for another part`);
    if (flashAddress < FLASH || flashAddress + payload.length > FLASH + KEPT) throw new Error(`${file}: lies where settings are kept`);
    flash.set(payload, flashAddress - FLASH);
  }
  return flash;
}

// The checksum with which the part's ROM judges the first 256 bytes: polynomial 0x04c11db7, from all ones, nothing reflected.
function checksum(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc ^= byte << 24;
    for (let bit = 0; bit < 8; bit++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
  }
  return crc >>> 0;
}

class Bitten extends Error {}

class Board {
  constructor() {
    this.flash = program();
    if (existsSync(keptFile)) this.flash.set(readFileSync(keptFile), KEPT);
    const first = this.flash.subarray(0, 252);
    if (checksum(first) !== new DataView(this.flash.buffer).getUint32(252, true)) throw new Error(`${file}: the ROM would not start it`);
    this.world = { lines: {}, strap: 'none', volts: [0, 0], chips: [null, null, null, null], states: ['works', 'works', 'works', 'works'] };
    this.cut = null;
    this.violations = [];
    this.said = [];
    this.starts = 0;
    this.stack = null;
    this.deepest = null;
    this.start();
  }

  // A start: of the power, or after the watchdog.
  start() {
    this.starts += 1;
    this.sound();
    const mcu = new RP2040();
    // Memory begins with anything, and the paint shows what the stack has reached.
    mcu.sram.fill(PAINT);
    const { clock } = mcu;
    mcu.logger = new ConsoleLogger(LogLevel.Error, true);
    mcu.flash.set(this.flash);
    this.clock = clock;
    this.mcu = mcu;
    this.fed = 0;
    this.ended = null;
    this.looseSince = null;
    this.moves = [];
    const now = () => clock.nanos / 1e6;
    this.chips ??= SELECTS.map(() => new Chip(now));
    for (const chip of this.chips) {
      chip.now = now;
      // The modules have the supply that the part has.
      chip.powerUp();
    }
    this.rom();
    this.bus();
    this.service();
    const watchdog = mcu.peripherals[0x40058];
    // As after a reset: it does not count until the program gives it a pace. The emulator would count from the start.
    watchdog.tickEnable = false;
    const written = watchdog.writeUint32.bind(watchdog);
    watchdog.writeUint32 = (offset, value) => {
      written(offset, value);
      if (offset === 4) this.fed += 1;
    };
    watchdog.onWatchdogTrigger = () => {
      this.ended ??= 'watchdog';
      // Nothing of this machine goes on: its watchdog would only bite again, at the same moment.
      throw new Bitten();
    };
    const pads = mcu.peripherals[0x4001c];
    const padded = pads.writeUint32.bind(pads);
    pads.writeUint32 = (offset, value) => {
      padded(offset, value);
      this.level = null;
    };
    Object.defineProperty(mcu, 'gpioValues', { get: () => (this.level ??= this.levels()) });
    for (const [name, gp] of Object.entries(PINS)) {
      if (name === 'lamp' || name === 'ceiling') continue;
      mcu.gpio[gp].addListener(() => this.moves.push([name, this.isHigh(gp)]));
    }
    this.show();
    // As the ROM does: the first 256 bytes run from the end of RAM, and start the program.
    mcu.sram.set(this.flash.subarray(0, 256), 0x41f00);
    mcu.core.SP = 0x20041f00;
    mcu.core.LR = 0;
    mcu.core.PC = 0x20041f00;
  }

  // The lowest address of the stack that was ever written.
  sound() {
    if (this.stack === null) return;
    const [from, to] = this.stack.map((address) => address - RAM);
    const used = this.mcu.sram.subarray(from, to).findIndex((byte) => byte !== PAINT);
    if (used >= 0) this.deepest = Math.min(this.deepest ?? Infinity, RAM + from + used);
  }

  // What the input pins show, as a word.
  levels() {
    const { gpio } = this.mcu;
    let word = 0;
    const put = (gp, high) => {
      if (high && gpio[gp].inputEnable) word |= 1 << gp;
    };
    for (const [name, gp] of Object.entries(LINES)) {
      const level = this.world.lines[name];
      // A wire that is off follows the part's own pull.
      put(gp, level === undefined || level === null ? gpio[gp].pullupEnabled : level);
    }
    const { strap } = this.world;
    put(STRAP, strap === 'none' ? gpio[STRAP].pullupEnabled : strap === 'supply');
    return word >>> 0;
  }

  isHigh(gp) {
    return this.mcu.gpio[gp].value === GPIOPinState.High;
  }

  show() {
    this.level = null;
    const { adc } = this.mcu;
    this.world.volts.forEach((volts, index) => {
      adc.channelValues[index] = Math.max(0, Math.min(4095, Math.round(((volts / 11) * 4096) / 3.3)));
    });
    this.chips.forEach((chip, index) => chip.connect(this.world.chips[index], this.world.states[index]));
  }

  // The functions of the part's ROM that the program calls: each is a breakpoint here.
  rom() {
    const { mcu } = this;
    const bytes = new Uint8Array(mcu.bootrom.buffer);
    const view = new DataView(mcu.bootrom.buffer);
    const calls = ['lookup', 'IF', 'EX', 'RE', 'RP', 'FC', 'CX'];
    const place = (index) => 0x100 + 4 * index;
    bytes[0x13] = 3;
    view.setUint16(0x14, 0x80, true);
    view.setUint16(0x18, place(0) | 1, true);
    calls.forEach((_, index) => {
      view.setUint16(place(index), 0xbe00 | index, true);
      view.setUint16(place(index) + 2, 0x4770, true);
    });
    mcu.onBreak = (code) => {
      const { registers } = mcu.core;
      const call = calls[code];
      if (call === undefined || mcu.core.PC > 0x1000) {
        this.ended ??= `a breakpoint at ${mcu.core.PC.toString(16)}`;
        return;
      }
      if (call === 'lookup') {
        const wanted = String.fromCharCode(registers[1] & 0xff, registers[1] >> 8);
        registers[0] = calls.includes(wanted) ? place(calls.indexOf(wanted)) | 1 : 0;
        return;
      }
      if (call === 'EX') this.looseSince = true;
      if (this.looseSince && mcu.core.LR >>> 28 !== 2) this.violations.push(`${call} returns to memory that cannot be read`);
      if (this.looseSince && !mcu.core.PM) this.violations.push(`${call} with interrupts`);
      if (call === 'RE') this.change(registers[0], registers[1], null);
      if (call === 'RP') {
        const from = registers[1] - 0x20000000;
        if (from < 0 || from + registers[2] > mcu.sram.length) this.violations.push('programs from memory that cannot be read');
        this.change(registers[0], registers[2], mcu.sram.slice(from, from + registers[2]));
      }
      if (call === 'FC') this.looseSince = null;
    };
  }

  // Flash memory: programming clears bits, erasing sets them. The power can fail half-way.
  change(at, length, bytes) {
    const unit = bytes ? 256 : SECTOR;
    if (at % unit !== 0 || length % unit !== 0) this.violations.push(`${bytes ? 'programs' : 'erases'} ${length} at ${at.toString(16)}`);
    if (at < KEPT || at + length > FLASH_BYTES) {
      this.violations.push(`changes flash memory at ${at.toString(16)}, which is not its own`);
      return;
    }
    // Data sheets of such memories: 0.7 ms a page, 45 ms a sector. The program stands still meanwhile.
    this.clock.tick(bytes ? 0.7e6 * (length / 256) : 45e6 * (length / SECTOR));
    const isCut = this.cut !== null && this.cut-- === 0;
    const until = isCut ? length >> 1 : length;
    for (let index = 0; index < until; index++) {
      const value = bytes ? this.mcu.flash[at + index] & bytes[index] : 0xff;
      this.mcu.flash[at + index] = value;
      this.flash[at + index] = value;
    }
    const kept = openSync(keptFile, existsSync(keptFile) ? 'r+' : 'w');
    writeSync(kept, this.flash, KEPT, KEPT_BYTES, 0);
    closeSync(kept);
    if (isCut) {
      this.cut = null;
      this.ended ??= 'power';
    }
  }

  bus() {
    const spi = this.mcu.spi[0];
    const selected = () => SELECTS.map((gp, index) => (this.mcu.gpio[gp].value === GPIOPinState.Low ? index : -1)).filter((i) => i >= 0);
    SELECTS.forEach((gp, index) => {
      this.mcu.gpio[gp].addListener((value, before) => {
        if (value === GPIOPinState.Low && before !== GPIOPinState.Low) this.chips[index].select();
        if (value !== GPIOPinState.Low && before === GPIOPinState.Low) this.chips[index].release();
      });
    });
    let answer = 0;
    const done = this.clock.createAlarm(() => spi.completeTransmit(answer));
    spi.onTransmit = (out) => {
      const who = selected();
      if (who.length > 1) this.violations.push('two chips are selected at once');
      // Phase 1: bits change on the first edge and are read on the second.
      if (!(spi.control0 & 0x80) || spi.dataBits !== 8) this.violations.push('the bus is not in mode 1 or 3 with 8 bits');
      if (spi.clockFrequency > MOST_HZ) this.violations.push(`the bus runs at ${spi.clockFrequency} Hz`);
      const stuck = this.world.bus;
      answer = who.length === 1 ? this.chips[who[0]].exchange(out) : 0xff;
      if (stuck !== undefined && stuck !== null) answer = stuck;
      done.schedule((8 * 1e9) / spi.clockFrequency);
    };
  }

  service() {
    const uart = this.mcu.uart[0];
    uart.onByte = (byte) => this.said.push(byte);
    this.toHear = [];
    this.hearing = this.clock.createAlarm(() => {
      const byte = this.toHear.shift();
      if (byte === undefined) return;
      if (uart.rxFIFO.full) this.violations.push('a byte of the service line found no room');
      else uart.feedByte(byte);
      if (this.toHear.length > 0) this.hearing.schedule(BYTE_NS);
    });
  }

  hear(bytes) {
    const silent = this.toHear.length === 0;
    this.toHear.push(...bytes);
    if (silent && bytes.length > 0) this.hearing.schedule(BYTE_NS);
  }

  // Until the watchdog is fed so many times, so many milliseconds have passed, or the board stops.
  run({ feeds = Infinity, ms = Infinity }) {
    const { clock } = this;
    const cycle = 1e9 / CORE_HZ;
    const wanted = this.fed + feeds;
    const end = clock.nanos + ms * 1e6;
    try {
      this.turn(wanted, end, cycle);
    } catch (error) {
      if (!(error instanceof Bitten)) throw error;
    }
  }

  turn(wanted, end, cycle) {
    const { mcu, clock } = this;
    const { core } = mcu;
    while (this.ended === null && this.fed < wanted && clock.nanos < end) {
      if (core.waiting) {
        clock.tick(Math.max(clock.nanosToNextAlarm, 1));
        // The emulator's own loop forgets that the tick of the processor wakes it too.
        if (core.interruptsUpdated && core.checkForInterrupts()) core.waiting = false;
      } else clock.tick(core.executeInstruction() * cycle);
    }
  }

  answer() {
    const { ended } = this;
    if (ended === 'watchdog') this.start();
    this.sound();
    const said = Buffer.from(this.said).toString('base64');
    this.said = [];
    const { violations, moves } = this;
    this.violations = [];
    this.moves = [];
    for (const [index, chip] of this.chips.entries()) {
      for (const violation of chip.violations.splice(0)) violations.push(`chip ${index}: ${violation}`);
    }
    const pins = Object.fromEntries(Object.entries(PINS).filter(([name]) => name !== 'ceiling').map(([name, gp]) => [name, this.isHigh(gp)]));
    const pwm = this.mcu.pwm.channels[4];
    const isPwm = this.mcu.gpio[PINS.ceiling].functionSelect === 4 && (pwm.csr & 1) === 1;
    const ceiling = isPwm ? (pwm.cc >>> 16) / (pwm.top + 1) : 0;
    return {
      ms: this.clock.nanos / 1e6,
      fed: this.fed,
      starts: this.starts,
      ended,
      pins,
      ceiling,
      shown: this.chips.map((chip) => chip.shown?.code ?? null),
      said,
      moves,
      violations,
      deepest: this.deepest,
    };
  }
}

const board = new Board();

function obey(order) {
  if (order.forget !== undefined) board.chips[order.forget].forget();
  if (order.world !== undefined) {
    Object.assign(board.world, order.world);
    board.show();
  }
  if (order.stack !== undefined) board.stack = order.stack;
  if (order.cut !== undefined) board.cut = order.cut;
  if (order.power === 'cycle') board.start();
  if (order.hear !== undefined) board.hear(Buffer.from(order.hear, 'base64'));
  // The program stands still from here on, with everything as it is.
  if (order.hang) {
    board.mcu.sram.set([0xfe, 0xe7], 0x41000);
    board.mcu.core.PM = true;
    board.mcu.core.PC = 0x20041000;
  }
  if (order.run !== undefined) board.run(order.run);
  return board.answer();
}

// What a fitter has on the bench: a source, a protection that allows both, and resistors for thermometers of 5 °C.
const BENCH = {
  lines: { source_0: true, charge_line: true, discharge_line: true, button: true },
  volts: [14.2, 13.3],
  chips: SELECTS.map(() => ({ wires: 2, element_ohm: 1019.53, lead_ohm: [0, 0], reference_ohm: 4000 })),
};

// Lets the board run beside the clock on the wall, for as long as this program does.
function serve() {
  const heard = new Set();
  createServer((socket) => {
    heard.add(socket);
    socket.on('data', (bytes) => board.hear(bytes));
    for (const end of ['close', 'error']) socket.on(end, () => heard.delete(socket));
  }).listen(Number(port), '127.0.0.1');
  Object.assign(board.world, BENCH);
  board.show();
  let last = performance.now();
  setInterval(() => {
    const now = performance.now();
    // A computer that slept does not make up for it.
    board.run({ ms: Math.min(now - last, 1000) });
    last = now;
    const answer = board.answer();
    for (const violation of answer.violations) console.error(violation);
    for (const [pin, high] of answer.moves) console.log(`${pin} ${high ? 'on' : 'off'}`);
    for (const socket of heard) socket.write(Buffer.from(answer.said, 'base64'));
  }, 20);
}

if (port) serve();
for await (const line of createInterface({ input: process.stdin })) {
  process.stdout.write(`${JSON.stringify(obey(JSON.parse(line)))}\n`);
}
