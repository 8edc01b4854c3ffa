use super::levels::{Levels, colour};
use super::signs::{INK, SMALL};
use super::{Thermometer, WIDTH, Warmth, section};
use crate::chart::contour::Lattice;
use crate::chart::labels::Area;
use crate::chart::svg;
use crate::installation::Installation;
use crate::plan::Subject;
use crate::plan::section::warmth;
use crate::plan::thermal::Shapes;
use proptest::prelude::*;
use roxmltree::{Document, Node};
use std::sync::LazyLock;

const NASTY: &str = "</text><b>\"&'<!--\u{0}\u{ffff}";
/// What is left of it: what is no character in XML is left out.
const SHOWN: &str = "</text><b>\"&'<!--";

fn of(name: &str, text: &str) -> Warmth {
    let installation = Installation::parse(name, text).unwrap_or_else(|problems| panic!("{problems:?}"));
    let subject = Subject::of(&installation).expect("a site");
    warmth(&subject, &Shapes::of(subject.site))
}

/// Two batteries, four, one whose cells lie, and a row of eight.
static BANKS: LazyLock<[(&str, Warmth); 4]> = LazyLock::new(|| {
    let four = include_str!("../../../../tests/data/sideways/four.toml");
    let mut eight = four.to_owned();
    for (from, to) in [
        ("count = 4", "count = 8"),
        ("capacity_ah = 400", "capacity_ah = 800"),
        ("battery = 4", "battery = 8"),
        // Plate, pad and box: four batteries and gaps more.
        ("width_mm = 703", "width_mm = 1411"),
        ("width_mm = 670", "width_mm = 1378"),
        ("width_mm = 754", "width_mm = 1462"),
    ] {
        assert_eq!(eight.matches(from).count(), 1, "{from}");
        eight = eight.replace(from, to);
    }
    [
        ("demo", of("demo", include_str!("../../../demo/hut.toml"))),
        ("four", of("four", four)),
        ("lying", of("lying", include_str!("../../../../tests/data/sideways/one_lying.toml"))),
        ("eight", of("eight", &eight)),
    ]
});

/// Longest names, of the widest letters, and a title that no picture is wide enough for.
fn with_long_names(warmth: &Warmth) -> Warmth {
    let mut warmth = warmth.clone();
    warmth.title = "W".repeat(300);
    for thermometer in &mut warmth.thermometers {
        thermometer.name = "W".repeat(32);
    }
    warmth
}

fn number(node: Node, name: &str) -> Option<f64> {
    node.attribute(name)?.parse().ok()
}

fn words<'a>(node: Node<'a, '_>) -> &'a str {
    node.text().unwrap_or_default()
}

/// Where a text stands: its letters from a little below the line up to their height.
fn area(node: Node) -> Area {
    let size = number(node, "font-size").unwrap_or(12.0);
    let bold = if node.has_attribute("font-weight") { 1.08 } else { 1.0 };
    let wide = svg::width(words(node), size) * bold;
    let (x, y) = (number(node, "x").expect("x"), number(node, "y").expect("y"));
    let left = match node.attribute("text-anchor") {
        Some("middle") => x - wide / 2.0,
        Some("end") => x - wide,
        _ => x,
    };
    Area { left, top: y - 0.75 * size, right: left + wide, bottom: y + 0.2 * size }
}

/// The labels of isotherms: small letters on lines.
fn isotherm_labels<'a>(document: &'a Document) -> Vec<&'a str> {
    let small = SMALL.to_string();
    let labels = document.descendants().filter(|node| {
        node.has_tag_name("text") && node.has_attribute("paint-order") && node.attribute("font-size") == Some(&*small)
    });
    labels.map(|node| node.text().unwrap_or_default()).collect()
}

fn levels(warmth: &Warmth) -> Levels {
    let all = || warmth.planes.iter().flat_map(|plane| &plane.fields).flat_map(|field| &field.at_c).copied();
    Levels::between(all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max))
}

