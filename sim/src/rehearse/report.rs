//! The report of a rehearsal, for a person.

use super::answers::{Answers, Span, Wait};
use super::outcome::Outcome;
use super::reasons::Reasons;
use super::scenario::Scenario;
use super::trials::{Spread, Trial, Trials};
use crate::chart::{Summary, Table, TableRow};
use crate::diagnostic::escaped;
use crate::figures::fixed;
use forewarm_core::fault::SystemFault;
use forewarm_core::settings::BankUse;
use std::fmt::Write;

/// One installation, rehearsed.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// What was played.
    pub scenario: Scenario,
    /// The file it came from, as messages name it.
    pub file: String,
    /// How it was played.
    pub cast: Cast,
    /// Its result.
    pub outcome: Outcome,
    /// Why charge was refused, and which faults stood.
    pub reasons: Reasons,
    /// How long sources waited for a permit, and what heat served nothing.
    pub answers: Answers,
    /// The result of the same season with a heater that never gets any energy; `None` if it was not played.
    pub unheated: Option<Outcome>,
    /// The trials, if the user asked for them.
    pub trials: Option<Trials>,
}

/// How a season was played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cast {
    /// As the file says.
    AsWritten,
    /// As one trial.
    Trial {
        /// The seed of its draws.
        seed: u64,
        /// Its number.
        number: u64,
    },
}

/// A line of the text, with one value for each installation.
struct Row {
    label: String,
    unit: &'static str,
    values: Vec<String>,
}

/// The text of one rehearsal, or of two side by side.
#[must_use]
pub fn summarise(rehearsals: &[Rehearsal]) -> String {
    let mut text = String::new();
    for (index, rehearsal) in rehearsals.iter().enumerate() {
        let mark =
            if rehearsals.len() > 1 { format!("{}, {}: ", letter(index), rehearsal.file) } else { String::new() };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{mark}{}", rehearsal.headline());
        for verdict in rehearsal.verdicts() {
            let _ = writeln!(text, "  - {verdict}");
        }
    }
    for (title, rows) in parts(rehearsals) {
        let _ = writeln!(text, "\n{title}");
        write_rows(&mut text, &rows, rehearsals.len());
    }
    for (index, rehearsal) in rehearsals.iter().enumerate() {
        if let Some(trials) = &rehearsal.trials {
            let mark = if rehearsals.len() > 1 { format!(" of {}", letter(index)) } else { String::new() };
            write_trials(&mut text, trials, &mark);
        }
    }
    text
}

/// The same as tables, each installation under its label.
#[must_use]
pub fn figures(rehearsals: &[Rehearsal], labels: &[String]) -> Summary {
    let mut summary = Summary::default();
    let several = rehearsals.len() > 1;
    for (rehearsal, label) in rehearsals.iter().zip(labels) {
        let mark = if several { format!("{label}: ") } else { String::new() };
        let headline = rehearsal.headline();
        // The page has the title already.
        let mut lines = headline.lines();
        let title = lines.next().unwrap_or_default();
        let first = if several { title } else { lines.next().unwrap_or_default() };
        summary.lead.push(format!("{mark}{}", first.trim()));
        summary.lead.extend(lines.map(|line| line.trim().to_owned()));
        summary.lead.extend(rehearsal.verdicts());
    }
    let columns = if several { labels.to_vec() } else { Vec::new() };
    for (title, rows) in parts(rehearsals) {
        let with_unit = |value: String, unit: &str| format!("{value} {unit}").trim().to_owned();
        let rows = rows.into_iter().map(|Row { label, unit, values }| TableRow {
            name: label,
            values: values.into_iter().map(|value| with_unit(value, unit)).collect(),
        });
        summary.tables.push(Table {
            title: title.to_owned(),
            columns: columns.clone(),
            rows: rows.collect(),
            is_aside: false,
        });
    }
    for (rehearsal, label) in rehearsals.iter().zip(labels) {
        let Some(trials) = rehearsal.trials.as_ref().filter(|trials| !trials.finished.is_empty()) else { continue };
        let mark = if several { format!(", {label}") } else { String::new() };
        let figures = MEASURES.iter().filter_map(|(label, unit, decimals, value)| {
            let Spread { least, p5, median, p95, most } = trials.spread(value)?;
            let values = [least, p5, median, p95, most].map(|value| fixed(value, *decimals)).into();
            Some(TableRow { name: format!("{label}, {unit}").trim_end_matches([',', ' ']).to_owned(), values })
        });
        let sentences = trial_sentences(trials).into_iter().map(|name| TableRow { name, values: Vec::new() });
        summary.tables.push(Table {
            title: format!("{} trials{mark}", trials.finished.len()),
            is_aside: false,
            columns: COLUMNS.map(str::to_owned).into(),
            rows: figures.chain(sentences).collect(),
        });
    }
    summary
}

