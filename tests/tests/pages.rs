//! Tests the page of a season, the page of a watcher, and the whole tool on one page, in a real browser: they draw, show what there is, react, and
//! report no error. `tests/tools/provide` finds or installs the browser. Pictures stay in `target/tmp/pages`.

#[path = "pages/browser.rs"]
mod browser;
#[path = "pages/seasons.rs"]
mod seasons;
#[path = "pages/tool.rs"]
mod tool;
#[path = "pages/tool_mishaps.rs"]
mod tool_mishaps;
#[path = "pages/watch.rs"]
mod watch;

use browser::Page;
use forewarm::cautions::CAUTIONS;
use forewarm::chart::{Band, BandKind, Season, Stretch, Summary, Table, TableRow, page};
use forewarm::season::Clock;
use jiff::civil::{DateTime, datetime};
use serde_json::Value;

const DAY_S: i64 = 86_400;
const START: DateTime = datetime(2026, 10, 15, 0, 0, 0, 0);

/// What stands above a picture: a name as long as they get, and a figure for each season.
fn summary(seasons: usize) -> Summary {
    let row = |name: &str, value: &str| TableRow { name: name.to_owned(), values: vec![value.to_owned(); seasons] };
    let columns = if seasons > 1 { vec!["a file's name.toml".to_owned(); seasons] } else { Vec::new() };
    let rows = vec![
        row("heater on", "456.2 h"),
        row("wanted: power to spare, and room in the bank", "1234.5 h"),
        row("  energy on offer while it was refused", "123.45 kWh"),
    ];
    let table =
        |title: &str| Table { title: title.to_owned(), is_aside: false, columns: columns.clone(), rows: rows.clone() };
    Summary { lead: vec!["What must be seen first.".to_owned()], tables: vec![table("Charge"), table("Heat")] }
}

fn winter() -> Season {
    seasons::season("Hut above the harbour, 25 mm of insulation", START, 180 * DAY_S, 600, 1.5)
}

fn opened(seasons: &[Season], name: &str) -> Page {
    let mut browser = Page::new(1280, 900, false);
    browser.open(&page(seasons, &[], &summary(seasons.len()), &CAUTIONS));
    browser.photograph(name);
    browser
}

/// A place in the picture, as a fraction from its left and upper end, 0 to 1.
fn place(browser: &mut Page, panel: usize, across: f64, down: f64) -> (f64, f64) {
    if panel > 0 {
        browser.value(&format!("document.querySelectorAll('.plot')[{panel}].scrollIntoView({{ block: 'center' }})"));
        browser.settle();
    }
    let frame = format!("document.querySelectorAll('.plot')[{panel}].querySelector('.frame').getBoundingClientRect()");
    let [left, top, width, height] =
        ["left", "top", "width", "height"].map(|edge| browser.number(&format!("{frame}.{edge}")));
    (left + across * width, top + down * height)
}

/// The stretch that a panel shows, in seconds of the season. Without an end if shorter than a minute.
fn stretch(browser: &mut Page, panel: usize, season: &Season) -> (i64, i64) {
    let times = browser.value(&format!(
        "[...document.querySelectorAll('.readout')[{panel}].querySelectorAll('time')].map(time => time.dateTime)"
    ));
    let second = |time: &Value| {
        let date: DateTime = time.as_str().expect("a time").parse().expect("a date and time");
        date.duration_since(season.clock.start.expect("a date")).as_secs()
    };
    let times: Vec<i64> = times.as_array().expect("times").iter().map(second).collect();
    // A whole day is named by its date alone, a moment by its second.
    let only = |start: i64, text: String| if text.len() == 10 { start + DAY_S } else { start + 1 };
    match times[..] {
        [start, end] => (start, end),
        [start] => {
            let text = browser.text(&format!("document.querySelectorAll('.when')[{panel}].textContent"));
            (start, only(start, text))
        }
        _ => panic!("{times:?}"),
    }
}

/// The value that a panel shows beside a name.
fn shown(browser: &mut Page, panel: usize, name: &str) -> String {
    browser.text(&format!(
        "[...document.querySelectorAll('.readout')[{panel}].querySelectorAll('.item')]\
         .find(item => item.querySelector('.name').textContent === {}).querySelector('.value').textContent",
        Value::from(name)
    ))
}

/// The same in one of its groups.
fn shown_in(browser: &mut Page, panel: usize, group: &str, name: &str) -> String {
    browser.text(&format!(
        "[...document.querySelectorAll('.readout')[{panel}].querySelectorAll('[aria-label^=\"{group}\"] .item')]\
         .find(item => item.querySelector('.name').textContent === {}).querySelector('.value').textContent",
        Value::from(name)
    ))
}

/// The numbers of a text.
fn numbers(text: &str) -> Vec<f64> {
    let words = text.replace('−', "-");
    words.split_whitespace().filter_map(|word| word.trim_matches(',').parse().ok()).collect()
}

