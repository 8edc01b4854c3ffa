//! Installations to report on, and what holds for a whole report.

use super::circuit::Circuit;
use super::{Asked, Report};
use crate::installation::Installation;
use crate::plan::thermal::Shapes;
use crate::plan::{Plan, Subject};
use std::fmt::Write;
use std::path::Path;

/// One of the demonstrations.
pub(super) fn demo(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(name);
    std::fs::read_to_string(path).expect("a demonstration")
}

pub(super) fn parsed(text: &str) -> Installation {
    let problems =
        |problems: Vec<crate::diagnostic::Problem>| problems.iter().map(ToString::to_string).collect::<String>();
    Installation::parse("test", text).map_err(problems).expect("a file that passes the check")
}

/// As much as a file may hold: six channels, four sources, four thermal cut-outs, names as long as they may be, of letters that are
/// twice as wide as others.
pub(super) fn largest(module: bool) -> String {
    let name = |kind: &str, index: usize| format!("{kind}{index}{}", "寒".repeat(31 - kind.chars().count()));
    let hut = demo("hut.toml");
    let between = |from: &str, to: &str| {
        let start = hut.find(from).expect(from);
        &hut[start..start + hut[start..].find(to).expect(to)]
    };
    let mut text = between("title", "# Two cylinders").to_owned();
    for index in 1..=4 {
        let charge =
            ["most_current_a = 12\nreduced_current_a = 4", "obeys = \"its current limit is set over the data line\""];
        let charge = charge[index % 2];
        let _ = writeln!(
            text,
            "[[source]]\nname = \"{}\"\nbudget_w = 400\n{charge}\nschedule = \"sat 10:00-22:00\"",
            name("s", index)
        );
    }
    text += "[bank]\nspend = \"never\"\nmeasured = \"both\"\n";
    let kinds = [
        ("cell", "2-wire\"\nlead_loop_ohm = 0.3\nat = \"top\""),
        ("cell", "3-wire\"\nat = \"top\"\nbattery = 2"),
        ("cell", "4-wire\"\nat = \"between\""),
    ];
    for (index, (role, wiring)) in kinds.into_iter().chain([("pad", "4-wire\""), ("ambient", "3-wire\"")]).enumerate() {
        let _ = writeln!(
            text,
            "[[channel]]\nname = \"{}\"\nrole = \"{role}\"\nelement = \"pt1000\"\nreference_ohm = 4000\nwiring = \
             \"{wiring}\ncable_m = 3.5\ncable_mm2 = 0.5",
            name("c", index + 1)
        );
    }
    let _ = writeln!(
        text,
        "[[channel]]\nname = \"{}\"\nrole = \"check\"\nreference_ohm = 4000\ncheck_ohm = 1000\ncheck_within_ohm = 3",
        name("k", 6)
    );
    text += between("# What follows", "# In series with the pad");
    for opens_c in [55.25, 60.125, 65.5, 80.125] {
        let _ = writeln!(
            text,
            "[[thermal_cutout]]\nat = \"plate\"\nopens_c = {opens_c}\nwithin_k = 3.125\nresets = \"by_itself\"\nrated_a = \
             16.125\nrated_v = 30.125"
        );
    }
    if module {
        text += "[converter]\nkind = \"rtd_module\"\n";
    }
    text + "[winter]\nmean_c = -2\ndaily_swing_k = 3\nspell_c = -10\nspell_from_day = 21\nspell_days = 9\nfrom = \"12-01\"\ndays = 40\n"
}

/// Every installation that is drawn in the tests, and whether its relays have auxiliary contacts.
pub(super) fn installations() -> Vec<(String, Installation, bool)> {
    let mut texts: Vec<(String, String, bool)> = ["hut", "boat", "van", "shelter"]
        .iter()
        .map(|name| ((*name).to_owned(), demo(&format!("{name}.toml")), false))
        .collect();
    for module in [false, true] {
        texts.push((format!("largest, modules: {module}"), largest(module), true));
    }
    let hut = demo("hut.toml");
    let without = |from: &str, to: &str| {
        let (start, end) = (hut.find(from).expect(from), hut.find(to).expect(to));
        format!("{}{}", &hut[..start], &hut[end..])
    };
    texts.push((
        "no pilot".to_owned(),
        without("pilot_a", "# In series").replace("coil_w = 1.5", "coil_w = 0.4"),
        true,
    ));
    texts.push(("no circuit".to_owned(), without("[circuit]", "# In series"), false));
    texts.push(("no cut-outs".to_owned(), without("# In series", "# The coast of the"), false));
    texts.into_iter().map(|(name, text, contacts)| (name, parsed(&text), contacts)).collect()
}