/// The parts of the text, each with its rows.
fn parts(rehearsals: &[Rehearsal]) -> [(&'static str, Vec<Row>); 6] {
    [
        ("Charge", charge_rows(rehearsals)),
        ("From when a source comes on to the charge permit", wait_rows(rehearsals)),
        ("Heat", heat_rows(rehearsals)),
        ("Cells (coldest place: of any battery, within it or at an outer face)", cell_rows(rehearsals)),
        ("Bank and relays", bank_rows(rehearsals)),
        ("Faults", fault_rows(rehearsals)),
    ]
}

/// The columns for a value over all trials.
const COLUMNS: [&str; 5] = ["least", "5 %", "half", "95 %", "most"];

const fn letter(index: usize) -> &'static str {
    if index == 0 { "A" } else { "B" }
}

fn write_rows(text: &mut String, rows: &[Row], columns: usize) {
    let label = rows.iter().map(|row| row.label.chars().count()).max().unwrap_or(0).max(44);
    if columns > 1 {
        let _ = writeln!(text, "  {:label$} {:>12} {:>12}", "", letter(0), letter(1));
    }
    for Row { label: name, unit, values } in rows {
        let mut line = format!("  {name:label$}");
        for value in values {
            let _ = write!(line, " {value:>12}");
        }
        let _ = write!(line, " {unit}");
        let _ = writeln!(text, "{}", line.trim_end());
    }
}

/// A row of numbers with so many decimals.
fn row(
    rehearsals: &[Rehearsal],
    label: &str,
    unit: &'static str,
    decimals: usize,
    value: impl Fn(&Rehearsal) -> Option<f64>,
) -> Row {
    let shown = |rehearsal: &Rehearsal| value(rehearsal).map_or("–".to_owned(), |value| fixed(value, decimals));
    Row { label: label.to_owned(), unit, values: rehearsals.iter().map(shown).collect() }
}

fn charge_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    let hours = |seconds: f64| Some(seconds / 3600.0);
    let mut rows = vec![row(rehearsals, "permitted", "h", 1, |r| hours(r.outcome.charge_permitted_s))];
    if rehearsals.iter().any(has_steps) {
        rows.push(row(rehearsals, "  of that in full", "h", 1, |r| hours(r.outcome.charge_full_s)));
    }
    rows.extend([
        row(rehearsals, "wanted: power to spare, and room in the bank", "h", 1, |r| hours(r.outcome.charge_wanted_s)),
        row(rehearsals, "  of that refused (lost)", "h", 1, |r| hours(r.outcome.charge_refused_s)),
    ]);
    rows.extend(cause_rows(rehearsals, "    ", Reasons::refused_s));
    rows.extend([
        row(rehearsals, "  of that used", "h", 1, |r| hours(used_s(&r.outcome))),
        row(rehearsals, "  used if nothing were heated", "h", 1, |r| hours(used_s(&r.unheated?))),
        row(rehearsals, "charging time won by heating", "h", 1, |r| hours(r.won_s()?)),
        row(rehearsals, "longest stretch without charge", "h", 1, |r| hours(r.answers.longest_without_charge_s())),
        row(rehearsals, "charged", "Ah", 0, |r| Some(r.outcome.charged_ah)),
        row(rehearsals, "  in a week", "Ah", 1, |r| a_week(r, r.outcome.charged_ah)),
        row(rehearsals, "  loads take in a week, bank and sources", "Ah", 1, |r| a_week(r, r.answers.load_ah())),
        row(rehearsals, "energy on offer while it was refused", "kWh", 2, |r| Some(r.outcome.refused_wh / 1000.0)),
    ]);
    rows
}

