//! A report on paper: A4 upright, one document without anything from elsewhere.

use super::behaviour::Picture;
use super::{Behaviour, Blind, Conductor, Faults, Owner, Part, Report, Reported, Setting, Tried};
use crate::bench::Entry;
use crate::chart::sheet;
use crate::chart::svg::{breakable, escaped};
use crate::faults::by_role;
use crate::figures::{fixed, plain};
use crate::finding::Finding;
use crate::fingerprint;
use std::fmt::Write;

/// What the report adds to the season's page.
const STYLE: &str = "
main { max-width: 62rem; }
main > p, section > p { max-width: 62rem; overflow-wrap: anywhere; }
p + p { margin-top: 0.35rem; }
h3 { font-size: 0.95rem; margin: 0.8rem 0 0.2rem; }
ol, ul { margin: 0.25rem 0; padding-left: 1.4rem; }
li + li { margin-top: 0.2rem; }
.rows { width: calc(100% - 1px); border-collapse: collapse; font-size: 0.82rem; line-height: 1.3; margin: 0.35rem 0 0.6rem; }
.rows th, .rows td { text-align: left; vertical-align: top; white-space: normal; overflow-wrap: anywhere; padding: 0.15rem 0.4rem; border: 1px solid var(--line); }
.rows .tight { white-space: nowrap; overflow-wrap: normal; }
.rows th { overflow-wrap: normal; }
.rows .in1 { padding-left: 1.4em; } .rows .in2 { padding-left: 2.6em; }
.rows tr.head th { background: #eef1f3; font-weight: 600; }
.blanks td { height: 2.4rem; width: 33%; }
.wrong { border: 2px solid #6e1c03; padding: 0.4rem 0.7rem; margin: 0.5rem 0; }
.wrong p:first-child { font-weight: 700; }
.contents { columns: 2; font-size: 0.9rem; }
.sheet { margin: 0.3rem 0 1rem; }
.sheet svg { display: block; }
.notes { font-size: 0.85rem; }
.owner { font-size: 1.02rem; }
.owner .lamp td:first-child { width: 32%; font-weight: 600; }
figure { break-inside: avoid; }
figcaption { font-weight: 400; font-size: 0.88rem; }
@media (max-width: 40rem) {
  .scroll { overflow-x: auto; }
  .contents { columns: 1; }
}
@media print {
  @page { size: A4; margin: 12mm; }
  body { font-size: 9.5pt; line-height: 1.32; }
  h1 { font-size: 16pt; margin: 0 0 2mm; }
  h2 { font-size: 12.5pt; margin: 5mm 0 1mm; break-after: avoid; }
  h3 { font-size: 10.5pt; break-after: avoid; }
  .rows { font-size: 7.6pt; line-height: 1.22; }
  .rows th, .rows td { padding: 0.5mm 1.2mm; }
  .rows tr { break-inside: avoid; }
  .rows thead { display: table-header-group; }
  .rows tr.head { break-after: avoid; }
  .rows tr.head th, .wrong { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  .owner { break-before: page; break-after: page; font-size: 11pt; line-height: 1.35; }
  .owner h2 { font-size: 15pt; margin-top: 0; }
  .owner .rows { font-size: 10.5pt; }
  .blanks td { height: 11mm; }
  .sheet { break-inside: avoid; margin: 0 0 4mm; }
  .drawing { break-before: page; }
  figure { margin: 0 0 4mm; }
  figure svg { max-height: 215mm; }
  .lead { break-after: avoid; }
  .contents { font-size: 9.5pt; }
  footer { font-size: 9.5pt; color: var(--ink); }
}
";

/// The parts of the document: anchors and titles, in order.
const PARTS: [(&str, &str); 10] = [
    ("installation", "The installation"),
    ("owner", "For the owner"),
    ("parts", "Parts"),
    ("wiring", "Wiring list"),
    ("drawing", "Circuit diagram"),
    ("settings", "Settings, and why"),
    ("errors", "How wrong the thermometers can read"),
    ("behaviour", "What to expect"),
    ("faults", "What can go wrong"),
    ("record", "What was tried"),
];

impl Report {
    /// One document, without anything from elsewhere.
    #[must_use]
    pub fn page(&self) -> String {
        let mut page = String::new();
        self.write_front(&mut page);
        write_owner(&mut page, &self.owner);
        heading(&mut page, 2, "");
        write_parts(&mut page, &self.parts);
        heading(&mut page, 3, "");
        write_wiring(&mut page, &self.wiring);
        self.write_drawings(&mut page);
        heading(&mut page, 5, "");
        write_settings(&mut page, &self.settings);
        self.write_errors(&mut page);
        if let Some(behaviour) = &self.behaviour {
            heading(&mut page, 7, "");
            write_behaviour(&mut page, behaviour);
        }
        heading(&mut page, 8, "");
        match &self.faults {
            Some(faults) => write_faults(&mut page, faults),
            None => paragraph(&mut page, "Left out: see the first page."),
        }
        heading(&mut page, 9, "");
        match &self.record {
            Some(record) => write_record(&mut page, record),
            None => paragraph(&mut page, "No bench record was given: see the first page."),
        }
        page.push_str(
            "<h3>Handed over</h3>\n<table class=\"rows blanks\"><tbody><tr><td>by</td><td>to</td><td>date, \
             signed</td></tr></tbody></table>\n",
        );
        sheet(&format!("Hand-over: {}", self.title), STYLE, &page)
    }

    /// Title, what the plan says, the installation in words, contents.
    fn write_front(&self, page: &mut String) {
        // Writing to a string cannot fail.
        let _ = writeln!(page, "<h1>{}</h1>", escaped(&self.title));
        paragraph(
            page,
            "Hand-over of a bank of lithium iron phosphate batteries that is warmed before it is charged: what was built, how it \
             is wired, why it is set as it is, and what its owner must know.",
        );
        let by = if self.by.is_empty() { "____________________" } else { &self.by };
        paragraph(page, &format!("Made by {by}. Settings {}: {}", self.settings_fingerprint, fingerprint::MEANING));
        self.write_warning(page);
        heading(page, 0, "");
        for sentence in &self.paragraph {
            paragraph(page, sentence);
        }
        if !self.left_out.is_empty() {
            page.push_str("<h3>Left out</h3>\n");
            for line in &self.left_out {
                paragraph(page, line);
            }
        }
        page.push_str("<h3>Contents</h3>\n<ol class=\"contents\">\n");
        for (anchor, title) in PARTS {
            let _ = writeln!(page, "<li><a href=\"#{anchor}\">{title}</a></li>");
        }
        page.push_str("</ol>\n");
    }

    /// What must be known before anything is switched on.
    fn write_warning(&self, page: &mut String) {
        let mut lines: Vec<String> = self.findings.iter().map(told).collect();
        if self.behaviour.as_ref().is_some_and(|behaviour| behaviour.did_harm) {
            lines.push("in the rehearsed winter charge was permitted with a cell below its limit".to_owned());
        }
        if let Some(record) = self.record.as_ref().filter(|record| record.fail > 0) {
            lines.push(format!("at the workbench {} failed: see the last part", counted(record.fail, "step")));
        }
        if lines.is_empty() {
            return;
        }
        page.push_str("<div class=\"wrong\">\n");
        paragraph(page, if self.ok { "Look at this first:" } else { "Do not switch this on:" });
        for line in &lines {
            paragraph(page, line);
        }
        page.push_str("</div>\n");
    }

    fn write_drawings(&self, page: &mut String) {
        heading(page, 4, " class=\"drawing\"");
        paragraph(
            page,
            "Each line with a number is one conductor, with the number of the wiring list. Nothing crosses and nothing joins: \
             what looks separate is separate. A part can appear in several places, such as a relay by its contact and by its \
             coil; it then has the same letter and number. A box with ϑ is a contact that heat opens. Contacts are drawn without \
             power, and cold. Symbols after IEC 60617, letters after IEC 81346-2, terminals after EN 50005; from memory.",
        );
        for of_sheet in self.drawings.chunk_by(|a, b| a.title == b.title) {
            for (index, drawing) in of_sheet.iter().enumerate() {
                // A title stays with its drawing.
                page.push_str("<div class=\"sheet\">\n");
                if index == 0 {
                    let _ = writeln!(page, "<h3>{}</h3>", escaped(drawing.title));
                    let notes = self.wiring_notes.iter().find(|(of, _)| *of == drawing.title);
                    page.push_str("<div class=\"notes\">\n");
                    notes.into_iter().flat_map(|(_, notes)| notes).for_each(|note| paragraph(page, note));
                    page.push_str("</div>\n");
                }
                let _ = writeln!(page, "<div class=\"scroll\">\n{}</div>\n</div>", drawing.svg);
            }
        }
    }

    fn write_errors(&self, page: &mut String) {
        heading(page, 6, "");
        lead(
            page,
            "A thermometer never shows exactly what is there. Each line says how far the reading of one of them may be from its \
             coldest cell when charge is released, and so how far above the cells' own limit the threshold must lie (guard \
             band). “Reads warm by” is known, and “uncertain by” is not (coverage factor 2). `forewarm plan` prints the whole budget.",
        );
        let rows = self.errors.iter().map(|error| {
            vec![
                error.channel.clone(),
                format!("{} °C", plain(error.reading_c)),
                format!("{} K", fixed(error.bias_k, 2)),
                format!("± {} K", fixed(error.expanded_k, 2)),
                format!("{} K", fixed(error.guard_band_k, 2)),
                error.largest_told(),
            ]
        });
        let columns = [
            ("thermometer", 16, false),
            ("at", 8, true),
            ("reads warm by", 9, true),
            ("uncertain by", 10, true),
            ("guard band", 9, true),
            ("mostly from", 48, false),
        ];
        table(page, &columns, rows);
    }
}

fn heading(page: &mut String, nth: usize, more: &str) {
    let (anchor, title) = PARTS[nth];
    let _ = writeln!(page, "<h2 id=\"{anchor}\"{more}>{} {title}</h2>", nth + 1);
}

/// `1 step`, `2 steps`
fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// A finding, and what to change.
fn told(finding: &Finding) -> String {
    let change = finding.change.as_ref().map_or_else(String::new, |change| format!(". Change: {change}"));
    format!("{}: {}{change}", finding.severity.word(), finding.text)
}

/// What is said before a table stays with it.
fn lead(page: &mut String, text: &str) {
    let _ = writeln!(page, "<p class=\"lead\">{}</p>", with_code(text));
}

fn paragraph(page: &mut String, text: &str) {
    let _ = writeln!(page, "<p>{}</p>", with_code(text));
}

/// With what stands between grave accents as code.
fn with_code(text: &str) -> String {
    let parts = text.split('`').zip([false, true].into_iter().cycle());
    parts
        .map(|(part, is_code)| if is_code { format!("<code>{}</code>", escaped(part)) } else { escaped(part) })
        .collect()
}

/// A column: its head, its share of the width (%), and whether its cells stay on one line.
type Column = (&'static str, u32, bool);

fn heads(page: &mut String, columns: &[Column]) {
    page.push_str("<div class=\"scroll\">\n<table class=\"rows\">\n<thead><tr>");
    for (head, share, _) in columns {
        let _ = write!(page, "<th scope=\"col\" style=\"width:{share}%\">{}</th>", escaped(head));
    }
    page.push_str("</tr></thead>\n<tbody>\n");
}

fn row(page: &mut String, columns: &[Column], cells: &[String]) {
    page.push_str("<tr>");
    for (cell, (_, _, is_tight)) in cells.iter().zip(columns) {
        let class = if *is_tight { " class=\"tight\"" } else { "" };
        let _ = write!(page, "<td{class}>{}</td>", breakable(&cell.replace('`', "")));
    }
    page.push_str("</tr>\n");
}

fn table(page: &mut String, columns: &[Column], rows: impl Iterator<Item = Vec<String>>) {
    heads(page, columns);
    rows.for_each(|cells| row(page, columns, &cells));
    page.push_str("</tbody>\n</table>\n</div>\n");
}

fn list(page: &mut String, tag: &str, lines: &[impl AsRef<str>]) {
    let _ = writeln!(page, "<{tag}>");
    for line in lines {
        let _ = writeln!(page, "<li>{}</li>", escaped(line.as_ref()));
    }
    let _ = writeln!(page, "</{tag}>");
}

fn write_owner(page: &mut String, owner: &Owner) {
    let (anchor, title) = PARTS[1];
    let _ = writeln!(page, "<section class=\"owner\" id=\"{anchor}\">\n<h2>2 {title}</h2>\n<h3>What it does</h3>");
    for line in &owner.does {
        paragraph(page, line);
    }
    page.push_str("<h3>What the lamp means</h3>\n<table class=\"rows lamp\"><tbody>\n");
    for (lamp, means) in &owner.lamp {
        let _ = writeln!(page, "<tr><td>{}</td><td>{}</td></tr>", escaped(lamp), escaped(means));
    }
    page.push_str("</tbody></table>\n<h3>When the alarm is on</h3>\n");
    list(page, "ol", &owner.alarm);
    page.push_str("<h3>Never</h3>\n");
    list(page, "ul", &owner.never);
    page.push_str("<h3>Now and then</h3>\n");
    list(page, "ul", &owner.look);
    page.push_str(
        "<h3>Whom to call</h3>\n<table class=\"rows blanks\"><tbody><tr><td>name</td><td>telephone</td><td>explained on \
         (date)</td></tr></tbody></table>\n</section>\n",
    );
}

fn write_parts(page: &mut String, parts: &[Part]) {
    lead(page, "A blank (____) is for what the installation file does not say: fill it in by hand.");
    let rows = parts.iter().map(|part| vec![part.tag.clone(), part.what.clone(), part.rating.clone()]);
    table(page, &[("part", 6, true), ("what it is", 38, false), ("what it must bear, or is set to", 56, false)], rows);
}

fn write_wiring(page: &mut String, wiring: &[Conductor]) {
    lead(
        page,
        "One line for each conductor, from terminal to terminal: F1:2 is terminal 2 of part F1. An empty field is for what the \
         installation file does not say: fill it in by hand. “short” is as short as can be. The fuse is the one that protects \
         the conductor; where there is none, the conductor carries only what tells something, or lies before the fuse.",
    );
    let rows = wiring.iter().map(|conductor| conductor.cells().to_vec());
    let columns = [
        ("", 4, true),
        ("from", 17, true),
        ("to", 20, true),
        ("size", 9, true),
        ("length", 11, true),
        ("cable", 6, true),
        ("fuse", 5, true),
        ("for", 28, false),
    ];
    table(page, &columns, rows);
}

fn write_settings(page: &mut String, settings: &[Setting]) {
    lead(
        page,
        "What the controller is set to. It takes other settings only over its service line, while somebody holds its button.",
    );
    let columns =
        [("setting", 17, false), ("value", 14, false), ("what it does", 35, false), ("why it is so", 34, false)];
    heads(page, &columns);
    for of_section in settings.chunk_by(|a, b| a.section == b.section) {
        let section = of_section.first().map_or("", |setting| &setting.section);
        let _ =
            writeln!(page, "<tr class=\"head\"><th colspan=\"4\" scope=\"colgroup\">{}</th></tr>", escaped(section));
        for Setting { name, value, meaning, why, .. } in of_section {
            row(page, &columns, &[name, value, meaning, why].map(Clone::clone));
        }
    }
    page.push_str("</tbody>\n</table>\n</div>\n");
}

fn pairs(page: &mut String, rows: &[(String, String)]) {
    page.push_str("<table class=\"rows\"><tbody>\n");
    for (what, value) in rows {
        let depth = (what.len() - what.trim_start().len()) / 2;
        let (what, value) = (escaped(what.trim_start()), escaped(value));
        let _ = writeln!(page, "<tr><td class=\"in{depth}\">{what}</td><td class=\"tight\">{value}</td></tr>");
    }
    page.push_str("</tbody></table>\n");
}

fn write_behaviour(page: &mut String, behaviour: &Behaviour) {
    lead(page, "Computed for this bank and box, each with how far it may be off (coverage factor 2).");
    pairs(page, &behaviour.figures);
    for Picture { title, caption, svg } in &behaviour.pictures {
        let _ =
            writeln!(page, "<figure>\n<h3>{title}</h3>\n<figcaption>{}</figcaption>\n{svg}</figure>", escaped(caption));
    }
    if !behaviour.winter.is_empty() {
        page.push_str("<h3>What the winter came to</h3>\n");
        for line in &behaviour.winter {
            paragraph(page, line);
        }
        for (title, figures) in &behaviour.winter_figures {
            let _ = writeln!(page, "<h3>{}</h3>", escaped(title));
            pairs(page, figures);
        }
    }
}

fn write_faults(page: &mut String, faults: &Faults) {
    paragraph(page, &faults.told());
    if !faults.harm.is_empty() {
        page.push_str("<div class=\"wrong\">\n");
        paragraph(
            page,
            &format!(
                "Something passed its limit in these: {}. `forewarm faults` tells what and when.",
                faults.harm.join("; ")
            ),
        );
        page.push_str("</div>\n");
    }
    lead(page, &by_role());
    let rows = faults.reports.iter().map(|report: &Reported| {
        vec![
            report.name.to_owned(),
            match &report.causes[..] {
                [] => report.meaning.to_owned(),
                causes => format!("{}. Behind it can be: {}", report.meaning, causes.join("; ")),
            },
            format!("turns off: {}. {}", report.off, report.shown()),
            report.cleared_by.to_owned(),
            report.check_first.to_owned(),
        ]
    });
    let columns = [
        ("report", 14, false),
        ("what is wrong", 30, false),
        ("what the controller does and shows", 18, false),
        ("cleared by", 18, false),
        ("check first", 20, false),
    ];
    table(page, &columns, rows);
    if !faults.blind.is_empty() {
        page.push_str("<h3>What nothing here can find</h3>\n");
        let rows = faults.blind.iter().map(|Blind { what, takes, until_then }| {
            vec![what.join("; "), (*takes).to_owned(), (*until_then).to_owned()]
        });
        table(
            page,
            &[("what breaks", 34, false), ("to find it, it takes", 33, false), ("until then", 33, false)],
            rows,
        );
    }
}

fn write_record(page: &mut String, record: &Tried) {
    paragraph(page, &record.told());
    let rows = record.entries.iter().map(|entry: &Entry| {
        vec![
            entry.step.clone(),
            entry.how.clone(),
            entry.expected.clone(),
            entry.measured.clone(),
            entry.verdict.word().to_owned(),
        ]
    });
    let columns = [
        ("step", 6, true),
        ("done", 36, false),
        ("must follow", 32, false),
        ("found", 17, false),
        ("verdict", 9, true),
    ];
    table(page, &columns, rows);
}
