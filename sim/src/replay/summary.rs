//! The report as text for a fitter.

use super::clock::Span;
use super::rejects::Fault;
use super::report::{Because, Differences, FaultReport, Report};
use crate::chart::{Summary, Table, TableRow};
use crate::diagnostic::escaped;
use std::fmt::Write;

/// The report, part by part, before it is laid out.
#[derive(Default)]
struct Paper(Vec<Part>);

struct Part {
    title: String,
    items: Vec<Item>,
}

enum Item {
    /// A value and its name; without a name it continues the value above.
    Value(String, String),
    Line(String),
}

/// The report as plain aligned text, of at most 100 columns unless names are longer.
#[must_use]
pub fn summarise(report: &Report) -> String {
    let mut out = String::new();
    // Titles and names come out of files. Writing to a string cannot fail.
    let mut line = |text: &str| writeln!(out, "{}", escaped(text));
    let _ = line(&report.title);
    for Part { title, items } in paper(report).0 {
        let _ = line("");
        let _ = line(&title);
        for item in items {
            let _ = match item {
                Item::Value(name, value) => line(&format!("  {name:<30}{value}")),
                Item::Line(text) => line(&text),
            };
        }
    }
    out
}

/// The parts that show what was decided.
const DECIDED: [&str; 5] = ["Charge", "Heater", "Faults", "Notices", "Differences from the logged controller"];

/// The same as tables.
#[must_use]
pub fn figures(report: &Report) -> Summary {
    let row = |item: Item| match item {
        Item::Line(text) => TableRow { name: text.trim().to_owned(), values: Vec::new() },
        Item::Value(name, value) => {
            let value = value.trim();
            // A number that continues the one above has its name after it.
            let part = value.rsplit_once("  ").filter(|_| name.is_empty());
            let (name, value) = part.map_or((name, value), |(value, name)| (format!("  {name}"), value));
            TableRow { name, values: vec![value.split_whitespace().collect::<Vec<_>>().join(" ")] }
        }
    };
    let mut tables: Vec<Table> = Vec::new();
    for Part { title, items } in paper(report).0 {
        let is_aside = !DECIDED.contains(&title.as_str());
        let rows = items.into_iter().map(row).collect();
        tables.push(Table { title, is_aside, columns: Vec::new(), rows });
    }
    // What was decided comes before how the log was read.
    tables.sort_by_key(|table| table.is_aside);
    let lead = vec![format!("{}: {}", report.log, span(report.span_s))];
    Summary { lead, tables }
}

fn paper(report: &Report) -> Paper {
    let mut out = Paper::default();
    log(&mut out, report);
    charge(&mut out, report);
    heater(&mut out, report);
    states(&mut out, report);
    faults(&mut out, report);
    differences(&mut out, report);
    grounds(&mut out, report);
    out
}

fn log(out: &mut Paper, report: &Report) {
    let end = moment(report, report.span_s);
    heading(out, "Log");
    item(out, "file", &report.log);
    match report.dial.zone() {
        Some(zone) => {
            item(out, "from", &format!("{} {zone}", moment(report, 0.0)));
            item(out, "to", &format!("{end} {zone}, {}", span(report.span_s)));
        }
        None => item(out, "length", &span(report.span_s)),
    }
    let rejected = match report.rows_rejected {
        0 => "all of them used".to_owned(),
        count => format!("{count} of them rejected"),
    };
    item(out, "rows", &format!("{}, {rejected}", report.rows_read));
    for kind in Fault::ALL {
        match report.rejected.count(kind) {
            0 => {}
            count => item(out, "", &format!("{count} {}", kind.words())),
        }
    }
    if let Some(step) = report.largest_step_back {
        let hint = "was the clock set? then correct the times";
        item(out, "largest step back", &format!("line {}, by {}; {hint}", step.line, span(step.by_s)));
    }
    if let Some(step) = report.largest_step_forward.filter(|_| report.skipped_s > 0.0) {
        let hint = "a pause, or was the clock set?";
        item(out, "largest step forward", &format!("line {}, by {}; {hint}", step.line, span(step.by_s)));
    }
    if let Some(change) = report.summer_time {
        let what = if change.repeated {
            "an hour is there twice: the end of summer time?"
        } else {
            "an hour is missing: the start of summer time?"
        };
        item(out, "summer time", &format!("line {}, {what}", change.line));
        item(out, "", "nothing was moved; export in standard time or with the zone offset (%z)");
    }
    item(out, "steps", &format!("{} of {} s", report.steps, report.step_s));
    if report.skipped_s > 0.0 {
        item(
            out,
            "skipped",
            &format!("{} in pauses of the log, left out of every time and share below", span(report.skipped_s)),
        );
    }
    bridged(out, report);
}

