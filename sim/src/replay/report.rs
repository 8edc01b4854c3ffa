//! What a replay found, as data. `--json` prints it, and the summary is made from it.

use super::assignment::{Assignment, Assumption};
use super::clock::Dial;
use super::differ::Differ;
use super::events::seconds;
use super::fill::Bridged;
use super::record::Recorder;
use super::rejects::{Fault, Reject, Rejects};
use super::rows::{Leap, Leaps};
use super::tally::{FaultTally, What};
use crate::csv_text::decimal::Decimal;
use crate::installation::Installation;
use crate::si;
use forewarm_core::fault::Severity;
use forewarm_core::journal::Counters;
use forewarm_core::quantity::Celsius;
use forewarm_core::signals::State;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;

/// What a replay found. Times end in `_s` and are in seconds; moments count from the first row.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// Title of the installation.
    pub title: String,
    /// The log, as the user named it.
    pub log: String,
    /// Date of the first row in RFC 3339, if the log has dates.
    pub start: Option<String>,
    /// Format of the time column: its name, or a pattern as strftime has it.
    pub time_format: String,
    /// What the log says about the zone of its times, and what the replay took instead; `None` if every moment is
    /// clear.
    pub time_note: Option<String>,
    /// What separates the cells.
    pub delimiter: char,
    /// Decimal sign; `None` if no number read has one.
    pub decimal: Option<char>,
    /// Which column was used for what.
    pub columns: Vec<Use>,
    /// Rows read, including rejected rows.
    pub rows_read: u64,
    /// Rows not used.
    pub rows_rejected: u64,
    /// The same by kind.
    #[serde(serialize_with = "by_kind")]
    pub rejected: Rejects,
    /// Steps of the controller.
    pub steps: u64,
    /// Time between two steps.
    pub step_s: f64,
    /// From the first row to the last.
    pub span_s: f64,
    /// Pauses of the log that were not stepped through. They count neither as permitted nor as inhibited.
    pub skipped_s: f64,
    /// These pauses one by one, the first thousand of them.
    pub pauses: Vec<Pause>,
    /// How many there were.
    pub pause_count: u64,
    /// The row that lies farthest before the last used row; `None` if all rows are in order.
    pub largest_step_back: Option<Step>,
    /// The row that lies farthest after the row before it; `None` if there is only one row.
    pub largest_step_forward: Option<Step>,
    /// The first row at which the clock seems to change to or from summer time, if the log writes no zone.
    pub summer_time: Option<SummerTime>,
    /// Longest gap to interpolate; `None` if the log's own intervals decided.
    pub max_gap_s: Option<f64>,
    /// What was interpolated, by channel: empty cells, and pauses between rows longer than usual. Supply and bank stand
    /// under the names of their columns. Channels without any are left out.
    pub bridged: Vec<Bridge>,
    /// Time the heater was on.
    pub heater_on_s: f64,
    /// Times it was switched on.
    pub heater_starts: u64,
    /// Time the heater was off.
    pub heater_off_s: f64,
    /// The same by cause, the longest first.
    pub heater_off_by: Vec<Because>,
    /// Energy spent on heat, by source; the bank last.
    pub energy: Vec<Energy>,
    /// Time with charge permitted.
    pub charge_permitted_s: f64,
    /// Part of it with the full charge permit; `None` if no source has two steps, and it is all of it.
    pub charge_full_s: Option<f64>,
    /// Times it was permitted anew.
    pub charge_permits: u64,
    /// Time with charge inhibited.
    pub charge_inhibited_s: f64,
    /// The same by cause, the longest first.
    pub inhibited_by: Vec<Because>,
    /// Lowest reading of the coldest cell while charge was permitted.
    pub coldest_permitted_c: Option<f64>,
    /// When that was.
    pub coldest_permitted_at_s: Option<f64>,
    /// Time in each state.
    pub states: Vec<InState>,
    /// Faults, in the order in which they first came.
    pub faults: Vec<FaultReport>,
    /// Where the logged heater and ours differ; `None` if the log does not show it.
    pub heater_differences: Option<Differences>,
    /// Where the logged charge permit and ours differ; `None` if the log does not show it.
    pub charge_differences: Option<Differences>,
    /// What the log does not show, and what the replay assumed instead.
    pub assumptions: Vec<String>,
    /// How to show moments.
    #[serde(skip)]
    pub dial: Dial,
}