/// The part of a total that falls on a week.
fn a_week(rehearsal: &Rehearsal, total: f64) -> Option<f64> {
    let days = rehearsal.outcome.days();
    (days > 0.0).then(|| total * 7.0 / days)
}

/// For each source, how long it takes from when it comes on to the charge permit.
fn wait_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    let wait = |r: &Rehearsal, name: &str| -> Option<Wait> {
        r.answers.wait(r.scenario.sources.iter().position(|source| source == name)?)
    };
    let hours = |seconds: f64| seconds / 3600.0;
    let count = |times: usize| u32::try_from(times).ok().map(f64::from);
    let clock = |r: &Rehearsal, span: Option<Span>| {
        let at = |seconds: f64| {
            #[expect(clippy::cast_possible_truncation, reason = "a season has some millions of seconds")]
            let after = jiff::SignedDuration::from_secs(seconds as i64);
            r.scenario.weather.start.checked_add(after).ok().map(|at| at.strftime("%H:%M").to_string())
        };
        let told = span.and_then(|span| Some(format!("{}–{}", at(span.from_s)?, at(span.to_s)?)));
        told.unwrap_or_else(|| "–".to_owned())
    };
    let from_to = |name: &str, span: fn(Wait) -> Option<Span>| Row {
        label: "    on at, and charge permitted at".to_owned(),
        unit: "",
        values: rehearsals.iter().map(|r| clock(r, wait(r, name).and_then(span))).collect(),
    };
    let rows = source_names(rehearsals).into_iter().flat_map(|name| {
        let shown = escaped(name);
        [
            row(rehearsals, &format!("{shown}, times it came on"), "", 0, |r| count(wait(r, name)?.offers)),
            row(rehearsals, "  times with a charge permit", "", 0, |r| count(wait(r, name)?.permitted)),
            row(rehearsals, "  permit after, half of these times", "h", 1, |r| wait(r, name)?.median_s.map(hours)),
            from_to(name, |wait| wait.usual),
            row(rehearsals, "  permit after, at worst", "h", 1, |r| Some(wait(r, name)?.worst?.length_s() / 3600.0)),
            from_to(name, |wait| wait.worst),
        ]
    });
    rows.collect()
}

/// The sources of all rehearsals, each once.
fn source_names(rehearsals: &[Rehearsal]) -> Vec<&String> {
    let mut names: Vec<&String> = Vec::new();
    for name in rehearsals.iter().flat_map(|r| &r.scenario.sources) {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

/// Whether a source has two steps. Then the full charge permit is more than the charge permit.
fn has_steps(rehearsal: &Rehearsal) -> bool {
    rehearsal.scenario.settings.sources.iter().any(|source| source.charge.has_steps())
}

/// A row for every cause in any of the rehearsals, with its hours.
fn cause_rows(rehearsals: &[Rehearsal], indent: &str, times_s: fn(&Reasons) -> Vec<(&'static str, f64)>) -> Vec<Row> {
    let mut causes: Vec<&'static str> = Vec::new();
    for (cause, _) in rehearsals.iter().flat_map(|r| times_s(&r.reasons)) {
        if !causes.contains(&cause) {
            causes.push(cause);
        }
    }
    let hours = |r: &Rehearsal, cause| {
        times_s(&r.reasons).into_iter().find(|(name, _)| *name == cause).map_or(0.0, |(_, time)| time / 3600.0)
    };
    let row = |cause: &'static str| {
        row(rehearsals, &format!("{indent}{}", cause.replace('_', " ")), "h", 1, |r| Some(hours(r, cause)))
    };
    causes.into_iter().map(row).collect()
}

/// Time in which charge was wanted and permitted (s).
fn used_s(outcome: &Outcome) -> f64 {
    outcome.charge_wanted_s - outcome.charge_refused_s
}

fn heat_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    let mut rows = vec![
        row(rehearsals, "heater on", "h", 1, |r| Some(r.outcome.heater_on_s / 3600.0)),
        row(rehearsals, "into the pad", "kWh", 2, |r| Some(r.outcome.heater_wh / 1000.0)),
    ];
    for name in source_names(rehearsals) {
        rows.push(row(rehearsals, &format!("  from {}", escaped(name)), "kWh", 2, |r| {
            let index = r.scenario.sources.iter().position(|source| source == name)?;
            Some(r.outcome.heater_wh_by_source[index] / 1000.0)
        }));
    }
    rows.push(row(rehearsals, "  from the bank itself", "kWh", 2, |r| Some(r.outcome.heater_wh_of_bank / 1000.0)));
    rows.push(row(rehearsals, "in vain: cooled off before any charge", "kWh", 2, |r| {
        Some(r.answers.heat_in_vain_wh() / 1000.0)
    }));
    rows.push(row(rehearsals, "heater off", "h", 1, |r| Some(r.outcome.heater_off_s() / 3600.0)));
    rows.extend(cause_rows(rehearsals, "  ", Reasons::heater_off_s));
    rows
}

fn cell_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    vec![
        row(rehearsals, "coldest place while charge was permitted", "°C", 2, |r| {
            r.outcome.coldest_true_c_while_permitted
        }),
        row(rehearsals, "hard limit of the cells", "°C", 2, |r| Some(r.outcome.hard_limit_c)),
        row(rehearsals, "permits with a cell below that limit", "", 0, |r| Some(r.outcome.violations.into())),
        row(rehearsals, "coldest place at all", "°C", 2, |r| finite(r.outcome.coldest_true_c)),
        row(rehearsals, "warmest plate", "°C", 2, |r| finite(r.outcome.warmest_plate_c)),
    ]
}

