//! Tests with storage that obeys the rules of flash, loses power at any moment, wears out and decays.

extern crate std;
use super::*;
use core::cell::RefCell;
use embedded_storage::nor_flash::{self, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::fault::{SystemFault, SystemFaults};
use forewarm_core::memory::Doubt;
use forewarm_core::quantity::{Celsius, Instant};
use forewarm_core::signals::{Cause, Relay, Sources, State};
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

/// The result of a word write or a page erase in which power is lost.
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
        // Its words are erased one after the other.
        0 => page[..length / 2].fill(0xFF),
        1 => page[length / 2..].fill(0xFF),
        2 => page[..few].fill(0xFF),
        3 => page[length - few..].fill(0xFF),
        4 => page[..length - few].fill(0xFF),
        5 => page[few..].fill(0xFF),
        6 => page[few..length - few].fill(0xFF),
        // The cells are levelled first.
        7 => page.fill(0),
        // Or all of them rise together, some sooner than others.
        kind => {
            let per_mille = [100, 500, 900, 990][kind - 8];
            for byte in page {
                *byte |= noise.byte_of(per_mille);
            }
        }
    }
}

/// The part itself, which outlives the program.
#[expect(clippy::struct_excessive_bools, reason = "ways to fail, in any combination")]
struct Chip {
    bytes: Vec<u8>,
    noise: Noise,
    /// Word writes and page erases until power is lost, if it is.
    power: Option<u64>,
    is_off: bool,
    erase_fails: bool,
    write_fails: bool,
    /// Word writes until every other write fails, if any does.
    writes_left: Option<u64>,
    /// Takes everything and does nothing.
    is_deaf: bool,
    /// Its content after each operation, and after a loss of power in it, in every way.
    tapped: Option<Vec<Vec<u8>>>,
    erases: Vec<u32>,
    writes: u64,
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
            writes_left: None,
            is_deaf: false,
            tapped: None,
            erases: vec![0; 64],
            writes: 0,
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
        let Some(tapped) = &mut self.tapped else { return };
        for kind in 0..kinds {
            let mut bytes = self.bytes.clone();
            tear(kind, &mut bytes[from..from + length], &mut self.noise);
            tapped.push(bytes);
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
        let chip = self.0.borrow();
        if chip.is_off {
            return Err(NorFlashErrorKind::Other);
        }
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
            match &mut chip.writes_left {
                Some(0) => return Err(NorFlashErrorKind::Other),
                Some(left) => *left -= 1,
                None => {}
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

/// Everything that is kept, as read.
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
            Self::Memory(memory) => kept.keep_memory(scratch, *memory),
            Self::Record(record) => {
                let memory = kept.memory()?.unwrap_or_default();
                kept.keep_record(scratch, memory, record)
            }
            Self::Event(event) => kept.keep_event(scratch, event),
            Self::Totals(totals) => kept.keep_totals(scratch, totals),
        }
    }

    /// The result of this call on `content`, in the start `start`.
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
        // The memory is kept with anything else that is.
        content.memory = Some(content.memory.unwrap_or_default());
        content
    }
}

fn memory(noise: &mut Noise) -> Memory {
    let latched =
        SystemFault::ALL.into_iter().filter(|_| noise.below(3) == 0).fold(SystemFaults::NONE, SystemFaults::with);
    let run = forewarm_core::memory::Run { begun: noise.byte(), paused: noise.byte().into() };
    Memory {
        latched,
        restarts: noise.byte(),
        run,
        soaked: noise.byte(),
        waited: noise.byte(),
        jumped: noise.byte(),
        doubt: Doubt {
            sources: Sources::NONE.with(usize::from(noise.byte() % 4)),
            failures: noise.byte(),
            eighths: noise.byte(),
        },
        ..Memory::default()
    }
}

fn event(noise: &mut Noise) -> Event {
    Event {
        at: Instant::from_millis(u32::try_from(noise.next() >> 32).unwrap()),
        state: State::PLAIN[noise.below(State::PLAIN.len())],
        cause: Cause::PLAIN[noise.below(Cause::PLAIN.len())],
        heater: if noise.below(2) == 0 { Relay::Open } else { Relay::Closed },
        charge: Relay::Open,
        full: Relay::Open,
    }
}

