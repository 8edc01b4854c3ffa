//! The whole tool on one page, where something goes wrong: the text of the fitter stays, and the page says what has failed.

use crate::browser::Page;
use crate::tool::{NOTHING_NEWER, begun, drag, text, violations, with_an_example, write};
use forewarm_tests::page;
use serde_json::json;
use std::fmt::Write as _;

/// Gives a file to an input of the page, as somebody who chooses it does.
fn choose(browser: &mut Page, input: &str, name: &str, contents: &str) {
    browser.value(&format!(
        "{{ const given = new DataTransfer(); given.items.add(new File([{}], {})); const input = document.querySelector({}); \
         input.files = given.files; input.dispatchEvent(new Event('change')); }}",
        json!(contents),
        json!(name),
        json!(input)
    ));
}

/// Writes text without waiting for anything, then runs a script in the same moment.
fn write_and(browser: &mut Page, text: &str, script: &str) {
    browser.value(&format!(
        "{{ const area = document.getElementById('text'); area.value = {}; area.dispatchEvent(new Event('input')); {script}; }}",
        json!(text)
    ));
}

fn wait(browser: &mut Page, ms: u32) {
    browser.value(&format!("new Promise(done => setTimeout(done, {ms}))"));
}

/// A season of some days, so that a search ends soon.
fn short(browser: &mut Page) -> String {
    let short = text(browser).replace("days = 75", "days = 12");
    write(browser, &short);
    browser.until(&format!("document.getElementById('text').value.includes('days = 12') && {NOTHING_NEWER}"));
    short
}

#[test]
fn an_undo_counts_more_than_a_change_under_way_and_the_form_follows_it() {
    let mut browser = with_an_example(1280, 900, false);
    let before = text(&mut browser);
    drag(&mut browser, "heater-power_w", 30);
    browser.until(&format!("!document.getElementById('undo').disabled && {NOTHING_NEWER}"));
    browser.value(
        "{ const slider = document.activeElement; slider.value = Number(slider.value) + 30; \
         slider.dispatchEvent(new Event('input')); document.getElementById('undo').click(); }",
    );
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), before);
    assert!(before.contains("power_w = 180\n"));
    assert_eq!(browser.value("document.getElementById('value-heater-power_w').value"), "180");
    let slider = "form.fields.get('heater.power_w')";
    assert_eq!(browser.value(&format!("{slider}.scale.to(Number({slider}.slider.value))")), 180);
    browser.close();
}

#[test]
fn what_was_typed_last_stays_in_the_history_whatever_is_pressed_next() {
    let mut browser = with_an_example(1280, 900, false);
    let typed = format!("{}# typed last\n", text(&mut browser));
    write_and(&mut browser, &typed, "document.querySelector('#examples button:nth-child(1)').click()");
    browser.until(&format!("state.name === 'hut.toml' && {NOTHING_NEWER}"));
    assert!(!text(&mut browser).contains("# typed last"));
    // The time in which it would have come to the other file.
    wait(&mut browser, 500);
    assert!(!text(&mut browser).contains("# typed last"));
    browser.click("#undo");
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), typed);
    browser.close();
}

#[test]
fn a_file_that_has_problems_is_not_said_to_pass() {
    let mut browser = with_an_example(360, 740, true);
    assert_eq!(browser.text("document.getElementById('now-verdict').textContent"), "It passes");
    let good = text(&mut browser);
    // While its winter is computed.
    write(&mut browser, &good.replace("days = 75", "days = 74"));
    wait(&mut browser, 300);
    write(&mut browser, &good.replace("[heater]", "[heeter]"));
    browser.until("document.querySelector('.overall').textContent.includes('problem')");
    assert_eq!(browser.value("document.getElementById('winter-panel').hidden"), true);
    assert!(browser.text("document.getElementById('now-verdict').textContent").contains("problem"));
    browser.click("#verdicts button");
    assert!(browser.number("document.getElementById('problems').getBoundingClientRect().top") < 700.0);
    browser.click("#undo");
    browser.until(&format!("!document.getElementById('winter-panel').hidden && {NOTHING_NEWER}"));
    assert_eq!(browser.text("document.getElementById('now-verdict').textContent"), "It passes");
    browser.close();
}