/// Compares everything that a panel shows with the season.
fn reads_what_the_season_holds(browser: &mut Page, panel: usize, season: &Season) {
    let (from, to) = stretch(browser, panel, season);
    for line in &season.lines {
        let bins = usize::try_from(from / line.bin_s).unwrap()..usize::try_from((to - 1) / line.bin_s + 1).unwrap();
        let bins = &line.ranges[bins.start..bins.end.min(line.ranges.len())];
        let low = bins.iter().map(|bin| bin.0).fold(f32::INFINITY, f32::min);
        let high = bins.iter().map(|bin| bin.1).fold(f32::NEG_INFINITY, f32::max);
        let text = shown(browser, panel, &line.name);
        let read = numbers(&text);
        assert!(text.ends_with(" °C") && !read.is_empty(), "{}: {text}", line.name);
        for (read, held) in [(read[0], low), (read[read.len() - 1], high)] {
            // Half of a shown tenth, and half of a hundredth in the page's data.
            assert!((read - f64::from(held)).abs() <= 0.0551, "{} {from}..{to}: {text}, not {held}", line.name);
        }
    }
    for band in &season.bands {
        let shown = shown_in(browser, panel, "on or off", &band.name);
        reads_the_share(&shown, &band.name, &band.on, (from, to));
        for (rank, cause) in band.causes.iter().enumerate() {
            let of_cause: Vec<Stretch> = band.on.iter().copied().filter(|stretch| stretch.cause == rank).collect();
            let shown = shown_in(browser, panel, "on or off", cause);
            reads_the_share(&shown, cause, &of_cause, (from, to));
        }
    }
    if let Some(line) = &season.charge {
        let bins = usize::try_from(from / line.bin_s).unwrap()..usize::try_from((to - 1) / line.bin_s + 1).unwrap();
        let bins = &line.ranges[bins.start..bins.end.min(line.ranges.len())];
        let text = shown_in(browser, panel, "bank", "state of charge");
        let read = numbers(&text);
        let low = bins.iter().map(|bin| bin.0).fold(f32::INFINITY, f32::min);
        let high = bins.iter().map(|bin| bin.1).fold(f32::NEG_INFINITY, f32::max);
        for (read, held) in [(read[0], low), (read[read.len() - 1], high)] {
            assert!((read - f64::from(held)).abs() <= 0.51 && text.ends_with(" %"), "{from}..{to}: {text}, not {held}");
        }
    }
    let day = i64::midpoint(from, to) / DAY_S;
    for amount in &season.amounts {
        let of = format!("[aria-label^=\"{}\"]", amount.what);
        let caption = browser.text(&format!(
            "document.querySelectorAll('.readout')[{panel}].querySelector('{of} .caption').textContent"
        ));
        for series in &amount.series {
            let text = shown_in(browser, panel, &amount.what, &series.name);
            let held = if caption.contains(" until ") {
                until(series, amount.bin_s, to) - until(series, amount.bin_s, day * DAY_S)
            } else {
                series.days[usize::try_from(day).unwrap()]
            };
            // Half of what is shown, and what a day's bins are rounded by.
            let (read, most) = (numbers(&text)[0], if text.ends_with(" kWh") { 60.0 } else { 0.7 });
            let read = if text.ends_with(" kWh") { 1000.0 * read } else { read };
            assert!((read - held).abs() <= most, "{} {day}, {caption}: {text}, not {held}", series.name);
        }
    }
}

/// How much of a series there is until a moment, as its bins have it.
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
fn until(series: &forewarm::chart::Series, bin_s: i64, at: i64) -> f64 {
    let whole = usize::try_from(at / bin_s).unwrap().min(series.bins.len());
    let before: f64 = series.bins[..whole].iter().map(|part| f64::from(*part)).sum();
    let next = series.bins.get(whole).copied().unwrap_or(0.0);
    before + f64::from(next) * (at % bin_s) as f64 / bin_s as f64
}

#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
fn reads_the_share(text: &str, name: &str, on: &[Stretch], (from, to): (i64, i64)) {
    let on: i64 = on.iter().map(|on| (on.to.min(to) - on.from.max(from)).max(0)).sum();
    let percent = 100.0 * on as f64 / (to - from) as f64;
    match text {
        "off" => assert!(on == 0, "{name} {from}..{to}: {text}, not {on} s"),
        "on" => assert!(on == to - from, "{name} {from}..{to}: {text}, not {on} s"),
        _ if text.ends_with("<1 %") => assert!(percent > 0.0 && percent < 0.5, "{name}: {percent} %"),
        _ if text.ends_with(">99 %") => assert!((99.5..100.0).contains(&percent), "{name}: {percent} %"),
        _ => assert!((numbers(text).last().unwrap() - percent).abs() <= 0.5, "{name}: {text}, not {percent} %"),
    }
}

#[test]
fn a_page_reads_out_what_the_season_holds_at_every_zoom() {
    let season = winter();
    let mut browser = opened(std::slice::from_ref(&season), "winter");
    for zoom in 0..6 {
        for across in [0.01, 0.33, 0.5, 0.77, 0.99] {
            let at = place(&mut browser, 0, across, 0.4);
            browser.mouse("mouseMoved", at, 0.0);
            reads_what_the_season_holds(&mut browser, 0, &season);
        }
        if zoom % 2 == 0 {
            browser.photograph(&format!("winter-{zoom}"));
        }
        let (from, to) = stretch(&mut browser, 0, &season);
        // Towards a day on which the heater was on.
        let at = place(&mut browser, 0, 0.52, 0.4);
        for _ in 0..3 {
            browser.mouse("mouseWheel", at, -250.0);
        }
        browser.mouse("mouseMoved", at, 0.0);
        let closer = stretch(&mut browser, 0, &season);
        assert!(closer.1 - closer.0 <= to - from, "{closer:?}");
    }
    let (from, to) = stretch(&mut browser, 0, &season);
    assert!(to - from <= 60, "{from}..{to}: the closest zoom is no minute");
    browser.close();
}

