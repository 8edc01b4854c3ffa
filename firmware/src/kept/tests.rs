//! Storage that obeys the rules of flash, loses power at any moment, wears out and rots.

extern crate std;
use super::*;
use core::cell::RefCell;
use embedded_storage::nor_flash::{self, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Cause, Relay, State};
use proptest::prelude::*;
use std::rc::Rc;
use std::vec;
use std::vec::Vec;

/// A stream of numbers without pattern, the same each time.
#[derive(Clone)]
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % end as u64).unwrap()
    }

    fn byte(&mut self) -> u8 {
        self.next().to_le_bytes()[0]
    }

    fn bytes(&mut self, length: usize) -> Vec<u8> {
        (0..length).map(|_| self.byte()).collect()
    }

    /// A byte of which each bit is set with a probability of `per_mille`.
    fn byte_of(&mut self, per_mille: usize) -> u8 {
        (0..8).fold(0, |byte, bit| byte | u8::from(self.below(1000) < per_mille) << bit)
    }
}

/// What a word write or a page erase has come to when power is lost in it.
const TORN_WRITES: usize = 3;
const TORN_ERASES: usize = 12;

fn tear_write(kind: usize, there: &mut [u8], bytes: &[u8], noise: &mut Noise) {
    let half = there.len() / 2;
    for (n, (there, byte)) in there.iter_mut().zip(bytes).enumerate() {
        *there &= match kind {
            // Some bytes are written, or some bits.
            0 if n < half => *byte,
            1 if n >= half => *byte,
            2 => *byte | noise.byte(),
            _ => 0xFF,
        };
    }
}

fn tear_erase(kind: usize, page: &mut [u8], noise: &mut Noise) {
    let length = page.len();
    let few = noise.below(60);
    match kind {
        // Words of it are erased, one after the other.
        0 => page[..length / 2].fill(0xFF),
        1 => page[length / 2..].fill(0xFF),
        2 => page[..few].fill(0xFF),
        3 => page[length - few..].fill(0xFF),
        4 => page[..length - few].fill(0xFF),
        5 => page[few..].fill(0xFF),
        6 => page[few..length - few].fill(0xFF),
        // Cells are levelled first.
        7 => page.fill(0),
        // Or they all come up together, some sooner than others.
        kind => {
            let per_mille = [100, 500, 900, 990][kind - 8];
            page.iter_mut().for_each(|byte| *byte |= noise.byte_of(per_mille));
        }
    }
}

/// The part itself: it outlives the program.
#[derive(Clone)]
struct Chip {
    bytes: Vec<u8>,
    noise: Noise,
    /// Word writes and page erases until power is lost, if it is.
    power: Option<u64>,
    is_off: bool,
    erase_fails: bool,
    write_fails: bool,
    /// Takes everything and does nothing.
    is_deaf: bool,
    /// What it holds after each operation, and when power is lost in it, in every way.
    tapped: Option<Vec<Vec<u8>>>,
    erases: Vec<u32>,
    writes: u64,
    reads: u64,
    second_writes: u64,
}

impl Chip {
    fn new(bytes: Vec<u8>, seed: u64) -> Self {
        Self {
            bytes,
            noise: Noise(seed),
            power: None,
            is_off: false,
            erase_fails: false,
            write_fails: false,
            is_deaf: false,
            tapped: None,
            erases: vec![0; 64],
            writes: 0,
            reads: 0,
            second_writes: 0,
        }
    }

    /// Whether power is lost in the next operation.
    fn is_last(&mut self) -> bool {
        match &mut self.power {
            Some(0) => self.is_off = true,
            Some(left) => *left -= 1,
            None => {}
        }
        self.is_off
    }

    fn tap(&mut self, from: usize, length: usize, kinds: usize, tear: impl Fn(usize, &mut [u8], &mut Noise)) {
        if self.tapped.is_some() {
            for kind in 0..kinds {
                let mut bytes = self.bytes.clone();
                tear(kind, &mut bytes[from..from + length], &mut self.noise);
                self.tapped.as_mut().unwrap().push(bytes);
            }
        }
    }

    fn tap_whole(&mut self) {
        if let Some(tapped) = &mut self.tapped {
            tapped.push(self.bytes.clone());
        }
    }
}

/// The part with its sizes.
#[derive(Clone)]
struct Flash<const READ: usize, const WRITE: usize, const ERASE: usize>(Rc<RefCell<Chip>>);

impl<const READ: usize, const WRITE: usize, const ERASE: usize> Flash<READ, WRITE, ERASE> {
    fn new(pages: usize) -> Self {
        Self::holding(vec![0xFF; pages * ERASE])
    }

    fn holding(bytes: Vec<u8>) -> Self {
        Self(Rc::new(RefCell::new(Chip::new(bytes, 1))))
    }

    fn open(&self) -> Kept<Self> {
        let mut kept = Kept::new(self.clone());
        kept.open(&mut [0; SCRATCH]);
        kept
    }

