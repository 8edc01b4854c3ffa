//! What holds for every drawing.

use super::drawings;
use super::place::{Area, Page, WIDTH, pages};
use super::symbols;
use crate::report::circuit::Look;
use crate::report::tests::circuits;
use crate::report::wiring;
use std::collections::BTreeMap;

/// Half of the last digit of a drawing (mm).
const ROUNDED: f64 = 0.006;

fn meet(a: Area, b: Area) -> bool {
    a[0] < b[2] - ROUNDED && b[0] < a[2] - ROUNDED && a[1] < b[3] - ROUNDED && b[1] < a[3] - ROUNDED
}

fn holds(outer: Area, inner: Area) -> bool {
    outer[0] <= inner[0] + ROUNDED
        && outer[1] <= inner[1] + ROUNDED
        && inner[2] <= outer[2] + ROUNDED
        && inner[3] <= outer[3] + ROUNDED
}

fn all_pages() -> Vec<(String, Page)> {
    let mut all = Vec::new();
    for (name, _, circuit) in circuits() {
        for sheet in &circuit.sheets {
            all.extend(pages(&circuit, sheet).into_iter().map(|page| (format!("{name}: {}", sheet.title), page)));
        }
    }
    all
}

/// Whether a symbol stands at an end of paths, and so holds its own labels.
const fn is_end(look: Look) -> bool {
    matches!(look, Look::Block | Look::Battery | Look::Element | Look::Fixed | Look::Heater)
}

#[test]
fn no_symbol_and_no_label_covers_another() {
    for (name, page) in all_pages() {
        for (index, symbol) in page.symbols.iter().enumerate() {
            for other in &page.symbols[index + 1..] {
                assert!(!meet(symbol.area, other.area), "{name}: {symbol:?} {other:?}");
            }
        }
        for (index, label) in page.labels.iter().enumerate() {
            for other in &page.labels[index + 1..] {
                assert!(!meet(label.area(), other.area()), "{name}: {label:?} {other:?}");
            }
            for symbol in &page.symbols {
                let is_own = is_end(symbol.look) && holds(symbol.area, label.area());
                assert!(is_own || !meet(label.area(), symbol.area), "{name}: {label:?} {symbol:?}");
            }
        }
    }
}

#[test]
fn no_conductor_goes_through_a_label_or_a_symbol_or_another_conductor() {
    for (name, page) in all_pages() {
        for (index, wire) in page.wires.iter().enumerate() {
            assert!((wire.from.1 - wire.to.1).abs() < 1e-12 && wire.from.0 < wire.to.0 - 2.0, "{name}: {wire:?}");
            let area = [wire.from.0, wire.from.1 - 0.2, wire.to.0, wire.to.1 + 0.2];
            for label in &page.labels {
                assert!(!meet(area, label.area()), "{name}: {wire:?} {label:?}");
            }
            for symbol in &page.symbols {
                assert!(!meet(area, symbol.area), "{name}: {wire:?} {symbol:?}");
            }
            for other in &page.wires[index + 1..] {
                assert!(
                    !meet(area, [other.from.0, other.from.1 - 0.2, other.to.0, other.to.1 + 0.2]),
                    "{name}: {wire:?} {other:?}"
                );
            }
        }
    }
}

#[test]
fn everything_lies_on_its_page() {
    for (name, page) in all_pages() {
        let sheet = [0.0, 0.0, WIDTH, page.high];
        // A4 less its margins is 273 mm high; title and notes of a sheet stand above it.
        assert!(page.high < 240.0, "{name}: {}", page.high);
        for area in
            page.symbols.iter().map(|symbol| symbol.area).chain(page.labels.iter().map(super::place::Label::area))
        {
            assert!(holds(sheet, area), "{name}: {area:?}");
        }
    }
}

/// The numbers of an attribute.
fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter_map(|number| number.parse().ok())
        .collect()
}