/// A number of each drawn thing that a selector finds.
fn each(browser: &mut Page, selector: &str, expression: &str) -> Vec<f64> {
    let values = browser.value(&format!("[...document.querySelectorAll('{selector}')].map(it => {expression})"));
    values.as_array().expect("values").iter().map(|value| value.as_f64().expect("a number")).collect()
}

#[test]
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
fn lines_and_bands_are_drawn_where_the_season_has_them() {
    let mut season = winter();
    // The first band is as high as bands get.
    let on = vec![Stretch::new(0, season.span_s)];
    let always = Band { name: "always".to_owned(), kind: BandKind::Source, on, causes: Vec::new() };
    season.bands.insert(0, always);
    let mut browser = opened(std::slice::from_ref(&season), "drawn");

    // Heights on the scale of the first and the last tick of the temperatures.
    let texts = browser.value(
        "[...document.querySelectorAll('.plot text[text-anchor=end]')].slice(1).map(it => [it.textContent, +it.getAttribute('y') - 4])",
    );
    let ticks: Vec<(f64, f64)> = texts
        .as_array()
        .expect("ticks")
        .iter()
        .map_while(|tick| Some((*numbers(tick[0].as_str()?).first()?, tick[1].as_f64()?)))
        .collect();
    let ((low, bottom), (high, top)) = (ticks[0], ticks[3]);
    let y = |t: f32| bottom + (f64::from(t) - low) / (high - low) * (top - bottom);
    let order = ["outside", "plate", "battery_1", "battery_2", "coldest cell, true"];
    let [tops, ends] = ["it.getBBox().y", "it.getBBox().y + it.getBBox().height"]
        .map(|expression| each(&mut browser, ".lines .area", expression));
    for ((name, top), end) in order.into_iter().zip(tops).zip(ends) {
        let line = season.lines.iter().find(|line| line.name == name).expect("a line");
        let highest = line.ranges.iter().map(|bin| bin.1).fold(f32::NEG_INFINITY, f32::max);
        let lowest = line.ranges.iter().map(|bin| bin.0).fold(f32::INFINITY, f32::min);
        assert!((top - y(highest)).abs() < 0.2 && (end - y(lowest)).abs() < 0.2, "{name}: {top} to {end}");
    }

    // Points of the bands: whole days while the whole season shows, stretches side by side from close by.
    let mut heights = Vec::new();
    for (zoomed, from, span) in [(false, 0, season.span_s), (true, 180 * DAY_S * 15 / 32, 180 * DAY_S / 16)] {
        if zoomed {
            for _ in 0..4 {
                browser.click("[aria-label='Zoom in']");
            }
        }
        let [left, width] = ["x", "width"].map(|side| each(&mut browser, ".frame", &format!("it.getBBox().{side}"))[0]);
        let bases = each(&mut browser, ".band", "it.previousSibling.getBBox().y");
        let height = each(&mut browser, ".band", "it.getBBox().height")[0];
        heights.push(height);
        let (mut on_points, mut off_points) = (0, 0);
        for (row, band) in season.bands.iter().enumerate() {
            let mut points = Vec::new();
            for sample in 0..400 {
                let at = from + span * (2 * sample + 1) / 800 + (sample * 7919) % (span / 400) - span / 800;
                // A point closer to an edge than a dot may be drawn on either side of it.
                let margin = if zoomed { span / 200 } else { DAY_S / 12 };
                if band.on.iter().any(|on| (on.from - at).abs() < margin || (on.to - at).abs() < margin) {
                    continue;
                }
                let on = band.on.iter().any(|on| (on.from..on.to).contains(&at));
                let across = if zoomed { at - from } else { at / DAY_S * DAY_S + DAY_S / 2 };
                let up = if zoomed { 0.5 } else { (at % DAY_S) as f64 / DAY_S as f64 };
                points.push((left + across as f64 / span as f64 * width, bases[row] - up * height, on));
                *(if on { &mut on_points } else { &mut off_points }) += 1;
            }
            let coordinates: Vec<(f64, f64)> = points.iter().map(|(x, y, _)| (*x, *y)).collect();
            let filled = browser.value(&format!(
                "{}.map(([x, y]) => document.querySelectorAll('.band')[{row}].isPointInFill(new DOMPoint(x, y)))",
                serde_json::json!(coordinates)
            ));
            let filled = filled.as_array().expect("points");
            let differ: Vec<_> = points.iter().zip(filled).filter(|(point, filled)| **filled != point.2).collect();
            assert!(
                differ.is_empty(),
                "{}, zoomed: {zoomed}, {} of {}: {differ:?}",
                band.name,
                differ.len(),
                points.len()
            );
        }
        assert!(on_points > 400 && off_points > 100, "{on_points} points on, {off_points} off prove little");
    }
    assert!((heights[0] - heights[1]).abs() < 0.2, "a band that is always on is not as high as others: {heights:?}");
    browser.close();
}

