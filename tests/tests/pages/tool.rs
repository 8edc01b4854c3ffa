//! The whole tool on one page: what a fitter does there, from the first look to a proposal and a report.

use crate::browser::Page;
use forewarm_tests::{page, root, run};
use serde_json::{Value, json};
use std::process::Command;
use std::sync::OnceLock;

pub(crate) const NOTHING_NEWER: &str = "document.getElementById('winter-panel').getAttribute('aria-busy') === 'false' && \
                             document.getElementById('verdicts').getAttribute('aria-busy') === 'false' && \
                             document.getElementById('bank-panel').getAttribute('aria-busy') === 'false'";

pub(crate) fn address() -> String {
    format!("file://{}", page().canonicalize().expect("a page").display())
}

/// A browser that has the page open where it begins.
pub(crate) fn begun(width: u32, height: u32, phone: bool) -> Page {
    let mut browser = Page::new(width, height, phone);
    browser.visit(&address());
    browser.until("document.querySelectorAll('#examples button').length === 4");
    browser
}

/// The same with the second smallest example, and everything computed.
pub(crate) fn with_an_example(width: u32, height: u32, phone: bool) -> Page {
    let mut browser = begun(width, height, phone);
    browser.click("#examples button:nth-child(3)");
    browser.until(NOTHING_NEWER);
    browser
}

pub(crate) fn text(browser: &mut Page) -> String {
    browser.text("document.getElementById('text').value")
}

/// Writes the whole file, as somebody who edits it does.
pub(crate) fn write(browser: &mut Page, text: &str) {
    browser.value(&format!(
        "{{ const area = document.getElementById('text'); document.getElementById('source').open = true; area.focus(); \
         area.value = {}; area.dispatchEvent(new Event('input')); }}",
        json!(text)
    ));
}

/// Moves a slider by so many stops, as an arrow key does.
pub(crate) fn drag(browser: &mut Page, value: &str, stops: i32) {
    browser.value(&format!(
        "{{ const slider = document.getElementById('value-{value}').parentElement.querySelector('[type=range]'); slider.focus(); \
         slider.value = Number(slider.value) + {stops}; slider.dispatchEvent(new Event('input')); }}"
    ));
}

#[test]
fn an_example_shows_its_verdict_its_winter_and_where_the_bank_is_cold() {
    let mut browser = with_an_example(1280, 900, false);
    browser.photograph("tool");
    assert!(browser.text("document.querySelector('.overall').textContent").starts_with("It passes"));
    assert!(browser.number("document.querySelectorAll('.finding').length") > 10.0);
    assert!(browser.number("document.querySelectorAll('#live svg path').length") > 50.0);
    assert!(browser.text("document.getElementById('figures').textContent").contains("charging time won by heating"));
    assert!(browser.text("document.getElementById('figures').textContent").contains("on at, and charge permitted at"));
    assert_eq!(browser.value("document.querySelectorAll('#bank svg').length"), 1);
    assert!(browser.text("document.getElementById('cautions').textContent").contains("start fires"));
    browser.print("tool");
    browser.close();
}

#[test]
fn a_slider_changes_one_value_of_the_file_and_undo_brings_back_every_byte() {
    let mut browser = with_an_example(1280, 900, false);
    let before = text(&mut browser);
    let winter = browser.text("document.getElementById('figures').textContent");
    drag(&mut browser, "heater-power_w", 40);
    drag(&mut browser, "heater-power_w", 40);
    browser.until("!document.getElementById('undo').disabled");
    browser.until(NOTHING_NEWER);
    let after = text(&mut browser);
    let differing: Vec<_> = before.lines().zip(after.lines()).filter(|(before, after)| before != after).collect();
    assert_eq!(before.lines().count(), after.lines().count());
    assert!(
        matches!(differing[..], [(was, is)] if was.starts_with("power_w = ") && is.starts_with("power_w = ")),
        "{differing:?}"
    );
    assert_ne!(browser.text("document.getElementById('figures').textContent"), winter);
    // One drag is one step.
    browser.click("#undo");
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), before);
    assert_eq!(browser.text("document.getElementById('figures').textContent"), winter);
    browser.click("#redo");
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), after);
    browser.close();
}

