use super::draw::drawings;
use super::{
    Amount, Band, BandKind, Level, LevelKind, Line, LineKind, Measure, Season, Series, SeriesKind, Stretch, Summary,
    Table, TableRow, drawing, page,
};
use crate::season::Clock;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::civil::datetime;
use proptest::prelude::*;
use serde_json::Value;

const DAY: i64 = 86_400;
const NASTY: &str = "</script><b>\"&'<!--\u{0}\u{ffff}";
/// What is left of it: what is no character in XML is left out.
const SHOWN: &str = "</script><b>\"&'<!--";

fn line(kind: LineKind, bin_s: i64, ranges: Vec<(f32, f32)>) -> Line {
    Line { name: NASTY.to_owned(), kind, bin_s, ranges, doubtful: Vec::new() }
}

pub(super) fn season(span_s: i64, lines: Vec<Line>) -> Season {
    let level = |name: &str, kind, at_c| Level { name: name.to_owned(), kind, at_c };
    Season {
        title: NASTY.to_owned(),
        label: NASTY.to_owned(),
        clock: Clock::local(datetime(2026, 10, 15, 0, 0, 0, 0)),
        span_s,
        lines,
        levels: vec![level(NASTY, LevelKind::Inhibit, 5.0), level("release", LevelKind::Release, 8.0)],
        bands: Vec::new(),
        charge: None,
        amounts: Vec::new(),
        pauses: Vec::new(),
    }
}

/// Heater energy of sources, with what each gave on every day.
fn heat(names: &[&str], days: &[Vec<f64>]) -> Vec<Amount> {
    let series = names.iter().enumerate().map(|(rank, &name)| Series {
        name: name.to_owned(),
        kind: if name == "bank" { SeriesKind::Bank } else { SeriesKind::Source },
        #[expect(clippy::cast_possible_truncation, reason = "a picture")]
        bins: days.iter().map(|day| day[rank] as f32).collect(),
        days: days.iter().map(|day| day[rank]).collect(),
    });
    vec![Amount {
        what: "heater energy".to_owned(),
        flow: "heater power".to_owned(),
        band: 0,
        measure: Measure::WattHours,
        bin_s: DAY,
        series: series.collect(),
    }]
}

fn band(kind: BandKind, on: Vec<(i64, i64)>) -> Band {
    let on = on.into_iter().map(|(from, to)| Stretch::new(from, to)).collect();
    Band { name: NASTY.to_owned(), kind, on, causes: Vec::new() }
}

/// The season's data as the page carries it.
fn carried(page: &str) -> Value {
    let data = page.split_once("id=\"data\">").expect("data").1.split_once("</script>").expect("an end").0;
    serde_json::from_str(data).expect("JSON")
}

/// The coordinates of a path, with absolute commands M, L, H, V and Z only.
fn corners(path: &str) -> Vec<(f64, f64)> {
    let (mut x, mut y) = (0.0, 0.0);
    let mut out = Vec::new();
    let path = path.replace('Z', "");
    let starts: Vec<usize> = path.match_indices(char::is_alphabetic).map(|(at, _)| at).collect();
    for (rank, &start) in starts.iter().enumerate() {
        let end = starts.get(rank + 1).copied().unwrap_or(path.len());
        let numbers: Vec<f64> =
            path[start + 1..end].split(' ').map(|number| number.parse().expect("a number")).collect();
        match &path[start..=start] {
            "H" => x = numbers[0],
            "V" => y = numbers[0],
            _ => (x, y) = (numbers[0], numbers[1]),
        }
        out.push((x, y));
    }
    out
}

/// The paths of a drawing in a colour that only they have, as corners.
fn paths(svg: &str, colour: &str) -> Vec<Vec<(f64, f64)>> {
    let document = roxmltree::Document::parse(svg).expect("XML");
    let of_colour = document.descendants().filter(|node| node.attribute("fill") == Some(colour));
    of_colour.filter_map(|node| node.attribute("d")).filter(|d| !d.is_empty()).map(corners).collect()
}

