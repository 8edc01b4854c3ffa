//! What each column of a log is for.
//!
//! Made once, from the header, the installation and what the user said; from then on a row is numbers and flags by position,
//! and nothing is looked up by name again.

use super::clock::TimeFormat;
use super::mapping::{ChannelColumn, Mapping, SourceColumn};
use super::scale::{Scale, Unit};
use crate::csv_text::header::{Header, NoColumn};
use crate::diagnostic::{Position, Problem, excerpt};
use crate::installation::{Installation, OTHER_COLUMNS};
use forewarm_core::fault::SystemFault;
use forewarm_core::settings::{BankUse, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, ValidSettings};

/// Numbers a row can hold: one a channel, supply, bank and state of charge, one a source.
pub(super) const MAX_NUMBERS: usize = MAX_CHANNELS + 3 + MAX_SOURCES;
/// Flags a row can hold: one a source, two lines, a button, two logged outputs.
pub(super) const MAX_FLAGS: usize = MAX_SOURCES + 5;

/// Place of a number in a row.
pub(super) type Number = usize;
/// Place of a flag in a row.
pub(super) type Flag = usize;

/// What each column is for.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    /// Field of the time column, and its format where it is known already.
    pub(super) time: (usize, Option<TimeFormat>),
    /// Fields of the numbers and of the flags, each field once.
    pub(super) numbers: Vec<usize>,
    pub(super) flags: Vec<usize>,
    /// Fields of the flags that tell whether a source is present, and its name.
    pub(super) source_fields: Vec<(usize, String)>,
    /// The settings to replay with: channels without a column left out, and nothing judged that only our own heat could show.
    pub(super) settings: ValidSettings,
    /// The channels of `settings`.
    pub(super) channels: Vec<ChannelPlan>,
    pub(super) supply: Option<Number>,
    pub(super) bank: Option<Number>,
    pub(super) state_of_charge: Option<Number>,
    /// One for each source of `settings`.
    pub(super) sources: Vec<Presence>,
    pub(super) charge_line: Option<Flag>,
    pub(super) discharge_line: Option<Flag>,
    pub(super) button: Option<Flag>,
    pub(super) logged_heater: Option<Flag>,
    pub(super) logged_charge: Option<Flag>,
    pub(super) assumptions: Vec<Assumption>,
    /// Which column feeds what, a pair each.
    pub(super) uses: Vec<(String, String)>,
}

/// What the log does not tell and what is taken instead.
#[derive(Clone, Debug)]
pub(super) struct Assumption {
    /// Both in a sentence.
    pub(super) text: String,
    /// The fault that has nothing else to rest on.
    pub(super) fault: Option<SystemFault>,
}

/// One channel of the replay.
#[derive(Clone, Debug)]
pub(super) struct ChannelPlan {
    pub(super) name: String,
    pub(super) number: Number,
    pub(super) scale: Scale,
}

/// How the presence of a source is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Presence {
    Never,
    Always,
    Flag(Flag),
    AtLeast(Number, f64),
}

/// Names under which a time column is looked for, the first found wins, and the format that its name says.
const TIME_NAMES: [(&str, Option<TimeFormat>); 9] = [
    ("timestamp", None),
    ("time", None),
    ("datetime", None),
    ("date_time", None),
    ("epoch_s", Some(TimeFormat::EpochSeconds)),
    ("epoch_ms", Some(TimeFormat::EpochMillis)),
    ("elapsed_s", Some(TimeFormat::ElapsedSeconds)),
    ("t_s", Some(TimeFormat::ElapsedSeconds)),
    ("date", None),
];

