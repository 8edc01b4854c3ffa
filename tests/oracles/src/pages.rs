//! What is kept over a loss of power: calls to the storage, cuts, flipped bits, and pages that hold anything.

use crate::bytes::Bytes;
use crate::flash::Flash;
use forewarm_core::Memory;
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::journal::{Counters, Event};
use forewarm_core::memory::Run;
use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Cause, Relay, State};
use forewarm_core::wire::record;
use forewarm_core::wire::service::Kept;
use forewarm_firmware::probe::{Store, Unkept};

/// Events that are kept. The oldest gives way.
const EVENTS: usize = 32;

/// Calls in a sequence.
const MOST_CALLS: usize = 40;

/// What is kept is found after each start: all of it where nothing happened, what was there before or after the call in
/// which power was lost, and the latched faults also where up to three bits of a word have flipped. Storage that holds
/// anything at all is started from without a panic, and new settings bring it back to life.
///
/// # Panics
/// If not.
pub fn pages(data: &[u8]) {
    let mut bytes = Bytes(data);
    let mode = bytes.byte();
    // Two pages have room for one only, so each that fills up moves.
    if mode & SMALL == 0 { on::<2048>(4, mode, &mut bytes) } else { on::<1280>(2, mode, &mut bytes) }
}

/// Bits of the first byte: which storage, and what happens to it besides calls and cuts.
const SMALL: u8 = 1;
const FLIPS: u8 = 2;
const EDITS: u8 = 4;
const FORGES: u8 = 8;

fn on<const PAGE: usize>(pages: usize, mode: u8, bytes: &mut Bytes) {
    let mut bench = Bench::<PAGE>::new(Flash::new(pages), mode);
    for _ in 0..MOST_CALLS {
        if bytes.is_empty() {
            break;
        }
        bench.happen(bytes);
    }
    bench.comes_back_to_life();
}

/// Everything that is kept.
#[derive(Clone, Debug, Default, PartialEq)]
struct Content {
    memory: Memory,
    record: Option<Vec<u8>>,
    totals: Option<Counters>,
    events: Vec<Kept>,
}

#[derive(Clone, Debug)]
enum Call {
    Memory(Memory),
    Record(Vec<u8>),
    Event(Event),
    Totals(Counters),
}

/// What is known of the content.
#[derive(Clone, Copy, PartialEq)]
enum Known {
    All,
    /// Bits have flipped: the memory, and the settings if they can be read.
    Latches,
    /// It was written by nobody.
    Nothing,
}

struct Bench<const PAGE: usize> {
    flash: Flash<PAGE>,
    store: Store<Flash<PAGE>>,
    content: Content,
    known: Known,
    /// The next number of an event.
    next: u32,
    mode: u8,
    /// Every memory that was ever to be kept.
    memories: Vec<Memory>,
}

impl<const PAGE: usize> Bench<PAGE> {
    fn new(flash: Flash<PAGE>, mode: u8) -> Self {
        let store = Store::start(flash.clone());
        Self { flash, store, content: Content::default(), known: Known::All, next: 0, mode, memories: Vec::new() }
    }

    fn happen(&mut self, bytes: &mut Bytes) {
        match bytes.byte() % 16 {
            0..3 => self.call(&Call::Memory(memory(bytes))),
            3 | 4 => {
                let length = usize::from(bytes.u16()) % (record::MAX_BYTES - 4) + 5;
                let mut record = bytes.slice(length).to_vec();
                record.resize(length, 0x5A);
                self.call(&Call::Record(record));
            }
            5..8 => self.call(&Call::Event(event(bytes))),
            8 => self.call(&Call::Totals(Counters {
                refusals: bytes.u32(),
                heater_on_ms: bytes.u64(),
                ..Counters::default()
            })),
            // Many at once fill pages.
            9 => {
                let (event, times) = (event(bytes), bytes.byte() % 100);
                (0..times).for_each(|_| self.call(&Call::Event(event)));
            }
            10 => {
                let mut chip = self.flash.0.borrow_mut();
                (chip.power, chip.tear) = (Some(bytes.u16() % 600), bytes.byte());
            }
            11 => {
                let mut chip = self.flash.0.borrow_mut();
                (chip.erases, chip.tear) = (Some(bytes.byte() % 4), bytes.byte());
            }
            12 => self.restart(),
            13 if self.mode & FLIPS != 0 => self.flip(bytes),
            14 if self.mode & FORGES != 0 => self.put(bytes),
            15 if self.mode & EDITS != 0 => self.edit(bytes),
            _ => {
                let memory = Memory { latched: SystemFaults::LATCHED, ..memory(bytes) };
                self.call(&Call::Memory(memory));
            }
        }
    }