/// Where a temperature lies in a drawing, from the labels of two ticks.
fn height(svg: &str) -> impl Fn(f64) -> f64 {
    let document = roxmltree::Document::parse(svg).expect("XML");
    let ticks: Vec<(f64, f64)> = document
        .descendants()
        .filter(|node| node.has_tag_name("text") && node.attribute("x") == Some("40.0"))
        .filter_map(|node| {
            let at: f64 = node.text()?.replace('−', "-").parse().ok()?;
            // A label's foot lies 4 below its tick.
            Some((at, node.attribute("y")?.parse::<f64>().ok()? - 4.0))
        })
        .collect();
    let ((a, y_a), (b, y_b)) = (ticks[0], ticks[1]);
    move |t| y_a + (t - a) / (b - a) * (y_b - y_a)
}

#[test]
fn names_are_text_in_drawing_and_page_whatever_they_hold() {
    let mut season = season(10 * DAY, vec![line(LineKind::Plate, 600, vec![(1.0, 2.0); 1440])]);
    season.bands = vec![band(BandKind::Charge, vec![(0, 5 * DAY)])];
    season.amounts = heat(&[NASTY], &vec![vec![12.0]; 10]);
    let svg = drawing(&season);
    let document = roxmltree::Document::parse(&svg).expect("XML");
    let texts: Vec<&str> = document.descendants().filter_map(|node| node.text()).collect();
    let named = |end: &str| texts.contains(&&*format!("{SHOWN}{end}"));
    // Title and line, threshold, band, source.
    assert!(named("") && named(" 5 °C") && named(" 50 %") && named(" 120 Wh"), "{texts:?}");
    let summary = Summary {
        lead: vec![NASTY.to_owned()],
        tables: vec![Table {
            title: NASTY.to_owned(),
            is_aside: false,
            columns: vec![NASTY.to_owned()],
            rows: vec![TableRow { name: NASTY.to_owned(), values: vec![NASTY.to_owned()] }],
        }],
    };
    let page = page(&[season], &[], &summary, &[NASTY]);
    assert_eq!(page.matches("</script").count(), 2, "a name ends a script");
    assert!(!page.contains("<b>"));
    for element in ["p", "summary", "td"] {
        assert!(
            page.contains(&format!("<{element}>&lt;/script&gt;&lt;b&gt;&quot;&amp;'&lt;!--</{element}>")),
            "{element}"
        );
    }
    let season = &carried(&page)["seasons"][0];
    for name in [
        &season["title"],
        &season["lines"][0]["name"],
        &season["levels"][0]["name"],
        &season["bands"][0]["name"],
        &season["amounts"][0]["series"][0]["name"],
    ] {
        assert_eq!(name, NASTY);
    }
}

#[test]
fn a_winter_of_as_many_bins_as_a_film_has_stays_under_a_megabyte_and_a_half() {
    const BINS: usize = 1 << 14;
    let (mut low, mut lines) = (0.0_f32, Vec::new());
    let mut ranges = || {
        let range = (0..BINS).map(|_| {
            low = (low * 1.01 + 0.37).rem_euclid(40.0) - 20.0;
            (low, low + 0.5)
        });
        range.collect::<Vec<_>>()
    };
    for kind in
        [LineKind::Outside, LineKind::Plate, LineKind::CellReading, LineKind::CellReading, LineKind::ColdestCell]
    {
        lines.push(line(kind, 950, ranges()));
    }
    let mut season = season(180 * DAY, lines);
    let hourly: Vec<(i64, i64)> = (0..180 * 24).map(|hour| (hour * 3600 + 100, hour * 3600 + 1900)).collect();
    season.bands = vec![band(BandKind::Heater, hourly.clone()), band(BandKind::Charge, hourly)];
    season.charge = Some(line(LineKind::Charge, 950, ranges()));
    season.amounts = heat(&["a", "b", "bank"], &vec![vec![12.345; 3]; 180]);
    for series in &mut season.amounts[0].series {
        series.bins = vec![1.0; BINS];
    }
    let page = page(&[season], &[], &Summary::default(), &[]);
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
}