/// From when to when a picture shows, to a dot and a minute.
fn sight(browser: &mut Page, season: &Season) -> (i64, i64) {
    let [from, to] = [0.0005, 0.9995].map(|across| {
        let at = place(browser, 0, across, 0.4);
        browser.mouse("mouseMoved", at, 0.0);
        stretch(browser, 0, season)
    });
    (from.0, to.1)
}

/// What the summary beside a picture says about the time shown, without a reading.
fn view(browser: &mut Page) -> String {
    browser.text("document.querySelector('.stretch').textContent")
}

#[test]
fn the_time_shown_follows_drag_wheel_buttons_and_keys() {
    let season = winter();
    let mut browser = opened(std::slice::from_ref(&season), "whole");
    assert_eq!(view(&mut browser), "all 180 d");
    for _ in 0..2 {
        browser.click("[aria-label='Zoom in']");
    }
    assert_eq!(view(&mut browser), "45.0 d of 180 d");
    // Half of what is shown, from the middle of the season to its start, and no farther.
    for (button, start) in [
        ("Earlier", "2026-11-29"),
        ("Earlier", "2026-11-06"),
        ("Earlier", "2026-10-15"),
        ("Earlier", "2026-10-15"),
        ("Later", "2026-11-06"),
    ] {
        browser.click(&format!("[aria-label='{button}']"));
        let shown = browser.text("document.querySelector('.when time').textContent");
        assert_eq!(shown, start, "{button}");
    }
    browser.click("[aria-label='Zoom out']");
    assert_eq!(view(&mut browser), "90.0 d of 180 d");
    browser.click("[aria-label='Show all']");
    assert_eq!(view(&mut browser), "all 180 d");

    let (from, to) = (place(&mut browser, 0, 0.25, 0.5), place(&mut browser, 0, 0.75, 0.6));
    browser.mouse("mouseMoved", from, 0.0);
    browser.mouse("mousePressed", from, 0.0);
    browser.mouse("mouseMoved", to, 0.0);
    assert_eq!(browser.value("document.querySelectorAll('.selection').length"), 1);
    browser.mouse("mouseReleased", to, 0.0);
    assert_eq!(view(&mut browser), "90.0 d of 180 d");
    assert_eq!(browser.value("document.querySelectorAll('.selection').length"), 0);

    // Zoomed out completely, the wheel scrolls the page again.
    browser.mouse("mouseWheel", from, 400.0);
    assert_eq!(view(&mut browser), "all 180 d");
    assert_eq!(browser.value("scrollY"), 0);
    browser.mouse("mouseWheel", from, 400.0);
    browser.value("new Promise(done => setTimeout(done, 300))");
    assert!(browser.number("scrollY") > 0.0, "the page does not scroll");

    browser.value("document.querySelector('.plot').focus()");
    browser.key("+", false);
    assert_eq!(view(&mut browser), "90.0 d of 180 d");
    browser.key("-", false);
    browser.key("+", false);
    browser.key("+", false);
    browser.key("ArrowRight", true);
    assert_eq!(view(&mut browser), "45.0 d of 180 d");
    let shown = browser.text("document.querySelector('.when time').textContent");
    assert!(shown.as_str() > "2026-12-21", "{shown}");
    browser.key("ArrowLeft", false);
    reads_what_the_season_holds(&mut browser, 0, &season);
    let before = stretch(&mut browser, 0, &season);
    for _ in 0..20 {
        browser.key("ArrowRight", false);
    }
    let after = stretch(&mut browser, 0, &season);
    assert!(after.0 > before.0 + 8 * DAY_S, "{before:?} {after:?}");
    reads_what_the_season_holds(&mut browser, 0, &season);
    browser.value("new Promise(done => setTimeout(done, 400))");
    let said = browser.text("document.querySelector('[role=status]').textContent");
    assert!(said.contains("coldest cell, true") && said.contains("heater on"), "not said aloud: {said}");
    browser.key("0", false);
    browser.key("Escape", false);
    assert_eq!(view(&mut browser), "all 180 d");
    assert_eq!(browser.value("document.querySelectorAll('.cursor').length"), 0);
    browser.close();
}

#[test]
fn a_line_is_hidden_by_its_name_in_every_season() {
    let seasons = [winter(), seasons::season("50 mm of insulation", START, 180 * DAY_S, 600, 0.8)];
    let mut browser = opened(&seasons, "two");
    let drawn = |browser: &mut Page| browser.value("document.querySelectorAll('.lines .area').length");
    assert_eq!(drawn(&mut browser), 10);
    browser.click("button.item[aria-pressed]");
    assert_eq!(drawn(&mut browser), 8);
    assert_eq!(browser.value("document.querySelectorAll('button.item[aria-pressed=false]').length"), 2);
    browser.click("button.item[aria-pressed=false]");
    assert_eq!(drawn(&mut browser), 10);
    let at = place(&mut browser, 1, 0.4, 0.5);
    browser.mouse("mouseMoved", at, 0.0);
    for (panel, season) in seasons.iter().enumerate() {
        reads_what_the_season_holds(&mut browser, panel, season);
    }
    assert_eq!(stretch(&mut browser, 0, &seasons[0]), stretch(&mut browser, 1, &seasons[1]));
    // One scale: the same tick is at the same height in both.
    let ticks = |panel: usize| {
        format!(
            "JSON.stringify([...document.querySelectorAll('.plot')[{panel}].querySelectorAll('text[text-anchor=end]')]\
             .slice(0, 10).map(text => [text.textContent, text.getAttribute('y')]))"
        )
    };
    assert_eq!(browser.text(&ticks(0)), browser.text(&ticks(1)));
    browser.photograph("two-read");
    browser.close();
}

