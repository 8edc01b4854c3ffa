//! A card on paper.

use super::card::{Card, Expect};
use crate::chart::{sheet, svg::escaped};
use std::fmt::Write;

/// What the card adds to the season's page: it is written on by hand, on A4.
const STYLE: &str = "
.card { width: 100%; border-collapse: collapse; font-size: 0.8rem; line-height: 1.25; }
.card th, .card td { text-align: left; vertical-align: top; white-space: normal; padding: 0.2rem 0.4rem; border: 1px solid var(--line); }
.card .nth { white-space: nowrap; font-variant-numeric: tabular-nums; }
.card .how { width: 42%; } .card .expect { width: 34%; } .card .measured { width: 14%; }
.card .verdict { white-space: nowrap; }
.card .skip { color: var(--quiet); }
main > p { max-width: 70rem; overflow-wrap: anywhere; }
main > p + p { margin-top: 0.25rem; }
.sign td { height: 2.2rem; width: 33%; vertical-align: top; }
@media (max-width: 40rem) {
  .card thead { display: none; }
  .card tr, .card td { display: block; width: auto; border: 0; padding: 0.1rem 0; }
  .card .how, .card .expect, .card .measured { width: auto; }
  .card tbody tr { border-bottom: 1px solid var(--line); padding: 0.4rem 0; }
}
@media print {
  @page { size: A4; margin: 9mm; }
  body { font-size: 7.5pt; }
  h1 { font-size: 12pt; margin: 0 0 1mm; }
  h2 { font-size: 9pt; margin: 2mm 0 0.5mm; break-after: avoid; }
  .card { font-size: 6.5pt; line-height: 1.15; }
  .card th, .card td { padding: 0.4mm 1mm; }
  .card tr { break-inside: avoid; }
  .card thead { display: table-header-group; }
}
";

impl Card {
    /// One document, without anything from elsewhere.
    #[must_use]
    pub fn page(&self) -> String {
        let mut page = String::new();
        // Writing to a string cannot fail.
        let _ = writeln!(
            page,
            "<h1>{}: card for the workbench</h1>\n<p>{}</p>",
            escaped(&self.title),
            escaped(&self.made_for())
        );
        for (part, number) in self.parts.iter().zip(1..) {
            let _ = writeln!(page, "<h2>{number} {}</h2>", escaped(&part.title));
            for line in &part.lead {
                let _ = writeln!(page, "<p>{}</p>", with_code(line));
            }
            if part.steps.is_empty() {
                continue;
            }
            page.push_str(
                "<table class=\"card\">\n<thead><tr><th scope=\"col\"></th><th scope=\"col\" class=\"how\">do</th><th scope=\"col\" \
                 class=\"expect\">must follow</th><th scope=\"col\" class=\"measured\">measured</th><th scope=\"col\">verdict</th></tr></thead>\n<tbody>\n",
            );
            for (step, nth) in part.steps.iter().zip(1..) {
                let _ = write!(
                    page,
                    "<tr><td class=\"nth\">{number}.{nth}</td><td class=\"how\">{}</td><td class=\"expect\">{}</td>",
                    with_code(&step.how),
                    with_code(&step.expected())
                );
                page.push_str(if matches!(step.expect, Expect::Impossible(_)) {
                    "<td class=\"measured skip\">-</td><td class=\"verdict skip\">-</td></tr>\n"
                } else {
                    "<td class=\"measured\"></td><td class=\"verdict\">\u{2610} pass \u{2610} fail</td></tr>\n"
                });
            }
            page.push_str("</tbody>\n</table>\n");
        }
        page.push_str(
            "<h2>Tried by</h2>\n<table class=\"card sign\"><tbody><tr><td>name</td><td>date</td><td>signed</td></tr></tbody></table>\n",
        );
        sheet(&format!("Workbench: {}", self.title), STYLE, &page)
    }
}

/// With what stands between grave accents as code.
fn with_code(text: &str) -> String {
    let parts = text.split('`').zip([false, true].into_iter().cycle());
    parts
        .map(|(part, is_code)| if is_code { format!("<code>{}</code>", escaped(part)) } else { escaped(part) })
        .collect()
}
