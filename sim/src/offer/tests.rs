use super::*;
use crate::diagnostic::Severity;
use crate::weather::Point;
use jiff::SignedDuration;
use jiff::civil::date;
use proptest::prelude::*;
use std::fs;
use tempfile::TempDir;

fn supply(power_w: f64, presence: Presence) -> Supply {
    Supply { power_w, presence, rating: None }
}

fn weekly(text: &str) -> Presence {
    Presence::Weekly(text.parse().unwrap())
}

fn names(count: usize) -> Vec<String> {
    ["engine", "mains", "solar", "wind"][..count].iter().map(ToString::to_string).collect()
}

/// Hours of sun, the first point dark.
fn weather(start: DateTime, sun: &[f64]) -> Weather {
    let points = (0..).zip([0.0].iter().chain(sun));
    let point = |(hour, &irradiance_w_m2): (i64, &f64)| Point {
        at_s: hour * 3600,
        outside_c: 0.0,
        wind_m_s: 0.0,
        irradiance_w_m2,
    };
    Weather { start, points: points.map(point).collect(), has_wind: false, has_irradiance: true }
}

const fn monday() -> DateTime {
    date(2001, 1, 1).at(0, 0, 0, 0)
}

fn of(present: &[usize], power_w: [f64; 4], load_w: f64, at_s: i64) -> Offer {
    Offer { at_s, sources: present.iter().fold(Sources::NONE, |sources, &index| sources.with(index)), power_w, load_w }
}

#[test]
fn offers_change_with_schedules_and_sun_and_at_no_other_moment() {
    let supplies = [supply(350.0, weekly("mon 01:30-02:00")), supply(100.0, Presence::Sun { at_least_w_m2: 50.0 })];
    let load = Load { constant_w: 5.0, scheduled: Some((20.0, "daily 02:00-03:00".parse().unwrap())) };
    let weather = weather(monday(), &[49.0, 50.0, 50.0, 200.0, 0.0]);
    let got = offers(&supplies, &load, &weather, 5 * 3600, &names(2), Path::new(".")).unwrap().0;
    let expected = [
        of(&[], [0.0, 49.0 * 100.0 / 1000.0, 0.0, 0.0], 5.0, 0),
        of(&[1], [0.0, 5.0, 0.0, 0.0], 5.0, 3600),
        of(&[0, 1], [350.0, 5.0, 0.0, 0.0], 5.0, 5400),
        of(&[1], [0.0, 5.0, 0.0, 0.0], 25.0, 7200),
        of(&[1], [0.0, 20.0, 0.0, 0.0], 5.0, 10_800),
        of(&[], [0.0; 4], 5.0, 14_400),
    ];
    assert_eq!(got, expected);
}

#[test]
fn a_source_that_never_comes_changes_nothing() {
    let supplies = [supply(350.0, Presence::Never), supply(100.0, weekly("daily 00:00-24:00"))];
    let got = offers(&supplies, &Load::default(), &weather(monday(), &[0.0; 48]), 48 * 3600, &names(2), Path::new("."));
    assert_eq!(got.unwrap().0, [of(&[1], [0.0, 100.0, 0.0, 0.0], 0.0, 0)]);
}

/// A season with a log of its engine.
struct Logged {
    folder: TempDir,
    start: DateTime,
}

impl Logged {
    fn new(start: DateTime, log: impl AsRef<[u8]>) -> Self {
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("log.csv"), log).unwrap();
        Self { folder, start }
    }

    fn offers(&self) -> Result<(Vec<Offer>, Vec<Problem>), Vec<Problem>> {
        let supplies = [supply(350.0, Presence::Log("log.csv".into()))];
        let weather = weather(self.start, &[0.0; 240]);
        offers(&supplies, &Load::default(), &weather, 240 * 3600, &names(1), self.folder.path())
    }

    /// When the engine comes and goes.
    fn comes_and_goes(&self) -> Vec<(i64, bool)> {
        self.offers().unwrap().0.iter().map(|offer| (offer.at_s, offer.sources.contains(0))).collect()
    }

    #[track_caller]
    fn refused_for(&self, parts: &[&str]) {
        let problems = self.offers().unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:#?}");
        let message = problems[0].to_string();
        for part in parts {
            assert!(message.contains(part), "no \"{part}\" in: {message}");
        }
    }
}