/// A column and what it was used for.
#[derive(Clone, Debug, Serialize)]
pub struct Use {
    /// What for.
    pub what: String,
    /// The column.
    pub column: String,
    /// The unit in which its numbers were read; `None` if it holds none.
    pub unit: Option<&'static str>,
}

/// The part of a pause of the log that was not stepped through.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Pause {
    /// Its start.
    pub t_s: f64,
    /// How long it lasted.
    pub duration_s: f64,
}

/// Where a log without zones seems to change to summer time or back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct SummerTime {
    /// Line of the first row after the change.
    pub line: u64,
    /// Whether an hour appears twice; otherwise one is missing.
    pub repeated: bool,
}

/// A step of the log's clock from one row to another.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Step {
    /// Line of the later row in the log.
    pub line: u64,
    /// Its distance from the row before, either way.
    pub by_s: f64,
}

impl From<Leap> for Step {
    fn from(leap: Leap) -> Self {
        Self { line: leap.line, by_s: seconds(leap.by) }
    }
}

/// What was interpolated in one channel.
#[derive(Clone, Debug, Serialize)]
pub struct Bridge {
    /// The channel.
    pub channel: String,
    /// How long in all, from value to value.
    pub time_s: f64,
    /// How many gaps.
    pub count: u64,
    /// The longest of them, the longest first.
    pub longest: Vec<Period>,
}

/// A stretch of the log.
#[derive(Clone, Debug, Serialize)]
pub struct Period {
    /// Its start.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
}

/// Energy from one source.
#[derive(Clone, Debug, Serialize)]
pub struct Energy {
    /// Name of the source.
    pub source: String,
    /// Energy in watt hours.
    pub energy_wh: f64,
}

/// Time with one cause.
#[derive(Clone, Debug, Serialize)]
pub struct Because {
    /// The cause.
    pub cause: &'static str,
    /// How long.
    pub time_s: f64,
}

/// Time in one state.
#[derive(Clone, Debug, Serialize)]
pub struct InState {
    /// The state.
    pub state: &'static str,
    /// How long.
    pub time_s: f64,
}

/// One fault of one channel, or of the whole.
#[derive(Clone, Debug, Serialize)]
pub struct FaultReport {
    /// The channel; `None` for a fault of the whole.
    pub channel: Option<String>,
    /// Which fault.
    pub kind: &'static str,
    /// When it was first seen.
    pub first_s: f64,
    /// How often it came.
    pub count: u64,
    /// How long it stood in all.
    pub stood_s: f64,
    /// Whether it sounds the alarm; the others are part of a normal winter.
    pub alarm: bool,
    /// What it means.
    pub meaning: &'static str,
    /// The main obstacle to charge at the moment when charge was first overdue.
    pub most_for: Option<&'static str>,
    /// What to look at first.
    pub check_first: &'static str,
    /// The assumption, if the fault rests on it and on nothing in the log.
    pub assumed: Option<String>,
}

/// Where a logged output and ours differ.
#[derive(Clone, Debug, Serialize)]
pub struct Differences {
    /// Time for which the log shows what was done.
    pub compared_s: f64,
    /// Time for which only the logged output was on.
    pub logged_only_s: f64,
    /// Time for which only ours was on.
    pub ours_only_s: f64,
    /// Stretches of difference.
    pub count: u64,
    /// The first few of them.
    pub first: Vec<Difference>,
}

/// A stretch of time in which the two outputs differ.
#[derive(Clone, Debug, Serialize)]
pub struct Difference {
    /// Its start.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// Whether the logged output was on.
    pub logged: bool,
    /// Our cause at its start.
    pub cause: &'static str,
    /// The coldest cell at its start, if every cell channel was good.
    pub coldest_cell_c: Option<f64>,
}