impl Plan {
    /// Finds a column for everything that the installation has.
    ///
    /// # Errors
    /// Every problem at once: no time column, no column for a cell channel, names in `mapping` that do not exist.
    pub(super) fn new(
        installation: &Installation,
        header: &Header,
        mapping: &Mapping,
        log: &str,
        line: u64,
    ) -> Result<Self, Vec<Problem>> {
        let mut finder = Finder::new(header, log, line);
        let time = finder.time(mapping);
        finder.check_names(installation, mapping);

        let mut settings = (*installation.settings).clone();
        // The log's own heat warmed the plate, or none did; ours never reaches it.
        settings.heater.proof = None;
        settings.heater.cooling = None;
        let plausible = (settings.trust.plausible_low, settings.trust.plausible_high);
        let mut channels = Vec::new();
        settings.channels.clear();
        for (name, channel) in installation.channels.iter().zip(&installation.settings.channels) {
            match finder.channel(name, channel.role, mapping) {
                Some((field, unit)) => {
                    finder.use_column(name, header.shown(field));
                    let number = finder.number(field);
                    channels.push(ChannelPlan {
                        name: name.clone(),
                        number,
                        scale: Scale::new(channel, unit, plausible),
                    });
                    // As many as fitted before.
                    let _ = settings.channels.push(*channel);
                }
                None => finder.assume(format!("channel {} is left out: the log has no column for it", excerpt(name))),
            }
        }

        let sources: Vec<_> = installation.sources.iter().map(|name| finder.source(name, mapping)).collect();
        let source_fields = installation.sources.iter().zip(&sources).filter_map(|(name, presence)| match presence {
            Presence::Flag(flag) => Some((*finder.flags.get(*flag)?, name.clone())),
            Presence::Never | Presence::Always | Presence::AtLeast(..) => None,
        });
        let source_fields = source_fields.collect();

        let nominal = settings.heater.nominal.as_millivolts();
        let nominal = format!("{}.{:02} V", nominal / 1000, nominal % 1000 / 10);
        let supply = finder.other_number("supply_v", mapping);
        if supply.is_none() {
            finder.assume_for(
                SystemFault::SupplyOutOfRange,
                format!("the heater's supply is {nominal} all the time (no column supply_v)"),
            );
        }
        let bank = finder.other_number("bank_v", mapping);
        let state_of_charge = finder.other_number("soc_pct", mapping);
        finder.assume_bank(settings.bank, bank, state_of_charge, &nominal);
        let charge_line = finder.other_flag("charge_line", mapping);
        let discharge_line = finder.other_flag("discharge_line", mapping);
        for (flag, line, matters) in
            [(charge_line, "charge", true), (discharge_line, "discharge", !matches!(settings.bank, BankUse::Never))]
        {
            if flag.is_none() && matters {
                finder.assume(format!("the battery's protection allows {line} all the time (no column {line}_line)"));
            }
        }
        let button = finder.other_flag("button", mapping);
        let logged_heater = finder.logged("heater", mapping.logged_heater.as_deref());
        let logged_charge = finder.logged("charge", mapping.logged_charge.as_deref());

        let Some(time) = time.filter(|_| finder.problems.is_empty()) else { return Err(finder.problems) };
        // Only now: channels without a column would make settings that nobody wrote.
        match settings.validate() {
            Err(error) => Err(vec![finder.problem(error.to_string()).because(error.why())]),
            Ok(settings) => Ok(Self {
                time,
                numbers: finder.numbers,
                flags: finder.flags,
                source_fields,
                settings,
                channels,
                supply,
                bank,
                state_of_charge,
                sources,
                charge_line,
                discharge_line,
                button,
                logged_heater,
                logged_charge,
                assumptions: finder.assumptions,
                uses: finder.uses,
            }),
        }
    }
}

/// Finds columns and gathers what is wrong with them.
struct Finder<'a> {
    header: &'a Header,
    log: &'a str,
    line: u64,
    problems: Vec<Problem>,
    numbers: Vec<usize>,
    flags: Vec<usize>,
    assumptions: Vec<Assumption>,
    uses: Vec<(String, String)>,
}

impl<'a> Finder<'a> {
    /// Every name in `mapping` must be one of the installation's.
    fn check_names(&mut self, installation: &Installation, mapping: &Mapping) {
        for ChannelColumn { channel, unit, .. } in &mapping.channels {
            if OTHER_COLUMNS.contains(&channel.as_str()) {
                if unit.is_some() {
                    let problem = option_problem(format!("--column gives {channel} a unit"));
                    self.problems.push(problem.remedy("no unit: _v is V, _pct is %, and the others hold 0 or 1"));
                }
                continue;
            }
            self.known("channel", channel, "--column", &installation.channels);
        }
        for SourceColumn { source, .. } in &mapping.sources {
            self.known("source", source, "--source", &installation.sources);
        }
        for source in &mapping.always_present {
            self.known("source", source, "--assume-source", &installation.sources);
        }
    }

    /// What follows for the bank's reserve from columns that are not there.
    fn assume_bank(&mut self, policy: BankUse, bank: Option<Number>, state_of_charge: Option<Number>, nominal: &str) {
        match policy.reserve() {
            Some(Reserve::Voltage { .. }) if bank.is_none() => {
                self.assume_for(
                    SystemFault::BankBelowReserve,
                    format!("the bank's voltage is {nominal} all the time (no column bank_v)"),
                );
            }
            Some(Reserve::StateOfCharge { .. }) if state_of_charge.is_none() => {
                self.assume_for(
                    SystemFault::BankBelowReserve,
                    "the bank is not spent on heat: its state of charge is unknown (no column soc_pct)".into(),
                );
            }
            _ => {}
        }
    }