pub(super) fn circuits() -> Vec<(String, Installation, Circuit)> {
    let circuit = |(name, installation, contacts): (String, Installation, bool)| {
        let site = installation.site.clone().expect("a site");
        let circuit = Circuit::of(&installation, &site, contacts);
        (name, installation, circuit)
    };
    installations().into_iter().map(circuit).collect()
}

fn brief(text: &str) -> Report {
    let asked = Asked { by: "", has_contacts: false, record: None, scenario: Err(&[]) };
    Report::brief(&parsed(text), asked).expect("a site").expect("no record, so nothing to be wrong")
}

#[test]
fn a_report_has_each_setting_that_the_controller_gets_once() {
    use forewarm_core::settings::{Key, Place};
    let installation = parsed(&demo("boat.toml"));
    let report = brief(&demo("boat.toml"));
    let places = Key::ALL.iter().flat_map(|&key| (0..key.fact().repeats).map(move |index| Place::at(key, index)));
    let set = places.filter(|place| installation.settings.value(*place).is_some()).count();
    // In words: two for all, what each source obeys, the wiring of each thermometer.
    let words = 2 + installation.obeys.iter().flatten().count() + 5;
    assert_eq!(report.settings.len(), set + words);
    let mut names: Vec<_> = report.settings.iter().map(|setting| (&setting.section, &setting.name)).collect();
    names.sort();
    names.dedup();
    assert_eq!(names.len(), set + words, "one is there twice");
    assert!(report.settings.iter().all(|setting| !setting.why.is_empty() && !setting.meaning.is_empty()));
}

#[test]
fn the_reason_for_a_threshold_is_the_guard_band_of_the_plan() {
    let installation = parsed(&demo("hut.toml"));
    let subject = Subject::of(&installation).expect("a site");
    let plan = Plan::in_shapes(subject, None, &Shapes::of(subject.site));
    let report = brief(&demo("hut.toml"));
    let inhibit = report.settings.iter().find(|setting| setting.name == "inhibit_c").expect("inhibit");
    let band = crate::figures::fixed(plan.measurement.thresholds.guard_band_inhibit_k, 2);
    assert!(inhibit.why.contains(&format!("guard band of {band} K")), "{}", inhibit.why);
}

#[test]
fn what_is_dangerous_stands_on_the_first_page() {
    let text = demo("hut.toml").replace("cable_mm2 = 4\n", "cable_mm2 = 0.75\n");
    let report = brief(&text);
    assert!(!report.ok && report.page().contains("Do not switch this on:"), "{:?}", report.findings);
    let fine = brief(&demo("hut.toml"));
    assert!(fine.ok && !fine.page().contains("Do not switch this on"));
}

#[test]
fn a_page_needs_nothing_from_elsewhere_and_says_the_cautions_once() {
    let page = brief(&largest(true)).page();
    // The name space of SVG is no address to load from.
    let rest = page.replace("http://www.w3.org/2000/svg", "");
    assert!(!rest.contains("http:") && !rest.contains("https:") && !rest.contains("<script") && !rest.contains("<img"));
    for caution in crate::cautions::CAUTIONS {
        assert_eq!(page.matches(&crate::chart::svg::escaped(caution)).count(), 1, "{caution}");
    }
}

#[test]
fn text_of_the_file_cannot_become_markup() {
    let evil = "<b>x</b>&\\\"";
    let text = demo("hut.toml")
        .replace("title = \"Hut above the harbour: two batteries in the boat shed\"", &format!("title = \"{evil}\""));
    let text = text.replace("obeys = \"its current limit", "obeys = \"<i>its current limit");
    let page = brief(&text).page();
    assert!(!page.contains("<b>x") && !page.contains("<i>its") && page.contains("&lt;b&gt;x"), "{page:.900}");
}
