use super::*;
use crate::site::ColdSpell;
use jiff::civil::date;
use proptest::prelude::*;

const YEAR: &str = include_str!("../../demo/weather.csv");

fn read(text: &str) -> Result<Weather, Vec<Problem>> {
    Weather::read("w.csv", text.as_bytes())
}

fn year() -> Weather {
    read(YEAR).unwrap()
}

/// The messages of a text that must be refused, as people see them.
fn refused(text: &str) -> Vec<String> {
    read(text).unwrap_err().iter().map(ToString::to_string).collect()
}

/// Refused for one reason, in a message with all of `parts`.
#[track_caller]
fn refused_for(text: &str, parts: &[&str]) {
    let messages = refused(text);
    assert_eq!(messages.len(), 1, "{messages:#?}");
    for part in parts {
        assert!(messages[0].contains(part), "no \"{part}\" in: {}", messages[0]);
    }
}

/// Twelve good hours, with `rows` put over those of the same number.
fn hours(rows: &[(usize, &str)]) -> String {
    let mut text = "time,temperature_c,wind_speed_m_s,irradiance_w_m2\n".to_owned();
    for hour in 0..12 {
        let plain = format!("2025-01-31 {hour:02}:00,{}.5,3,0", -(i32::try_from(hour).unwrap()));
        let row = rows.iter().find(|&&(number, _)| number == hour).map_or(plain.as_str(), |&(_, row)| row);
        text.push_str(row);
        text.push('\n');
    }
    text
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9 * (1.0 + a.abs().max(b.abs()))
}

/// Sums over the file by another program: 8760 rows, 38 724.9 °C, 44 430.7 m/s, 829 243 W/m², from −10.6 to 19.4 °C.
#[test]
fn a_typical_year_has_the_sums_that_another_program_finds() {
    let weather = year();
    let sum = |of: fn(&Point) -> f64| weather.points.iter().map(of).sum::<f64>();
    assert_eq!(weather.points.len(), 8760);
    assert!(close(sum(|point| point.outside_c), 38_724.9));
    assert!(close(sum(|point| point.wind_m_s), 44_430.7));
    assert!(close(sum(|point| point.irradiance_w_m2), 829_243.0));
    let temperatures = || weather.points.iter().map(|point| point.outside_c);
    assert!(close(temperatures().fold(f64::INFINITY, f64::min), -10.6));
    assert!(close(temperatures().fold(f64::NEG_INFINITY, f64::max), 19.4));
    assert_eq!(weather.start, date(2001, 1, 1).at(1, 0, 0, 0));
    assert_eq!(weather.span_s(), 8759 * 3600);
    assert!(weather.points.windows(2).all(|pair| pair[1].at_s - pair[0].at_s == 3600));
}

/// The demo's year, written as a typical year is distributed: months of different years, hours named by their ends.
fn as_distributed() -> String {
    let mut text = concat!(
        "1,\"SOME COAST\",XX,-9.0,55.3,-160.5,7\n",
        "Date (MM/DD/YYYY),Time (HH:MM),ETR (W/m^2),GHI (W/m^2),GHI source,Dry-bulb (C),Wspd (m/s)\n"
    )
    .to_owned();
    for row in YEAR.lines().filter(|row| row.starts_with('2')) {
        let cells: Vec<_> = row.split(',').collect();
        let end: DateTime = cells[0][..19].parse().unwrap();
        let begin = end.saturating_sub(jiff::SignedDuration::from_hours(1));
        let (month, day, hour) = (begin.month(), begin.day(), begin.hour() + 1);
        text += &format!("{month:02}/{day:02}/{},{hour:02}:00,0,{},1,{},{}\n", cells[4], cells[3], cells[1], cells[2]);
    }
    text
}

#[test]
fn a_typical_year_as_distributed_is_the_same_weather() {
    let text = as_distributed();
    assert!(text.contains("12/31/1998,24:00") && text.contains("01/01/1997,01:00"));
    assert_eq!(read(&text).unwrap(), year());
}