#[test]
fn a_symbol_stays_within_its_own_area() {
    for (name, page) in all_pages() {
        for symbol in &page.symbols {
            let mut drawn = String::new();
            symbols::draw(&mut drawn, symbol);
            let text = format!("<svg>{drawn}</svg>");
            let document = roxmltree::Document::parse(&text).expect("XML");
            for node in document.descendants() {
                let of = |name: &str| node.attribute(name).map_or(0.0, |value| value.parse::<f64>().expect("a number"));
                let area = match node.tag_name().name() {
                    "polyline" => {
                        let points = numbers(node.attribute("points").expect("points"));
                        let (xs, ys): (Vec<f64>, Vec<f64>) = points.chunks(2).map(|point| (point[0], point[1])).unzip();
                        let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
                        let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                        [least(&xs), least(&ys), most(&xs), most(&ys)]
                    }
                    "rect" => [of("x"), of("y"), of("x") + of("width"), of("y") + of("height")],
                    "circle" => [of("cx") - of("r"), of("cy") - of("r"), of("cx") + of("r"), of("cy") + of("r")],
                    _ => continue,
                };
                assert!(holds(symbol.area, area), "{name}: {:?} {area:?} in {:?}", symbol.look, symbol.area);
            }
        }
    }
}

/// What the drawing says as text is what the list says: no conductor is missing, drawn twice, or ends elsewhere.
#[test]
fn each_conductor_of_the_list_is_drawn_once_and_ends_exactly_at_its_terminals() {
    for (name, _, circuit) in circuits() {
        let mut drawn: BTreeMap<usize, [String; 2]> = BTreeMap::new();
        for drawing in drawings(&circuit) {
            let document = roxmltree::Document::parse(&drawing.svg).expect("XML");
            let terminals: Vec<(String, String, String)> = document
                .descendants()
                .filter_map(|node| {
                    let of = |name: &str| node.attribute(name).unwrap_or_default().to_owned();
                    Some((node.attribute("data-terminal")?.to_owned(), of("cx"), of("cy")))
                })
                .collect();
            for wire in document.descendants().filter(|node| node.attribute("class") == Some("wire")) {
                let number: usize = wire.attribute("data-number").expect("a number").parse().expect("a number");
                let ends = [("x1", "y1"), ("x2", "y2")].map(|(x, y)| {
                    let of = |name: &str| wire.attribute(name).expect("an end");
                    // As text: exactly there.
                    let found: Vec<&str> = terminals
                        .iter()
                        .filter(|(_, at_x, at_y)| at_x == of(x) && at_y == of(y))
                        .map(|(terminal, ..)| terminal.as_str())
                        .collect();
                    assert_eq!(found.len(), 1, "{name}: conductor {number} ends at {found:?}");
                    found[0].to_owned()
                });
                assert!(drawn.insert(number, ends).is_none(), "{name}: conductor {number} is drawn twice");
            }
        }
        let listed: BTreeMap<usize, [String; 2]> =
            wiring::list(&circuit).into_iter().map(|row| (row.number, [row.from, row.to])).collect();
        assert_eq!(drawn, listed, "{name}");
    }
}

/// Capitals of the fonts that are named are 0.72 to 0.73 of their size.
#[test]
fn letters_are_2_2_mm_high_on_paper_and_lines_are_black_on_white() {
    for (name, _, circuit) in circuits() {
        for drawing in drawings(&circuit) {
            let document = roxmltree::Document::parse(&drawing.svg).expect("XML");
            let root = document.root_element();
            let view = numbers(root.attribute("viewBox").expect("a view"));
            let letter: f64 = root.attribute("font-size").expect("a size").parse().expect("a number");
            assert!(letter * 0.725 >= 2.2, "{name}: {letter}");
            let style = root.attribute("style").expect("a style");
            assert!(style.contains(&format!("width:{}mm", view[2])), "{name}: one unit is a millimetre");
            assert!(view[2] <= 186.0, "{name}: A4 less margins of 12 mm");
            for node in document.descendants() {
                for colour in ["fill", "stroke"].iter().filter_map(|name| node.attribute(*name)) {
                    assert!(["#000", "none"].contains(&colour), "{name}: {colour}");
                }
            }
        }
    }
}