/// What a report is made of, besides the sums.
pub(super) struct Source<'a> {
    pub(super) installation: &'a Installation,
    pub(super) log: &'a str,
    pub(super) assignment: &'a Assignment,
    pub(super) dial: Dial,
    pub(super) time_format: String,
    pub(super) time_note: Option<String>,
    pub(super) delimiter: u8,
    pub(super) decimal: Option<Decimal>,
    pub(super) summer_time: Option<SummerTime>,
    pub(super) rows_read: u64,
    pub(super) rejects: Rejects,
    pub(super) leaps: Leaps,
    pub(super) steps: u64,
    pub(super) step: u32,
    pub(super) span: i64,
    pub(super) longest_gap: Option<i64>,
    /// One for each channel of the assignment, then for supply, bank and state of charge if they have a column.
    pub(super) bridged: Vec<Bridged>,
    pub(super) counters: Counters,
}

impl Report {
    /// Time that was stepped through: the whole of which shares are given.
    pub(super) fn stepped_s(&self) -> f64 {
        self.span_s - self.skipped_s
    }

    pub(super) fn new(from: Source<'_>, recorder: &Recorder) -> Self {
        let tally = &recorder.tally;
        let uses = from.assignment.uses.iter().cloned();
        let mut faults: Vec<_> = tally.faults.iter().collect();
        faults.sort_by_key(|fault| fault.first);
        let has_steps = from.installation.settings.sources.iter().any(|source| source.charge.has_steps());
        let names = from.installation.sources.iter().map(String::as_str).chain(["bank"]);
        let spent = from.counters.source_energy_uj[..from.installation.sources.len()].iter();
        Self {
            title: from.installation.title.clone(),
            log: from.log.to_owned(),
            start: from.dial.rfc3339(0),
            time_format: from.time_format,
            time_note: from.time_note,
            delimiter: char::from(from.delimiter),
            decimal: from.decimal.map(|decimal| match decimal {
                Decimal::Point => '.',
                Decimal::Comma => ',',
            }),
            columns: uses.collect(),
            rows_read: from.rows_read,
            rows_rejected: from.rejects.total(),
            rejected: from.rejects,
            steps: from.steps,
            step_s: f64::from(from.step) / 1000.0,
            span_s: seconds(from.span),
            skipped_s: seconds(tally.skipped),
            pauses: tally
                .pauses
                .iter()
                .map(|&(from, to)| Pause { t_s: seconds(from), duration_s: seconds(to - from) })
                .collect(),
            pause_count: tally.pause_count,
            largest_step_back: from.leaps.back.map(Step::from),
            largest_step_forward: from.leaps.forward.map(Step::from),
            summer_time: from.summer_time,
            max_gap_s: from.longest_gap.map(seconds),
            bridged: bridges(from.assignment, &from.bridged),
            heater_on_s: seconds(tally.heater_on),
            heater_starts: tally.heater_starts,
            heater_off_s: seconds(tally.heater_off),
            heater_off_by: by_cause(&tally.heater_off_by),
            energy: names
                .zip(spent.chain([&from.counters.bank_energy_uj]))
                .map(|(source, energy)| Energy { source: source.to_owned(), energy_wh: watt_hours(*energy) })
                .collect(),
            charge_permitted_s: seconds(tally.permitted),
            charge_full_s: has_steps.then(|| seconds(tally.in_full)),
            charge_permits: tally.permits,
            charge_inhibited_s: seconds(tally.inhibited),
            inhibited_by: by_cause(&tally.inhibited_by),
            coldest_permitted_c: tally.coldest_permitted.map(|(coldest, _)| celsius(coldest)),
            coldest_permitted_at_s: tally.coldest_permitted.map(|(_, at)| seconds(at)),
            states: State::PLAIN
                .iter()
                .zip(tally.in_state)
                .map(|(state, time)| InState { state: state.name(), time_s: seconds(time) })
                .collect(),
            faults: faults
                .into_iter()
                .map(|fault| {
                    let facts = fault.what.facts();
                    FaultReport {
                        channel: match fault.what {
                            What::Channel(channel, _) => Some(from.assignment.channels[channel].name.clone()),
                            What::System(_) => None,
                        },
                        kind: facts.name,
                        first_s: seconds(fault.first),
                        count: fault.count,
                        stood_s: seconds(fault.stood),
                        alarm: facts.severity == Severity::Alarm,
                        meaning: facts.meaning,
                        most_for: fault.most_for,
                        check_first: facts.check_first,
                        assumed: from.assignment.assumptions.iter().find_map(|assumption| {
                            let rests = assumption.fault.is_some_and(|known| fault.what == What::System(known));
                            rests.then(|| assumption.text.clone())
                        }),
                    }
                })
                .collect(),
            heater_differences: from.assignment.logged_heater.map(|_| Differences::new(&recorder.heater)),
            charge_differences: from.assignment.logged_charge.map(|_| Differences::new(&recorder.charge)),
            assumptions: from.assignment.assumptions.iter().map(|assumption| said(assumption, &tally.faults)).collect(),
            dial: from.dial,
        }
    }
}