#[test]
fn a_typical_year_that_is_damaged_is_refused_with_its_line() {
    let text = as_distributed();
    let rows: Vec<_> = text.lines().collect();
    let with = |number: usize, row: &str| {
        let mut rows = rows.clone();
        rows[number - 1] = row;
        rows.join("\n")
    };
    assert!(rows[1417].starts_with("02/28/") && rows[1417].contains(",24:00,"), "{}", rows[1417]);
    let no_such_day = rows[1417].replace("02/28/", "02/29/");
    refused_for(&with(1418, &no_such_day), &["w.csv:1418:1", "02/29/", "24:00", "not a date and the end of an hour"]);
    refused_for(&with(1000, "02/11/1999,14:00,0,0,1,-9900,5.1"), &["w.csv:1000:1", "Dry-bulb (C)", "filler"]);
    refused_for(&with(8762, "12/31/1998,2"), &["w.csv:8762:1", "2 cells, the header has 7", "cut off?"]);
    refused_for(&with(2, &rows[1].replace("Wspd (m/s)", "Wspd")), &["w.csv:2:1", "no column Wspd (m/s)"]);
    assert_eq!(refused(&with(3, rows[4])).len(), 2, "two rows are no longer after the first");
}

#[test]
fn every_temperature_scale_gives_the_same_weather() {
    let celsius = read("time,temperature_c\n2025-01-31T00:00:00,-40\n2025-01-31T01:00:00,25\n").unwrap();
    let fahrenheit = read("time,temperature_f\n2025-01-31T00:00:00,-40\n2025-01-31T01:00:00,77\n").unwrap();
    let kelvin = read("time,Temperature K\n2025-01-31T00:00:00,233.15\n2025-01-31T01:00:00,298.15\n").unwrap();
    for other in [fahrenheit, kelvin] {
        for (point, expected) in other.points.iter().zip(&celsius.points) {
            assert!((point.outside_c - expected.outside_c).abs() < 1e-9, "{point:?}");
        }
    }
    assert!(celsius.points.iter().all(|point| point.wind_m_s == 0.0 && point.irradiance_w_m2 == 0.0));
}

#[test]
fn a_good_file_is_read_and_a_reading_below_darkness_is_dark() {
    let weather = read(&hours(&[(3, "2025-01-31 03:00,-3.5,3,-2.5")])).unwrap();
    assert_eq!(weather.start, date(2025, 1, 31).at(0, 0, 0, 0));
    assert_eq!(weather.points[3], Point { at_s: 10_800, outside_c: -3.5, wind_m_s: 3.0, irradiance_w_m2: 0.0 });
}

#[test]
fn what_no_weather_can_be_is_named_with_its_line_and_what_to_do() {
    for (row, parts) in [
        ("2025-01-31 04:00,-999,3,0", &["w.csv:6:1", "temperature_c", "-999", "filler", "try:"][..]),
        ("2025-01-31 04:00,-9999.0,3,0", &[":6:1", "filler"]),
        ("2025-01-31 04:00,-99.9,3,0", &[":6:1", "filler"]),
        ("2025-01-31 04:00,-9900,3,0", &[":6:1", "filler"]),
        ("2025-01-31 04:00,-4.5,99.9,0", &["wind_speed_m_s", "filler"]),
        ("2025-01-31 04:00,-4.5,3,9999", &["irradiance_w_m2", "filler"]),
        ("2025-01-31 04:00,-90.1,3,0", &["-90.1", "outside -90 to 60 °C"]),
        ("2025-01-31 04:00,60.1,3,0", &["60.1", "outside -90 to 60 °C"]),
        ("2025-01-31 04:00,-4.5,-0.1,0", &["-0.1", "outside 0 to 120 m/s"]),
        ("2025-01-31 04:00,-4.5,121,0", &["121", "outside 0 to 120 m/s"]),
        ("2025-01-31 04:00,-4.5,3,-21", &["-21", "outside -20 to 1800 W/m²"]),
        ("2025-01-31 04:00,NaN,3,0", &["temperature_c", "NaN", "not finite"]),
        ("2025-01-31 04:00,-4.5,inf,0", &["wind_speed_m_s", "not finite"]),
        ("2025-01-31 04:00,cold,3,0", &["\"cold\"", "not a number"]),
        ("2025-01-31 04:00,\"-4,5\",3,0", &["decimal comma"]),
        ("2025-01-31 04:00,-4,5,3,0", &["5 cells", "header has 4", "decimal comma?"]),
        ("2025-01-31 04:00,,3,0", &["temperature_c is empty"]),
        ("2025-01-31 04:00,-4.5", &["2 cells", "cut off?"]),
        ("2025-01-31 04:00,\"-4.5,3,0", &["quote"]),
        ("2025-01-31 03:00,-4.5,3,0", &["03:00 is the time of line 5 too"]),
        ("2025-01-31 02:59,-4.5,3,0", &["02:59 is out of order", "line 5"]),
        ("31.01.2025 04:00,-4.5,3,0", &["another form", "2025-01-31T13:45:00"]),
        ("2025-01-31 04:00+01:00,-4.5,3,0", &["zone +01", "no zone", "line 2"]),
    ] {
        refused_for(&hours(&[(4, row)]), parts);
    }
}