/// Checks storage after power was lost in a call. `bytes` hold what was there before the call or what the call was to
/// leave, even if power is lost once more during the start. And the storage takes the next write.
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

/// Makes `calls` calls, and loses power in every `stride`th operation in every way. Every page erase counts. Returns
/// how often.
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
        // The very first call leaves a memory that is not the default, so that one cannot pass for the other.
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
    assert!(chip.erases[..pages].iter().all(|&erases| erases >= 1), "every page came round: {:?}", chip.erases);
    assert_eq!(chip.second_writes, 0, "no word is written twice");
    cuts
}

#[test]
fn power_lost_in_any_write_or_erase_leaves_what_was_before_or_what_is_after() {
    let cuts = cut_everywhere::<1, 4, 2048>(4, 400, 1);
    assert!(cuts > 15_000, "{cuts}");
}

#[test]
fn it_does_so_whatever_the_sizes_of_word_and_page() {
    // Steps that share no factor with the number of ways.
    cut_everywhere::<4, 4, 2048>(3, 300, 11);
    cut_everywhere::<1, 1, 16_384>(2, 1_000, 251);
    cut_everywhere::<1, 8, 4096>(2, 300, 13);
    cut_everywhere::<2, 32, 4096>(3, 300, 7);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn power_lost_again_and_again_loses_nothing_that_was_acknowledged(seed: u64) {
        let noise = &mut Noise(seed);
        let flash = Ordinary::new(3);
        flash.0.borrow_mut().noise = Noise(!seed);
        let mut content = Content::default();
        for _ in 0..60 {
            flash.0.borrow_mut().power = Some(noise.next() % 600);
            let mut kept = flash.open();
            let mut candidates = vec![content.clone()];
            while !flash.0.borrow().is_off {
                let call = Call::any(noise);
                let after = call.on(&content, kept.start);
                match call.make(&mut kept) {
                    Ok(()) => (content, candidates) = (after.clone(), vec![after]),
                    // The memory's default is written before the first value.
                    Err(_) => candidates.extend([after, Content { memory: Some(Memory::default()), ..content.clone() }]),
                }
            }
            {
                let mut chip = flash.0.borrow_mut();
                chip.is_off = false;
                chip.power = None;
            }
            // Only reads, except for an erase that is finished.
            let found = Content::of(&mut flash.open()).unwrap();
            prop_assert!(candidates.contains(&found), "found {:?}\namong {:?}", found, candidates);
            content = found;
        }
    }

    #[test]
    fn garbage_is_no_memory_and_no_record_and_settings_bring_it_back_to_life(seed: u64, kind in 0..4) {
        let noise = &mut Noise(seed);
        let bytes = match kind {
            0 => noise.bytes(4 * 2048),
            // Mostly erased, or mostly written.
            1 => (0..4 * 2048).map(|_| noise.byte_of(990)).collect(),
            2 => (0..4 * 2048).map(|_| noise.byte_of(10)).collect(),
            // Pages of one kind or the other.
            _ => (0..4).flat_map(|_| match noise.below(4) {
                0 => vec![0xFF; 2048],
                1 => vec![0; 2048],
                2 => noise.bytes(2048),
                // Bytes that look like a page in use.
                _ => {
                    let mut page = noise.bytes(2048);
                    page[..16].fill(0xFF);
                    page[16..20].fill(0);
                    page[1980..].fill(0xFF);
                    page
                }
            }).collect(),
        };
        let is_blank = bytes.iter().all(|&byte| byte == 0xFF);
        check_revival(&Ordinary::holding(bytes), is_blank, noise)?;
    }

    #[test]
    fn rotten_storage_invents_nothing(seed: u64, flips in 1_usize..200) {
        let noise = &mut Noise(seed);
        let flash = Ordinary::new(4);
        let mut kept = flash.open();
        let mut seen = vec![Content::default()];
        for _ in 0..noise.below(300) {
            let call = Call::any(noise);
            let after = call.on(seen.last().unwrap(), kept.start);
            call.make(&mut kept).unwrap();
            seen.push(after);
        }
        for _ in 0..flips {
            let (byte, bit) = (noise.below(4 * 2048), noise.below(8));
            flash.0.borrow_mut().bytes[byte] ^= 1 << bit;
        }
        let mut kept = flash.open();
        let scratch = &mut [0; SCRATCH];
        if let Ok(memory) = kept.memory() {
            prop_assert!(seen.iter().any(|seen| seen.memory == memory));
            prop_assert!(memory.is_some() || seen.len() == 1, "storage in use does not look new");
        }
        if let Ok(record) = kept.record(scratch) {
            prop_assert!(seen.iter().any(|seen| seen.record.as_deref() == record));
        }
        if let Ok(totals) = kept.totals(scratch) {
            prop_assert!(seen.iter().any(|seen| seen.totals == totals));
        }
        for number in kept.events() {
            if let Ok(Some(event)) = kept.event(scratch, number) {
                prop_assert!(seen.iter().any(|seen| seen.events.contains(&event)));
            }
        }
        check_revival(&flash, true, noise)?;
    }
}