#[test]
fn seasons_that_overlap_are_read_at_one_date_and_hold_nothing_before_they_start() {
    let early = seasons::season("early", START, 20 * DAY_S, 600, 1.5);
    let late = seasons::season("late", datetime(2026, 10, 25, 0, 0, 0, 0), 20 * DAY_S, 600, 1.5);
    let mut browser = opened(&[early.clone(), late.clone()], "overlap");
    // The axis is 30 days long: both seasons, then the first alone.
    let at = place(&mut browser, 0, 0.5, 0.5);
    browser.mouse("mouseMoved", at, 0.0);
    for (panel, season) in [&early, &late].into_iter().enumerate() {
        reads_what_the_season_holds(&mut browser, panel, season);
    }
    let (a, b) = (stretch(&mut browser, 0, &early), stretch(&mut browser, 1, &late));
    assert_eq!((a.0 - 10 * DAY_S, a.1 - 10 * DAY_S), b);
    let at = place(&mut browser, 0, 0.1, 0.5);
    browser.mouse("mouseMoved", at, 0.0);
    reads_what_the_season_holds(&mut browser, 0, &early);
    let read = ["plate", "heater on", "together"].map(|name| shown(&mut browser, 1, name));
    assert_eq!(read, ["no reading", "not in this season", "0 Wh"]);
    browser.close();
}

#[test]
fn a_phone_and_a_tablet_show_it_without_scrolling_sideways_and_fingers_zoom_and_read() {
    let better = seasons::season("50 mm of insulation", START, 180 * DAY_S, 600, 0.8);
    // It ends on a mark of the time axis, whose label has no room on its right.
    let to_a_month = seasons::season("to a month's end", datetime(2026, 10, 5, 0, 0, 0, 0), 147 * DAY_S, 600, 1.5);
    for (name, width, seasons) in [
        ("phone", 360, vec![winter()]),
        ("phone-two", 360, vec![winter(), better]),
        ("phone-month", 360, vec![to_a_month]),
        ("tablet", 820, vec![winter()]),
    ] {
        let mut browser = Page::new(width, 740, true);
        browser.open(&page(&seasons, &[], &summary(seasons.len()), &CAUTIONS));
        browser.photograph(name);
        assert_eq!(browser.value("innerWidth"), width);
        assert_eq!(browser.value("document.documentElement.scrollWidth"), width);
        let small = "[...document.querySelectorAll('button')].map(button => button.getBoundingClientRect())\
             .filter(box => box.width < 40 || box.height < 40).length";
        assert_eq!(browser.value(small), 0, "a finger cannot hit every button");
        let tiny = "[...document.querySelectorAll('#live *')].filter(element => element.textContent && \
             element.offsetParent !== null || element.tagName === 'text')\
             .filter(element => parseFloat(getComputedStyle(element).fontSize) < 11).length";
        assert_eq!(browser.value(tiny), 0, "too small to read");
        // Nothing sticks out of a picture.
        let out = "[...document.querySelectorAll('.plot text')].map(text => text.getBoundingClientRect())\
             .filter(box => box.left < 0 || box.right > innerWidth).length";
        assert_eq!(browser.value(out), 0, "labels are cut off");

        let at = place(&mut browser, 0, 0.6, 0.5);
        browser.touch("touchStart", &[at]);
        browser.touch("touchEnd", &[]);
        let (from, to) = stretch(&mut browser, 0, &seasons[0]);
        assert_eq!(to - from, DAY_S, "what a touch reads stays when the finger is lifted");
        let (a, b) = (place(&mut browser, 0, 0.45, 0.5), place(&mut browser, 0, 0.55, 0.5));
        let (c, d) = (place(&mut browser, 0, 0.05, 0.5), place(&mut browser, 0, 0.95, 0.5));
        browser.touch("touchStart", &[a]);
        browser.touch("touchStart", &[a, b]);
        browser.touch("touchMove", &[c, d]);
        browser.touch("touchEnd", &[]);
        // A tenth of the width became nine tenths.
        let shown = view(&mut browser);
        let [part, whole] = numbers(&shown)[..] else { panic!("{name}: {shown}") };
        assert!((part - whole / 9.0).abs() < 1.0, "{name}: {shown}");
        browser.touch("touchStart", &[c]);
        browser.touch("touchMove", &[d]);
        reads_what_the_season_holds(&mut browser, 0, &seasons[0]);
        browser.photograph(&format!("{name}-read"));
        browser.close();
    }
}