#[test]
fn every_text_lies_inside_the_picture_and_on_no_other() {
    let with_long_names = BANKS.iter().map(|(name, warmth)| (*name, with_long_names(warmth)));
    for (name, warmth) in BANKS.iter().cloned().chain(with_long_names) {
        let svg = section(&warmth);
        let document = Document::parse(&svg).expect("XML");
        let view = document.root_element().attribute("viewBox").expect("a view");
        let height: f64 = view.rsplit(' ').next().expect("a height").parse().expect("a number");
        let picture = Area { left: 0.0, top: 0.0, right: WIDTH, bottom: height };
        let texts: Vec<Node> = document.descendants().filter(|node| node.has_tag_name("text")).collect();
        assert!(texts.len() > 20, "{name}");
        for (index, node) in texts.iter().enumerate() {
            assert!(picture.holds(&area(*node)), "{name}: {} runs out: {:?}", words(*node), area(*node));
            for other in &texts[..index] {
                let meet = area(*node).meets(&area(*other));
                assert!(!meet, "{name}: {} lies on {}: {:?}", words(*node), words(*other), area(*other));
            }
        }
    }
}

#[test]
fn each_isotherm_is_labelled_once_in_each_section_that_it_crosses() {
    for (name, warmth) in &*BANKS {
        let levels = levels(warmth);
        assert!((5..=12).contains(&levels.at_c.len()), "{name}: {levels:?}");
        let svg = section(warmth);
        let document = Document::parse(&svg).expect("XML");
        let labels = isotherm_labels(&document);
        for at_c in &levels.at_c {
            let crosses = warmth.planes.iter().filter(|plane| {
                plane.fields.iter().any(|field| {
                    let lattice = Lattice { x: &field.sideways_m, y: &field.up_m, values: &field.at_c };
                    !lattice.lines(*at_c).is_empty()
                })
            });
            let label = levels.label(*at_c);
            let found = labels.iter().filter(|found| **found == label).count();
            assert_eq!(found, crosses.count(), "{name}: {label} in {labels:?}");
        }
    }
}

proptest! {
    #[test]
    fn isotherms_lie_at_five_to_twelve_round_temperatures_within_the_range(
        low_c in -40.0..30.0_f64, range_k in 0.6..200.0_f64,
    ) {
        let Levels { at_c, step_k, decimals } = Levels::between(low_c, low_c + range_k);
        prop_assert!((5..=12).contains(&at_c.len()), "{:?}", at_c);
        for t_c in at_c {
            prop_assert!(low_c < t_c && t_c < low_c + range_k);
            prop_assert!((t_c / step_k - (t_c / step_k).round()).abs() < 1e-9);
            // What is written is what is drawn.
            let written: f64 = format!("{t_c:.decimals$}").parse().expect("a number");
            prop_assert!((written - t_c).abs() < 1e-9);
        }
    }
}

#[test]
fn a_bank_that_is_evenly_warm_is_drawn_without_isotherms() {
    let mut warmth = BANKS[0].1.clone();
    for field in warmth.planes.iter_mut().flat_map(|plane| &mut plane.fields) {
        field.at_c.fill(8.5);
    }
    let svg = section(&warmth);
    let document = Document::parse(&svg).expect("XML");
    assert!(isotherm_labels(&document).is_empty());
    assert!(svg.contains("all of the batteries within 0.1 K") && !svg.contains("NaN"), "{svg}");
}

/// Relative luminance. Source: WCAG 2.1, definition of relative luminance.
fn luminance([r, g, b]: [f64; 3]) -> f64 {
    let of = |part: f64| {
        let part = part / 255.0;
        if part <= 0.03928 { part / 12.92 } else { libm::pow((part + 0.055) / 1.055, 2.4) }
    };
    0.2126 * of(r) + 0.7152 * of(g) + 0.0722 * of(b)
}

#[test]
fn the_fill_grows_lighter_from_cold_to_warm_from_blue_to_yellow_and_letters_read_on_all_of_it() {
    let parsed = |part: f64| -> [f64; 3] {
        let text = colour(part);
        let inner = text.strip_prefix("rgb(").and_then(|text| text.strip_suffix(')')).expect("rgb");
        let parts: Vec<f64> = inner.split(',').map(|part| part.parse().expect("a number")).collect();
        parts.try_into().expect("three")
    };
    assert_eq!(INK, "#222");
    let ink = luminance([34.0; 3]);
    let fills: Vec<[f64; 3]> = (0..=12).map(|step| parsed(f64::from(step) / 12.0)).collect();
    for pair in fills.windows(2) {
        // Thirteen fills, the most there are, and each still lighter than the one before.
        assert!(luminance(pair[1]) > luminance(pair[0]) * 1.03, "{pair:?}");
        // What red-green blindness leaves: how much yellower than blue.
        let yellow = |[r, g, b]: [f64; 3]| f64::midpoint(r, g) - b;
        assert!(yellow(pair[1]) > yellow(pair[0]), "{pair:?}");
    }
    for fill in fills {
        // Source: WCAG 2.1, success criterion 1.4.3: 4.5 to 1.
        let contrast = (luminance(fill) + 0.05) / (ink + 0.05);
        assert!(contrast > 4.5, "{fill:?}: {contrast}");
    }
}