impl Differences {
    fn new(differ: &Differ) -> Self {
        let first = differ.first.iter().map(|difference| Difference {
            from_s: seconds(difference.from),
            to_s: seconds(difference.to),
            logged: difference.logged_on,
            cause: difference.cause.name(),
            coldest_cell_c: difference.coldest.map(celsius),
        });
        Self {
            compared_s: seconds(differ.compared),
            logged_only_s: seconds(differ.logged_only),
            ours_only_s: seconds(differ.ours_only),
            count: differ.count,
            first: first.collect(),
        }
    }
}

/// The assumption, and the fault that it caused, if it caused one.
fn said(assumption: &Assumption, faults: &[FaultTally]) -> String {
    let text = &assumption.text;
    match assumption.fault.filter(|known| faults.iter().any(|fault| fault.what == What::System(*known))) {
        Some(fault) => format!("{text}: {} rests on it", fault.facts().name.replace('_', " ")),
        None => text.clone(),
    }
}

/// The longest first.
fn by_cause(times: &[(&'static str, i64)]) -> Vec<Because> {
    let mut times: Vec<_> = times.iter().filter(|(_, time)| *time > 0).collect();
    times.sort_by_key(|(cause, time)| (-time, *cause));
    times.into_iter().map(|&(cause, time)| Because { cause, time_s: seconds(time) }).collect()
}

fn bridges(assignment: &Assignment, bridged: &[Bridged]) -> Vec<Bridge> {
    let others =
        [(assignment.supply, "supply_v"), (assignment.bank, "bank_v"), (assignment.state_of_charge, "soc_pct")];
    let others = others.iter().filter_map(|(number, name)| number.map(|_| *name));
    let names = assignment.channels.iter().map(|channel| channel.name.as_str()).chain(others);
    let told = names.zip(bridged).filter(|(_, bridged)| bridged.count > 0);
    told.map(|(name, bridged)| Bridge {
        channel: name.to_owned(),
        time_s: seconds(bridged.time),
        count: bridged.count,
        longest: bridged
            .longest
            .iter()
            .map(|&(from, to)| Period { from_s: seconds(from), to_s: seconds(to) })
            .collect(),
    })
    .collect()
}

/// `{kind: count, …, "first": [{line, kind, detail}]}`.
fn by_kind<S: Serializer>(rejects: &Rejects, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Shape<'a> {
        #[serde(flatten)]
        counts: BTreeMap<&'static str, u64>,
        first: &'a [Reject],
    }
    let counts = Fault::ALL.into_iter().map(|kind| (kind.name(), rejects.count(kind))).collect();
    Shape { counts, first: &rejects.first }.serialize(serializer)
}

/// Rounds to a hundredth of a thousandth of a degree. In whole thousandths, a reading just above a threshold would look
/// as if it were at the threshold.
fn celsius(t: Celsius) -> f64 {
    (si::celsius(t) * 1e5).round() / 1e5
}

/// Microjoules as watt hours, to the milliwatt hour.
#[expect(clippy::cast_precision_loss, reason = "below 2^53: 10^9 Wh, in milliwatt hours")]
fn watt_hours(microjoules: u64) -> f64 {
    (microjoules / 3_600_000) as f64 / 1000.0
}
