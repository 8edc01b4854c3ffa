//! The firmware's images, as they go on a microcontroller: how large they are, how deep their stack is after the deepest paths, how many
//! instructions the core takes, and that what should not be in them is not.
//!
//! The limits hold whatever the compiler. The tables of `firmware/README.md` are held to within [`TOLERANCE_PERCENT`], since another
//! compiler lays code out a little otherwise; each row names the one that made it.
//! `FOREWARM_REFRESH=1 cargo test -p forewarm-tests --test images` writes them anew.
#![cfg(unix)]

use forewarm::emulate::flash::Flash;
use forewarm::emulate::image::Image;
use forewarm::emulate::machine::{Core, Lines, Machine, Setup};
use forewarm::emulate::rig::{End, Rig};
use forewarm::emulate::sense::moment;
use forewarm::emulate::service::Service;
use forewarm::installation::Installation;
use forewarm_core::quantity::{Celsius, Fraction, Instant, Kelvins, Millis, Milliwatts, Ohms, Ratio};
use forewarm_core::rtd::{Coefficients, Element, Leads, Measured};
use forewarm_core::settings::{
    CeilingPoint, Channel, MAX_CEILING_POINTS, MAX_CHANNELS, MAX_SOURCES, Role, Settings, Source, ValidSettings,
};
use forewarm_core::signals::{Inputs, Line, Relay, Sample, Sources};
use forewarm_core::wire::record;
use forewarm_core::wire::rig::Moment;
use forewarm_core::wire::service::{Message, Request};
use forewarm_tests::{build_image, emulator, root};
use object::elf::PT_LOAD;
use object::read::elf::{ElfFile32, ProgramHeader};
use object::{Endianness, Object, ObjectSection, ObjectSymbol, SymbolKind};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader};
use std::ops::{ControlFlow, Range};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant as Clock};

const V6M: &str = "thumbv6m-none-eabi";
const V7M: &str = "thumbv7m-none-eabi";
const V7EM: &str = "thumbv7em-none-eabihf";

/// How far a figure may be from the one that is published.
const TOLERANCE_PERCENT: u32 = 5;

/// Flash and RAM of the smallest microcontroller that the program is for.
const FLASH: u32 = 64 * 1024;
const RAM: u32 = 8 * 1024;
/// Bytes of RAM that must be left after the deepest path that was found: it may not be the deepest there is.
const SPARE: u32 = 400;
/// Instructions that a conversion and a step may take on a core without a floating-point unit.
const MOST_A_CONVERSION: u32 = 60;
const MOST_A_STEP: u32 = 2500;

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_mins(1);

fn image(target: &str, program: &str) -> PathBuf {
    /// One at a time: two builds would wait for one another anyway, and neither may install a target while the other does.
    static TURN: Mutex<()> = Mutex::new(());
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    build_image(target, program, &[], env!("CARGO_TARGET_TMPDIR"))
}

/// What is in an image.
struct Elf {
    name: String,
    /// Bytes that are loaded, the vector table and what is copied to RAM at the start included.
    flash: u32,
    /// Bytes of RAM that are taken from start to end.
    ram: u32,
    compiler: String,
    /// Functions by their places.
    functions: BTreeMap<u32, (u32, String)>,
    symbols: BTreeMap<String, u32>,
    /// Calls from function to function, by name.
    calls: BTreeSet<(String, String)>,
    /// Functions that use a floating-point unit to compute.
    floating: BTreeSet<String>,
}