    /// Makes a call. If power is lost in it, the next start finds what was there before, or after.
    fn call(&mut self, call: &Call) {
        let before = self.content.clone();
        if let Call::Memory(memory) = call {
            self.memories.push(*memory);
        }
        let done = match call {
            Call::Memory(memory) => self.store.keep_memory(*memory),
            Call::Record(record) => self.store.keep_record(before.memory, record),
            Call::Event(event) => self.store.keep_event(event),
            Call::Totals(totals) => self.store.keep_totals(totals),
        };
        if self.flash.0.borrow().is_off {
            self.power_on();
            if self.known == Known::Nothing {
                return;
            }
            let after = self.after(call);
            if self.known == Known::Latches {
                let found = self.store.recalled();
                assert!(found == before.memory || found == after.memory, "a cut: {found:?} of {before:?}");
                self.content.memory = found;
                self.lose_sight(call);
                return;
            }
            if PAGE < 2048 && matches!(call, Call::Record(_)) {
                self.may_have_cleared(&before, &after);
                return;
            }
            let found = self.found().unwrap_or_else(|error| panic!("a cut in {call:?}: {error:?}, before {before:?}"));
            assert!(
                found == before || found == after,
                "a cut in {call:?}: {found:?}\nbefore {before:?}\nafter {after:?}"
            );
            self.next = found.events.last().map_or(self.next, |event| event.number + 1);
            self.content = found;
            return;
        }
        match done {
            Ok(()) => {
                self.content = self.after(call);
                if PAGE < 2048 && self.known == Known::All && matches!(call, Call::Record(_)) {
                    // To make room for it, everything else but memory and totals may have been erased.
                    let found = self.found().expect("what was kept can be read");
                    let found = Content { memory: self.content.memory, ..found };
                    let cleared = Content { events: found.events.clone(), ..self.content.clone() };
                    assert_eq!(found, cleared);
                    self.content = found;
                }
            }
            // The small storage may be full of what cannot give way.
            Err(_) if self.known != Known::All || PAGE < 2048 => {
                self.lose_sight(call);
                if let Call::Memory(_) = call
                    && self.known != Known::Nothing
                {
                    self.either(&before, call);
                }
            }
            Err(error) => panic!("{call:?} is not kept: {error:?}"),
        }
        if let Call::Event(_) = call
            && done.is_ok()
        {
            self.next = self.content.events.last().map_or(0, |event| event.number + 1);
        }
    }

    /// New settings that may or may not be there after bits have flipped: from then on nothing is known.
    fn lose_sight(&mut self, call: &Call) {
        if self.known == Known::Latches && matches!(call, Call::Record(_)) {
            self.known = Known::Nothing;
        }
    }

    /// Where new settings found no room, power was lost while they made some. Nothing is forgotten, and nothing is in
    /// force that nobody wrote.
    fn may_have_cleared(&mut self, before: &Content, after: &Content) {
        let found = self.store.recalled();
        assert!(found == before.memory || found == unreadable(), "cleared: {found:?} of {before:?}");
        if let Ok(record) = self.store.record().map(|record| record.map(<[u8]>::to_vec)) {
            assert!(record == before.record || record == after.record, "cleared: {record:?} of {before:?}");
        }
        self.known = Known::Nothing;
    }

    /// Something may or may not be there: looks.
    fn either(&mut self, before: &Content, call: &Call) {
        let after = self.after(call).memory;
        self.power_on();
        let found = self.store.recalled();
        assert!(found == before.memory || found == after, "{found:?} of {before:?}");
        self.content.memory = found;
    }

    fn after(&self, call: &Call) -> Content {
        let mut content = self.content.clone();
        match call {
            Call::Memory(memory) => content.memory = *memory,
            Call::Record(record) => content.record = Some(record.clone()),
            Call::Totals(totals) => content.totals = Some(*totals),
            Call::Event(event) => {
                content.events.push(Kept { number: self.next, start: 0, event: *event });
                let most = content.events.len().saturating_sub(EVENTS);
                content.events.drain(..most);
            }
        }
        content
    }

    fn power_on(&mut self) {
        {
            let mut chip = self.flash.0.borrow_mut();
            (chip.is_off, chip.power, chip.erases) = (false, None, None);
        }
        self.store = Store::start(self.flash.clone());
    }

    fn restart(&mut self) {
        self.power_on();
        match self.known {
            Known::All => {
                let found = self.found().expect("what was kept can be read");
                assert_eq!(found, self.content, "after a restart");
            }
            Known::Latches => {
                assert_eq!(self.store.recalled(), self.content.memory, "after a restart");
                // Settings may be lost, and do not go back in time.
                if let Ok(record) = self.store.record() {
                    assert_eq!(record, self.content.record.as_deref(), "after a restart");
                }
            }
            Known::Nothing => {}
        }
    }

    /// Everything, as read. Which start an event belongs to is not judged.
    fn found(&mut self) -> Result<Content, Unkept> {
        let mut events = Vec::new();
        for number in self.store.events() {
            events.extend(self.store.event(number)?.map(|kept| Kept { start: 0, ..kept }));
        }
        let record = self.store.record()?.map(<[u8]>::to_vec);
        assert!(self.store.is_read(), "the memory could not be read");
        Ok(Content { memory: self.store.recalled(), record, totals: self.store.totals()?, events })
    }