    fn new(header: &'a Header, log: &'a str, line: u64) -> Self {
        Self {
            header,
            log,
            line,
            problems: Vec::new(),
            numbers: Vec::new(),
            flags: Vec::new(),
            assumptions: Vec::new(),
            uses: Vec::new(),
        }
    }

    fn assume(&mut self, text: String) {
        self.assumptions.push(Assumption { text, fault: None });
    }

    fn assume_for(&mut self, fault: SystemFault, text: String) {
        self.assumptions.push(Assumption { text, fault: Some(fault) });
    }

    fn use_column(&mut self, what: &str, column: String) {
        self.uses.push((what.to_owned(), column));
    }

    fn problem(&self, message: impl Into<Box<str>>) -> Problem {
        let line = u32::try_from(self.line).unwrap_or(u32::MAX);
        Problem::error(self.log, message).at(Position { line, column: 1 })
    }

    fn columns_are(&self) -> String {
        format!("the columns of the log are: {}", self.header.listed())
    }

    /// Complains if an option speaks of a channel or source that the installation does not have.
    fn known(&mut self, kind: &str, name: &str, option: &str, names: &[String]) {
        if !names.iter().any(|known| known == name) {
            let known: Vec<_> = names.iter().map(|name| excerpt(name)).collect();
            let message = format!("{option} names a {kind} \"{}\" that the installation does not have", excerpt(name));
            let others = if kind == "channel" { format!("; or {}", OTHER_COLUMNS.join(", ")) } else { String::new() };
            let remedy = format!("one of its {kind}s: {}{others}", known.join(", "));
            self.problems.push(option_problem(message).remedy(remedy));
        }
    }

    /// The field of a column that the user has named.
    fn named(&mut self, column: &str, option: &str) -> Option<usize> {
        let message = match self.header.find(column) {
            Ok(field) => return Some(field),
            Err(NoColumn::Absent) => format!("no column \"{}\", which {option} names", excerpt(column)),
            Err(NoColumn::Twice) => format!("more than one column \"{}\", which {option} names", excerpt(column)),
        };
        self.problems.push(option_problem(message).remedy(self.columns_are()));
        None
    }

    /// The field of a column that may or may not be there. Of two, neither is taken.
    fn optional(&mut self, column: &str) -> Option<usize> {
        match self.header.find(column) {
            Ok(field) => Some(field),
            Err(NoColumn::Absent) => None,
            Err(NoColumn::Twice) => {
                let problem =
                    self.problem(format!("more than one column {column}")).remedy("rename all but one of them");
                self.problems.push(problem);
                None
            }
        }
    }

    fn time(&mut self, mapping: &Mapping) -> Option<(usize, Option<TimeFormat>)> {
        if let Some(time) = &mapping.time {
            let field = self.named(&time.column, "--time")?;
            self.use_column("time", self.header.shown(field));
            return Some((field, time.format));
        }
        for (name, format) in TIME_NAMES {
            if let Some(field) = self.optional(name) {
                self.use_column("time", self.header.shown(field));
                return Some((field, format));
            }
        }
        let names: Vec<_> = TIME_NAMES.iter().map(|(name, _)| *name).collect();
        let problem = self.problem(format!("no time column: none is called {}", names.join(", ")));
        self.problems.push(problem.remedy(format!("--time COLUMN; {}", self.columns_are())));
        None
    }

    /// The column of a channel, and its unit.
    fn channel(&mut self, name: &str, role: Role, mapping: &Mapping) -> Option<(usize, Unit)> {
        let mut named = mapping.channels.iter().filter(|column| column.channel == name);
        if let Some(column) = named.next() {
            if named.next().is_some() {
                let message = format!("--column names two columns for channel {}", excerpt(name));
                self.problems.push(option_problem(message).remedy("one column for each channel"));
            }
            let field = self.named(&column.column, "--column")?;
            let suffix = || Unit::named(column.column.trim().rsplit_once('_')?.1);
            let unit = column.unit.or_else(suffix);
            if unit.is_none() {
                let column = excerpt(&column.column);
                let message = format!("the unit of column {column} is not known");
                let remedy = format!("--column {name}={column}:c, or f, k, ohm, ratio");
                self.problems.push(self.problem(message).remedy(remedy));
            }
            return Some((field, unit?));
        }
        let candidates = Unit::ALL.map(|unit| (self.optional(&format!("{name}_{}", unit.suffix())), unit));
        let mut found = candidates.into_iter().filter_map(|(field, unit)| Some((field?, unit)));
        match (found.next(), found.next()) {
            (Some(first), None) => Some(first),
            (Some((first, _)), Some((second, _))) => {
                let (first, second) = (self.header.shown(first), self.header.shown(second));
                let message = format!("two columns for channel {}: {first} and {second}", excerpt(name));
                self.problems.push(self.problem(message).remedy(format!("--column {name}={first}")));
                None
            }
            (None, _) => {
                if role == Role::Cell || self.header.find(name).is_ok() {
                    self.no_column(name, role);
                }
                None
            }
        }
    }