#[test]
fn print_shows_the_whole_season_on_landscape_pages_without_buttons() {
    let seasons = [winter(), seasons::season("50 mm of insulation", START, 180 * DAY_S, 600, 0.8)];
    let mut browser = opened(&seasons, "before-print");
    browser.click("[aria-label='Zoom in']");
    let pdf = browser.print("two");
    let text = String::from_utf8_lossy(&pdf);
    assert!(text.starts_with("%PDF-"));
    let pages = text.matches("/Type /Page\n").count();
    // One for the figures, a page each, and one for the cautions.
    assert_eq!(pages, 4, "{pages} pages");
    let box_of = text.split("/MediaBox [").nth(1).expect("a page has a size");
    let size = numbers(box_of.split(']').next().expect("it ends"));
    assert!((size[2] - 842.0).abs() < 1.0 && (size[3] - 595.0).abs() < 1.0, "not A4 landscape: {size:?}");
    let display = |selector: &str| format!("getComputedStyle(document.querySelector('{selector}')).display");
    assert_eq!(browser.text(&display(".drawn")), "none");
    browser.call("Emulation.setEmulatedMedia", &serde_json::json!({ "media": "print" }));
    assert_eq!(browser.text(&display("#live")), "none");
    assert_eq!(browser.text(&display(".drawn")), "block");
    assert_eq!(browser.text("getComputedStyle(document.body).backgroundColor"), "rgb(255, 255, 255)");
    browser.close();
}

#[test]
fn without_scripts_the_drawings_are_shown() {
    let mut browser = Page::new(1000, 900, false);
    browser.disable_scripts();
    browser.open(&page(&[winter()], &[], &summary(1), &CAUTIONS));
    browser.photograph("no-scripts");
    let html = browser.document();
    assert!(!html.contains("class=\"scripted\""), "a script has run");
    assert!(browser.height_of(".drawn svg") > 400.0, "no drawing is shown");
    browser.close();
}

#[test]
fn names_that_look_like_markup_stay_text() {
    const NASTY: &str = "</script><b id=oops>\"&'<!--\u{2028}\\u003c";
    let mut season = seasons::season(NASTY, START, 3 * DAY_S, 600, 1.5);
    for line in &mut season.lines {
        line.name = format!("{NASTY}{}", line.name);
    }
    for band in &mut season.bands {
        band.name = format!("{NASTY}{}", band.name);
    }
    for series in season.amounts.iter_mut().flat_map(|amount| &mut amount.series) {
        series.name = format!("{NASTY}{}", series.name);
    }
    season.label = NASTY.to_owned();
    for level in &mut season.levels {
        level.name = format!("{NASTY}{}", level.name);
    }
    let mut browser = Page::new(1280, 900, false);
    let nasty = || NASTY.to_owned();
    let row = TableRow { name: nasty(), values: vec![nasty()] };
    let table = Table { title: nasty(), is_aside: false, columns: vec![nasty()], rows: vec![row] };
    let summary = Summary { lead: vec![nasty()], tables: vec![table] };
    browser.open(&page(std::slice::from_ref(&season), &[], &summary, &[NASTY]));
    assert_eq!(browser.value("document.querySelectorAll('b, #oops').length"), 0);
    assert_eq!(browser.text("document.querySelector('h1').textContent"), NASTY);
    assert_eq!(browser.text("document.title.trim()"), NASTY);
    for element in [".summary > p", "summary", "th[scope=col]", "th[scope=row]", "th + td"] {
        assert!(browser.text(&format!("document.querySelector('{element}').textContent")).contains(NASTY), "{element}");
    }
    assert_eq!(browser.text("document.querySelector('footer p').textContent"), NASTY);
    let at = place(&mut browser, 0, 0.4, 0.5);
    browser.mouse("mouseMoved", at, 0.0);
    reads_what_the_season_holds(&mut browser, 0, &season);
    browser.close();
}

#[test]
fn an_hour_and_a_leap_year_and_odd_seasons_draw_without_complaint() {
    let odd_start = datetime(2027, 1, 14, 11, 7, 30, 0);
    let hour = seasons::season("One hour", odd_start, 3600, 60, 1.5);
    let year = seasons::season("366 days", datetime(2027, 7, 1, 0, 0, 0, 0), 366 * DAY_S, 800, 1.5);
    let mut holes = seasons::season("Two days with a hole", odd_start, 2 * DAY_S, 600, 1.5);
    for line in &mut holes.lines {
        line.ranges[40..60].fill((f32::NAN, f32::NAN));
        line.ranges.truncate(200);
    }
    let mut empty = hour.clone();
    (empty.lines, empty.levels, empty.bands) = (Vec::new(), Vec::new(), Vec::new());
    (empty.amounts, empty.charge) = (Vec::new(), None);
    let mut later = seasons::season("Another year", datetime(2030, 7, 1, 0, 0, 0, 0), 5 * DAY_S, 600, 1.5);
    later.levels[1].at_c = -40.0;
    let cases: [(&str, Vec<Season>, usize); 5] = [
        ("hour", vec![hour.clone()], 5),
        ("year", vec![year.clone()], 5),
        ("holes", vec![holes.clone()], 5),
        ("empty", vec![empty], 0),
        ("apart", vec![later, holes.clone()], 10),
    ];
    for (name, seasons, lines) in cases {
        let mut browser = opened(&seasons, name);
        let drawn = browser
            .value("[...document.querySelectorAll('.lines .area')].filter(path => path.getBBox().width > 0).length");
        assert_eq!(drawn, lines, "{name}");
        for across in [0.02, 0.5, 0.98] {
            let at = place_of_plot(&mut browser, across);
            browser.mouse("mouseMoved", at, 0.0);
        }
        browser.close();
    }
    // Beside a hole, in it, and after the end of the known data.
    let mut browser = opened(std::slice::from_ref(&holes), "holes");
    let all = shown(&mut browser, 0, "plate");
    assert!(numbers(&all)[0] > -20.0, "a hole is taken for a temperature: {all}");
    for (across, text) in [(50.0 / 288.0, "no reading"), (250.0 / 288.0, "no reading"), (100.0 / 288.0, " °C")] {
        let at = place(&mut browser, 0, across, 0.5);
        browser.mouse("mouseMoved", at, 0.0);
        let read = shown(&mut browser, 0, "plate");
        assert!(read.ends_with(text), "{across}: {read}");
    }
    browser.close();
}

