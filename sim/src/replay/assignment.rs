//! What each column of a log is for.
//!
//! The assignment is made once, from the header, the installation and what the user said. From then on a row is numbers
//! and flags by position, and nothing is looked up by name again.

use super::clock::TimeFormat;
use super::mapping::{ChannelColumn, Mapping, SourceColumn};
use super::pattern::Pattern;
use super::report::Use;
use super::sample::Sample;
use super::scale::{Scale, Unit};
use super::unit_names::{self, Written};
use crate::csv_text::decimal::Decimal;
use crate::csv_text::header::{Header, NoColumn, alike};
use crate::diagnostic::{Position, Problem, excerpt};
use crate::installation::{Installation, OTHER_COLUMNS};
use crate::si::{self, millivolts};
use forewarm_core::fault::SystemFault;
use forewarm_core::quantity::Millivolts;
use forewarm_core::settings::{BankUse, MAX_CHANNELS, MAX_SOURCES, Reserve, Role, ValidSettings};

/// Numbers a row can hold: one for each channel; supply, bank and state of charge; one for each source.
pub(super) const MAX_NUMBERS: usize = MAX_CHANNELS + 3 + MAX_SOURCES;
/// Flags a row can hold: one for each source, two lines, a button, two logged outputs.
pub(super) const MAX_FLAGS: usize = MAX_SOURCES + 5;

/// Place of a number in a row.
pub(super) type Number = usize;
/// Place of a flag in a row.
pub(super) type Flag = usize;

/// What rows are read by.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    /// Where and how the time is written.
    pub(super) time: TimeAssignment,
    /// The decimal sign, if it is known already.
    pub(super) decimal: Option<Decimal>,
    /// Fields of the numbers and of the flags, each field once.
    pub(super) numbers: Vec<usize>,
    pub(super) flags: Vec<usize>,
    /// Fields of the flags that show whether a source is present, each with the source's name.
    pub(super) source_fields: Vec<(usize, String)>,
}

/// What each column is for.
#[derive(Clone, Debug)]
pub(super) struct Assignment {
    /// What rows are read by.
    pub(super) reading: Reading,
    /// The settings to replay with. They leave out channels without a column, and judge nothing that only our own heat
    /// could show.
    pub(super) settings: ValidSettings,
    /// The channels of `settings`.
    pub(super) channels: Vec<ChannelAssignment>,
    pub(super) supply: Option<Number>,
    /// The one source that feeds the heater, and its voltage; only if no column has the supply.
    pub(super) feed: Option<(usize, Millivolts)>,
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
    /// Which column feeds what.
    pub(super) uses: Vec<Use>,
}

/// Where and how the time of a row is written.
#[derive(Clone, Debug)]
pub(super) struct TimeAssignment {
    pub(super) field: usize,
    /// The column of the time of day, if it has its own.
    pub(super) second: Option<usize>,
    /// The format, if it is known already.
    pub(super) format: Option<TimeFormat>,
    /// The pattern, if the time is written in one.
    pub(super) pattern: Option<Pattern>,
    /// What decided between this pattern and another.
    pub(super) decided: Option<String>,
}

/// What the log does not show, and what the replay assumes instead.
#[derive(Clone, Debug)]
pub(super) struct Assumption {
    /// Both, in one sentence.
    pub(super) text: String,
    /// The fault that rests on this assumption alone.
    pub(super) fault: Option<SystemFault>,
}

/// One channel of the replay.
#[derive(Clone, Debug)]
pub(super) struct ChannelAssignment {
    pub(super) name: String,
    pub(super) number: Number,
    pub(super) scale: Scale,
}

/// How the replay knows whether a source is present.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Presence {
    Never,
    Always,
    Flag(Flag),
    AtLeast(Number, f64),
}