#[test]
fn the_address_brings_the_same_installation_to_another_browser() {
    let mut browser = with_an_example(1280, 900, false);
    drag(&mut browser, "charge-soak_min", 20);
    browser.until("!document.getElementById('undo').disabled");
    browser.until(NOTHING_NEWER);
    browser.click("#beside button");
    browser.until(&format!("document.querySelectorAll('.season').length === 2 && {NOTHING_NEWER}"));
    let before = text(&mut browser);
    // It is written once nothing changes.
    browser.until("location.hash.length > 100");
    browser.value("new Promise(done => setTimeout(done, 1000))");
    let link = browser.text("location.href");
    browser.close();
    let mut other = Page::new(1280, 900, false);
    other.visit(&link);
    other.until(&format!("document.querySelectorAll('.season').length === 2 && {NOTHING_NEWER}"));
    assert_eq!(text(&mut other), before);
    other.close();
}

#[test]
fn an_address_that_holds_nothing_leaves_a_page_that_says_so() {
    for hash in ["%E0%A4%A", "AAAA", "nonsense", "eyJuYW1lIjoxfQ", "<img src=x>"] {
        let mut browser = Page::new(1280, 900, false);
        browser.visit(&format!("{}#{hash}", address()));
        browser.until("document.getElementById('said').textContent.includes('no installation')");
        assert_eq!(browser.value("document.querySelectorAll('#examples button').length"), 4, "{hash}");
        browser.close();
    }
}

#[test]
fn a_damaged_file_shows_every_problem_with_its_place_and_nothing_is_lost() {
    let mut browser = with_an_example(1280, 900, false);
    let good = text(&mut browser);
    let bad = good.replace("[heater]", "[heeter]").replace("inhibit_c = ", "inhibit_c = -9");
    write(&mut browser, &bad);
    browser.until("document.querySelectorAll('#problems .error').length > 1");
    let problems = browser.text("document.getElementById('problems').textContent");
    assert!(problems.contains("heeter") && problems.contains("inhibit_c"), "{problems}");
    let line = bad.lines().position(|line| line == "[heeter]").expect("it is there") + 1;
    assert!(problems.contains(&format!("line {line}, ")), "{problems}");
    assert_eq!(text(&mut browser), bad);
    // What cannot be read at all.
    for nonsense in ["", "= = =", "\u{0}\u{1}binary", "a = [[[[[[[[", "title = \"open"] {
        write(&mut browser, nonsense);
        browser.until("document.querySelectorAll('#problems .error').length > 0");
        assert_eq!(browser.value("document.getElementById('broken').hidden"), true, "{nonsense:?}");
    }
    write(&mut browser, &good);
    browser.until(&format!("document.querySelectorAll('#problems .error').length === 0 && {NOTHING_NEWER}"));
    browser.close();
}

#[test]
fn names_with_markup_stay_text() {
    let mut browser = with_an_example(1280, 900, false);
    let hostile = "<img src=x onerror=alert(1)><script>alert(2)</script>";
    let given = text(&mut browser);
    let title = given.lines().find(|line| line.starts_with("title")).expect("a title");
    write(&mut browser, &given.replace(title, &format!("title = \"{hostile}\"")));
    browser.until(&format!("document.title.includes('onerror') && {NOTHING_NEWER}"));
    assert_eq!(browser.value("document.querySelectorAll('main img, main script').length"), 0);
    browser.close();
}