fn bridged(out: &mut Paper, report: &Report) {
    let limit = match report.max_gap_s {
        None => "the limit is 3 times the usual interval, 1 h at most".to_owned(),
        Some(limit) => format!("the limit is {}", span(limit)),
    };
    if report.bridged.is_empty() {
        item(out, "gaps interpolated", &format!("none; {limit}"));
        return;
    }
    item(out, "gaps interpolated", &limit);
    heading(out, "Interpolated over gaps");
    for bridge in &report.bridged {
        let gaps = if bridge.count == 1 { "1 gap".to_owned() } else { format!("{} gaps", bridge.count) };
        item(out, &bridge.channel, &format!("{} in {gaps}, the longest:", span(bridge.time_s)));
        for gap in &bridge.longest {
            item(out, "", &format!("  {}, {}", moment(report, gap.from_s), span(gap.to_s - gap.from_s)));
        }
    }
}

fn charge(out: &mut Paper, report: &Report) {
    heading(out, "Charge");
    item(out, "permitted", &share(report.charge_permitted_s, report.stepped_s()));
    if let Some(in_full) = report.charge_full_s {
        item(out, "  of that in full", &share(in_full, report.stepped_s()));
    }
    item(out, "inhibited", &share(report.charge_inhibited_s, report.stepped_s()));
    causes(out, report, &report.inhibited_by);
    let coldest = match (report.coldest_permitted_c, report.coldest_permitted_at_s) {
        (Some(coldest), Some(at)) => format!("{coldest:.2} °C, {}", moment(report, at)),
        _ => "never permitted".to_owned(),
    };
    item(out, "coldest cell while permitted", &coldest);
}

fn causes(out: &mut Paper, report: &Report, causes: &[Because]) {
    for because in causes {
        item(out, "", &format!("{}  {}", share(because.time_s, report.stepped_s()), because.cause.replace('_', " ")));
    }
}

fn heater(out: &mut Paper, report: &Report) {
    heading(out, "Heater");
    item(out, "on", &share(report.heater_on_s, report.stepped_s()));
    item(out, "off", &share(report.heater_off_s, report.stepped_s()));
    causes(out, report, &report.heater_off_by);
    item(out, "starts", &format!("{:>9}", report.heater_starts));
    let total: f64 = report.energy.iter().map(|energy| energy.energy_wh).sum();
    item(out, "energy", &format!("{:>9.3} kWh", total / 1000.0));
    for energy in &report.energy {
        item(out, "", &format!("{:>9.3} kWh  {}", energy.energy_wh / 1000.0, energy.source));
    }
}

fn states(out: &mut Paper, report: &Report) {
    heading(out, "Time in each state");
    for state in &report.states {
        item(out, &state.state.replace('_', " "), &share(state.time_s, report.stepped_s()));
    }
}

fn faults(out: &mut Paper, report: &Report) {
    for (title, alarm) in [("Faults", true), ("Notices", false)] {
        let mut chosen = report.faults.iter().filter(|fault| fault.alarm == alarm).peekable();
        if chosen.peek().is_none() {
            if alarm {
                heading(out, title);
                line(out, format_args!("  none"));
            }
            continue;
        }
        heading(out, title);
        for fault in chosen {
            one_fault(out, report, fault);
        }
    }
}

fn one_fault(out: &mut Paper, report: &Report, fault: &FaultReport) {
    let channel = fault.channel.as_deref().unwrap_or("installation");
    let times = if fault.count == 1 { "once".to_owned() } else { format!("{} times", fault.count) };
    line(out, format_args!("  {channel}: {}: {}", fault.kind.replace('_', " "), fault.meaning));
    line(out, format_args!("    {times}, first {}, {} in all", moment(report, fault.first_s), span(fault.stood_s)));
    if let Some(cause) = fault.most_for {
        line(out, format_args!("    the first time mostly for: {}", cause.replace('_', " ")));
    }
    if fault.alarm {
        line(out, format_args!("    check first: {}", fault.check_first));
    }
    if let Some(assumed) = &fault.assumed {
        line(out, format_args!("    but assumed: {assumed}"));
    }
    // The log itself can cause these. Then the sensor is not to blame.
    match fault.kind {
        "stuck" | "too_fast" => line(out, format_args!("    or the log's own steps are coarse: then nothing is wrong")),
        "missing" => line(out, format_args!("    or a gap of the log too long to interpolate (--max-gap)")),
        _ => {}
    }
}