/// Whatever `flash` holds, a record that is kept can be read, along with the memory that comes with it.
fn check_revival(flash: &Ordinary, may_be_read: bool, noise: &mut Noise) -> Result<(), TestCaseError> {
    let scratch = &mut [0; SCRATCH];
    let mut kept = flash.open();
    if !may_be_read {
        prop_assert!(kept.memory().is_err());
        prop_assert!(kept.record(scratch).is_err());
        prop_assert!(kept.keep_event(scratch, &event(noise)).is_err(), "no start can be told from another");
    }
    let (memory, record) = (memory(noise), noise.bytes(record::MAX_BYTES));
    prop_assert_eq!(kept.keep_record(scratch, memory, &record), Ok(()));
    let call = Call::Event(event(noise));
    prop_assert_eq!(call.make(&mut kept), Ok(()));
    let found = Content::of(&mut flash.open()).unwrap();
    prop_assert_eq!(found.memory, Some(memory));
    prop_assert_eq!(found.record, Some(record));
    prop_assert!(!found.events.is_empty());
    Ok(())
}

/// A storage with everything in it.
fn filled(flash: &Ordinary, calls: usize, noise: &mut Noise) -> Content {
    let mut kept = flash.open();
    let mut content = Content::default();
    let record = Call::Record(noise.bytes(300));
    for call in [record].into_iter().chain((0..calls).map(|_| Call::any(noise)).collect::<Vec<_>>()) {
        content = call.on(&content, kept.start);
        call.make(&mut kept).unwrap();
    }
    content
}

#[test]
fn one_bit_that_flips_never_brings_back_older_faults_or_settings() {
    let flash = Ordinary::new(4);
    let noise = &mut Noise(3);
    filled(&flash, 250, noise);
    let mut kept = flash.open();
    // Enough writes that everything else has moved from its first place, with an older copy beside it.
    for _ in 0..200 {
        kept.keep_event(&mut [0; SCRATCH], &event(noise)).unwrap();
    }
    let content = Content::of(&mut kept).unwrap();
    let good = flash.bytes();
    let (mut read, mut refused) = (0, 0);
    // A step that meets every bit of a byte.
    for bit in (0..good.len() * 8).step_by(5) {
        let mut bytes = good.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        let mut kept = Ordinary::holding(bytes).open();
        assert_eq!(kept.memory(), Ok(content.memory), "bit {bit}");
        match kept.record(&mut [0; SCRATCH]) {
            Ok(record) => assert_eq!(record, content.record.as_deref(), "bit {bit}"),
            Err(_) => refused += 1,
        }
        read += 1;
    }
    // Something is lost only if the record itself is hit, which has 313 bytes.
    assert!(refused * 10 < read, "{refused} of {read}");
}