#[test]
fn a_search_can_be_stopped_and_what_it_finds_can_be_taken() {
    let mut browser = with_an_example(1280, 900, false);
    let short = text(&mut browser).replace("days = 75", "days = 12");
    write(&mut browser, &short);
    browser.until(NOTHING_NEWER);
    browser.value("document.querySelector('[name=tries]').value = 4000");
    browser.click("#go");
    browser.until("document.querySelector('#searched progress')?.value > 0");
    browser.click("#stop");
    browser.until(
        "document.getElementById('searched').textContent === 'Stopped.' && !document.getElementById('go').disabled",
    );
    for (name, value) in [("tries", 20), ("trials", 2), ("most", 3)] {
        browser.value(&format!("document.querySelector('[name={name}]').value = {value}"));
    }
    browser.click("#go");
    browser.until("document.querySelectorAll('.candidates button').length > 0");
    browser.photograph("tool proposals");
    let before = text(&mut browser);
    browser.click(".candidates button");
    browser.until(&format!("document.getElementById('text').value !== {} && {NOTHING_NEWER}", json!(before)));
    // What was there before stays beside it.
    assert_eq!(browser.value("document.querySelectorAll('.season').length"), 2);
    assert_eq!(browser.value("document.querySelectorAll('.finding.danger').length"), 0);
    browser.close();
}

#[test]
fn the_report_is_made_in_the_page() {
    let mut browser = with_an_example(1280, 900, false);
    browser.click("#report");
    browser.value("document.getElementById('by').value = 'A. <b>Fitter</b>'");
    browser.click("#make");
    browser.until("!document.getElementById('print').disabled");
    browser.until("document.getElementById('paper').contentDocument?.querySelector('h1') !== null");
    let report = browser.text("document.getElementById('paper').contentDocument.body.textContent");
    assert!(report.contains("A. <b>Fitter</b>"), "{report}");
    browser.photograph("tool report");
    browser.close();
}

/// The source of the check.
fn axe() -> &'static str {
    static AXE: OnceLock<String> = OnceLock::new();
    AXE.get_or_init(|| {
        let folder = run(Command::new(root().join("tests/tools/provide")).arg("axe"));
        let file = std::path::Path::new(folder.trim()).join("node_modules/axe-core/axe.min.js");
        std::fs::read_to_string(&file).unwrap_or_else(|error| panic!("{}: {error}", file.display()))
    })
}

/// What keeps people out, by WCAG 2.2, level AA, as far as a program can see it.
pub(crate) fn violations(browser: &mut Page) -> Value {
    browser.value(&format!("{}; true", axe()));
    browser.value(
        "axe.run(document, { iframes: false, runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] })
            .then(found => found.violations.map(one => [one.id, one.nodes.map(node => node.html.slice(0, 200))]))",
    )
}

#[test]
fn every_view_is_open_to_everybody_in_light_and_dark_at_desk_and_on_a_phone() {
    for (width, height, phone) in [(1280, 900, false), (360, 740, true)] {
        for dark in [false, true] {
            let mut browser = begun(width, height, phone);
            if dark {
                browser.darken();
            }
            let name = format!("tool {width}{}", if dark { " dark" } else { "" });
            let hold = |browser: &mut Page, view: &str| {
                assert_eq!(violations(browser), json!([]), "{name}: {view}");
                let wide = browser.number("document.documentElement.scrollWidth");
                assert!(wide <= f64::from(width), "{name}: {view} is {wide} wide");
                browser.photograph(&format!("{name} {view}"));
            };
            hold(&mut browser, "begin");
            browser.click("#begin-questions");
            browser.until("document.querySelectorAll('#asked .field').length > 10");
            hold(&mut browser, "questions");
            browser.click("#start");
            browser.click("#examples button:nth-child(3)");
            browser.until(NOTHING_NEWER);
            browser.value("document.querySelectorAll('details').forEach(part => (part.open = true))");
            hold(&mut browser, "desk");
            browser.value("document.querySelectorAll('details').forEach(part => (part.open = false))");
            browser.click("#report");
            hold(&mut browser, "report");
            browser.close();
        }
    }
    // The check sees what it is to see.
    let mut browser = begun(1280, 900, false);
    browser.value("document.body.append(document.createElement('input'))");
    assert_eq!(violations(&mut browser)[0][0], "label");
    browser.close();
}