#[test]
fn weather_that_the_file_names_can_be_given_and_what_is_wrong_in_it_is_said_with_its_name() {
    let mut browser = with_an_example(1280, 900, false);
    let given = text(&mut browser);
    let (before, winter) = given.split_once("\n[winter]\n").expect("a winter");
    let after = winter.find("\n[").map_or("", |at| &winter[at..]);
    write(&mut browser, &format!("{before}\n[winter]\nweather = \"cold/coast.csv\"\ndays = 13\n{after}"));
    let chooser = "#problems input[type=file]";
    browser.until(&format!("document.querySelector('{chooser}') !== null && {NOTHING_NEWER}"));
    assert!(browser.text("document.getElementById('lead').textContent").contains("no winter"));
    assert_eq!(browser.value("document.querySelectorAll('#live svg').length"), 0);
    choose(&mut browser, chooser, "coast.csv", "<b>no weather</b>\n");
    browser.until("document.getElementById('lead').textContent.includes('cold/coast.csv, line 1, column 1')");
    browser.until(NOTHING_NEWER);
    assert_eq!(browser.value("document.querySelectorAll('#lead button, #lead b b').length"), 0);
    let mut weather = "time,temperature_c,wind_speed_m_s,irradiance_w_m2\n".to_owned();
    for hour in 0..24 * 14 {
        let _ = writeln!(weather, "2027-01-{:02}T{:02}:00,{},3,0", hour / 24 + 1, hour % 24, -(hour % 24));
    }
    choose(&mut browser, chooser, "coast.csv", &weather);
    browser.until(&format!("document.querySelectorAll('#live svg').length > 0 && {NOTHING_NEWER}"));
    assert_eq!(browser.value("document.querySelectorAll('#problems .error, #lead .error').length"), 0);
    // Workers that begin later have it too.
    browser.click("#go");
    browser.until("document.querySelector('#searched progress')?.value > 0");
    browser.value("seasons.stop(); refresh()");
    browser.until(NOTHING_NEWER);
    assert!(browser.number("document.querySelectorAll('#live svg').length") > 0.0);
    assert_eq!(browser.value("document.getElementById('broken').hidden"), true);
    browser.close();
}

#[test]
fn what_has_gone_wrong_is_open_to_everybody_and_fits_a_phone() {
    let mut browser = with_an_example(360, 740, true);
    let short = short(&mut browser);
    let hold = |browser: &mut Page, what: &str| {
        // What is below the bar at the foot of the window is measured by what of it is in sight.
        browser.value("window.scrollTo(0, 0)");
        assert_eq!(violations(browser), json!([]), "{what}");
        assert_eq!(browser.value("document.documentElement.scrollWidth"), 360, "{what}");
        browser.photograph(&format!("tool mishap {what}"));
    };
    browser.click("#beside button");
    browser.until(NOTHING_NEWER);
    let long = "W".repeat(200);
    let title = short.lines().find(|line| line.starts_with("title")).expect("a title");
    let hotter = short.replace(title, &format!("title = \"{long}\"")).replace("power_w = 180", "power_w = 500");
    browser.value(&format!("fresh('{long}.toml', {}, state.other)", json!(hotter)));
    browser.until(&format!("document.querySelector('.overall').textContent.includes('dangerous') && {NOTHING_NEWER}"));
    hold(&mut browser, "dangers");
    write(&mut browser, &hotter.replace("mean_c", "weather = \"a/very/long/path/to/weather.csv\"\nmean_c"));
    browser.until("document.querySelector('#problems .error') !== null");
    hold(&mut browser, "problems");
    browser.value("fail(new Error('x'.repeat(300)))");
    hold(&mut browser, "failure");
    browser.close();
}