#[test]
fn while_settings_bring_storage_back_to_life_no_cut_forgets_a_fault() {
    let noise = &mut Noise(11);
    for kind in 0..16 {
        let flash = Ordinary::holding(if kind < 4 {
            noise.bytes(4 * 2048)
        } else {
            // It can be read, but nothing can be written, because what should be blank is not.
            let flash = Ordinary::new(4);
            filled(&flash, 37 * kind, noise);
            flash.bytes().into_iter().map(|byte| if byte == 0xFF { 0xFE } else { byte }).collect()
        });
        let (memory, record) = (Memory { restarts: 9, ..memory(noise) }, noise.bytes(400));
        let mut kept = flash.open();
        let before = kept.memory();
        let record_before = kept.record(&mut [0; SCRATCH]).map(|record| record.map(<[u8]>::to_vec));
        flash.tap();
        kept.keep_record(&mut [0; SCRATCH], memory, &record).unwrap();
        let cuts = flash.tapped();
        assert!(cuts.len() > 100);
        for bytes in cuts {
            let mut kept = Ordinary::holding(bytes).open();
            let found = kept.memory();
            assert!(found == Ok(Some(memory)) || found.is_err() || found == before, "{found:?}, not {memory:?}");
            let scratch = &mut [0; SCRATCH];
            let found = kept.record(scratch).map(|record| record.map(<[u8]>::to_vec));
            assert!(found == Ok(Some(record.clone())) || found.is_err() || found == record_before, "{found:?}");
        }
        let found = Content::of(&mut flash.open()).unwrap();
        assert_eq!((found.memory, found.record), (Some(memory), Some(record)));
    }
}

#[test]
fn where_there_is_no_room_left_settings_make_some_and_no_cut_forgets_a_fault() {
    type Small = Flash<1, 4, 1280>;
    let noise = &mut Noise(5);
    let flash = Small::new(2);
    let mut kept = flash.open();
    let memory = Memory { restarts: 7, ..memory(noise) };
    let totals = Counters { refusals: 3, ..Counters::default() };
    let scratch = &mut [0; SCRATCH];
    kept.keep_memory(scratch, memory).unwrap();
    kept.keep_totals(scratch, &totals).unwrap();
    kept.keep_record(scratch, memory, &noise.bytes(500)).unwrap();
    let full = (0..100).find_map(|_| kept.keep_event(scratch, &event(noise)).err());
    assert_eq!(full, Some(KeptError::Full));
    let old = kept.record(scratch).unwrap().map(Vec::from);
    let new = noise.bytes(record::MAX_BYTES);
    flash.tap();
    kept.keep_record(scratch, memory, &new).unwrap();
    for bytes in flash.tapped() {
        let mut kept = Small::holding(bytes).open();
        assert!(matches!(kept.memory(), Ok(Some(found)) if found == memory) || kept.memory().is_err());
        if let Ok(found) = kept.record(scratch) {
            assert!(found == old.as_deref() || found == Some(&new));
        }
    }
    let found = Content::of(&mut flash.open()).unwrap();
    assert_eq!((found.memory, found.record, found.totals), (Some(memory), Some(new), Some(totals)));
}

#[test]
fn a_record_that_can_never_fit_leaves_the_old_one() {
    type Tiny = Flash<1, 4, 512>;
    let noise = &mut Noise(5);
    let flash = Tiny::new(2);
    let mut kept = flash.open();
    let scratch = &mut [0; SCRATCH];
    let (memory, old) = (memory(noise), noise.bytes(50));
    kept.keep_record(scratch, memory, &old).unwrap();
    assert_eq!(kept.keep_record(scratch, memory, &noise.bytes(600)), Err(KeptError::Full));
    assert_eq!(kept.keep_record(scratch, memory, &noise.bytes(601)), Err(KeptError::Full));
    assert_eq!(kept.record(scratch), Ok(Some(&*old)));
    let mut kept = flash.open();
    assert_eq!((kept.memory(), kept.record(scratch)), (Ok(Some(memory)), Ok(Some(&*old))));
}

#[test]
fn storage_too_small_or_of_odd_sizes_is_an_error_on_use() {
    fn check<const READ: usize, const WRITE: usize, const ERASE: usize>(pages: usize) {
        let noise = &mut Noise(1);
        let mut kept = Flash::<READ, WRITE, ERASE>::new(pages).open();
        let scratch = &mut [0; SCRATCH];
        assert_eq!(kept.memory(), Err(KeptError::Full));
        assert_eq!(kept.keep_memory(scratch, memory(noise)), Err(KeptError::Full));
        assert_eq!(kept.record(scratch), Err(KeptError::Full));
        assert_eq!(kept.keep_record(scratch, memory(noise), &[1; 20]), Err(KeptError::Full));
        assert_eq!(kept.keep_event(scratch, &event(noise)), Err(KeptError::Full));
        assert_eq!(kept.totals(scratch), Err(KeptError::Full));
        assert_eq!(kept.event(scratch, 0), Err(KeptError::Full));
    }
    check::<1, 4, 2048>(0);
    check::<1, 4, 2048>(1);
    check::<1, 4, 64>(4);
    check::<1, 4, 68>(4);
    check::<1, 64, 4096>(4);
    check::<1, 1, 16>(4);
}