#[test]
fn nines_that_are_weather_are_weather() {
    read(&hours(&[(4, "2025-01-31 04:00,-9.9,9.9,999")])).unwrap();
}

#[test]
fn a_gap_of_three_hours_is_bridged_and_a_longer_one_named() {
    let with_gap = |last: &str| format!("time,temperature_c\n2025-01-31 00:00,1\n{last},1\n");
    assert_eq!(read(&with_gap("2025-01-31 03:00")).unwrap().span_s(), 10_800);
    refused_for(
        &with_gap("2025-01-31 03:01"),
        &["w.csv:3:1", "from 2025-01-31 00:00 (line 2) to 2025-01-31 03:01", "gap"],
    );
}

#[test]
fn a_unit_that_cannot_be_the_one_named_is_told_once() {
    let rows = |values: [f64; 3]| {
        let rows = values.iter().enumerate().map(|(hour, value)| format!("2025-01-31 {hour:02}:00,{value}\n"));
        format!("time,temperature_c\n{}", rows.collect::<String>())
    };
    refused_for(&rows([263.0, 270.0, 268.0]), &["every temperature_c", "263 to 270", "temperature_k"]);
    refused_for(&rows([70.0, 77.0, 65.0]), &["every temperature_c", "65 to 77", "temperature_f"]);
    refused_for(&rows([-999.0, -999.0, -999.0]), &["every temperature_c", "a column of outside temperatures"]);
    let kelvin = rows([-3.0, -4.0, -5.0]).replace("_c", "_k");
    refused_for(&kelvin, &["every temperature_k", "temperature_c"]);
}

#[test]
fn what_is_no_table_of_weather_says_what_is_missing() {
    refused_for("", &["is empty"]);
    refused_for("# nothing but a comment\n\n", &["is empty"]);
    refused_for("time,temperature_c\n", &["no rows"]);
    refused_for("time,temperature_c\n2025-01-31 00:00,1\n", &["one row"]);
    refused_for("2025-01-31 00:00,1\n2025-01-31 01:00,1\n", &["w.csv:1:1", "no header row", "time,temperature_c"]);
    refused_for("0,1\n1,2\n", &["no header row"]);
    refused_for("when,temperature_c\n2025-01-31 00:00,1\n", &["no time column", "when, temperature_c"]);
    refused_for("time,outside\n2025-01-31 00:00,1\n", &["no column temperature_c", "the columns are: time, outside"]);
    refused_for("time,temperature_c,temperature_f\n", &["more than one"]);
    refused_for("time,temperature_c,ghi_w_m2,irradiance_w_m2\n", &["more than one", "ghi_w_m2"]);
    refused_for("time;temperature_c\n2025-01-31 00:00;1\n", &["another delimiter", "';'"]);
    refused_for("time,temperature_c,wind_kmh\n", &["\"wind_kmh\" would not be read", "wind_speed_m_s"]);
    refused_for("time,temperature_c,GHI\n", &["\"GHI\" would not be read", "irradiance_w_m2"]);
    refused_for("time,temperature_c\n\u{0}", &["NUL byte"]);
    assert!(read("time,temperature_c,wind_direction_deg\n2025-01-31 00:00,1,90\n2025-01-31 01:00,1,90\n").is_ok());
}