#[test]
fn a_worker_that_dies_is_replaced_the_page_says_so_and_the_text_stays() {
    let mut browser = with_an_example(1280, 900, false);
    let changed = text(&mut browser).replace("days = 75", "days = 74");
    write(&mut browser, &changed);
    browser.until("document.getElementById('winter-panel').getAttribute('aria-busy') === 'true'");
    wait(&mut browser, 100);
    browser.value("seasons.worker.dispatchEvent(new ErrorEvent('error', { message: 'out of <b>memory</b>' }))");
    browser.until("!document.getElementById('broken').hidden");
    assert!(browser.text("document.getElementById('broken').textContent").contains("out of <b>memory</b>"));
    assert_eq!(text(&mut browser), changed);
    let again = changed.replace("days = 74", "days = 73");
    write(&mut browser, &again);
    browser.until(&format!("document.getElementById('broken').hidden && {NOTHING_NEWER}"));
    assert_eq!(text(&mut browser), again);
    browser.close();
}

#[test]
fn a_browser_that_cannot_run_the_module_is_told_so_once() {
    let whole = std::fs::read_to_string(page()).expect("a page");
    let (before, rest) = whole.split_once("id=\"module\">").expect("a module");
    let (_, after) = rest.split_once("</script>").expect("its end");
    let mut browser = Page::new(1280, 900, false);
    browser.open(&format!("{before}id=\"module\">AAAA</script>{after}"));
    browser.until("!document.getElementById('broken').hidden");
    assert!(browser.text("document.getElementById('broken').textContent").contains("A browser of 2023"));
    let begun = browser.value("quick.count");
    wait(&mut browser, 500);
    assert_eq!(browser.value("quick.count"), begun, "it begins again and again");
    browser.close();
}

#[test]
fn a_report_waits_for_no_search_and_one_of_another_text_is_not_printed() {
    let mut browser = with_an_example(1280, 900, false);
    let short = short(&mut browser);
    browser.value("document.querySelector('[name=tries]').value = 100000");
    browser.click("#go");
    browser.click("#report");
    browser.click("#make");
    browser.until("!document.getElementById('print').disabled");
    assert_eq!(browser.value("document.getElementById('go').disabled"), true, "the search has ended");
    browser.click("#close");
    browser.click("#stop");
    browser.click("#report");
    assert_eq!(browser.value("document.getElementById('print').disabled"), false);
    browser.click("#close");
    write(&mut browser, &format!("{short}# another\n"));
    browser.click("#report");
    assert_eq!(browser.value("document.getElementById('print').disabled"), true);
    assert_eq!(browser.value("document.getElementById('paper').hidden"), true);
    // Closing it ends what is made.
    browser.click("#make");
    browser.click("#close");
    browser.until("!document.getElementById('make').disabled");
    assert_eq!(browser.value("document.getElementById('print').disabled"), true);
    browser.close();
}

#[test]
fn another_proposal_can_be_taken_after_the_first_and_undo_leads_back_to_the_file_alone() {
    let mut browser = with_an_example(1280, 900, false);
    let short = short(&mut browser);
    for (name, value) in [("tries", 20), ("trials", 2), ("most", 3)] {
        browser.value(&format!("document.querySelector('[name={name}]').value = {value}"));
    }
    browser.click("#go");
    browser.until("document.querySelectorAll('.candidates button').length > 1");
    for number in [2, 3] {
        browser.click(&format!(".candidates tr:nth-child({number}) button"));
        browser.until(NOTHING_NEWER);
        assert_ne!(text(&mut browser), short);
        assert_eq!(browser.text("state.other.text"), short);
        assert_eq!(browser.value("document.querySelectorAll('.season').length"), 2);
    }
    let names = browser.value("[...document.querySelectorAll('.season h2')].map(name => name.textContent)");
    assert_ne!(names[0], names[1]);
    browser.click("#undo");
    browser.click("#undo");
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), short);
    assert_eq!(browser.value("document.querySelectorAll('.season').length"), 1);
    browser.close();
}