#[test]
fn worn_storage_keeps_what_it_has_and_says_that_it_takes_no_more() {
    let noise = &mut Noise(2);
    let flash = Ordinary::new(4);
    let mut content = filled(&flash, 300, noise);
    flash.0.borrow_mut().erase_fails = true;
    let mut kept = flash.open();
    let mut refused = 0;
    for n in 0..400 {
        // The program restarts now and then.
        if n % 7 == 0 {
            kept = flash.open();
        }
        let call = Call::any(noise);
        let after = call.on(&content, kept.start);
        match call.make(&mut kept) {
            Ok(()) => content = after,
            Err(error) => {
                assert_eq!(error, KeptError::Failed);
                refused += 1;
            }
        }
        let found = Content::of(&mut kept).unwrap();
        assert!(found == content || found == call.on(&content, kept.start), "{n}");
        content = found;
    }
    assert!(refused > 100);
    assert_eq!(Content::of(&mut flash.open()).unwrap(), content);
    // A page that was only too cold, or had too little supply, works again.
    flash.0.borrow_mut().erase_fails = false;
    let mut kept = flash.open();
    for _ in 0..300 {
        let call = Call::any(noise);
        content = call.on(&content, kept.start);
        call.make(&mut kept).unwrap();
    }
    assert_eq!(Content::of(&mut flash.open()).unwrap(), content);
}

#[test]
fn storage_that_takes_nothing_is_found_out_at_once() {
    let noise = &mut Noise(2);
    for deaf in [true, false] {
        let flash = Ordinary::new(4);
        let content = filled(&flash, 30, noise);
        {
            let mut chip = flash.0.borrow_mut();
            (chip.is_deaf, chip.write_fails) = (deaf, !deaf);
        }
        let mut kept = flash.open();
        for call in [
            Call::Memory(Memory { restarts: 77, ..memory(noise) }),
            Call::Event(event(noise)),
            Call::Record(noise.bytes(99)),
            Call::Totals(Counters { refusals: 9, ..Counters::default() }),
        ] {
            assert_eq!(call.make(&mut kept), Err(KeptError::Failed), "deaf: {deaf}, {call:?}");
        }
        assert_eq!(Content::of(&mut flash.open()).unwrap(), content);
    }
}

/// Otherwise a fitter who sees a refusal would have other settings after the next start.
#[test]
fn settings_that_were_not_kept_are_never_in_force_and_those_that_were_always_are() {
    let noise = &mut Noise(3);
    let (mut kept_at, mut refused_at) = (0, 0);
    for writes in 0..400 {
        let flash = Ordinary::new(4);
        let before = filled(&flash, 20, noise);
        let record = noise.bytes(200);
        let mut kept = flash.open();
        flash.0.borrow_mut().writes_left = Some(writes);
        let done = Call::Record(record.clone()).make(&mut kept);
        flash.0.borrow_mut().writes_left = None;
        let in_force = Content::of(&mut flash.open()).unwrap().record;
        if done.is_ok() {
            kept_at += 1;
            assert_eq!(in_force, Some(record), "after {writes} writes");
        } else {
            refused_at += 1;
            assert_eq!(in_force, before.record, "after {writes} writes");
        }
    }
    assert!(kept_at > 50 && refused_at > 50, "{kept_at} kept, {refused_at} refused");
}

#[test]
fn storage_that_does_not_answer_is_no_empty_storage() {
    let noise = &mut Noise(2);
    let flash = Ordinary::new(4);
    filled(&flash, 30, noise);
    flash.0.borrow_mut().is_off = true;
    let mut kept = flash.open();
    assert_eq!(kept.memory(), Err(KeptError::Failed));
    assert!(kept.record(&mut [0; SCRATCH]).is_err());
}

#[test]
fn storage_in_use_that_has_lost_its_first_values_does_not_look_new() {
    let flash = Ordinary::new(4);
    flash.open().keep_memory(&mut [0; SCRATCH], memory(&mut Noise(2))).unwrap();
    assert!(flash.open().memory().is_ok());
    let spoilt = flash.bytes().into_iter().enumerate().map(|(n, byte)| if (20..120).contains(&n) { 0 } else { byte });
    let mut kept = Ordinary::holding(spoilt.collect()).open();
    assert_eq!(kept.memory(), Err(KeptError::Corrupt));
    assert_eq!(kept.record(&mut [0; SCRATCH]), Err(KeptError::Corrupt));
}