#[test]
fn every_problem_is_told_but_no_more_than_twenty() {
    let text =
        hours(&[(2, "2025-01-31 02:00,-999,3,0"), (3, "2025-01-31 03:00,1,x,-9999"), (7, "2025-01-31 06:00,1,1,1")]);
    let messages = refused(&text);
    let lines: Vec<_> = messages.iter().map(|message| message.split(':').nth(1).unwrap()).collect();
    assert_eq!(lines, ["4", "5", "5", "9"], "{messages:#?}");

    let mut text = "time,temperature_c\n2025-01-31 00:00,1\n".to_owned();
    for row in 0..100 {
        text += &format!("day {row},x{row}\n");
    }
    let messages = refused(&text);
    assert_eq!(messages.len(), 21);
    assert!(messages[20].contains("180 more problems"), "{}", messages[20]);
}

#[test]
fn rows_on_end_with_the_same_fault_are_one_problem_that_says_why() {
    let mut text = "time,temperature_c,wind_speed_m_s\n".to_owned();
    for hour in 0..12 {
        let (cold, wind) = match hour {
            2..=4 | 8 => ("-999", "x"),
            5..=6 => ("-99.9", "-7"),
            _ => ("-4.5", "3"),
        };
        text += &format!("2025-01-31 {hour:02}:00,{cold},{wind}\n");
    }
    let messages = refused(&text);
    assert_eq!(messages.len(), 5, "{messages:#?}");
    let told = |part: &str| messages.iter().filter(|message| message.contains(part)).count();
    assert_eq!(
        told("w.csv:4:1: lines 4 to 8, the first: column temperature_c holds -999, a filler"),
        1,
        "{messages:#?}"
    );
    assert_eq!(
        told("w.csv:4:1: lines 4 to 6: column wind_speed_m_s holds \"x\", which is not a number"),
        1,
        "{messages:#?}"
    );
    assert_eq!(told("w.csv:7:1: lines 7 to 8: column wind_speed_m_s holds -7, outside 0 to 120"), 1, "{messages:#?}");
    assert_eq!(told("w.csv:10:1: column"), 2, "{messages:#?}");
    assert_eq!(told("why: the missing hours may be the coldest"), 2, "{messages:#?}");
    assert_eq!(told("why: no such weather was ever measured"), 1, "{messages:#?}");
}

#[test]
fn weather_remembers_what_it_does_not_tell() {
    let text = |header: &str, cells: &str| {
        let mut text = format!("time{header}\n");
        for hour in 0..25 {
            text += &format!("2025-01-{:02} {:02}:00{cells}\n", 1 + hour / 24, hour % 24);
        }
        text
    };
    let season = |header: &str, cells: &str| read(&text(header, cells)).unwrap().season("w.csv", None, 1, 0.0).unwrap();
    let bare = season(",temperature_c", ",-5");
    let told: Vec<_> =
        bare.lacks("w.csv", &["solar", "roof"], 0.5).iter().map(|p| (p.severity, p.to_string())).collect();
    assert!(told[0].0 == Severity::Error && told[1].0 == Severity::Warning && told.len() == 2, "{told:?}");
    assert!(
        told[0].1.starts_with("w.csv: has no column irradiance_w_m2, and solar and roof follow the sun"),
        "{told:?}"
    );
    assert!(told[0].1.contains("schedule in place of sun_at_least_w_m2"), "{told:?}");
    assert!(told[1].1.contains("no column wind_speed_m_s, and 50 % of the wind"), "{told:?}");
    assert_eq!(bare.lacks("w.csv", &[], 0.0), []);
    let sunny = season(",temperature_c,ghi_w_m2", ",-5,0");
    assert_eq!(sunny.lacks("w.csv", &["solar"], 0.0), []);
    let windy = season(",temperature_c,wind_speed_m_s", ",-5,0");
    assert_eq!(windy.lacks("w.csv", &[], 1.0), []);
    assert_eq!(year().lacks("w.csv", &["solar"], 1.0), []);
    assert_eq!(SPELL.weather(None, 1, 0.0).unwrap().lacks("w.csv", &["solar"], 1.0), []);
}