impl Elf {
    fn of(path: &Path) -> Self {
        let bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let elf = ElfFile32::<Endianness>::parse(&*bytes).expect("an ELF file");
        let endian = elf.endian();
        let loaded = elf.elf_program_headers().iter().filter(|header| header.p_type(endian) == PT_LOAD);
        let flash = loaded.map(|header| header.p_filesz(endian)).sum();
        let is_in_ram = |address: u64| (0x2000_0000..0x4000_0000).contains(&address);
        let in_ram = elf.sections().filter(|section| is_in_ram(section.address()));
        let ram = in_ram.map(|section| u32::try_from(section.size()).expect("32 bits")).sum();
        let comment = elf.section_by_name(".comment").and_then(|section| section.data().ok()).unwrap_or_default();
        let comment = String::from_utf8_lossy(comment).into_owned();
        let compilers: Vec<&str> = comment.split('\0').filter_map(|line| line.strip_prefix("rustc version ")).collect();
        let compiler = compilers.iter().filter_map(|line| line.split(' ').next()).collect::<BTreeSet<_>>();
        let compiler = compiler.into_iter().collect::<Vec<_>>().join(", ");
        assert!(!compiler.is_empty(), "{}: no compiler is named in {comment:?}", path.display());
        let mut image = Self {
            name: path.display().to_string(),
            flash,
            ram,
            compiler,
            functions: BTreeMap::new(),
            symbols: BTreeMap::new(),
            calls: BTreeSet::new(),
            floating: BTreeSet::new(),
        };
        image.read_code(&elf);
        image
    }

    fn read_code(&mut self, elf: &ElfFile32<'_, Endianness>) {
        let mut marks = BTreeMap::new();
        for symbol in elf.symbols() {
            let (Ok(name), Ok(address)) = (symbol.name(), u32::try_from(symbol.address())) else { continue };
            // Where code ends and constants begin within a function; ELF for the ARM Architecture, mapping symbols.
            if name.starts_with("$t") || name.starts_with("$d") {
                marks.insert(address, name.starts_with("$t"));
            } else if symbol.kind() == SymbolKind::Text && symbol.size() > 0 {
                let size = u32::try_from(symbol.size()).expect("32 bits");
                self.functions.insert(address & !1, (size, source_name(name)));
            } else {
                self.symbols.insert(name.to_owned(), address);
            }
        }
        assert!(!marks.is_empty() && self.functions.len() > 20, "{}: stripped of its symbols", self.name);
        let text = elf.section_by_name(".text").expect("code");
        let start = u32::try_from(text.address()).expect("32 bits");
        let code = text.data().expect("code");
        let half = |at: u32| {
            let at = (at - start) as usize;
            code.get(at..at + 2).map(|bytes| u16::from_le_bytes([bytes[0], bytes[1]]))
        };
        for (&from, (size, caller)) in &self.functions {
            let mut at = from;
            while at < from + size && at >= start {
                if marks.range(..=at).next_back().is_some_and(|(_, &is_code)| !is_code) {
                    at += 2;
                    continue;
                }
                let Some(first) = half(at) else { break };
                let is_long = first >> 11 >= 0b11101;
                let target = if is_long {
                    let second = half(at + 2).unwrap_or(0);
                    if is_floating(first, second) {
                        self.floating.insert(caller.clone());
                    }
                    long_branch(at, first, second)
                } else {
                    short_branch(at, first)
                };
                if let Some((_, callee)) = target.and_then(|target| self.functions.get(&target))
                    && callee != caller
                {
                    self.calls.insert((caller.clone(), callee.clone()));
                }
                at += if is_long { 4 } else { 2 };
            }
        }
    }

    fn address(&self, symbol: &str) -> u32 {
        *self.symbols.get(symbol).unwrap_or_else(|| panic!("{}: no symbol {symbol}", self.name))
    }

    fn names(&self) -> impl Iterator<Item = &str> {
        self.functions.values().map(|(_, name)| name.as_str())
    }

    /// Every function from which one of `roots` can be reached by calls through functions that `through` lets pass.
    fn callers_of(&self, roots: &BTreeSet<&str>, through: impl Fn(&str) -> bool) -> BTreeSet<&str> {
        let mut found: BTreeSet<&str> = self.names().filter(|name| roots.contains(name)).collect();
        loop {
            let passes = |callee: &str| found.contains(callee) && (roots.contains(callee) || through(callee));
            let callers = self.calls.iter().filter(|(_, callee)| passes(callee)).map(|(caller, _)| caller.as_str());
            let more: Vec<&str> = callers.filter(|caller| !found.contains(caller)).collect();
            if more.is_empty() {
                return found;
            }
            found.extend(more);
        }
    }
}