    fn no_column(&mut self, name: &str, role: Role) {
        let problem = if self.header.find(name).is_ok() {
            self.problem(format!("the unit of column {} is not known", excerpt(name)))
                .remedy(format!("--column {name}={name}:c, or f, k, ohm, ratio"))
        } else {
            debug_assert_eq!(role, Role::Cell);
            self.problem(format!("no column for cell channel {}", excerpt(name)))
                .because("charge cannot be permitted while a cell channel is not measured")
                .remedy(format!("--column {name}=COLUMN:c; {}", self.columns_are()))
        };
        self.problems.push(problem);
    }

    fn source(&mut self, name: &str, mapping: &Mapping) -> Presence {
        let always = mapping.always_present.iter().any(|present| present == name);
        let mut named = mapping.sources.iter().filter(|source| source.source == name);
        let first = named.next();
        if named.next().is_some() || (always && first.is_some()) {
            let message = format!("source {} is given twice by --source and --assume-source", excerpt(name));
            self.problems.push(option_problem(message).remedy("one of the two"));
        }
        if let Some(SourceColumn { column, at_least, .. }) = first {
            let Some(field) = self.named(column, "--source") else { return Presence::Never };
            if let Some(least) = at_least {
                self.use_column(name, format!("{} >= {least}", self.header.shown(field)));
                return Presence::AtLeast(self.number(field), *least);
            }
            self.use_column(name, self.header.shown(field));
            return Presence::Flag(self.flag(field));
        }
        if always {
            self.assume(format!("source {} is present all the time, as --assume-source says", excerpt(name)));
            return Presence::Always;
        }
        if let Some(flag) = self.optional_flag(&format!("{name}_present")) {
            return Presence::Flag(flag);
        }
        self.assume(format!("source {0} is never present (no column {0}_present)", excerpt(name)));
        Presence::Never
    }

    fn logged(&mut self, name: &str, named: Option<&str>) -> Option<Flag> {
        let Some(column) = named else { return self.optional_flag(name) };
        let field = self.named(column, if name == "heater" { "--logged-heater" } else { "--logged-charge" })?;
        self.use_column(name, self.header.shown(field));
        Some(self.flag(field))
    }

    /// The field of one of [`OTHER_COLUMNS`], where the log has it.
    fn other(&mut self, name: &str, mapping: &Mapping) -> Option<usize> {
        let mut named = mapping.channels.iter().filter(|column| column.channel == name);
        let field = match named.next() {
            Some(column) => {
                if named.next().is_some() {
                    let problem = option_problem(format!("--column names two columns for {name}"));
                    self.problems.push(problem.remedy("one column for each"));
                }
                self.named(&column.column, "--column")?
            }
            None => self.optional(name)?,
        };
        self.use_column(name, self.header.shown(field));
        Some(field)
    }

    fn other_number(&mut self, name: &str, mapping: &Mapping) -> Option<Number> {
        self.other(name, mapping).map(|field| self.number(field))
    }

    fn other_flag(&mut self, name: &str, mapping: &Mapping) -> Option<Flag> {
        self.other(name, mapping).map(|field| self.flag(field))
    }

    fn optional_flag(&mut self, column: &str) -> Option<Flag> {
        let field = self.optional(column)?;
        self.use_column(column, self.header.shown(field));
        Some(self.flag(field))
    }

    fn number(&mut self, field: usize) -> Number {
        place(&mut self.numbers, field)
    }

    fn flag(&mut self, field: usize) -> Flag {
        place(&mut self.flags, field)
    }
}

/// A problem of what the user said, and not of the log.
fn option_problem(message: impl Into<Box<str>>) -> Problem {
    Problem::usage(message)
}

/// The place of `field` in `fields`, where it is added if it is new.
fn place(fields: &mut Vec<usize>, field: usize) -> usize {
    fields.iter().position(|&known| known == field).unwrap_or_else(|| {
        fields.push(field);
        fields.len() - 1
    })
}