#[test]
fn letters_in_a_number_leave_the_file_as_it_is() {
    let mut browser = with_an_example(1280, 900, false);
    let before = text(&mut browser);
    browser.value("{ const power = document.getElementById('value-heater-power_w'); power.focus(); power.select(); }");
    for key in ["e", "-", "e"] {
        browser.key(key, false);
    }
    browser.value("document.activeElement.blur()");
    wait(&mut browser, 500);
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), before);
    assert_eq!(browser.value("document.getElementById('value-heater-power_w').value"), "180");
    browser.close();
}

#[test]
fn an_answer_does_not_take_away_the_button_that_is_pressed_after_it() {
    let mut browser = begun(1280, 900, false);
    browser.click("#begin-questions");
    browser.until("document.querySelectorAll('#answers .field').length > 10");
    browser.value("{ const mass = document.getElementById('answer-battery_kg'); mass.focus(); mass.select(); }");
    for key in ["1", "3"] {
        browser.key(key, false);
    }
    browser.value("document.querySelector('#asked [type=submit]').scrollIntoView({ block: 'center' })");
    let [left, top] = ["left", "top"].map(|side| {
        browser.number(&format!("document.querySelector('#asked [type=submit]').getBoundingClientRect().{side}"))
    });
    browser.mouse("mousePressed", (left + 20.0, top + 10.0), 0.0);
    wait(&mut browser, 300);
    browser.mouse("mouseReleased", (left + 20.0, top + 10.0), 0.0);
    browser.until(&format!("!document.getElementById('desk').hidden && {NOTHING_NEWER}"));
    assert!(text(&mut browser).contains("mass_kg = 13\n"));
    browser.close();
}

#[test]
fn a_file_that_cannot_be_opened_says_why_and_the_open_one_stays() {
    let mut browser = with_an_example(1280, 900, false);
    let before = text(&mut browser);
    let large = "#".repeat(300_000);
    for (name, contents) in [("<img src=x>.toml", "\u{0}\u{1}\u{2}"), ("large.toml", large.as_str())] {
        browser.value("document.getElementById('broken').hidden = true");
        choose(&mut browser, "#file", name, contents);
        browser.until("!document.getElementById('broken').hidden");
        assert!(browser.text("document.getElementById('broken').textContent").starts_with(name), "{name}");
        assert_eq!(text(&mut browser), before, "{name}");
        assert_eq!(browser.value("document.querySelectorAll('main img').length"), 0);
    }
    choose(&mut browser, "#file", "broken <b>.toml", "title = \"open");
    browser.until("state.name === 'broken <b>.toml' && document.querySelectorAll('#problems .error').length === 1");
    assert_eq!(browser.value("document.getElementById('broken').hidden"), true);
    browser.click("#undo");
    browser.until(NOTHING_NEWER);
    assert_eq!(text(&mut browser), before);
    browser.close();
}

#[test]
fn names_of_sources_and_thermometers_with_markup_stay_text_also_in_the_report() {
    let mut browser = with_an_example(1280, 900, false);
    let hostile = "<img src=x onerror=window.taken=1>";
    let given = text(&mut browser);
    let named = given
        .replace("name = \"battery_top\"", &format!("name = '{hostile}'"))
        .replace("\"engine\"", &format!("'{hostile}'"));
    assert!(named.matches(hostile).count() > 1);
    write(&mut browser, &named);
    browser.until(&format!(
        "document.querySelectorAll('#problems .error').length > 0 || ({NOTHING_NEWER} && document.getElementById('live').textContent.includes('onerror'))"
    ));
    assert_eq!(browser.value("document.querySelectorAll('main img').length"), 0);
    assert_eq!(browser.value("window.taken === undefined"), true);
    if browser.value("document.querySelectorAll('#problems .error').length") == 0 {
        browser.click("#report");
        browser.click("#make");
        browser.until("!document.getElementById('print').disabled");
        browser.until("document.getElementById('paper').contentDocument?.querySelector('h1') != null");
        assert_eq!(browser.value("document.getElementById('paper').contentDocument.querySelectorAll('img').length"), 0);
    }
    browser.close();
}
