//! A matrix as a page, in the style of the season's page.

use super::matrix::Matrix;
use super::scene::{Cell, Recovery, Verdict};
use super::text::{Sign, letter, span};
use crate::cautions::CAUTIONS;
use crate::chart::{LAYOUT, svg::escaped};
use std::fmt::Write;

/// What the page adds to the season's.
const STYLE: &str = "
.matrix { font-size: 0.8rem; line-height: 1.25; }
.matrix thead th { position: sticky; top: 0; background: #fff; text-align: center; padding: 0.15rem 0.2rem; }
.matrix tbody th { white-space: nowrap; padding-right: 0.8rem; }
.matrix tbody th span { display: block; color: var(--quiet); font-size: 0.72rem; white-space: normal; max-width: 26rem; }
.matrix td.cell { text-align: center; width: 1.15rem; padding: 0; border: 1px solid #fff; }
.matrix td.first { border-left: 0.5rem solid #fff; }
.matrix td.says { text-align: left; padding-left: 0.8rem; white-space: normal; }
.matrix tbody tr:hover { outline: 1px solid var(--focus); }
.found { background: #d7ece1; } .safe { background: #eef1f3; }
.held { background: #f7efd3; } .blind { background: #f3dfa6; } .harm { background: #6e1c03; color: #fff; font-weight: 700; }
.scroll { overflow-x: auto; }
.key { display: flex; flex-wrap: wrap; gap: 0.2rem 1.2rem; margin: 0.4rem 0; }
.key b { display: inline-block; min-width: 1.3rem; text-align: center; margin-right: 0.3rem; }
@media print { .matrix tbody th span { display: none; } .matrix { font-size: 7pt; } tr { break-inside: avoid; } }
";

impl Matrix {
    /// One document, without anything from elsewhere.
    #[must_use]
    pub fn page(&self) -> String {
        let mut page = String::new();
        let title = escaped(&self.title);
        // Writing to a string cannot fail.
        let _ = write!(
            page,
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, \
             initial-scale=1\">\n<title>Faults: {title}</title>\n<style>{LAYOUT}{STYLE}</style>\n</head>\n<body>\n<main>\n\
             <h1>{title}</h1>\n<section class=\"summary\">\n<p>{} cells: {} safe, {} unsafe, {} that cannot be found here.</p>\n",
            self.cells.len(),
            self.count(Verdict::Safe),
            self.count(Verdict::Unsafe),
            self.count(Verdict::Undetectable),
        );
        for line in self.head() {
            let _ = writeln!(page, "<p>{}</p>", escaped(&line));
        }
        page.push_str("</section>\n<p class=\"key\">");
        for sign in Sign::ALL {
            let _ = write!(
                page,
                "<span><b class=\"{}\">{}</b>{}</span>",
                class(sign),
                sign.letter(),
                escaped(sign.meaning())
            );
        }
        page.push_str("</p>\n<div class=\"scroll\">\n<table class=\"matrix\">\n");
        self.head_rows(&mut page);
        page.push_str("<tbody>\n");
        for row in self.rows().iter().filter(|row| row.is_shown()) {
            let _ = write!(
                page,
                "<tr><th scope=\"row\">{}<span>{}</span></th>",
                escaped(row.name),
                escaped(&row.breakdown.meaning())
            );
            for outside_c in &self.outsides_c {
                for (index, (state, _)) in self.reached.iter().enumerate() {
                    let first = if index == 0 { " first" } else { "" };
                    let at = |cell: &&&Cell| cell.state == *state && cell.outside_c.total_cmp(outside_c).is_eq();
                    match row.cells.iter().find(at) {
                        None => {
                            let _ = write!(page, "<td class=\"cell{first}\"></td>");
                        }
                        Some(cell) => {
                            let _ = write!(
                                page,
                                "<td class=\"cell{first} {}\" title=\"{}\">{}</td>",
                                class(Sign::of(cell)),
                                escaped(&words(cell)),
                                Sign::of(cell).letter()
                            );
                        }
                    }
                }
            }
            let [found, within, back] = row.says();
            let _ = writeln!(
                page,
                "<td class=\"says\">{}</td><td>{}</td><td class=\"says\">{back}</td></tr>",
                escaped(&found),
                escaped(&within)
            );
        }
        page.push_str("</tbody>\n</table>\n</div>\n");
        for part in self.findings() {
            let _ = writeln!(page, "<h2>{}</h2>", escaped(part.title));
            for line in part.lines {
                let _ = writeln!(page, "<p>{}</p>", escaped(&line));
            }
        }
        page.push_str("</main>\n<footer>\n");
        for caution in CAUTIONS {
            let _ = writeln!(page, "<p>{}</p>", escaped(caution));
        }
        page.push_str("</footer>\n</body>\n</html>\n");
        page
    }

    fn head_rows(&self, page: &mut String) {
        page.push_str("<thead>\n<tr><th scope=\"col\">outside</th>");
        for outside_c in &self.outsides_c {
            let _ = write!(page, "<th scope=\"colgroup\" colspan=\"{}\">{outside_c:.0} °C</th>", self.reached.len());
        }
        page.push_str("<th scope=\"col\">reported as</th><th scope=\"col\">within</th><th scope=\"col\">all back</th></tr>\n<tr><th scope=\"col\">state</th>");
        for _ in &self.outsides_c {
            for (state, _) in &self.reached {
                let _ =
                    write!(page, "<th scope=\"col\"><abbr title=\"{}\">{}</abbr></th>", state.name(), letter(*state));
            }
        }
        page.push_str("<th></th><th></th><th></th></tr>\n</thead>\n");
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

/// What happened in one cell.
fn words(cell: &Cell) -> String {
    let mut words = format!("{} at {:.0} °C: ", cell.state.name(), cell.outside_c);
    match (cell.found, cell.time_to_safe_s) {
        (Some(found), Some(at_s)) => {
            let alarm = if cell.alarm { "" } else { ", without an alarm" };
            let _ = write!(words, "reported as {found} after {}{alarm}", span(at_s));
        }
        _ => words.push_str("not reported"),
    }
    if cell.harm.is_any() {
        let _ = write!(words, "; {}", cell.harm.words());
    }
    if cell.cut_out {
        words.push_str("; the thermal cut-out opened");
    }
    words.push_str(match cell.recovery {
        Recovery::ByItself => "; all comes back by itself",
        Recovery::AfterReset => "; all comes back after the reset button",
        Recovery::Never => "; charge did not come back",
    });
    words
}