/// A place in the first picture, even where it has no frame.
fn place_of_plot(browser: &mut Page, across: f64) -> (f64, f64) {
    let [left, top, width] = ["left", "top", "width"]
        .map(|edge| browser.number(&format!("document.querySelector('.plot').getBoundingClientRect().{edge}")));
    (left + across * width, top + 60.0)
}

/// What a log leaves: no dates, a pause, and readings that were not believed.
fn logged() -> Season {
    let mut season = seasons::season("A log", START, 20 * DAY_S, 600, 1.5);
    season.clock = Clock::default();
    season.pauses = vec![(5 * DAY_S, 7 * DAY_S)];
    for band in &mut season.bands {
        band.on.retain(|stretch| stretch.to <= 5 * DAY_S || stretch.from >= 7 * DAY_S);
    }
    let bins = |days: i64| usize::try_from(days * DAY_S / 600).expect("a bin");
    for line in &mut season.lines {
        line.ranges[bins(5)..bins(7)].fill((f32::NAN, f32::NAN));
    }
    let line = &mut season.lines[1];
    line.doubtful = vec![(f32::INFINITY, f32::NEG_INFINITY); bins(12)];
    line.doubtful[bins(10)..].fill((30.0, 31.0));
    line.ranges[bins(10)..bins(12)].fill((f32::INFINITY, f32::NEG_INFINITY));
    season
}

#[test]
fn a_log_without_dates_shows_time_since_its_start_its_pauses_and_what_was_not_believed() {
    let season = logged();
    let mut browser = opened(std::slice::from_ref(&season), "log");
    let texts = "[...document.querySelectorAll('.plot text')].map(text => text.textContent).join('\\n')";
    assert!(browser.text(texts).contains("time since the start, d"));
    assert_eq!(browser.value("document.querySelectorAll('.plot .doubtful').length"), 1);
    let read = |browser: &mut Page, across: f64| {
        let at = place(browser, 0, across, 0.5);
        browser.mouse("mouseMoved", at, 0.0);
        let when = browser.text("document.querySelector('.when').textContent");
        (when, shown(browser, 0, "battery_1"), shown(browser, 0, "heater on"))
    };
    let (when, battery, heater) = read(&mut browser, 0.3);
    assert!(when.starts_with("5 d ") || when.starts_with("6 d "), "{when}");
    assert_eq!((battery.as_str(), heater.as_str()), ("no reading", "not known"));
    assert_eq!(read(&mut browser, 0.55).1, "30.0 to 31.0 °C, not believed");
    assert!(read(&mut browser, 0.8).1.ends_with(" °C"));
    // A pause counts for nothing in the share of the whole.
    browser.key("Escape", false);
    let at = place(&mut browser, 0, 0.5, -2.0);
    browser.mouse("mouseMoved", at, 0.0);
    let heater = season.bands.iter().find(|band| band.name == "heater on").expect("a heater");
    let on: i64 = heater.on.iter().map(|stretch| stretch.on).sum();
    #[expect(clippy::cast_precision_loss, reason = "small")]
    let percent = 100.0 * on as f64 / (18 * DAY_S) as f64;
    let text = shown(&mut browser, 0, "heater on");
    assert!((numbers(&text).last().unwrap() - percent).abs() <= 0.5, "{text}, not {percent} %");
    browser.close();
}