#[test]
fn events_wear_all_pages_alike() {
    let noise = &mut Noise(2);
    let flash = Ordinary::new(4);
    let mut kept = flash.open();
    let scratch = &mut [0; SCRATCH];
    kept.keep_record(scratch, memory(noise), &noise.bytes(record::MAX_BYTES)).unwrap();
    for _ in 0..100_000 {
        kept.keep_event(scratch, &event(noise)).unwrap();
    }
    let erases = flash.0.borrow().erases[..4].to_vec();
    let (least, most) = (erases.iter().min().unwrap(), erases.iter().max().unwrap());
    std::println!("erases {erases:?}, words {}", flash.0.borrow().writes);
    assert!(most - least <= 1, "{erases:?}");
    // 28 bytes each, and some to carry along. A part good for 100,000 erases lasts for ten million events.
    assert!(*most < 1_000, "{erases:?}");
}

#[test]
fn starts_that_keep_something_are_counted_and_told_apart() {
    let noise = &mut Noise(2);
    let flash = Ordinary::new(4);
    let scratch = &mut [0; SCRATCH];
    let mut last = 0;
    for _ in 0..100 {
        let mut kept = flash.open();
        kept.keep_event(scratch, &event(noise)).unwrap();
        let number = kept.events().end - 1;
        let start = kept.event(scratch, number).unwrap().unwrap().start;
        assert_eq!(start, last + 1);
        last = start;
    }
}

#[test]
fn what_is_kept_already_is_not_written_again() {
    let noise = &mut Noise(2);
    let flash = Ordinary::new(4);
    let scratch = &mut [0; SCRATCH];
    let (memory, record) = (memory(noise), noise.bytes(100));
    let mut kept = flash.open();
    kept.keep_record(scratch, memory, &record).unwrap();
    let before = flash.bytes();
    kept.keep_memory(scratch, memory).unwrap();
    kept.keep_record(scratch, memory, &record).unwrap();
    assert!(flash.bytes() == before);
}

#[test]
fn what_another_firmware_has_arranged_is_no_memory_until_this_one_writes() {
    let noise = &mut Noise(2);
    let scratch = &mut [0; SCRATCH];
    for upload in [false, true] {
        let flash = Ordinary::new(4);
        let mut kept = flash.open();
        for key in key::HEADS {
            kept.store(scratch, key, &[LAYOUT + 1, 3, 4, 5]).unwrap();
        }
        let mut kept = flash.open();
        assert_eq!(kept.memory(), Err(KeptError::OtherVersion(LAYOUT + 1)));
        assert_eq!(kept.record(scratch), Err(KeptError::OtherVersion(LAYOUT + 1)));
        let (memory, record) = (memory(noise), noise.bytes(100));
        if upload {
            kept.keep_record(scratch, memory, &record).unwrap();
        } else {
            kept.keep_memory(scratch, memory).unwrap();
        }
        let mut kept = flash.open();
        assert_eq!(kept.memory(), Ok(Some(memory)));
        let expected = if upload { Ok(Some(&*record)) } else { Err(KeptError::Corrupt) };
        assert_eq!(kept.record(scratch), expected, "settings that no head names are not in force");
    }
}

#[test]
fn settings_that_no_head_names_are_corrupt_and_not_absent() {
    let noise = &mut Noise(2);
    let scratch = &mut [0; SCRATCH];
    let flash = Ordinary::new(4);
    let mut kept = flash.open();
    kept.keep_memory(scratch, memory(noise)).unwrap();
    assert_eq!(kept.record(scratch), Ok(None));
    kept.store(scratch, key::RECORD, &noise.bytes(100)).unwrap();
    assert_eq!(flash.open().record(scratch), Err(KeptError::Corrupt));
}