#[test]
fn a_hysteresis_is_shaded_between_its_thresholds() {
    let svg = drawing(&season(DAY, vec![line(LineKind::Plate, 600, vec![(-10.0, 20.0); 144])]));
    let y = height(&svg);
    let document = roxmltree::Document::parse(&svg).expect("XML");
    let shade = document.descendants().find(|node| node.attribute("fill") == Some("#222222")).expect("a shade");
    let number = |name| shade.attribute(name).expect("an attribute").parse::<f64>().expect("a number");
    assert!((number("y") - y(8.0)).abs() < 0.2, "{shade:?}");
    assert!((number("y") + number("height") - y(5.0)).abs() < 0.2, "{shade:?}");
}

#[test]
fn a_threshold_far_from_every_reading_is_left_out_unless_it_is_that_of_cold_charge() {
    let mut season = season(DAY, vec![line(LineKind::Plate, 600, vec![(10.0, 20.0); 144])]);
    for (at_c, shown) in [(45.0, false), (24.9, true)] {
        season.levels[1] = Level { name: "high limit".to_owned(), kind: LevelKind::HighLimit, at_c };
        let svg = drawing(&season);
        assert_eq!(svg.contains("high limit"), shown, "{at_c}");
        assert!(svg.contains(" 5 °C"));
    }
}

#[test]
fn two_seasons_share_their_axes_by_date_if_they_overlap_and_else_by_their_start() {
    let colour = "#c25e55";
    let cold = season(10 * DAY, vec![line(LineKind::Plate, DAY, vec![(-30.0, -20.0); 10])]);
    let mut warm = season(10 * DAY, vec![line(LineKind::Plate, DAY, vec![(20.0, 30.0); 10])]);
    for (start, first) in [(datetime(2026, 10, 20, 0, 0, 0, 0), 5.0), (datetime(2027, 10, 20, 0, 0, 0, 0), 0.0)] {
        warm.clock = Clock::local(start);
        let drawn = drawings(&[cold.clone(), warm.clone()]);
        let (a, b) = (height(&drawn[0]), height(&drawn[1]));
        assert!((a(0.0) - b(0.0)).abs() < 0.01 && (a(20.0) - b(20.0)).abs() < 0.01, "two scales");
        let (cold, warm) = (&paths(&drawn[0], colour)[0], &paths(&drawn[1], colour)[0]);
        let day = cold[1].0 - cold[0].0;
        assert!((warm[0].0 - cold[0].0 - first * day).abs() < 0.3, "{start}: {} and {}", cold[0].0, warm[0].0);
    }
}

#[test]
fn the_bars_of_energy_add_up_to_the_energy() {
    let mut season = season(180 * DAY, Vec::new());
    let days: Vec<Vec<f64>> = (0..180).map(|day| vec![f64::from(day), 2.0 * f64::from(day % 7), 0.0]).collect();
    season.amounts = heat(&["a", "b", "bank"], &days);
    let svg = drawing(&season);
    // The axis of the energy is the last with a 0, the floor of its picture.
    let document = roxmltree::Document::parse(&svg).expect("XML");
    let ticks: Vec<(f64, f64)> = document
        .descendants()
        .filter(|node| node.has_tag_name("text") && node.attribute("x") == Some("40.0"))
        .filter_map(|node| Some((node.text()?.parse().ok()?, node.attribute("y")?.parse().ok()?)))
        .collect();
    let zero = ticks.iter().rposition(|(at, _)| *at == 0.0).expect("a floor");
    let wh_per_unit = (ticks[zero + 1].0 - ticks[zero].0) / (ticks[zero].1 - ticks[zero + 1].1);
    for (colour, total) in [
        ("#057558", (0..180).map(f64::from).sum()),
        ("#6a1449", (0..180).map(|day| 2.0 * f64::from(day % 7)).sum::<f64>()),
    ] {
        let bars = &paths(&svg, colour)[0];
        // Four corners a bar, the second above the first.
        let heights: f64 = bars.chunks(4).map(|bar| bar[0].1 - bar[1].1).sum();
        let drawn = heights * wh_per_unit;
        // A corner is drawn to a tenth of a unit, half of it too much or too little, two a bar.
        let bound = (0..bars.len() / 4).map(|_| 0.1 * wh_per_unit).sum::<f64>();
        assert!((drawn - total).abs() <= bound, "{colour}: {drawn} Wh, not {total} Wh");
    }
}