fn bank_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    let mut rows = vec![
        row(rehearsals, "state of charge, least", "%", 0, |r| Some(r.outcome.least_charge * 100.0)),
        row(rehearsals, "state of charge at the end", "%", 0, |r| Some(r.outcome.last_charge * 100.0)),
        row(rehearsals, "loads that an empty bank did not feed", "kWh", 2, |r| Some(r.outcome.unmet_wh / 1000.0)),
        row(rehearsals, "cycles of the heater relay", "", 0, |r| Some(r.outcome.heater_cycles.into())),
        row(rehearsals, "  most in 24 h", "", 0, |r| Some(r.outcome.heater_cycles_in_a_day.into())),
        row(rehearsals, "  allowed in 24 h", "", 0, |r| Some(r.scenario.settings.heater.max_cycles_per_day.into())),
        row(rehearsals, "cycles of the charge relay", "", 0, |r| Some(r.outcome.charge_cycles.into())),
    ];
    if rehearsals.iter().any(has_steps) {
        rows.push(row(rehearsals, "cycles of the full permit's relay", "", 0, |r| {
            has_steps(r).then(|| r.outcome.full_cycles.into())
        }));
    }
    rows
}

/// How often each fault was raised and how long it stood; without faults one row that says so.
fn fault_rows(rehearsals: &[Rehearsal]) -> Vec<Row> {
    let mut names: Vec<&'static str> =
        rehearsals.iter().flat_map(|r| r.reasons.faults()).map(|fault| fault.0).collect();
    names.sort_unstable();
    names.dedup();
    if names.is_empty() {
        return vec![Row { label: "none".to_owned(), unit: "", values: vec![String::new(); rehearsals.len()] }];
    }
    let of = |r: &Rehearsal, name: &str| r.reasons.faults().find(|fault| fault.0 == name);
    let rows = names.into_iter().flat_map(|name| {
        let shown = name.replace('_', " ");
        [
            row(rehearsals, &format!("{shown}, times raised"), "", 0, |r| Some(of(r, name).map_or(0, |f| f.1).into())),
            row(rehearsals, &format!("{shown}, in all"), "h", 1, |r| Some(of(r, name).map_or(0.0, |f| f.2) / 3600.0)),
        ]
    });
    rows.collect()
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Reads a value of a trial, if the trial has it.
type Read = fn(&Trial) -> Option<f64>;

/// A value of trials: label, unit, decimals, and how to read it.
type Measure = (&'static str, &'static str, usize, Read);

const MEASURES: [Measure; 7] = [
    ("coldest place while charge was permitted", "°C", 2, |t| t.outcome.coldest_true_c_while_permitted),
    ("charge permitted", "h", 1, |t| Some(t.outcome.charge_permitted_s / 3600.0)),
    ("charge wanted and refused", "h", 1, |t| Some(t.outcome.charge_refused_s / 3600.0)),
    ("heater on", "h", 1, |t| Some(t.outcome.heater_on_s / 3600.0)),
    ("into the pad", "kWh", 2, |t| Some(t.outcome.heater_wh / 1000.0)),
    ("cycles of the heater relay", "", 0, |t| Some(t.outcome.heater_cycles.into())),
    ("state of charge, least", "%", 0, |t| Some(t.outcome.least_charge * 100.0)),
];

fn write_trials(text: &mut String, trials: &Trials, mark: &str) {
    let count = trials.finished.len();
    let of = if trials.wanted == count as u64 { String::new() } else { format!(" of {}", trials.wanted) };
    let _ = writeln!(text, "\n{}{of} trials{mark} over the stated tolerances, seed {}", count, trials.seed);
    if count == 0 {
        return;
    }
    let _ = write!(text, "  {:44}", "");
    for column in COLUMNS {
        let _ = write!(text, " {column:>8}");
    }
    text.push('\n');
    for (label, unit, decimals, value) in MEASURES {
        let Some(Spread { least, p5, median, p95, most }) = trials.spread(value) else { continue };
        let _ = write!(text, "  {label:44}");
        for value in [least, p5, median, p95, most] {
            let _ = write!(text, " {:>8}", fixed(value, decimals));
        }
        let _ = writeln!(text, " {unit}");
    }
    for sentence in trial_sentences(trials) {
        let _ = writeln!(text, "  {sentence}");
    }
}

/// Further sentences on all trials.
fn trial_sentences(trials: &Trials) -> Vec<String> {
    let count = trials.finished.len();
    let touched = trials.finished.iter().filter(|trial| trial.outcome.violations > 0).count();
    let mut sentences = vec![format!(
        "permits in which the coldest place was below the hard limit: {}, in {touched} of {count} trials",
        trials.violations()
    )];
    if let Some(worst) = trials.worst() {
        let margin = worst
            .margin_k()
            .map_or("charge never permitted".to_owned(), |margin| format!("{margin:+.2} K above the hard limit"));
        sentences.push(format!(
            "worst: trial {}, {margin}; again alone with --seed {} --trial {}",
            worst.number, trials.seed, worst.number
        ));
    }
    sentences
}

impl Rehearsal {
    /// Charging time that heating won (s), if known: the time with charge wanted and permitted, less the same without
    /// heat.
    #[must_use]
    pub fn won_s(&self) -> Option<f64> {
        Some(used_s(&self.outcome) - used_s(&self.unheated?))
    }

    /// Whether charge was permitted to a cell below its hard limit.
    #[must_use]
    pub fn did_harm(&self) -> bool {
        self.outcome.violations > 0 || self.trials.as_ref().is_some_and(|trials| trials.violations() > 0)
    }

    fn headline(&self) -> String {
        let Scenario { title, sources, weather, step_ms, site, .. } = &self.scenario;
        let days = self.outcome.days();
        let cast = match self.cast {
            Cast::AsWritten => String::new(),
            Cast::Trial { seed, number } => format!(", trial {number} of seed {seed}"),
        };
        let colder = match site.winter.offset_k {
            0.0 => String::new(),
            k if k < 0.0 => format!(", {} K colder than its weather", fixed(-k, 1)),
            k => format!(", {} K warmer than its weather", fixed(k, 1)),
        };
        let cut = if self.is_cut_short() { " (cut short)" } else { "" };
        let room = site.room.as_ref().map_or_else(String::new, |room| format!("\n  {room}"));
        let feed = site.feed_told(sources).map_or_else(String::new, |feed| format!("\n  {feed}"));
        format!(
            "{}\n  {} days from {}{cut}{colder}{cast}; {} steps of {} s{room}{feed}",
            escaped(title),
            fixed(days, usize::from(days.fract() != 0.0)),
            weather.start.date(),
            self.outcome.steps,
            f64::from(*step_ms) / 1000.0,
        )
    }

    /// What a fitter must know first.
    fn verdicts(&self) -> Vec<String> {
        let outcome = &self.outcome;
        let mut verdicts = Vec::new();
        let in_trials = self.trials.as_ref().map_or(0, Trials::violations);
        let counted = match (outcome.violations, in_trials) {
            (0, 0) => None,
            (season, 0) => Some(format!("{season} times")),
            (0, trials) => Some(format!("{trials} times in the trials")),
            (season, trials) => Some(format!("{season} times, and {trials} times in the trials,")),
        };
        if let Some(times) = counted {
            verdicts.push(format!(
                "DANGER: charge was permitted {times} with cells below their hard limit; raise charge.inhibit_c and release_c \
                 (see `forewarm plan`)"
            ));
        }
        let main_cause = || {
            let reasons = self.reasons.refused_s();
            reasons.first().map_or(String::new(), |(cause, _)| format!("; main cause: {}", cause.replace('_', " ")))
        };
        if outcome.charge_wanted_s > 0.0 && outcome.charge_permitted_s == 0.0 {
            verdicts.push(format!("charge was never permitted{}", main_cause()));
        } else if outcome.charge_refused_s > 0.5 * outcome.charge_wanted_s {
            verdicts.push(format!(
                "charge was refused for {:.0} % of the time that there was power to charge with{}",
                100.0 * outcome.charge_refused_s / outcome.charge_wanted_s,
                main_cause()
            ));
        }
        if outcome.above_ceiling_s > 0.0 {
            verdicts.push(format!(
                "DANGER: the bank was charged for {} h with more than the charge-current ceiling allows, at the most by {} A: a source \
                 gives more than the file says, or gives power before its line says that it is present (see `forewarm plan`)",
                fixed(outcome.above_ceiling_s / 3600.0, 2),
                fixed(outcome.most_above_ceiling_a, 1)
            ));
        }
        for broken in &self.scenario.broken {
            let at = jiff::SignedDuration::from_secs(broken.from_s);
            let when = self.scenario.weather.start.saturating_add(at).strftime("%m-%d %H:%M");
            let name = escaped(&broken.what.name(&self.scenario));
            verdicts.push(format!("broken from {when} on: {name}: {}", broken.what.meaning()));
        }
        for cutout in &self.scenario.thermal_cutouts {
            verdicts.push(format!("a thermal cut-out opens the heater's circuit {cutout}"));
        }
        if let Some(beyond) = self.scenario.beyond_design() {
            verdicts.push(format!("the weather is harsher than what `forewarm plan` is told: {beyond}"));
        }
        let paid_unasked =
            self.scenario.settings.bank == BankUse::Never && outcome.heater_wh_of_bank > 0.01 * outcome.heater_wh;
        if paid_unasked {
            verdicts.push(format!(
                "the bank paid for {} kWh of heat, which bank.spend = \"never\" does not mean: a source counts as present \
                 while it gives less than its budget",
                fixed(outcome.heater_wh_of_bank / 1000.0, 2)
            ));
        }
        for fault in [SystemFault::CyclesSpent, SystemFault::SupplySags, SystemFault::SourceNotGiving] {
            let facts = fault.facts();
            if let Some((_, times, stood_s)) = self.reasons.faults().find(|(name, ..)| *name == facts.name) {
                verdicts.push(format!(
                    "{} ({}, {times} times, {} h in all): check {}",
                    facts.meaning,
                    facts.name,
                    fixed(stood_s / 3600.0, 1),
                    facts.check_first
                ));
            }
        }
        if outcome.unmet_wh > 0.0 {
            verdicts.push("the bank ran empty: more charging, or less load".to_owned());
        }
        if outcome.overrules > 0 {
            verdicts.push(format!("the guard overruled the controller {} times", outcome.overrules));
        }
        verdicts
    }

    /// Whether the season ended before its time.
    #[must_use]
    pub fn is_cut_short(&self) -> bool {
        self.outcome.span_s + 0.5 * f64::from(self.scenario.step_ms) / 1000.0 < self.whole_s()
    }

    #[expect(clippy::cast_precision_loss, reason = "seconds of a year")]
    const fn whole_s(&self) -> f64 {
        self.scenario.span_s as f64
    }
}