#[test]
fn uploads_are_counted_over_restarts_until_they_are_forgotten() {
    let noise = &mut Noise(2);
    let scratch = &mut [0; SCRATCH];
    let flash = Ordinary::new(4);
    let memory = memory(noise);
    for count in 1..=3 {
        flash.open().keep_record(scratch, memory, &noise.bytes(100)).unwrap();
        assert_eq!(flash.open().uploads(), count);
    }
    let mut kept = flash.open();
    kept.forget_uploads(scratch).unwrap();
    assert_eq!((kept.uploads(), flash.open().uploads()), (0, 0));
    // With none to forget nothing is written: it happens every hour for years.
    let before = flash.bytes();
    kept.forget_uploads(scratch).unwrap();
    assert!(flash.bytes() == before);
    kept.keep_record(scratch, memory, &noise.bytes(100)).unwrap();
    assert_eq!(flash.open().uploads(), 1);
}

#[test]
fn a_start_that_forgets_uploads_is_told_apart_from_the_next() {
    let noise = &mut Noise(2);
    let scratch = &mut [0; SCRATCH];
    let flash = Ordinary::new(4);
    flash.open().keep_record(scratch, memory(noise), &noise.bytes(100)).unwrap();
    let mut kept = flash.open();
    kept.forget_uploads(scratch).unwrap();
    let mut start_of_an_event = |kept: &mut Kept<Ordinary>| {
        kept.keep_event(scratch, &event(noise)).unwrap();
        let number = kept.events().end - 1;
        kept.event(scratch, number).unwrap().unwrap().start
    };
    let first = start_of_an_event(&mut kept);
    assert!(start_of_an_event(&mut flash.open()) > first);
}

#[test]
fn a_value_of_the_wrong_shape_is_corrupt() {
    let scratch = &mut [0; SCRATCH];
    let flash = Ordinary::new(4);
    let mut kept = flash.open();
    kept.keep_memory(scratch, Memory::default()).unwrap();
    for wrong in [&[LAYOUT][..], &[LAYOUT, 0xFF, 0xFF], &[], &[LAYOUT; 90]] {
        kept.store(scratch, key::TOTALS, wrong).unwrap();
        assert_eq!(kept.totals(scratch), Err(KeptError::Corrupt));
        kept.store(scratch, event_key(0), wrong).unwrap();
        assert_eq!(kept.event(scratch, 0), Err(KeptError::Corrupt));
    }
}

#[test]
fn the_longest_values_fit() {
    let head = Head {
        number: u32::MAX,
        start: u32::MAX,
        next_event: u32::MAX,
        memory: Memory {
            latched: SystemFaults::LATCHED,
            restarts: u8::MAX,
            soaked: u8::MAX,
            waited: u8::MAX,
            jumped: u8::MAX,
            doubt: Doubt { sources: (0..4).fold(Sources::NONE, Sources::with), failures: u8::MAX, eighths: u8::MAX },
            run: forewarm_core::memory::Run { begun: u8::MAX, paused: u16::MAX },
            trial: forewarm_core::memory::Trial::On { parts: u8::MAX, cell: Celsius::MIN, pad: Some(Celsius::MIN) },
        },
        record: Record::Kept(u32::MAX),
        coming: Some(u32::MAX),
        uploads: u8::MAX,
    };
    let event = Event {
        at: Instant::from_millis(u32::MAX),
        state: State::Holding,
        cause: Cause::System(SystemFault::ALL[15]),
        heater: Relay::Closed,
        charge: Relay::Closed,
        full: Relay::Closed,
    };
    let totals = Counters {
        heater_cycles: u32::MAX,
        charge_cycles: u32::MAX,
        full_cycles: u32::MAX,
        heater_on_ms: u64::MAX,
        source_energy_uj: [u64::MAX; 4],
        bank_energy_uj: u64::MAX,
        refusals: u32::MAX,
        overrules: u32::MAX,
    };
    let room = &mut [0; 128];
    let longest = [
        postcard::to_slice(&(LAYOUT, head), room).unwrap().len(),
        postcard::to_slice(&(LAYOUT, service::Kept { number: u32::MAX, start: u32::MAX, event }), room).unwrap().len(),
        postcard::to_slice(&(LAYOUT, totals), room).unwrap().len(),
    ];
    assert!(longest.iter().all(|&length| length <= MAX_VALUE), "{longest:?}");
    // Both copies, each with header, key and padding, behind the marks of the page.
    assert!(2 * (32 + (1 + longest[0]).next_multiple_of(32)) + 64 <= FIRST_WRITE);
}