    fn bytes(&self) -> Vec<u8> {
        self.0.borrow().bytes.clone()
    }

    fn tap(&self) {
        self.0.borrow_mut().tapped = Some(Vec::new());
    }

    fn tapped(&self) -> Vec<Vec<u8>> {
        self.0.borrow_mut().tapped.take().unwrap()
    }
}

impl<const READ: usize, const WRITE: usize, const ERASE: usize> nor_flash::ErrorType for Flash<READ, WRITE, ERASE> {
    type Error = NorFlashErrorKind;
}

impl<const READ: usize, const WRITE: usize, const ERASE: usize> ReadNorFlash for Flash<READ, WRITE, ERASE> {
    const READ_SIZE: usize = READ;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_read(self, offset, bytes.len())?;
        let mut chip = self.0.borrow_mut();
        if chip.is_off {
            return Err(NorFlashErrorKind::Other);
        }
        chip.reads += 1;
        bytes.copy_from_slice(&chip.bytes[offset as usize..][..bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.borrow().bytes.len()
    }
}

impl<const READ: usize, const WRITE: usize, const ERASE: usize> nor_flash::NorFlash for Flash<READ, WRITE, ERASE> {
    const WRITE_SIZE: usize = WRITE;
    const ERASE_SIZE: usize = ERASE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_erase(self, from, to)?;
        let chip = &mut *self.0.borrow_mut();
        if chip.erase_fails {
            return Err(NorFlashErrorKind::Other);
        }
        for page in from as usize / ERASE..to as usize / ERASE {
            if chip.is_off || chip.is_deaf {
                return if chip.is_off { Err(NorFlashErrorKind::Other) } else { Ok(()) };
            }
            let from = page * ERASE;
            chip.tap(from, ERASE, TORN_ERASES, tear_erase);
            let Chip { bytes, noise, .. } = chip;
            if let Some(0) = chip.power {
                tear_erase(noise.below(TORN_ERASES), &mut bytes[from..from + ERASE], noise);
            } else {
                bytes[from..from + ERASE].fill(0xFF);
                chip.erases[page] += 1;
            }
            if chip.is_last() {
                return Err(NorFlashErrorKind::Other);
            }
            chip.tap_whole();
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_write(self, offset, bytes.len())?;
        let chip = &mut *self.0.borrow_mut();
        if chip.write_fails {
            return Err(NorFlashErrorKind::Other);
        }
        for (n, word) in bytes.chunks(WRITE).enumerate() {
            if chip.is_off || chip.is_deaf {
                return if chip.is_off { Err(NorFlashErrorKind::Other) } else { Ok(()) };
            }
            let from = offset as usize + n * WRITE;
            chip.tap(from, WRITE, TORN_WRITES, |kind, there, noise| tear_write(kind, there, word, noise));
            let Chip { bytes, noise, .. } = chip;
            let there = &mut bytes[from..from + WRITE];
            if let Some(0) = chip.power {
                tear_write(noise.below(TORN_WRITES), there, word, noise);
            } else {
                let is_second = there.iter().any(|&byte| byte != 0xFF);
                there.iter_mut().zip(word).for_each(|(there, byte)| *there &= byte);
                chip.second_writes += u64::from(is_second);
                chip.writes += 1;
            }
            if chip.is_last() {
                return Err(NorFlashErrorKind::Other);
            }
            chip.tap_whole();
        }
        Ok(())
    }
}

type Ordinary = Flash<1, 4, 2048>;

/// Everything that is kept, as it is read.
#[derive(Clone, Debug, PartialEq, Default)]
struct Content {
    memory: Option<Memory>,
    record: Option<Vec<u8>>,
    totals: Option<Counters>,
    events: Vec<service::Kept>,
}

impl Content {
    fn of<S: NorFlash>(kept: &mut Kept<S>) -> Result<Self, KeptError> {
        let scratch = &mut [0; SCRATCH];
        let mut events = Vec::new();
        for number in kept.events() {
            events.extend(kept.event(scratch, number)?);
        }
        let record = kept.record(scratch)?.map(Vec::from);
        Ok(Self { memory: kept.memory()?, record, totals: kept.totals(scratch)?, events })
    }
}

#[derive(Clone, Debug)]
enum Call {
    Memory(Memory),
    Record(Vec<u8>),
    Event(Event),
    Totals(Counters),
}

impl Call {
    fn any(noise: &mut Noise) -> Self {
        match noise.below(20) {
            0..3 => Self::Memory(memory(noise)),
            3 => {
                let length = 5 + noise.below(record::MAX_BYTES - 4);
                Self::Record(noise.bytes(length))
            }
            4..7 => Self::Totals(Counters {
                heater_cycles: u32::from(noise.byte()),
                heater_on_ms: noise.next(),
                bank_energy_uj: noise.next() >> 20,
                ..Counters::default()
            }),
            _ => Self::Event(event(noise)),
        }
    }