#[test]
fn bars_of_energy_stand_on_one_another() {
    let mut season = season(4 * DAY, Vec::new());
    season.amounts = heat(&["a", "b", "c"], &vec![vec![30.0, 50.0, 20.0]; 4]);
    let svg = drawing(&season);
    let ends = |colour| {
        let bar = &paths(&svg, colour)[0];
        (bar[0].1, bar[1].1)
    };
    let [a, b, c] = ["#057558", "#6a1449", "#6e8210"].map(ends);
    assert_eq!((a.1, b.1), (b.0, c.0));
}

#[test]
fn a_day_on_end_shows_each_gap_of_a_quarter_of_an_hour_and_no_narrower() {
    let mut season = season(180 * DAY, Vec::new());
    for (gap, rectangles) in [(899, 1), (900, 2)] {
        let (first, noon) = (50 * DAY + 36_000, 50 * DAY + 43_200);
        season.bands = vec![band(BandKind::Heater, vec![(first, noon), (noon + gap, noon + 7200)])];
        assert_eq!(paths(&drawing(&season), "#9e6c10").concat().len(), 4 * rectangles, "a gap of {gap} s");
    }
    // What goes on over midnight is in two days.
    season.bands = vec![band(BandKind::Heater, vec![(50 * DAY - 7200, 50 * DAY + 7200)])];
    assert_eq!(paths(&drawing(&season), "#9e6c10").concat().len(), 8);
}

proptest! {
    #[test]
    fn no_extreme_is_lost_however_long_the_season(
        days in 1..366_i64, bin_s in 60..7200_i64, at in 0.0..1.0_f64, low in -40.0..-30.0_f32, high in 50.0..60.0_f32,
    ) {
        let bins = usize::try_from(days * DAY / bin_s).unwrap().max(1);
        let mut ranges = vec![(0.0, 1.0); bins];
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "an index")]
        let index = (at * bins as f64) as usize;
        ranges[index] = (low, high);
        let season = season(days * DAY, vec![line(LineKind::Plate, bin_s, ranges.clone())]);
        let svg = drawing(&season);
        let y = height(&svg);
        let corners: Vec<(f64, f64)> = paths(&svg, "#c25e55").concat();
        let top = corners.iter().map(|(_, y)| *y).fold(f64::INFINITY, f64::min);
        let bottom = corners.iter().map(|(_, y)| *y).fold(f64::NEG_INFINITY, f64::max);
        prop_assert!((top - y(f64::from(high))).abs() < 0.2, "{top} is not {high} °C");
        prop_assert!((bottom - y(f64::from(low))).abs() < 0.2, "{bottom} is not {low} °C");

        let page = page(&[season], &[], &Summary::default(), &[]);
        let line = &carried(&page)["seasons"][0]["lines"][0];
        for (end, held) in [("low", ranges[index].0), ("high", ranges[index].1)] {
            let bytes = STANDARD.decode(line[end].as_str().unwrap()).unwrap();
            prop_assert_eq!(bytes.len(), 2 * bins);
            let carried = f64::from(i16::from_le_bytes([bytes[2 * index], bytes[2 * index + 1]])) / 100.0;
            prop_assert!((carried - f64::from(held)).abs() <= 0.005_001);
        }
    }

    #[test]
    fn a_band_is_drawn_for_as_long_as_it_is_on(
        days in 1..366_i64, stretches in proptest::collection::vec((900..40_000_i64, 900..40_000_i64), 1..60),
    ) {
        let mut at = 0;
        let mut on = Vec::new();
        for (off, long) in stretches {
            if at + off + long > days * DAY {
                break;
            }
            on.push((at + off, at + off + long));
            at += off + long;
        }
        let total: i64 = on.iter().map(|(from, to)| to - from).sum();
        let mut season = season(days * DAY, Vec::new());
        season.bands = vec![band(BandKind::Heater, on.clone())];
        let paths = paths(&drawing(&season), "#9e6c10");
        // Rectangles of four corners: whatever their form, area is time.
        let corners = paths.concat();
        let area: f64 = corners.chunks(4).map(|bar| (bar[2].0 - bar[0].0) * (bar[0].1 - bar[1].1)).sum();
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let (share, whole) = (area / (700.0 * 24.0), total as f64 / (days * DAY) as f64);
        // Each corner to a tenth, so each rectangle's width and height to a tenth of at most 700 and 24, and a share to 0.005.
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let rounding = corners.len() as f64 / 4.0 * (0.1 * 24.0 + 0.1 * 8.0) / (700.0 * 24.0) + 0.005;
        prop_assert!((share - whole).abs() <= rounding, "{share} drawn, {whole} on");

        let page = page(&[season], &[], &Summary::default(), &[]);
        let steps = carried(&page)["seasons"][0]["bands"][0]["on"].clone();
        let mut at = 0;
        let edges: Vec<i64> = steps.as_array().unwrap().iter().map(|step| { at += step.as_i64().unwrap(); at }).collect();
        prop_assert_eq!(edges, on.iter().flat_map(|&(from, to)| [from, to]).collect::<Vec<_>>());
    }

    #[test]
    fn no_season_however_odd_breaks_the_drawing(
        span_s in 0..400 * DAY, bin_s in 1..100_000_i64, bins in 0..300_usize, offset in -700..700_i64,
        odd in prop::sample::select(vec![f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, 0.0, -273.0]),
        on in (-DAY..800 * DAY, -DAY..800 * DAY), sources in 0..5_usize,
    ) {
        let mut ranges = vec![(1.0, 2.0); bins];
        if let Some(range) = ranges.last_mut() {
            *range = (odd, odd);
        }
        let mut a = season(span_s, vec![line(LineKind::Outside, bin_s, ranges)]);
        a.bands = vec![band(BandKind::Alarm, vec![on]), band(BandKind::Source, Vec::new())];
        a.amounts = heat(&vec![NASTY; sources], &vec![vec![1e9; sources]; 3]);
        a.charge = Some(line(LineKind::Charge, bin_s, vec![(odd, odd); bins]));
        a.pauses = vec![on];
        if sources > 2 {
            a.clock = Clock::default();
        }
        let mut b = a.clone();
        let start = datetime(2026, 10, 15, 0, 0, 0, 0);
        b.clock = Clock::local(start.saturating_add(jiff::SignedDuration::from_hours(offset)));
        for svg in drawings(&[a.clone(), b.clone()]) {
            let document = roxmltree::Document::parse(&svg).expect("XML");
            for node in document.descendants() {
                for attribute in node.attributes() {
                    prop_assert!(!attribute.value().contains("NaN") && !attribute.value().contains("inf"), "{node:?}");
                }
            }
        }
        carried(&page(&[a, b], &[], &Summary::default(), &[]));
    }
}