#[test]
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
fn within_a_day_what_flows_is_drawn_while_it_flows_and_no_bar_fills_the_view() {
    let season = winter();
    let heater = &season.bands.iter().find(|band| band.name == "heater on").expect("a heater").on;
    let mut browser = opened(std::slice::from_ref(&season), "day");
    // Towards a time at which the heater goes off.
    let off = heater.iter().find(|on| on.from > 60 * DAY_S && on.on > 7200).expect("a long heat").to;
    let mut close = 0;
    for _ in 0..40 {
        let (from, to) = sight(&mut browser, &season);
        let at = place(&mut browser, 0, (off - from) as f64 / (to - from) as f64, 0.4);
        browser.mouse("mouseWheel", at, -100.0);
        let (from, to) = sight(&mut browser, &season);
        let span = to - from;
        if span < 3600 {
            break;
        }
        if span >= 2 * DAY_S - 3600 {
            continue;
        }
        close += 1;
        assert_eq!(browser.value("document.querySelectorAll('.bar').length"), 0, "{span} s");
        let [left, width] = ["x", "width"].map(|side| each(&mut browser, ".frame", &format!("it.getBBox().{side}"))[0]);
        let floor = each(&mut browser, ".frame", "it.getBBox().y")[1];
        for sample in 0..40_i32 {
            let across = (f64::from(sample) + 0.5) / 40.0;
            let at = from + span * (2 * i64::from(sample) + 1) / 80;
            // Some dots, and the minutes that moments are read in.
            let margin = span / 100 + 120;
            if heater.iter().any(|on| (on.from - at).abs() <= margin || (on.to - at).abs() <= margin) {
                continue;
            }
            let is_on = heater.iter().any(|on| (on.from..on.to).contains(&at));
            let point = format!("new DOMPoint({}, {})", left + across * width, floor - 2.0);
            let flows = browser.value(&format!(
                "[...document.querySelectorAll('.flow')].slice(0, 3).some(path => path.isPointInFill({point}))"
            ));
            assert_eq!(flows, is_on, "{at} of {from}..{to}");
        }
    }
    assert!(close >= 8, "never within a day");
    browser.photograph("day-closest");
    browser.close();
}

#[test]
fn causes_are_named_where_one_points() {
    let season = winter();
    let mut browser = opened(std::slice::from_ref(&season), "causes");
    for (band, causes) in [("wanted, refused", &["cells cold", "soaking"][..]), ("alarm", &["open"])] {
        let held = season.bands.iter().find(|of| of.name == band).expect("a band");
        for (rank, cause) in causes.iter().enumerate() {
            let stretch = held.on.iter().find(|stretch| stretch.cause == rank && stretch.on > 600).expect("one");
            #[expect(clippy::cast_precision_loss, reason = "small")]
            let across = i64::midpoint(stretch.from, stretch.to) as f64 / season.span_s as f64;
            let at = place(&mut browser, 0, across, 0.5);
            browser.mouse("mouseMoved", at, 0.0);
            let text = shown(&mut browser, 0, cause);
            assert_ne!(text, "off", "{band}: {cause}");
            reads_what_the_season_holds(&mut browser, 0, &season);
        }
    }
    browser.photograph("causes-read");
    browser.close();
}

#[test]
fn figures_stand_above_the_picture_each_beside_its_name_also_on_a_phone() {
    let better = seasons::season("50 mm of insulation", START, 180 * DAY_S, 600, 0.8);
    for (name, width, seasons) in
        [("figures-phone", 360, vec![winter()]), ("figures-phone-two", 360, vec![winter(), better])]
    {
        let mut browser = Page::new(width, 740, true);
        browser.open(&page(&seasons, &[], &summary(seasons.len()), &CAUTIONS));
        browser.photograph(name);
        let below = "document.querySelector('.plot').getBoundingClientRect().top - \
             document.querySelector('.summary').getBoundingClientRect().bottom";
        assert!(browser.number(below) > 0.0, "{name}");
        let wrapped = "[...document.querySelectorAll('details[open] tr')].filter(row => row.querySelector('th + td'))\
             .flatMap(row => [...row.querySelectorAll('td')].map(cell => [row.querySelector('th'), cell]))\
             .filter(([name, cell]) => cell.getBoundingClientRect().left < name.getBoundingClientRect().left + 60 || \
             cell.getClientRects().length !== 1 || cell.scrollWidth > cell.clientWidth + 1 || \
             cell.getBoundingClientRect().top > name.getBoundingClientRect().top + 1).length";
        assert_eq!(browser.value(wrapped), 0, "{name}: a figure has gone to another line");
        assert_eq!(browser.value("document.documentElement.scrollWidth"), width, "{name}");
        browser.close();
    }
}

#[test]
fn two_seasons_are_told_apart_by_their_files_and_a_source_has_one_colour() {
    let mut other = seasons::season("50 mm of insulation", START, 180 * DAY_S, 600, 0.8);
    // The other way round in the other file.
    other.amounts[0].series.swap(0, 1);
    let (a, b) = (other.bands.len() - 3, other.bands.len() - 2);
    other.bands.swap(a, b);
    let seasons = [winter(), other];
    let mut browser = opened(&seasons, "two-files");
    let names = browser.value("[...document.querySelectorAll('.season h2')].map(title => title.textContent)");
    assert_eq!(names, serde_json::json!([seasons[0].label, seasons[1].label]));
    let colours = |name: &str| {
        format!(
            "[...new Set([...document.querySelectorAll('.item')].filter(item => item.querySelector('.name').textContent === '{name}')\
             .map(item => item.querySelector('rect').getAttribute('fill')))]"
        )
    };
    let [engine, solar] = ["engine", "solar"].map(|name| browser.value(&colours(name)));
    assert_eq!((engine.as_array().map(Vec::len), solar.as_array().map(Vec::len)), (Some(1), Some(1)));
    assert_ne!(engine, solar);
    browser.close();
}