    fn make<S: NorFlash>(&self, kept: &mut Kept<S>) -> Result<(), KeptError> {
        let scratch = &mut [0xA5; SCRATCH];
        match self {
            Self::Memory(memory) => kept.keep_memory(scratch, memory),
            Self::Record(record) => {
                let memory = kept.memory()?.unwrap_or_default();
                kept.keep_record(scratch, &memory, record)
            }
            Self::Event(event) => kept.keep_event(scratch, event),
            Self::Totals(totals) => kept.keep_totals(scratch, totals),
        }
    }

    /// What it makes of `content`, in the start `start`.
    fn on(&self, content: &Content, start: u32) -> Content {
        let mut content = content.clone();
        match self {
            Self::Memory(memory) => content.memory = Some(*memory),
            Self::Record(record) => content.record = Some(record.clone()),
            Self::Event(event) => {
                let number = content.events.last().map_or(0, |event| event.number + 1);
                content.events.push(service::Kept { number, start, event: *event });
                if content.events.len() > EVENTS as usize {
                    content.events.remove(0);
                }
            }
            Self::Totals(totals) => content.totals = Some(*totals),
        }
        // Whatever is kept, the memory is.
        content.memory = Some(content.memory.unwrap_or_default());
        content
    }
}

fn memory(noise: &mut Noise) -> Memory {
    let latched = SystemFault::ALL
        .into_iter()
        .filter(|_| noise.below(3) == 0)
        .fold(SystemFaults::NONE, |latched, fault| latched.with(fault));
    Memory { latched, restarts: noise.byte() }
}

fn event(noise: &mut Noise) -> Event {
    Event {
        at: Instant::from_millis(u32::try_from(noise.next() >> 32).unwrap()),
        state: State::PLAIN[noise.below(State::PLAIN.len())],
        cause: Cause::PLAIN[noise.below(Cause::PLAIN.len())],
        heater: if noise.below(2) == 0 { Relay::Open } else { Relay::Closed },
        charge: Relay::Open,
    }
}

/// After power was lost in a call: what `bytes` hold is what was there before the call or what is there after it, power lost once
/// more while the program starts included, and the storage takes what comes next.
fn check_cut<const READ: usize, const WRITE: usize, const ERASE: usize>(
    bytes: Vec<u8>,
    before: &Content,
    after: &Content,
    start: u32,
    noise: &mut Noise,
) {
    let flash = Flash::<READ, WRITE, ERASE>::holding(bytes);
    flash.tap();
    let mut kept = flash.open();
    let cut_again = flash.tapped();
    let found = Content::of(&mut kept).unwrap();
    assert!(found == *before || found == *after, "found {found:?}\nbefore {before:?}\nafter {after:?}");
    for bytes in cut_again {
        let again = Content::of(&mut Flash::<READ, WRITE, ERASE>::holding(bytes).open()).unwrap();
        assert_eq!(again, found, "cut again");
    }
    assert!(kept.start >= start, "starts are counted");
    let mut found = found;
    for call in [Call::Memory(memory(noise)), Call::Event(event(noise)), Call::any(noise)] {
        call.make(&mut kept).unwrap();
        found = call.on(&found, kept.start);
    }
    assert_eq!(Content::of(&mut flash.open()).unwrap(), found, "what is written after a cut is kept");
}

/// Makes `calls` calls and loses power in every `stride`th operation in every way; every page erase counts. Gives how often.
fn cut_everywhere<const READ: usize, const WRITE: usize, const ERASE: usize>(
    pages: usize,
    calls: usize,
    stride: usize,
) -> usize {
    let noise = &mut Noise(7);
    let flash = Flash::<READ, WRITE, ERASE>::new(pages);
    let mut kept = flash.open();
    let mut content = Content::default();
    let mut cuts = 0;
    for n in 0..calls {
        if n % 50 == 49 {
            kept = flash.open();
        }
        // The very first leaves a memory that is not the default, lest one pass for the other.
        let call = if n == 0 { Call::Memory(Memory { restarts: 1, ..memory(noise) }) } else { Call::any(noise) };
        let after = call.on(&content, kept.start);
        flash.tap();
        call.make(&mut kept).unwrap();
        for bytes in flash.tapped().into_iter().step_by(stride) {
            check_cut::<READ, WRITE, ERASE>(bytes, &content, &after, kept.start, noise);
            cuts += 1;
        }
        content = after;
        assert_eq!(Content::of(&mut kept).unwrap(), content);
    }
    let chip = flash.0.borrow();
    assert!(chip.erases[..pages].iter().all(|&erases| erases >= 2), "every page came round: {:?}", chip.erases);
    assert_eq!(chip.second_writes, 0, "no word is written twice");
    cuts
}

#[test]
fn power_lost_in_any_write_or_erase_leaves_what_was_before_or_what_is_after() {
    let cuts = cut_everywhere::<1, 4, 2048>(4, 400, 1);
    std::println!("{cuts} cuts");
}