#[test]
fn a_season_begins_at_midnight_and_ends_at_midnight() {
    let season = year().season("w.csv", Some((11, 1)), 30, 0.0).unwrap();
    assert_eq!(season.start, date(2001, 11, 1).at(0, 0, 0, 0));
    assert_eq!((season.points[0].at_s, season.span_s(), season.points.len()), (0, 30 * 86_400, 721));
    // Mean of the 720 rows of November, stamped from 00:00 on the 1st to 23:00 on the 30th, by another program.
    let sum: f64 = season.points[..720].iter().map(|point| point.outside_c).sum();
    assert!((sum / 720.0 - 0.441_111).abs() < 1e-6, "{}", sum / 720.0);
    let colder = year().season("w.csv", Some((11, 1)), 30, -15.0).unwrap();
    for (point, cold) in season.points.iter().zip(&colder.points) {
        assert_eq!(*cold, Point { outside_c: point.outside_c - 15.0, ..*point });
    }
}

/// −6.0 °C at 24:00 on 31 December, 4.0 °C at 1:00 on 1 January: rows 8760 and 1 of the file.
#[test]
fn a_whole_year_goes_round() {
    let winter = year().season("w.csv", Some((11, 1)), 180, 0.0).unwrap();
    assert_eq!((winter.points.len(), winter.span_s()), (180 * 24 + 1, 180 * 86_400));
    assert!(winter.points.windows(2).all(|pair| pair[1].at_s - pair[0].at_s == 3600));
    let new_year = 61 * 24;
    assert!(close(winter.points[new_year].outside_c, -6.0) && close(winter.points[new_year + 1].outside_c, 4.0));
    for (point, expected) in winter.points[new_year + 1..].iter().zip(&year().points) {
        assert_eq!(point.outside_c, expected.outside_c);
        assert_eq!((point.wind_m_s, point.irradiance_w_m2), (expected.wind_m_s, expected.irradiance_w_m2));
    }
    // The end of the last day makes the first day whole.
    let all = year().season("w.csv", None, 365, 0.0).unwrap();
    assert_eq!((all.start, all.points.len()), (date(2001, 1, 1).at(0, 0, 0, 0), 8761));
    assert!(close(all.points[0].outside_c, -6.0));
    let years = year().season("w.csv", Some((1, 1)), 1000, 0.0).unwrap();
    assert_eq!(years.points.len(), 24_001);
    assert_eq!(years.points[730 * 24 + 5].outside_c, years.points[5].outside_c);
}

/// Hours from `start` on. The temperature of each is its number, in thousandths.
fn numbered(start: DateTime, hours: i32) -> Weather {
    let points = (0..hours).map(|hour| Point {
        at_s: i64::from(hour) * 3600,
        outside_c: f64::from(hour) / 1000.0,
        wind_m_s: 0.0,
        irradiance_w_m2: 0.0,
    });
    Weather { start, points: points.collect(), has_wind: true, has_irradiance: true }
}

#[test]
fn weather_that_goes_round_begins_no_earlier_than_it_does() {
    // A leap year's worth, from July on.
    let weather = numbered(date(2003, 7, 1).at(0, 0, 0, 0), 366 * 24);
    let season = weather.season("w.csv", Some((1, 1)), 250, 0.0).unwrap();
    assert_eq!(season.start, date(2004, 1, 1).at(0, 0, 0, 0));
    assert!(close(season.points[0].outside_c, 4.416), "184 days after the first of July: {:?}", season.points[0]);
    assert!(close(season.points[182 * 24].outside_c, 0.0), "29 February counts: {:?}", season.points[182 * 24]);
}

#[test]
fn a_season_that_fits_is_not_taken_from_elsewhere() {
    let weather = numbered(date(2001, 1, 1).at(0, 0, 0, 0), 550 * 24);
    let season = weather.season("w.csv", Some((12, 1)), 200, 0.0).unwrap();
    assert!(close(season.points[199 * 24].outside_c, f64::from((334 + 199) * 24) / 1000.0));
    let longer = weather.season("w.csv", Some((12, 1)), 250, 0.0).unwrap();
    assert!(close(longer.points[31 * 24].outside_c, 0.0), "only whole years go round");
}

#[test]
fn an_end_that_is_the_beginning_is_not_counted_twice() {
    let weather = numbered(date(2001, 1, 1).at(0, 0, 0, 0), 365 * 24 + 1);
    let season = weather.season("w.csv", None, 400, 0.0).unwrap();
    assert!(season.points.windows(2).all(|pair| pair[1].at_s - pair[0].at_s == 3600));
    assert!(close(season.points[365 * 24].outside_c, 0.0));
}