#[test]
fn a_log_says_when_a_source_is_there_and_outside_it_is_not() {
    let log = "time,engine_present,soc_pct\n\
               2024-12-31 23:00,1,50\n\
               2025-01-01 01:00,0,50\n\
               2025-01-01 02:00,1,\n\
               2025-01-01 02:30,,\n\
               2025-01-01 03:00,1,50\n";
    let season = Logged::new(date(2025, 1, 1).at(0, 0, 0, 0), log);
    assert_eq!(season.comes_and_goes(), [(0, true), (3600, false), (7200, true), (10_800, false)]);
    let later = Logged::new(date(2025, 1, 1).at(1, 30, 0, 0), log);
    assert_eq!(later.comes_and_goes(), [(0, false), (1800, true), (5400, false)]);
    let earlier = Logged::new(date(2024, 12, 31).at(22, 0, 0, 0), log);
    assert_eq!(earlier.comes_and_goes()[..2], [(0, false), (3600, true)]);
}

#[test]
fn a_log_of_another_year_lies_on_its_days() {
    let log = "time,engine_present\n2024-12-31 23:00:00,1\n2025-01-01 01:00:00,0\n2025-01-02 00:00:00,0\n";
    // A typical year's winter runs from the year 2001 into 2002.
    let season = Logged::new(date(2001, 12, 30).at(0, 0, 0, 0), log);
    assert_eq!(season.comes_and_goes(), [(0, false), (47 * 3600, true), (49 * 3600, false)]);
    let january = Logged::new(date(2001, 1, 1).at(0, 0, 0, 0), log);
    assert_eq!(january.comes_and_goes(), [(0, true), (3600, false)]);
}

#[test]
fn a_log_that_shares_a_day_with_the_season_keeps_its_year() {
    let log = "time,engine_present\n2023-01-01 00:00,1\n2025-01-02 00:00,1\n";
    let season = Logged::new(date(2025, 1, 1).at(0, 0, 0, 0), log);
    assert_eq!(season.comes_and_goes(), [(0, true), (86_400, false)]);
}

#[test]
fn a_log_that_cannot_be_used_says_why() {
    let new_year = date(2025, 1, 1).at(0, 0, 0, 0);
    let rows = |rows: &str| Logged::new(new_year, format!("time,engine_present\n{rows}"));
    rows("2025-06-01 00:00,1\n2025-06-02 00:00,0\n").refused_for(&[
        "log.csv: covers 2025-06-01 00:00 to 2025-06-02 00:00",
        "from 2025-01-01 00:00 to 2025-01-11 00:00",
    ]);
    rows("").refused_for(&["fewer than two rows"]);
    rows("2025-01-01 00:00,1\n").refused_for(&["fewer than two rows"]);
    rows("2025-01-01 00:00,1\n2025-01-01 01:00,maybe\n").refused_for(&["log.csv:3:1", "\"maybe\", not 0 or 1"]);
    rows("2025-01-01 00:00,1\n2025-01-01 00:00,1\n").refused_for(&["log.csv:3:1", "time of line 2 too"]);
    rows("2025-01-01 00:00,1\n2025-01-01 01:00\n").refused_for(&["log.csv:3:1", "1 cells, the header has 2"]);
    Logged::new(new_year, "time,mains_present\n").refused_for(&["no column engine_present", "time, mains_present"]);
    Logged::new(new_year, "time,date,engine_present\n").refused_for(&["more than one column timestamp or time"]);
    Logged::new(new_year, "").refused_for(&["is empty"]);
    let absent = Logged::new(new_year, "");
    fs::remove_file(absent.folder.path().join("log.csv")).unwrap();
    absent.refused_for(&["log.csv: does not exist"]);
}

#[test]
fn a_log_of_part_of_the_season_is_a_warning_with_how_much() {
    let of = |from: &str, to: &str| {
        let log = format!("time,engine_present\n{from},1\n{to},0\n");
        Logged::new(date(2025, 1, 1).at(0, 0, 0, 0), &log).offers().unwrap().1
    };
    let warnings = of("2025-01-04 00:00", "2025-01-06 12:00");
    let [warning] = &warnings[..] else { panic!("{warnings:?}") };
    assert_eq!(warning.severity, Severity::Warning);
    let message = warning.to_string();
    assert!(message.contains("log.csv: covers 2.5 of the 10 days from 2025-01-01 00:00 on"), "{message}");
    assert!(message.contains("engine is absent outside its log"), "{message}");
    assert_eq!(of("2024-12-31 00:00", "2025-01-09 00:00").len(), 1);
    assert_eq!(of("2025-01-01 00:10", "2025-01-10 23:20"), []);
    assert_eq!(of("2024-12-01 00:00", "2025-03-01 00:00"), []);
}

#[test]
fn a_log_may_be_packed() {
    let log = b"time,engine_present\n2025-01-01 01:00,1\n2025-01-01 02:00,0\n";
    let packed = zstd::encode_all(&log[..], 3).unwrap();
    let start = date(2025, 1, 1).at(0, 0, 0, 0);
    assert_eq!(Logged::new(start, &packed).comes_and_goes(), [(0, false), (3600, true), (7200, false)]);
    Logged::new(start, &packed[..packed.len() - 3]).refused_for(&["log.csv", "zstd data end too early"]);
}