#[test]
fn names_are_text_whatever_they_hold() {
    let mut warmth = BANKS[0].1.clone();
    warmth.title = NASTY.to_owned();
    warmth.thermometers[0] = Thermometer { name: NASTY.to_owned(), ..warmth.thermometers[0].clone() };
    let svg = section(&warmth);
    let document = Document::parse(&svg).expect("XML");
    let texts: Vec<&str> = document.descendants().filter(|node| node.has_tag_name("text")).map(words).collect();
    assert_eq!(texts.iter().filter(|text| **text == SHOWN).count(), 2, "{texts:?}");
    assert!(!document.descendants().any(|node| node.has_tag_name("b")));
    for name in ["title", "desc"] {
        let said = document.descendants().find(|node| node.has_tag_name(name)).map(words).expect("a text");
        assert!(said.contains(SHOWN), "{said}");
    }
}

#[test]
fn the_picture_says_its_state_that_it_is_computed_what_is_coldest_and_what_each_thermometer_reads() {
    let (_, warmth) = &BANKS[0];
    // The heater holds the coldest place at release, 8.5 °C.
    assert!((warmth.coldest_c - 8.5).abs() < 1e-6, "{}", warmth.coldest_c);
    let svg = section(warmth);
    let document = Document::parse(&svg).expect("XML");
    let texts: Vec<&str> = document.descendants().filter(|node| node.has_tag_name("text")).map(words).collect();
    let all = texts.join(" ").replace('\u{a0}', " ");
    for said in ["design minimum (−22 °C, 13 m/s of wind)", "at release, 8.5 °C", "not measured", "outside −22.0 °C"]
    {
        assert!(all.contains(said), "no {said}: {all}");
    }
    assert_eq!(texts.iter().filter(|text| **text == "coldest 8.5 °C").count(), 2);
    // Two batteries of 172 x 330 x 215 mm, 5 mm apart.
    for measure in ["349 mm", "330 mm", "215 mm"] {
        assert_eq!(texts.iter().filter(|text| **text == measure).count(), 1, "{measure}");
    }
    let of = |name: &str| {
        // The legend has a plate too, and stands before.
        let row = texts.iter().rposition(|text| *text == name).unwrap_or_else(|| panic!("no {name}: {texts:?}"));
        (texts[row + 1], texts[row + 2])
    };
    for (index, (name, at)) in
        [("battery_1", "between batteries 1 and 2"), ("battery_2", "top of battery 2"), ("plate", "on the plate")]
            .into_iter()
            .enumerate()
    {
        let reads = format!("reads {:.1} °C", warmth.thermometers[index].reads_c);
        assert_eq!(of(name), (&*reads, at));
    }
    // The air's thermometer is on nothing that is cut; neither is the check resistor.
    assert!(!texts.contains(&"box_air") && !texts.contains(&"check"));
    // Full where it lies in the section, else hollow: three across, one along of three; and one of each in the legend.
    let signs = |fill: &str| {
        let circles = document.descendants().filter(|node| node.attribute("r") == Some("3.2"));
        circles.filter(|node| node.attribute("fill") == Some(fill)).count()
    };
    assert_eq!((signs(INK), signs("#fff")), (3 + 1 + 1, 2 + 1));
}

#[test]
fn a_page_has_the_section_of_each_bank_whole() {
    let banks: Vec<Warmth> = BANKS.iter().map(|(_, warmth)| warmth.clone()).collect();
    let page = crate::chart::page(&[], &banks, &crate::chart::Summary::default(), &[]);
    for bank in &banks {
        assert_eq!(page.matches(&*section(bank)).count(), 1);
    }
}

#[test]
fn the_same_installation_gives_the_same_bytes() {
    let again = of("demo", include_str!("../../../demo/hut.toml"));
    assert_eq!(section(&again), section(&BANKS[0].1));
}