/// Whether an instruction computes with the floating-point unit; loads, stores and moves between registers do not. The same
/// source, A5.3.18 and A6.4: coprocessor data processing of coprocessors 10 and 11.
const fn is_floating(first: u16, second: u16) -> bool {
    first & 0xFF00 == 0xEE00 && second & 0x0E10 == 0x0A00
}

/// Where `BL` or `B.W` at `at` goes. Source: ARMv7-M Architecture Reference Manual, A7.7.12 and A7.7.18, encodings T4 and T1.
fn long_branch(at: u32, first: u16, second: u16) -> Option<u32> {
    if first & 0xF800 != 0xF000 || !matches!(second & 0xD000, 0xD000 | 0x9000) {
        return None;
    }
    let (first, second) = (u32::from(first), u32::from(second));
    let sign = first >> 10 & 1;
    let bit = |j: u32| !(second >> j ^ sign) & 1;
    let offset = sign << 24 | bit(13) << 23 | bit(11) << 22 | (first & 0x3FF) << 12 | (second & 0x7FF) << 1;
    // Sign-extended from 25 bits.
    Some(at.wrapping_add(4).wrapping_add((offset << 7).cast_signed().wrapping_shr(7).cast_unsigned()))
}

/// Where `B` of 16 bits at `at` goes; the same source, encoding T2.
fn short_branch(at: u32, instruction: u16) -> Option<u32> {
    (instruction & 0xF800 == 0xE000).then(|| {
        let offset = (u32::from(instruction & 0x7FF) << 21).cast_signed().wrapping_shr(20).cast_unsigned();
        at.wrapping_add(4).wrapping_add(offset)
    })
}

/// The name in the source, without the hash at the end.
fn source_name(symbol: &str) -> String {
    format!("{:#}", rustc_demangle::demangle(symbol)).replace(['<', '>'], "")
}

/// The settings of the demonstration, and the same made as long as settings can be.
fn settings() -> (ValidSettings, ValidSettings) {
    let installation = Installation::load(&root().join("sim/demo/hut.toml")).expect("an installation");
    let plain = installation.settings;
    let mut long: Settings = plain.clone().into_inner();
    let own = Coefficients::new(39_090_000, -57_900_000, -41_500_000).expect("platinum");
    let channel = |role| Channel {
        role,
        element: Element::new(Ohms::from_milliohms(100_037), own).expect("platinum"),
        reference: Ohms::from_milliohms(400_123),
        leads: Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(301), at: Celsius::from_millidegrees(-10_123) },
        offset: Kelvins::from_millikelvins(-123),
    };
    let roles = [Role::Cell, Role::Cell, Role::Cell, Role::Cell, Role::Pad, Role::Ambient];
    long.channels = roles.map(channel).into_iter().collect();
    let source =
        |priority| Source { budget: Milliwatts::from_milliwatts(200_001), priority, settle: Millis::from_secs(30) };
    long.sources = (0..4).map(source).collect();
    let inhibit = 5_000;
    let point = |n: u32| CeilingPoint {
        at: Celsius::from_millidegrees(inhibit + n.cast_signed() * 1_001),
        limit: Fraction::from_per_mille(100 + n * 49),
    };
    long.charge.ceiling = (0..8).map(point).collect();
    assert_eq!(
        (long.channels.len(), long.sources.len(), long.charge.ceiling.len()),
        (MAX_CHANNELS, MAX_SOURCES, MAX_CEILING_POINTS)
    );
    (plain, long.validate().expect("fit settings"))
}