impl Assignment {
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
        sample: Sample<'_>,
    ) -> Result<Self, Vec<Problem>> {
        let mut finder = Finder::new(header, log, line, sample);
        let time = finder.time(mapping);
        finder.check_names(installation, mapping);

        let mut settings = (*installation.settings).clone();
        // The log's own heat warmed the plate, or no heat did. Our heat never reaches it.
        settings.heater.proof = None;
        settings.heater.cooling = None;
        // A log's steps are coarser than a converter's, so its readings may well stand still.
        settings.trust.still_after = None;
        let plausible = (settings.trust.plausible_low, settings.trust.plausible_high);
        let mut channels = Vec::new();
        settings.channels.clear();
        for (name, channel) in installation.channels.iter().zip(&installation.settings.channels) {
            if let Role::Check(_) = channel.role {
                // A logger writes temperatures, and a check resistor has none.
                finder.assume(format!(
                    "check channel {} is left out: reference and return are taken to have been as they should",
                    excerpt(name)
                ));
                continue;
            }
            match finder.channel(name, channel.role, mapping) {
                Some((field, unit)) => {
                    finder.use_column_in(name, header.shown(field), Some(unit.shown()));
                    let number = finder.number(field);
                    channels.push(ChannelAssignment {
                        name: name.clone(),
                        number,
                        scale: Scale::new(channel, unit, plausible),
                    });
                    // They fit: the settings held at least as many before.
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
        let site = installation.site.as_ref();
        let feed = site.filter(|_| supply.is_none()).and_then(|site| Some((site.fed_by?, site.feed_v())));
        let feed = feed.map(|(source, volts)| (source, volts.map_or(settings.heater.nominal, millivolts)));
        if let Some((source, volts)) = feed {
            let name = installation.sources.get(source).map_or("its source", String::as_str);
            let volts = si::volts(volts);
            finder.assume_for(
                SystemFault::SupplyOutOfRange,
                format!(
                    "the heater's supply is {volts} V while {name} is present, and dead without it (no column supply_v)"
                ),
            );
        } else if supply.is_none() {
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

        let decimal = finder.decimal(mapping, time.as_ref());
        let Some(time) = time.filter(|_| finder.problems.is_empty()) else { return Err(finder.problems) };
        // Validate only now: without the missing channels these would be settings that nobody wrote.
        match settings.validate() {
            Err(error) => Err(vec![finder.problem(error.to_string()).because(error.why())]),
            Ok(settings) => Ok(Self {
                reading: Reading { time, decimal, numbers: finder.numbers, flags: finder.flags, source_fields },
                settings,
                channels,
                supply,
                feed,
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

/// Finds columns, and collects what is wrong with them.
pub(super) struct Finder<'a> {
    pub(super) header: &'a Header,
    log: &'a str,
    pub(super) line: u64,
    pub(super) sample: Sample<'a>,
    pub(super) problems: Vec<Problem>,
    pub(super) numbers: Vec<usize>,
    pub(super) flags: Vec<usize>,
    assumptions: Vec<Assumption>,
    pub(super) uses: Vec<Use>,
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

    /// Notes what missing columns mean for the bank's reserve.
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

    pub(super) fn new(header: &'a Header, log: &'a str, line: u64, sample: Sample<'a>) -> Self {
        Self {
            header,
            log,
            line,
            sample,
            problems: Vec::new(),
            numbers: Vec::new(),
            flags: Vec::new(),
            assumptions: Vec::new(),
            uses: Vec::new(),
        }
    }

    pub(super) fn assume(&mut self, text: String) {
        self.assumptions.push(Assumption { text, fault: None });
    }

    fn assume_for(&mut self, fault: SystemFault, text: String) {
        self.assumptions.push(Assumption { text, fault: Some(fault) });
    }

    pub(super) fn use_column(&mut self, what: &str, column: String) {
        self.use_column_in(what, column, None);
    }

    pub(super) fn use_column_in(&mut self, what: &str, column: String, unit: Option<&'static str>) {
        self.uses.push(Use { what: what.to_owned(), column, unit });
    }

    pub(super) fn problem(&self, message: impl Into<Box<str>>) -> Problem {
        let line = u32::try_from(self.line).unwrap_or(u32::MAX);
        Problem::error(self.log, message).at(Position { line, column: 1 })
    }

    pub(super) fn columns_are(&self) -> String {
        format!("the columns of the log are: {}", self.header.listed())
    }

    /// Reports an option that names a channel or source that the installation does not have.
    fn known(&mut self, kind: &str, name: &str, option: &str, names: &[String]) {
        let others: &[&str] = if kind == "channel" { &OTHER_COLUMNS } else { &[] };
        self.known_among(kind, name, option, names, others);
    }

    /// The same, where `others` are good as well.
    pub(super) fn known_among(&mut self, kind: &str, name: &str, option: &str, names: &[String], others: &[&str]) {
        if !names.iter().any(|known| known == name) {
            let known: Vec<_> = names.iter().map(|name| excerpt(name)).collect();
            let message = format!("{option} names a {kind} \"{}\" that the installation does not have", excerpt(name));
            let others = if others.is_empty() { String::new() } else { format!("; or {}", others.join(", ")) };
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

    /// The field of a column that the log may lack. If there are two, neither is taken.
    pub(super) fn optional(&mut self, column: &str) -> Option<usize> {
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

    /// The column of a channel, and its unit.
    pub(super) fn channel(&mut self, name: &str, role: Role, mapping: &Mapping) -> Option<(usize, Unit)> {
        let mut named = mapping.channels.iter().filter(|column| column.channel == name);
        if let Some(column) = named.next() {
            if named.next().is_some() {
                let message = format!("--column names two columns for channel {}", excerpt(name));
                self.problems.push(option_problem(message).remedy("one column for each channel"));
            }
            let field = self.named(&column.column, "--column")?;
            let suffix = || Unit::named(column.column.trim().rsplit_once('_')?.1);
            let (_, written) = unit_names::split(&column.column);
            let (written_unit, other) = match written {
                Some(Written::Channel(unit)) => (Some(unit), None),
                other => (None, other),
            };
            // An unknown text in brackets may be anything. A known unit must be the one that the option gives.
            let contradicts = match other {
                Some(Written::Volts | Written::Percent) => true,
                _ => column.unit.is_some() && written_unit.is_some() && column.unit != written_unit,
            };
            if let (Some(written), true) = (written, contradicts) {
                let message = match column.unit {
                    Some(unit) => format!(
                        "--column says {} for channel {name}, the name of column \"{}\" says {}",
                        unit.shown(),
                        excerpt(&column.column),
                        written.shown()
                    ),
                    None => format!(
                        "column \"{}\" is in {}, which is no unit of a thermometer",
                        excerpt(&column.column),
                        written.shown()
                    ),
                };
                self.problems.push(
                    option_problem(message).remedy("the unit that the column is in; or rename the column in the log"),
                );
                return None;
            }
            let unit = column.unit.or(written_unit).or_else(suffix);
            if unit.is_none() {
                let column = excerpt(&column.column);
                let message = format!("the unit of column {column} is not known");
                let remedy = format!("--column {name}={column}:c, or f, k, ohm, ratio");
                self.problems.push(self.problem(message).remedy(remedy));
            }
            return Some((field, unit?));
        }
        let candidates = Unit::ALL.map(|unit| (self.optional(&format!("{name}_{}", unit.suffix())), unit));
        let by_suffix = candidates.into_iter().filter_map(|(field, unit)| Some((field?, unit)));
        let header = self.header;
        let by_unit = header.names().enumerate().filter_map(|(field, column)| match unit_names::split(column) {
            (base, Some(Written::Channel(unit))) if alike(base, name) => Some((field, unit)),
            _ => None,
        });
        let mut found = by_suffix.chain(by_unit);
        match (found.next(), found.next()) {
            (Some(first), None) => Some(first),
            (Some((first, _)), Some((second, _))) => {
                let (first, second) = (self.header.shown(first), self.header.shown(second));
                let message = format!("two columns for channel {}: {first} and {second}", excerpt(name));
                self.problems.push(self.problem(message).remedy(format!("--column {name}={first}")));
                None
            }
            (None, _) => {
                if let Some((column, unit)) = self.unknown_unit(name) {
                    let message =
                        format!("column \"{}\" is in \"{}\", no unit that is known", excerpt(column), excerpt(unit));
                    let remedy = format!("--column '{name}={column}:c', or f, k, ohm, ratio");
                    self.problems.push(self.problem(message).remedy(remedy));
                } else if role == Role::Cell || self.header.find(name).is_ok() {
                    self.no_column(name, role);
                }
                None
            }
        }
    }

    /// A column of that name with a unit that no thermometer has, and the unit.
    fn unknown_unit(&self, name: &str) -> Option<(&'a str, &'a str)> {
        self.header.names().find_map(|column| match unit_names::split(column) {
            (base, Some(Written::Unknown(unit))) if alike(base, name) => Some((column, unit)),
            (base, Some(Written::Volts)) if alike(base, name) => Some((column, "V")),
            (base, Some(Written::Percent)) if alike(base, name) => Some((column, "%")),
            _ => None,
        })
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

    pub(super) fn logged(&mut self, name: &str, named: Option<&str>) -> Option<Flag> {
        let Some(column) = named else { return self.optional_flag(name) };
        let field = self.named(column, if name == "heater" { "--logged-heater" } else { "--logged-charge" })?;
        self.use_column(name, self.header.shown(field));
        Some(self.flag(field))
    }

    /// The field of one of [`OTHER_COLUMNS`], if the log has it.
    pub(super) fn other(&mut self, name: &str, mapping: &Mapping) -> Option<usize> {
        let mut named = mapping.channels.iter().filter(|column| column.channel == name);
        let field = match named.next() {
            Some(column) => {
                if named.next().is_some() {
                    let problem = option_problem(format!("--column names two columns for {name}"));
                    self.problems.push(problem.remedy("one column for each"));
                }
                self.named(&column.column, "--column")?
            }
            None => self.optional(name).or_else(|| self.other_by_unit(name))?,
        };
        let (needed, shown) = match name {
            "supply_v" | "bank_v" => (Some(Written::Volts), Some("V")),
            "soc_pct" => (Some(Written::Percent), Some("%")),
            _ => (None, None),
        };
        let (header, column) = (self.header, self.header.shown(field));
        if let (_, Some(written)) = unit_names::split(header.names().nth(field).unwrap_or_default())
            && needed.is_some_and(|needed| needed != written)
        {
            let message = format!(
                "column \"{column}\" is in {}, {name} in {}",
                excerpt(written.shown()),
                shown.unwrap_or_default()
            );
            let problem = self.problem(message).remedy("convert it; or rename the column, if the name is wrong");
            self.problems.push(problem);
        }
        self.use_column_in(name, column, shown);
        Some(field)
    }

    /// The column of that name with any unit after it, as in `bank [V]` for `bank_v`.
    fn other_by_unit(&mut self, name: &str) -> Option<usize> {
        let (base, unit) = name.rsplit_once('_').filter(|(_, unit)| matches!(*unit, "v" | "pct"))?;
        let header = self.header;
        let mut found = header
            .names()
            .enumerate()
            .filter(|(_, column)| matches!(unit_names::split(column), (written, Some(_)) if alike(written, base)));
        let (field, _) = found.next()?;
        if found.next().is_some() {
            let problem =
                self.problem(format!("more than one column {base} ({unit})")).remedy("rename all but one of them");
            self.problems.push(problem);
            return None;
        }
        Some(field)
    }

    pub(super) fn other_number(&mut self, name: &str, mapping: &Mapping) -> Option<Number> {
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

    pub(super) fn number(&mut self, field: usize) -> Number {
        place(&mut self.numbers, field)
    }

    fn flag(&mut self, field: usize) -> Flag {
        place(&mut self.flags, field)
    }
}

/// A problem in what the user said, not in the log.
pub(super) fn option_problem(message: impl Into<Box<str>>) -> Problem {
    Problem::usage(message)
}

/// The place of `field` in `fields`. Adds it if it is new.
fn place(fields: &mut Vec<usize>, field: usize) -> usize {
    fields.iter().position(|&known| known == field).unwrap_or_else(|| {
        fields.push(field);
        fields.len() - 1
    })
}