#[test]
fn weather_that_is_too_short_says_what_it_covers() {
    let short = read(&hours(&[])).unwrap();
    let message = short.season("w.csv", None, 1, 0.0).unwrap_err().to_string();
    assert!(message.contains("2025-01-31 00:00 to 2025-01-31 11:00 (0 days)"), "{message}");
    let message = short.season("w.csv", Some((12, 24)), 1, 0.0).unwrap_err().to_string();
    assert!(message.contains("not 1 days from 24 December"), "{message}");
    assert!(year().season("w.csv", Some((2, 29)), 1, 0.0).is_err());
    assert!(year().season("w.csv", Some((13, 40)), 1, 0.0).is_err());
    assert!(year().season("w.csv", None, 0, 0.0).is_err());
}

#[test]
fn an_end_between_two_rows_is_interpolated_and_keeps_their_means() {
    let mut text = "time,temperature_c,wind_speed_m_s\n".to_owned();
    for hour in 0..60 {
        let at = date(2025, 1, 30).at(22, 30, 0, 0).saturating_add(jiff::SignedDuration::from_hours(hour));
        text += &format!("{at},{hour},{hour}\n");
    }
    let season = read(&text).unwrap().season("w.csv", None, 1, 0.0).unwrap();
    assert_eq!(season.start, date(2025, 1, 31).at(0, 0, 0, 0));
    let (first, last) = (season.points[0], season.points[season.points.len() - 1]);
    assert_eq!((first.at_s, first.outside_c, first.wind_m_s), (0, 1.5, 2.0));
    assert_eq!((season.points[1].at_s, season.points[1].outside_c), (1800, 2.0));
    assert_eq!((last.at_s, last.outside_c, last.wind_m_s), (86_400, 25.5, 26.0));
    assert_eq!(season.points.len(), 26);
}

/// The weather at a moment, by the definition of its points.
fn at(weather: &Weather, at_s: i64) -> (f64, f64) {
    let next = weather.points.iter().position(|point| point.at_s >= at_s).unwrap();
    let after = weather.points[next];
    let Some(before) = next.checked_sub(1).map(|before| weather.points[before]) else {
        return (after.outside_c, after.wind_m_s);
    };
    #[expect(clippy::cast_precision_loss, reason = "seconds of some days")]
    let part = (at_s - before.at_s) as f64 / (after.at_s - before.at_s) as f64;
    (before.outside_c + part * (after.outside_c - before.outside_c), after.wind_m_s)
}

proptest! {
    /// Compared with the definition: the season is the weather itself, moved.
    #[test]
    fn a_season_is_the_weather_from_its_midnight_on(
        steps in prop::collection::vec((600..=10_800_i64, -20.0..10.0_f64, 0.0..20.0_f64), 40..120),
        start_s in 0..86_400_i64,
        days in 1..4_u32,
        probes in prop::collection::vec(0.0..1.0_f64, 20),
    ) {
        let mut points: Vec<Point> = Vec::new();
        let mut at_s = 0;
        for (step, outside_c, wind_m_s) in steps {
            points.push(Point { at_s, outside_c, wind_m_s, irradiance_w_m2: 0.0 });
            at_s += step;
        }
        let start = date(2025, 1, 31).at(0, 0, 0, 0).saturating_add(jiff::SignedDuration::from_secs(start_s));
        let weather = Weather { start, points, has_wind: true, has_irradiance: true };
        let to_midnight = if start_s == 0 { 0 } else { 86_400 - start_s };
        let span = i64::from(days) * 86_400;
        match weather.season("w.csv", None, days, 0.0) {
            Err(_) => prop_assert!(to_midnight + span > weather.span_s()),
            Ok(season) => {
                prop_assert_eq!(season.points[0].at_s, 0);
                prop_assert_eq!(season.span_s(), span);
                prop_assert!(season.points.windows(2).all(|pair| pair[0].at_s < pair[1].at_s));
                for probe in probes {
                    #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "seconds of some days")]
                    let at_s = (probe * span as f64) as i64 + 1;
                    let (here, there) = (at(&season, at_s.min(span)), at(&weather, to_midnight + at_s.min(span)));
                    prop_assert!(close(here.0, there.0), "{:?} is not {:?}", here, there);
                    prop_assert_eq!(here.1, there.1);
                }
            }
        }
    }

    #[test]
    fn no_file_panics(bytes: Vec<u8>, text in "(time,temperature_c\n)?([0-9TZ:,. +\"-]{0,30}\n){0,8}") {
        let _ = Weather::read("w.csv", &bytes[..]);
        if let Ok(weather) = read(&text) {
            let _ = weather.season("w.csv", None, 3, 0.0);
        }
    }
}