/// A history with everything that makes the program say or keep something: charge and heat, faults that clear and faults that latch, and
/// more than an hour, after which totals are kept.
fn history(settings: &Settings) -> Vec<Moment> {
    let at = |millidegrees| {
        let mut inputs = Inputs {
            supply: Some(settings.heater.nominal),
            bank: Some(settings.heater.nominal),
            state_of_charge: Some(Fraction::from_per_mille(900)),
            sources: Sources::NONE.with(0),
            charge_line: Line::Allowed,
            discharge_line: Line::Allowed,
            ..Inputs::DEAD
        };
        for (slot, channel) in inputs.channels.iter_mut().zip(&settings.channels) {
            let r = channel.element.resistance(Celsius::from_millidegrees(millidegrees)).expect("within the standard");
            let r = r.plus(channel.leads.known());
            let steps = (u64::from(r.as_steps()) << 30) / u64::from(channel.reference.as_steps());
            *slot = Sample::Fresh(Measured::element(Ratio::from_steps(steps.try_into().expect("below four"))));
        }
        inputs
    };
    let mut history = Vec::new();
    let mut now = 0_u32;
    let mut seconds = |n: u32, inputs: &Inputs| {
        for _ in 0..n {
            now += 1_000;
            history.push(moment(Instant::from_millis(now), inputs, 16));
        }
    };
    let (cold, warm) = (at(2_000), at(15_000));
    seconds(120, &warm);
    for channel in 0..settings.channels.len() {
        let mut broken = warm;
        broken.channels[channel] = Sample::ConverterFault;
        seconds(20, &broken);
        seconds(60, &warm);
    }
    seconds(20, &Inputs { charge_line: Line::Refused, ..warm });
    seconds(3_700, &warm);
    seconds(120, &cold);
    seconds(30, &Inputs { heater_feedback: Some(Relay::Closed), charge_feedback: Some(Relay::Closed), ..warm });
    seconds(30, &cold);
    history
}

/// An image that has been switched on.
struct Board<'a> {
    machine: Machine,
    rig: Rig,
    service: Service,
    /// Where the stack may lie.
    stack: Range<u32>,
    name: &'a str,
}

impl<'a> Board<'a> {
    fn start(elf: &'a Elf, path: &Path, core: Core, flash: Flash) -> Self {
        let image = Image::open(path).unwrap_or_else(|problem| panic!("{problem}"));
        let emulator = emulator();
        let setup = Setup {
            emulator: emulator.as_os_str(),
            core,
            service: true,
            monitor: true,
            probe: true,
            patience: PATIENCE,
            ..Setup::new(&image)
        };
        let (machine, Lines { rig, service }) = Machine::start(&setup).unwrap_or_else(|problem| panic!("{problem}"));
        let service = Service::new(service.expect("a service line"), PATIENCE).expect("a service line");
        let mut rig = Rig::new(rig, flash, PATIENCE);
        assert_eq!(rig.start().expect("a start"), End::Done);
        let stack = elf.address("__sheap")..elf.address("_stack_start");
        Self { machine, rig, service, stack, name: &elf.name }
    }

    fn play(&mut self, history: &[Moment]) {
        let mut steps = 0;
        assert_eq!(self.rig.play(history, |_, _, _| steps += 1).expect("steps"), End::Done);
        assert_eq!(steps, history.len());
    }