#[test]
fn the_problems_of_every_log_are_told() {
    let supplies = [supply(1.0, Presence::Log("a.csv".into())), supply(1.0, Presence::Log("b.csv".into()))];
    let folder = TempDir::new().unwrap();
    let got = offers(&supplies, &Load::default(), &weather(monday(), &[0.0]), 3600, &names(2), folder.path());
    assert_eq!(got.unwrap_err().len(), 2);
}

/// A schedule of a few slots.
fn slots() -> impl Strategy<Value = Schedule> {
    prop::collection::vec((0..7_usize, 0..24_u32, 0..60_u32, 1..1439_u32), 1..5).prop_filter_map("overlaps", |slots| {
        let text = slots.into_iter().map(|(day, hour, minute, length)| {
            let end = (hour * 60 + minute + length) % 1440;
            let day = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"][day];
            format!("{day} {hour:02}:{minute:02}-{:02}:{:02}", end / 60, end % 60)
        });
        text.collect::<Vec<_>>().join(" ").parse().ok()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Compared with the slow way, which asks every rule about every minute of the season.
    #[test]
    fn every_minute_offers_what_the_rules_say(
        engine in slots(),
        scheduled in slots(),
        sun in prop::collection::vec(prop_oneof![Just(0.0), 0.0..900.0_f64], 24..240),
        log in prop::collection::vec((1..2000_i64, any::<bool>()), 2..40),
        log_from in -3000..3000_i64,
        start_minute in 0..20_160_i64,
    ) {
        let start = monday().saturating_add(SignedDuration::from_mins(start_minute));
        let mut at = log_from;
        let rows: Vec<(i64, bool)> = log.into_iter().map(|(step, on)| { at += step; (at, on) }).collect();
        let text: Vec<String> = rows.iter().map(|&(minute, on)| {
            format!("{},{}\n", start.saturating_add(SignedDuration::from_mins(minute)), u8::from(on))
        }).collect();
        let folder = TempDir::new().unwrap();
        fs::write(folder.path().join("log.csv"), format!("time,solar_present\n{}", text.concat())).unwrap();

        let weather = weather(start, &sun);
        let minutes = i64::try_from(sun.len()).unwrap() * 60;
        let supplies = [
            supply(350.0, Presence::Weekly(engine.clone())),
            supply(400.0, Presence::Sun { at_least_w_m2: 100.0 }),
            supply(600.0, Presence::Log("log.csv".into())),
        ];
        let load = Load { constant_w: 3.0, scheduled: Some((40.0, scheduled.clone())) };
        let got = offers(&supplies, &load, &weather, minutes * 60, &names(3), folder.path());
        let (first, last) = (rows[0].0, rows[rows.len() - 1].0);
        if first >= minutes || last <= 0 {
            prop_assert!(got.is_err());
            return Ok(());
        }
        let (got, _) = got.unwrap();
        prop_assert_eq!(got[0].at_s, 0);
        for pair in got.windows(2) {
            prop_assert!(pair[0].at_s < pair[1].at_s && pair[1].at_s < minutes * 60);
            prop_assert_ne!(Offer { at_s: 0, ..pair[0] }, Offer { at_s: 0, ..pair[1] });
        }
        for minute in 0..minutes {
            let now = start.saturating_add(SignedDuration::from_mins(minute));
            let of_week = u32::try_from(i64::from(now.weekday().to_monday_zero_offset()) * 1440).unwrap()
                + u32::try_from(now.hour()).unwrap() * 60 + u32::try_from(now.minute()).unwrap();
            let irradiance = sun[usize::try_from(minute / 60).unwrap()];
            let logged = minute < last && rows.iter().rev().find(|&&(at, _)| at <= minute).is_some_and(|&(_, on)| on);
            let engine_w = if engine.is_on(of_week) { 350.0 } else { 0.0 };
            // Below its threshold the sun does not count as present, but gives its power.
            let given = [
                (engine_w > 0.0, engine_w),
                (irradiance >= 100.0, 0.4 * irradiance),
                (logged, if logged { 600.0 } else { 0.0 }),
            ];
            let here = got.iter().rev().find(|offer| offer.at_s <= minute * 60).unwrap();
            for (index, (is_present, given_w)) in given.into_iter().enumerate() {
                prop_assert_eq!(here.sources.contains(index), is_present, "source {} in minute {}", index, minute);
                prop_assert!((here.power_w[index] - given_w).abs() < 1e-9);
            }
            prop_assert_eq!(here.load_w, if scheduled.is_on(of_week) { 43.0 } else { 3.0 });
        }
    }
}