const SPELL: ColdSpell = ColdSpell {
    mean_c: -2.0,
    daily_swing_k: 4.0,
    spell_c: -20.0,
    spell_from_day: 10,
    spell_days: 5,
    wind_m_s: 6.0,
    noon_w_m2: 200.0,
};

#[test]
fn a_made_up_winter_swings_by_the_day_and_falls_for_its_spell() {
    let weather = SPELL.weather(None, 30, 0.0).unwrap();
    assert_eq!(weather.start, date(2001, 1, 1).at(0, 0, 0, 0));
    assert_eq!(weather.start.weekday(), jiff::civil::Weekday::Monday);
    assert_eq!((weather.points[0].at_s, weather.span_s()), (0, 30 * 86_400));
    let outside = |day: i64, hour: i64| at(&weather, (day * 24 + hour) * 3600).0;
    assert!(close(outside(3, 15), 2.0) && close(outside(3, 3), -6.0) && close(outside(3, 9), -2.0));
    assert!(close(outside(9, 21), -2.0 - 18.0 * 21.0 / 24.0), "the ramp down fills the day before: {}", outside(9, 21));
    assert!(close(outside(10, 15), -16.0) && close(outside(14, 3), -24.0));
    assert!(close(outside(15, 9), -20.0 + 18.0 * 9.0 / 24.0), "the ramp up fills the day after: {}", outside(15, 9));
    assert!(close(outside(16, 15), 2.0));
    // Means over the days of the spell. The swing cancels.
    let day =
        |day: usize| weather.points[day * 48..(day + 1) * 48].iter().map(|point| point.outside_c).sum::<f64>() / 48.0;
    assert!(close(day(12), -20.0) && close(day(2), -2.0));
}

/// Half a sine of 8 h and 200 W/m² at noon holds 200 × 8 × 2/π = 1018.59 Wh/m².
#[test]
fn a_made_up_day_is_light_from_eight_to_sixteen() {
    let weather = SPELL.weather(None, 2, 0.0).unwrap();
    let daily = |day: usize| {
        weather.points[day * 48 + 1..=(day + 1) * 48].iter().map(|point| point.irradiance_w_m2 / 2.0).sum::<f64>()
    };
    assert!(close(daily(0), 200.0 * 16.0 / std::f64::consts::PI) && close(daily(1), daily(0)), "{}", daily(0));
    let lit: Vec<_> =
        weather.points.iter().filter(|point| point.irradiance_w_m2 > 0.0).map(|point| point.at_s / 1800).collect();
    assert_eq!((lit[0], lit[15], lit[16], lit.len()), (17, 32, 48 + 17, 32));
    assert!(weather.points.iter().all(|point| (0.0..=200.0).contains(&point.irradiance_w_m2)));
}

#[test]
fn a_made_up_winter_begins_when_asked_and_takes_its_offset() {
    let weather = SPELL.weather(Some((11, 15)), 3, -5.0).unwrap();
    assert_eq!(weather.start, date(2001, 11, 15).at(0, 0, 0, 0));
    assert!(close(at(&weather, 15 * 3600).0, -3.0));
    assert!(SPELL.weather(Some((2, 29)), 3, 0.0).is_err());
    assert!(SPELL.weather(None, 0, 0.0).is_err());
    let without = ColdSpell { spell_days: 0, spell_from_day: 1, ..SPELL }.weather(None, 4, 0.0).unwrap();
    assert!(close(at(&without, (24 + 15) * 3600).0, 2.0), "a spell of no days is none");
}