    /// Asks everything that can be asked without changing anything.
    fn ask(&mut self) {
        let mut ask = |request: Request<'_>, is_answer: fn(&Message<'_>) -> bool| {
            let judge = |message: &Message<'_>| {
                if is_answer(message) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            };
            self.service.ask(&mut self.rig, &request, judge).unwrap_or_else(|trouble| panic!("{request:?}: {trouble}"));
        };
        ask(Request::Identify, |message| matches!(message, Message::Identity(_)));
        ask(Request::ReadSettings, |message| matches!(message, Message::Settings { .. }));
        ask(Request::ReadEvents { from: 0 }, |message| matches!(message, Message::Event(_)));
        ask(Request::ReadTotals, |message| matches!(message, Message::Totals(_)));
        ask(Request::SendTelemetry { every: 5 }, |message| matches!(message, Message::Done));
    }

    /// The end of what the stack has reached, by what it was painted with at the start.
    fn most_used(&mut self) -> u32 {
        // As `registers::stack` of the emulated board paints it.
        const PAINT: u32 = 0x5AA5_C33C;
        let probe = self.machine.probe.as_mut().expect("a line to the memory");
        let mut at = self.stack.start;
        while at < self.stack.end && probe.read(at).expect("a word of memory") == PAINT {
            at += 4;
        }
        assert!(at > self.stack.start, "{}: the stack has reached the end of RAM", self.name);
        self.stack.end - at
    }

    /// Replaces the settings in force, and looks at the stack as it is when the processor would restart with the new ones.
    fn upload(mut self, settings: &ValidSettings, replaces: u32) -> (u32, Flash) {
        let mut room = [0; record::MAX_BYTES];
        let record = record::encode(settings, &mut room).expect("a record");
        let monitor = self.machine.monitor.as_mut().expect("a line to the emulator");
        monitor.hold_at_restart().expect("to be held");
        let request = Request::WriteSettings { replaces, record };
        let judge = |message: &Message<'_>| match *message {
            Message::Accepted { fingerprint } => ControlFlow::Break(Ok(fingerprint)),
            Message::Refused(refusal) => ControlFlow::Break(Err(refusal)),
            _ => ControlFlow::Continue(()),
        };
        let answer = self.service.ask(&mut self.rig, &request, judge).expect("an answer to the upload");
        assert_eq!(answer, Ok(record::fingerprint(record)), "{}", self.name);
        let since = Clock::now();
        while monitor.execute("query-status").expect("a status")["running"] != false {
            assert!(since.elapsed() < PATIENCE, "{}: it does not restart", self.name);
        }
        (self.most_used(), self.rig.into_flash())
    }
}

fn fingerprint(settings: &ValidSettings) -> u32 {
    let mut room = [0; record::MAX_BYTES];
    record::fingerprint(record::encode(settings, &mut room).expect("a record"))
}

/// Bytes of the stack that the image has used at most, over everything that it does.
fn most_stack(elf: &Elf, path: &Path, core: Core) -> u32 {
    let (plain, long) = settings();
    let mut most = Vec::new();

    let mut board = Board::start(elf, path, core, Flash::default());
    board.play(&history(&plain));
    board.ask();
    let reported = board.rig.stack().expect("the stack");
    let most_used = board.most_used();
    assert_eq!((most_used, board.stack.end - board.stack.start), (reported.used, reported.of), "seen from both sides");
    most.push(("built-in settings", most_used));
    let (used, flash) = board.upload(&long, fingerprint(&plain));
    most.push(("the first upload", used));

    let mut board = Board::start(elf, path, core, flash);
    board.play(&history(&long));
    board.ask();
    most.push(("stored settings", board.most_used()));
    let (used, _) = board.upload(&plain, fingerprint(&long));
    most.push(("an upload over another", used));

    // Nothing in it can be read: everything is erased and written anew.
    let mut board = Board::start(elf, path, core, Flash::holding(&[0x5C; 8192]));
    board.play(&history(&plain)[..100]);
    let (used, _) = board.upload(&long, 0);
    most.push(("an upload over garbage", used));

    println!("{}: {most:?}", elf.name);
    most.into_iter().map(|(_, used)| used).max().unwrap_or(0)
}