fn differences(out: &mut Paper, report: &Report) {
    let both = [("charge", "permitted", &report.charge_differences), ("heater", "on", &report.heater_differences)];
    if both.iter().all(|(_, _, found)| found.is_none()) {
        return;
    }
    heading(out, "Differences from the logged controller");
    for (name, word, found) in both {
        let Some(found) = found else { continue };
        difference(out, report, name, word, found);
    }
}

fn difference(out: &mut Paper, report: &Report, name: &str, word: &str, found: &Differences) {
    if found.count == 0 {
        item(out, name, &format!("none in {} compared", span(found.compared_s)));
        return;
    }
    item(out, name, &format!("{} in {} compared", times(found.count), span(found.compared_s)));
    item(out, "", &format!("{}  logged {word}, here not", share(found.logged_only_s, found.compared_s)));
    item(out, "", &format!("{}  here {word}, logged not", share(found.ours_only_s, found.compared_s)));
    for first in &found.first {
        let coldest = first.coldest_cell_c.map_or_else(|| "no good reading".to_owned(), |t| format!("{t:.2} °C"));
        let who = if first.logged { "logged" } else { "here" };
        line(
            out,
            format_args!(
                "  {}: {who} only, for {}; coldest cell {coldest}; {}",
                moment(report, first.from_s),
                span(first.to_s - first.from_s),
                first.cause.replace('_', " ")
            ),
        );
    }
    let more = found.count - found.first.len() as u64;
    if more > 0 {
        line(out, format_args!("  and {more} more"));
    }
}

fn times(count: u64) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

fn grounds(out: &mut Paper, report: &Report) {
    heading(out, "Taken from the log");
    for used in &report.columns {
        let form = match used.unit {
            _ if used.what == "time" => format!(" ({})", report.time_format),
            Some(unit) => format!(" ({unit})"),
            None => String::new(),
        };
        item(out, &used.what, &format!("{}{form}", used.column));
        if let Some(note) = report.time_note.as_ref().filter(|_| used.what == "time") {
            for note in note.split("; ") {
                item(out, "", note);
            }
        }
    }
    let sign = match report.delimiter {
        '\t' => "tab".to_owned(),
        sign => sign.to_string(),
    };
    let decimal = match report.decimal {
        Some(',') => "decimal comma",
        Some(_) => "decimal point",
        None => "no decimals",
    };
    item(out, "written with", &format!("{sign} between cells, {decimal}"));
    if !report.assumptions.is_empty() {
        heading(out, "Not in the log, so assumed");
        for assumption in &report.assumptions {
            line(out, format_args!("  {assumption}"));
        }
    }
    heading(out, "Not judged");
    line(out, format_args!("  heater without effect, heater that does not go off: the log's temperatures do not"));
    line(out, format_args!("  follow the heater of this replay"));
    line(out, format_args!("  all channels still together (trust.still_after_min): a log's steps are coarse"));
}

fn heading(out: &mut Paper, text: &str) {
    out.0.push(Part { title: text.to_owned(), items: Vec::new() });
}

fn item(out: &mut Paper, name: &str, value: &str) {
    add(out, Item::Value(name.to_owned(), value.to_owned()));
}

fn line(out: &mut Paper, text: std::fmt::Arguments<'_>) {
    add(out, Item::Line(text.to_string()));
}

fn add(out: &mut Paper, item: Item) {
    if let Some(part) = out.0.last_mut() {
        part.items.push(item);
    }
}

/// A time in hours, and its share of the whole.
fn share(seconds: f64, whole: f64) -> String {
    let percent = if whole > 0.0 { 100.0 * seconds / whole } else { 0.0 };
    format!("{:>9.2} h  {percent:>5.1} %", seconds / 3600.0)
}

#[expect(clippy::cast_possible_truncation, reason = "made from whole milliseconds")]
fn millis(seconds: f64) -> i64 {
    (seconds * 1000.0).round() as i64
}

fn span(seconds: f64) -> String {
    Span(millis(seconds)).to_string()
}

fn moment(report: &Report, seconds: f64) -> String {
    report.dial.show(millis(seconds))
}