    /// Up to three bits of one word flip, once in the life of the part. Both copies of the memory are there before.
    fn flip(&mut self, bytes: &mut Bytes) {
        let (at, bits) = (usize::from(bytes.u16()), bytes.array::<3>());
        if self.known != Known::All {
            return;
        }
        self.power_on();
        if self.store.keep_memory(self.content.memory).is_err() {
            return;
        }
        {
            let chip = &mut *self.flash.0.borrow_mut();
            let is_written = |&at: &usize| chip.bytes[at..at + 4] != [0xFF; 4];
            let written: Vec<usize> = (0..chip.bytes.len()).step_by(4).filter(is_written).collect();
            let Some(&at) = written.get(at % written.len().max(1)) else { return };
            for bit in bits {
                chip.bytes[at + usize::from(bit % 32 / 8)] ^= 1 << (bit % 8);
            }
        }
        self.known = Known::Latches;
        self.restart();
    }

    /// Another firmware was here.
    fn put(&mut self, bytes: &mut Bytes) {
        let [key, length] = bytes.array();
        let value = bytes.slice(usize::from(length) % 100);
        self.known = Known::Nothing;
        let _ = self.store.put(key % 80, value);
        self.power_on();
        self.reads_whatever_is_there();
    }

    /// Anything may be there.
    fn edit(&mut self, bytes: &mut Bytes) {
        let (at, length) = (usize::from(bytes.u16()), usize::from(bytes.byte()));
        let value = bytes.slice(length);
        let is_first = self.known != Known::Nothing;
        self.known = Known::Nothing;
        {
            let chip = &mut *self.flash.0.borrow_mut();
            let at = at % chip.bytes.len();
            chip.bytes[at..].iter_mut().zip(value).for_each(|(there, byte)| *there = *byte);
        }
        self.power_on();
        self.reads_whatever_is_there();
        // Part of a page cannot make it look new.
        if is_first && self.content.memory != Memory::default() {
            let found = self.store.recalled();
            assert!(found == unreadable() || self.memories.contains(&found), "forgotten: {found:?}");
        }
    }

    /// What cannot be read counts as latched, so that nothing is forgotten.
    fn reads_whatever_is_there(&mut self) {
        if !self.store.is_read() {
            assert_eq!(self.store.recalled(), unreadable());
        }
        let _ = self.store.record().map(|record| record.map(<[u8]>::len));
        let _ = self.store.totals();
        for number in self.store.events() {
            let _ = self.store.event(number);
        }
    }

    fn comes_back_to_life(&mut self) {
        self.power_on();
        if self.known == Known::Nothing {
            self.reads_whatever_is_there();
        }
        let memory = Memory { latched: SystemFaults::NONE.with(SystemFault::HeaterWelded), ..Memory::default() };
        let record = [7; 300];
        self.store.keep_record(memory, &record).expect("new settings bring it back to life");
        self.power_on();
        assert_eq!(self.store.recalled(), memory);
        assert_eq!(self.store.record(), Ok(Some(&record[..])));
        let memory = Memory { restarts: 3, ..memory };
        // Two small pages may be full to the last word; then new settings make room once more.
        if let Err(error) = self.store.keep_memory(memory) {
            assert!(PAGE < 2048, "it cannot be written again: {error:?}");
            self.store.keep_record(memory, &record).expect("it can be written again");
        }
        self.power_on();
        assert_eq!(self.store.recalled(), memory);
        assert_eq!(self.store.record(), Ok(Some(&record[..])));
    }
}

/// What stands for a memory that cannot be read: all that latches.
fn unreadable() -> Memory {
    Memory { latched: SystemFaults::LATCHED, ..Memory::default() }
}

fn memory(bytes: &mut Bytes) -> Memory {
    let bits = bytes.u32();
    let faults = SystemFault::ALL.into_iter().zip(0_u32..).filter(|(_, bit)| bits >> (bit % 32) & 1 != 0);
    Memory {
        latched: faults.map(|(fault, _)| fault).fold(SystemFaults::NONE, SystemFaults::with),
        restarts: bytes.byte(),
        soaked: bytes.byte(),
        waited: bytes.byte(),
        jumped: bytes.byte(),
        run: Run { begun: bytes.byte(), paused: bytes.u16() },
        ..Memory::default()
    }
}

fn event(bytes: &mut Bytes) -> Event {
    let [state, cause, heater, _] = bytes.array();
    Event {
        at: Instant::from_millis(bytes.u32()),
        state: State::PLAIN[usize::from(state) % State::PLAIN.len()],
        cause: Cause::PLAIN[usize::from(cause) % Cause::PLAIN.len()],
        heater: if heater % 2 == 0 { Relay::Open } else { Relay::Closed },
        charge: Relay::Open,
        full: Relay::Open,
    }
}