/// What the program that counts has to say: its figures by name, and what its history does not reach.
fn counted(image: &Path, cpu: &str) -> (BTreeMap<String, u32>, Vec<String>) {
    /// Ended when dropped.
    struct Emulator(Child);
    impl Drop for Emulator {
        fn drop(&mut self) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }
    let child = Command::new(emulator())
        .args(["-M", "lm3s6965evb", "-cpu", cpu, "-nodefaults", "-no-user-config", "-display", "none"])
        .args(["-icount", "shift=10", "-serial", "stdio", "-kernel"])
        .arg(image)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the emulator starts");
    let mut emulator = Emulator(child);
    let lines = BufReader::new(emulator.0.stdout.take().expect("its serial line")).lines();
    let (mut figures, mut unseen) = (BTreeMap::new(), Vec::new());
    for line in lines {
        let line = line.expect("a line of text");
        match line.split(' ').collect::<Vec<_>>()[..] {
            ["end"] => return (figures, unseen),
            ["not_seen", what] => unseen.push(what.to_owned()),
            [name, value, ..] => {
                figures.insert(name.to_owned(), value.parse().unwrap_or_else(|error| panic!("{line}: {error}")));
            }
            _ => panic!("{cpu}: {line}"),
        }
    }
    panic!("{cpu}: the program that counts did not come to its end: {figures:?}")
}

/// A table of the page: what each row is of, figures, and in its last column the compiler.
#[derive(Debug, PartialEq)]
struct Row {
    of: [String; 2],
    figures: Vec<Option<u32>>,
    compiler: String,
}

fn shown(figure: Option<u32>) -> String {
    let Some(figure) = figure else { return "–".to_owned() };
    let digits = figure.to_string();
    let groups: Vec<&str> =
        digits.as_bytes().rchunks(3).rev().map(|group| std::str::from_utf8(group).expect("digits")).collect();
    groups.join(" ")
}

impl Row {
    fn text(&self) -> String {
        let figures: Vec<String> = self.figures.iter().map(|&figure| shown(figure)).collect();
        format!("| {} | {} | {} | {} |\n", self.of[0], self.of[1], figures.join(" | "), self.compiler)
    }

    fn read(line: &str) -> Self {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [image, target, figures @ .., compiler] = &cells[..] else { panic!("no row: {line}") };
        let figure = |cell: &&str| (*cell != "–").then(|| cell.replace(' ', "").parse().expect("a figure"));
        Self {
            of: [(*image).to_owned(), (*target).to_owned()],
            figures: figures.iter().map(figure).collect(),
            compiler: (*compiler).to_owned(),
        }
    }
}

/// Holds a table of the page to what was measured, or writes it anew.
fn hold(table: &str, heads: &str, measured: &[Row]) {
    /// One test at a time reads and writes the page.
    static PAGE: Mutex<()> = Mutex::new(());
    let _page = PAGE.lock().unwrap_or_else(PoisonError::into_inner);
    let path = root().join("firmware/README.md");
    let text = std::fs::read_to_string(&path).expect("the firmware's page");
    let (begin, end) =
        (format!("<!-- {table}: written by tests/tests/images.rs -->\n"), format!("<!-- end of {table} -->"));
    let (before, rest) = text.split_once(&begin).unwrap_or_else(|| panic!("the page has no table of {table}"));
    let (published, after) = rest.split_once(&end).expect("the end of the table");
    if std::env::var_os("FOREWARM_REFRESH").is_some() {
        let rule = heads.split('|').filter(|head| !head.is_empty()).enumerate();
        let rule: String = rule.map(|(index, _)| if index < 2 { "|---" } else { "|--:" }).collect();
        let rows: String = measured.iter().map(Row::text).collect();
        let text = format!("{before}{begin}\n{heads}\n{rule}|\n{rows}\n{end}{after}");
        std::fs::write(&path, text).expect("the page is written");
        return;
    }
    let published: Vec<Row> = published.lines().filter(|line| line.starts_with('|')).skip(2).map(Row::read).collect();
    assert_eq!(published.len(), measured.len(), "rows of the table of {table}; refresh it");
    for (published, measured) in published.iter().zip(measured) {
        println!("published: {}measured:  {}", published.text(), measured.text());
        let near = |(published, measured): (&Option<u32>, &Option<u32>)| match (published, measured) {
            (Some(published), Some(measured)) => published.abs_diff(*measured) * 100 <= TOLERANCE_PERCENT * measured,
            (None, None) => true,
            _ => false,
        };
        let is_near = published.figures.len() == measured.figures.len()
            && published.figures.iter().zip(&measured.figures).all(near);
        assert!(
            published.of == measured.of && is_near,
            "the table of {table} is not what is measured; refresh it and read the difference\n{}{}",
            published.text(),
            measured.text()
        );
    }
}