#[test]
fn what_was_not_believed_is_drawn_pale_and_apart_from_what_was() {
    let mut season = season(10 * DAY, vec![line(LineKind::CellReading, DAY, vec![(1.0, 2.0); 10])]);
    assert!(!drawing(&season).contains("pale"));
    season.lines[0].ranges.truncate(5);
    season.lines[0].doubtful = vec![(30.0, 31.0); 10];
    let svg = drawing(&season);
    assert!(svg.contains("pale: measured, and not believed"));
    let document = roxmltree::Document::parse(&svg).expect("XML");
    let pale: Vec<_> = document.descendants().filter(|node| node.attribute("stroke-opacity") == Some("0.4")).collect();
    assert_eq!(pale.len(), 1);
    let (y, path) = (height(&svg), corners(&pale[0].attribute("d").expect("a path").replace('L', "M")));
    assert!(!path.is_empty() && path.iter().all(|corner| (y(31.05)..=y(29.95)).contains(&corner.1)), "{path:?}");
    let held = &carried(&page(&[season], &[], &Summary::default(), &[]))["seasons"][0]["lines"][0]["doubtful"];
    assert_eq!(held.as_array().map(Vec::len), Some(2));
}

#[test]
fn a_season_without_dates_has_an_axis_of_elapsed_time() {
    let mut season = season(10 * DAY, Vec::new());
    season.clock = Clock::default();
    let svg = drawing(&season);
    assert!(svg.contains("time since the start, d") && !svg.contains("date and time"), "{svg}");
}
