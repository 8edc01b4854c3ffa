//! A matrix as a page, in the style of the season's page.

use super::findings::{Part, by_role};
use super::matrix::Matrix;
use super::row::{Row, ending};
use super::signs::{SIGN_NOTES, Sign, glossary, letter};
use crate::chart::sheet;
use crate::chart::svg::{breakable, escaped};
use std::fmt::Write;

/// What the page adds to the season's. Touch and paper have no pointer to hover with, so whatever a title says stands in a line
/// below its row too.
const STYLE: &str = "
.lead { font-weight: 600; }
.summary > p + p { margin-top: 0.35rem; }
main > p { max-width: 70rem; overflow-wrap: anywhere; }
main > p + p { margin-top: 0.25rem; }
.key { display: grid; grid-template-columns: max-content max-content 1fr; gap: 0.15rem 0.6rem; margin: 0.3rem 0; font-size: 0.85rem; }
.key dt { min-width: 1.4rem; text-align: center; font-weight: 600; font-family: ui-monospace, monospace; }
.key dd { margin: 0; }
.key .number { text-align: right; font-variant-numeric: tabular-nums; }
.scroll { max-height: 85vh; overflow: auto; border: 1px solid var(--line); }
.matrix { font-size: 0.8rem; line-height: 1.25; border-collapse: separate; border-spacing: 0; }
.matrix thead th { position: sticky; z-index: 2; background: #fff; text-align: center; white-space: nowrap; padding: 0 0.2rem; height: 1.7rem; vertical-align: middle; }
.matrix thead tr:first-child th { top: 0; }
.matrix thead tr:last-child th { top: 1.7rem; }
.matrix thead tr:last-child th, .matrix thead th[rowspan] { border-bottom: 1px solid var(--line); }
.matrix thead th.name { left: 0; z-index: 3; text-align: left; padding-left: 0.3rem; }
.matrix tbody th { position: sticky; left: 0; z-index: 1; background: #fff; white-space: nowrap; padding: 0.2rem 0.8rem 0 0.3rem; }
.matrix wbr { display: none; }
.matrix td.scene { text-align: center; min-width: 1.15rem; padding: 0.15rem 0 0; border: 1px solid #fff; border-bottom: 0; }
.matrix .first { border-left: 0.5rem solid #fff; }
.matrix td.says, .matrix thead th.says { text-align: left; padding: 0.2rem 0 0 0.8rem; }
.matrix td.says { white-space: normal; min-width: 7rem; }
.matrix td.words { padding: 0 0 0.25rem 0.3rem; border-bottom: 1px solid var(--line); }
.matrix td.words div { position: sticky; left: 0.3rem; width: fit-content; max-width: min(68rem, calc(100vw - 3.5rem)); }
.found { background: #d7ece1; } .safe { background: #eef1f3; }
.held { background: #f7efd3; } .blind { background: #f3dfa6; } .harm { background: #6e1c03; color: #fff; font-weight: 700; }
.found, .safe, .held, .blind, .harm { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.reports { overflow-x: auto; }
.reports td, .reports th { text-align: left; white-space: normal; padding: 0.2rem 0.6rem 0.2rem 0; border-bottom: 1px solid var(--line); }
.reports th[scope=row] { overflow-wrap: normal; }
@media (max-width: 40rem) {
  .matrix { font-size: 0.72rem; }
  .matrix wbr { display: inline; }
  .matrix tbody th { white-space: normal; overflow-wrap: anywhere; width: 7.5rem; min-width: 7.5rem; max-width: 7.5rem; padding-right: 0.2rem; }
  .reports table, .reports tbody, .reports tr, .reports td, .reports th[scope=row] { display: block; }
  .reports thead { display: none; }
  .reports tr { border-bottom: 1px solid var(--line); padding: 0.3rem 0; }
  .reports td, .reports th { border: 0; padding: 0; }
  .reports td[data-head]::before { content: attr(data-head) ': '; }
  .reports th[scope=row] { font-weight: 600; }
}
@media print {
  .summary { break-after: auto; }
  .scroll { max-height: none; overflow: visible; border: 0; }
  .matrix { font-size: 7pt; }
  .matrix thead th, .matrix tbody th, .matrix td.words div { position: static; }
  .matrix td.words div { max-width: none; }
  .matrix tbody, .reports tr { break-inside: avoid; }
  h2 { break-after: avoid; }
}
";

impl Matrix {
    /// One document, without anything from elsewhere.
    #[must_use]
    pub fn page(&self) -> String {
        let mut page = String::new();
        // Writing to a string cannot fail.
        let _ = writeln!(
            page,
            "<h1>{}: the listed faults in every state</h1>\n<section class=\"summary\" aria-label=\"Summary\">",
            escaped(&self.title)
        );
        for (index, line) in self.headline().iter().enumerate() {
            let class = if index == 0 { " class=\"lead\"" } else { "" };
            let _ = writeln!(page, "<p{class}>{}</p>", breakable(line));
        }
        for line in self.head() {
            let _ = writeln!(page, "<p>{}</p>", escaped(&line));
        }
        page.push_str("</section>\n");
        for part in self.findings() {
            write_part(&mut page, &part);
        }
        self.write_keys(&mut page);
        self.write_scenes(&mut page);
        self.write_reports(&mut page);
        write_part(&mut page, &self.not_played());
        sheet(&format!("Faults: {}", self.title), STYLE, &page)
    }

    fn write_keys(&self, page: &mut String) {
        page.push_str("<h2>Signs, and how many scenes have each</h2>\n<dl class=\"key\">\n");
        for sign in Sign::ALL {
            let _ = writeln!(
                page,
                "<dt class=\"{}\">{}</dt><dd class=\"number\">{}</dd><dd>{}</dd>",
                class(sign),
                sign.letter(),
                sign.count(self),
                escaped(sign.meaning())
            );
        }
        page.push_str("</dl>\n");
        for note in SIGN_NOTES {
            let _ = writeln!(page, "<p>{note}</p>");
        }
        page.push_str("<h2>States</h2>\n<dl class=\"key\">\n");
        for (state, _) in &self.reached {
            let _ = writeln!(page, "<dt>{}</dt><dd></dd><dd>{}</dd>", letter(*state), escaped(glossary(*state)));
        }
        page.push_str("</dl>\n");
    }

    fn write_scenes(&self, page: &mut String) {
        page.push_str("<h2 id=\"scenes\">Scenes</h2>\n");
        if let Some(line) = self.left_out() {
            let _ = writeln!(page, "<p>{}</p>", escaped(&line));
        }
        // Without a place in the order of the keys it cannot be scrolled by them.
        page.push_str(
            "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-labelledby=\"scenes\">\n<table class=\"matrix\">\n",
        );
        self.write_heads(page);
        for row in self.rows().iter().filter(|row| row.is_shown()) {
            self.write_row(page, row);
        }
        page.push_str("</table>\n</div>\n");
    }

    fn write_heads(&self, page: &mut String) {
        page.push_str("<thead>\n<tr><th scope=\"col\" class=\"name\">outside</th>");
        for outside_c in &self.outsides_c {
            let _ = write!(
                page,
                "<th scope=\"colgroup\" class=\"first\" colspan=\"{}\">{outside_c:.0} °C</th>",
                self.reached.len()
            );
        }
        for head in ["first reported as", "within", "charge back"] {
            let _ = write!(page, "<th scope=\"col\" class=\"says\" rowspan=\"2\">{head}</th>");
        }
        page.push_str("</tr>\n<tr><th scope=\"col\" class=\"name\">state</th>");
        for _ in &self.outsides_c {
            for (index, (state, _)) in self.reached.iter().enumerate() {
                let _ = write!(
                    page,
                    "<th scope=\"col\"{}><abbr title=\"{}\">{}</abbr></th>",
                    if index == 0 { " class=\"first\"" } else { "" },
                    escaped(glossary(*state)),
                    letter(*state)
                );
            }
        }
        page.push_str("</tr>\n</thead>\n");
    }

    fn write_row(&self, page: &mut String, row: &Row<'_>) {
        let _ = write!(page, "<tbody>\n<tr><th scope=\"row\">{}</th>", breakable(row.name));
        for scenes in row.scenes() {
            for (index, cell) in scenes.into_iter().enumerate() {
                let first = if index == 0 { " first" } else { "" };
                let _ = match cell {
                    None => write!(page, "<td class=\"scene{first}\"></td>"),
                    Some(cell) => write!(
                        page,
                        "<td class=\"scene{first} {}\" title=\"{}, at {:.0} °C: {}\">{}</td>",
                        class(Sign::of(cell)),
                        escaped(glossary(cell.state)),
                        cell.outside_c,
                        escaped(&ending(&[cell])),
                        Sign::of(cell).letter()
                    ),
                };
            }
        }
        let found = row.found();
        let found = if found.is_empty() { "-".to_owned() } else { found.join(", ") };
        for says in [found, row.within().unwrap_or("-".to_owned()), row.back()] {
            let _ = write!(page, "<td class=\"says\">{}</td>", escaped(&says));
        }
        let columns = 1 + self.outsides_c.len() * self.reached.len() + 3;
        let _ = write!(
            page,
            "</tr>\n<tr><td class=\"words\" colspan=\"{columns}\"><div>{}",
            escaped(&row.breakdown.meaning())
        );
        for ending in row.endings() {
            let _ = write!(page, "<br>{}", escaped(&ending));
        }
        page.push_str("</div></td></tr>\n</tbody>\n");
    }

    fn write_reports(&self, page: &mut String) {
        let heads = ["what", "tells", "off", "cleared by", "check first"];
        let meanings = self.meanings();
        if meanings.is_empty() {
            return;
        }
        let _ = writeln!(page, "<h2>What the reports mean</h2>\n<p>{}</p>", escaped(&by_role()));
        page.push_str("<div class=\"reports\">\n<table>\n<thead><tr><th scope=\"col\">report</th>");
        for head in heads {
            let _ = write!(page, "<th scope=\"col\">{head}</th>");
        }
        page.push_str("</tr></thead>\n<tbody>\n");
        for meaning in meanings {
            let facts = meaning.facts;
            let _ = write!(page, "<tr><th scope=\"row\">{}</th>", escaped(facts.name));
            let values = [facts.meaning, facts.severity.name(), meaning.off, facts.cleared_by, facts.check_first];
            for (head, value) in heads.iter().zip(values) {
                let _ = write!(page, "<td data-head=\"{head}\">{}</td>", escaped(value));
            }
            page.push_str("</tr>\n");
        }
        page.push_str("</tbody>\n</table>\n</div>\n");
    }
}

fn write_part(page: &mut String, part: &Part) {
    let _ = writeln!(page, "<h2>{}</h2>", escaped(part.title));
    for line in &part.lines {
        let _ = writeln!(page, "<p>{}</p>", breakable(line));
    }
}

const fn class(sign: Sign) -> &'static str {
    match sign {
        Sign::Reported => "found",
        Sign::Silent => "safe",
        Sign::CutOut => "held",
        Sign::Blind => "blind",
        Sign::BlindWithHarm | Sign::Harm => "harm",
    }
}