#[test]
fn the_images_fit_the_smallest_processor_with_their_stack() {
    let mut rows = Vec::new();
    for (target, core) in [(V6M, Core::M0), (V7M, Core::M3), (V7EM, Core::M4)] {
        let path = image(target, "emulated");
        let elf = Elf::of(&path);
        let stack = most_stack(&elf, &path, core);
        let in_all = elf.ram + stack;
        assert!(elf.flash < FLASH, "{}: {} bytes of flash", elf.name, elf.flash);
        assert!(in_all + SPARE <= RAM, "{}: {} and {stack} bytes of RAM", elf.name, elf.ram);
        rows.push(Row {
            of: ["`emulated`".to_owned(), format!("`{target}`")],
            figures: vec![Some(elf.flash), Some(elf.ram), Some(stack), Some(in_all)],
            compiler: elf.compiler,
        });
    }
    let elf = Elf::of(&image(V7EM, "f411"));
    rows.push(Row {
        of: ["`f411`".to_owned(), format!("`{V7EM}`")],
        // It runs on no emulator, so nobody has seen its stack.
        figures: vec![Some(elf.flash), Some(elf.ram), None, None],
        compiler: elf.compiler,
    });
    hold("sizes", "| Image | Target | Flash | Static RAM | Stack, most used | RAM in all | rustc |", &rows);
}

#[test]
fn a_conversion_and_a_step_take_no_more_instructions_than_they_may() {
    let mut rows = Vec::new();
    for (target, cpu) in [(V6M, "cortex-m0"), (V7M, "cortex-m3"), (V7EM, "cortex-m4")] {
        let path = image(target, "count");
        let (figures, unseen) = counted(&path, cpu);
        println!("{cpu}: {figures:?}");
        // With invalid settings there is nothing to step.
        assert_eq!(unseen, ["settings_invalid"], "{cpu}: the history no longer reaches every state and fault");
        let figure = |name: &str| figures.get(name).copied();
        if cpu == "cortex-m3" {
            let (conversion, step) = (figure("conversion_max"), figure("step_worst"));
            assert!(conversion.is_some_and(|count| count <= MOST_A_CONVERSION), "{conversion:?} for a conversion");
            assert!(step.is_some_and(|count| count <= MOST_A_STEP), "{step:?} for a step");
        }
        let names = ["conversion_max", "conversion_individual_max", "step_usual_mean", "step_usual_max", "step_worst"];
        let figures = names.map(|name| Some(figure(name).unwrap_or_else(|| panic!("{cpu} says nothing of {name}"))));
        rows.push(Row {
            of: [cpu.replace("cortex-m", "Cortex-M"), format!("`{target}`")],
            figures: figures.to_vec(),
            compiler: Elf::of(&path).compiler,
        });
    }
    let heads = "| Core | Target | Conversion | Calibrated element | Usual step, mean | Usual step, most | Worst step | rustc |";
    hold("instructions", heads, &rows);
}

/// Whether a function, as those of the standard library do, panics on behalf of whoever calls it.
fn is_of_the_library(function: &str) -> bool {
    let starts = ["core::", "usize::"].iter().any(|start| function.starts_with(start));
    // What the compiler has cut out of several functions because they have it in common is none of its own either.
    let is_shared = function.starts_with("OUTLINED_FUNCTION_");
    (starts || is_shared || function.contains(" as core::ops::")) && !function.starts_with("core::cell::RefCell")
}

/// Who may panic, and why it is left to them. The panic opens both relays, and the watchdog restarts the board.
const MAY_PANIC: [(&str, &str); 13] = [
    (
        "sequential_storage::",
        "checks its own indices; it is given pages, words and a buffer of the sizes that it asks for",
    ),
    ("forewarm_firmware::kept::", "the same code, where the compiler has put it into its caller"),
    ("postcard::", "checks indices into a few bytes, by their own length"),
    ("forewarm_firmware::service::say", "the same code again"),
    ("serde_core::ser::Serialize for", "the same, in what is generated for a type"),
    ("forewarm_core::wire::rig::Writer::put", "the same"),
    ("cobs::", "checks an index that runs behind another one"),
    ("F411::answer", "that code, where the compiler has put it into its caller"),
    (
        "stm32f4xx_hal::",
        "checks clocks, timer and the converter's own reference at the start, and that a conversion it awaits was begun",
    ),
    ("core::cell::RefCell", "the emulated board borrows what only one thread borrows, and never within another borrow"),
    ("emulated::storage::Storage::ask", "the same code, and a copy between two slices whose lengths it has compared"),
    ("_defmt_acquire", "a log line does not begin within another"),
    ("_defmt_release", "the same"),
];

#[test]
fn no_panic_is_within_reach_of_the_control_path_and_each_other_one_is_accounted_for() {
    for (target, program) in [(V6M, "emulated"), (V7M, "emulated"), (V7EM, "emulated"), (V7EM, "f411")] {
        let elf = Elf::of(&image(target, program));
        let panics: BTreeSet<&str> = elf.names().filter(|name| name.starts_with("core::panicking::panic")).collect();
        assert!(!panics.is_empty(), "{}: no panic was found, not even those that are known", elf.name);

        let reached = elf.callers_of(&panics, |_| true);
        let is_control = |name: &str| {
            name.starts_with("forewarm_core::")
                && !name.starts_with("forewarm_core::wire::")
                && !name.contains("serde_core")
        };
        let control: Vec<&str> = elf.names().filter(|name| is_control(name)).collect();
        assert!(control.len() > 8, "{}: where is the core? {control:?}", elf.name);
        let violations: Vec<&&str> = reached.iter().filter(|name| is_control(name)).collect();
        assert!(violations.is_empty(), "{}: a panic is within reach of {violations:#?}", elf.name);

        let direct = elf.callers_of(&panics, is_of_the_library);
        let unaccounted: Vec<&&str> = direct
            .iter()
            .filter(|name| !is_of_the_library(name) && !MAY_PANIC.iter().any(|(part, _)| name.contains(part)))
            .collect();
        assert!(unaccounted.is_empty(), "{}: may panic, and nobody says why: {unaccounted:#?}", elf.name);
    }
}

#[test]
fn no_image_computes_in_floating_point() {
    for (target, program) in [(V6M, "emulated"), (V7M, "emulated"), (V7EM, "emulated"), (V7EM, "f411")] {
        let elf = Elf::of(&image(target, program));
        // What the compiler calls where there is no unit for it: run-time ABI for the ARM Architecture, 4.1.
        let is_helper = |name: &str| {
            let helpers = ["__aeabi_d", "__aeabi_f", "__aeabi_cd", "__aeabi_cf", "compiler_builtins::float"];
            let conversions = ["__aeabi_i2", "__aeabi_ui2", "__aeabi_l2", "__aeabi_ul2", "__aeabi_h2"];
            helpers.iter().chain(&conversions).any(|start| name.starts_with(start))
        };
        let found: Vec<&str> = elf.names().filter(|name| is_helper(name)).collect();
        assert!(found.is_empty() && elf.floating.is_empty(), "{}: {found:?} {:?}", elf.name, elf.floating);
    }
}
