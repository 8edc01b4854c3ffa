//! What the file holds after good days and bad ones.

use super::log::{Log, Names};
use super::*;
use crate::service::testing::telemetry;
use forewarm_core::journal::Event;
use forewarm_core::quantity::Instant;
use forewarm_core::signals::{Cause, State};
use std::io::Read;
use std::path::PathBuf;

const NOON: i64 = 1_800_000_000_000;

fn identity(board: &str) -> Identity {
    Identity {
        version: "1".to_owned(),
        board: board.to_owned(),
        settings: Ok(Fingerprint::NONE),
        caution: "Mind.".to_owned(),
    }
}

fn file() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("log.sqlite");
    (folder, path)
}

fn begun(path: &Path) -> Store {
    let mut store = Store::open(path).expect("it opens");
    store.connected("here", NOON).expect("kept");
    assert_eq!(store.meet(&identity("desk"), &[]), Ok(None));
    store
}

/// The only number that a question has for an answer.
fn count(path: &Path, question: &str) -> i64 {
    Connection::open(path).and_then(|db| db.query_row(question, [], |row| row.get(0))).expect("a number")
}

fn event(number: u32, start: u32, at: u32) -> Kept {
    let event = Event {
        at: Instant::from_millis(at),
        state: State::Waiting,
        cause: Cause::CellsCold,
        heater: Relay::Open,
        charge: Relay::Open,
        full: Relay::Open,
    };
    Kept { number, start, event }
}

#[test]
fn a_row_is_kept_each_minute_and_at_each_change() {
    let (_folder, path) = file();
    let mut store = begun(&path);
    for second in (10..=600).step_by(10) {
        let mut now = telemetry(second * 1000);
        if second >= 305 {
            now.outputs.heater = Relay::Closed;
        }
        store.telemetry(i64::from(second) * 1000, &now, NOON + i64::from(second) * 1000).expect("kept");
    }
    drop(store);
    let db = Connection::open(&path).expect("it opens");
    let mut rows = db.prepare("SELECT controller_ms / 1000, because FROM telemetry ORDER BY 1").expect("a question");
    let rows: Vec<(u32, String)> = rows
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .expect("rows")
        .map(|row| row.expect("a row"))
        .collect();
    let expected = [
        (10, "first"),
        (70, "minute"),
        (130, "minute"),
        (190, "minute"),
        (250, "minute"),
        (310, "change"),
        (370, "minute"),
        (430, "minute"),
        (490, "minute"),
        (550, "minute"),
    ];
    assert_eq!(rows, expected.map(|(second, because)| (second, because.to_owned())));
}

#[test]
fn what_is_kept_comes_back_as_a_log_that_replay_reads() {
    let (_folder, path) = file();
    let mut store = begun(&path);
    let installation = crate::installation::Installation::parse("starter", &crate::installation::starter()).unwrap();
    let mut now = telemetry(10_000);
    now.readings[1] = Some(forewarm_core::quantity::Celsius::from_millidegrees(-40));
    now.state_of_charge = Some(forewarm_core::quantity::Fraction::from_per_mille(505));
    store.telemetry(10_000, &now, NOON).expect("kept");
    // Read while it is open for writing.
    let mut text = String::new();
    Log::open(&path).expect("rows").into_csv(Names::of(&installation)).read_to_string(&mut text).expect("text");
    // The check resistor has no column.
    assert_eq!(
        text,
        "time,cells_low_c,cells_high_c,plate_c,box_air_c,supply_v,bank_v,soc_pct,engine_present,mains_present,charge_line,\
         discharge_line,heater,charge\n2027-01-15T08:00:00Z,0.000,-0.040,,,12.800,,50.5,0,1,1,0,0,0\n"
    );
}

#[test]
fn what_is_no_log_is_refused_and_left_as_it_is() {
    let (folder, path) = file();
    std::fs::write(&path, "notes of somebody").expect("written");
    let refused = |path: &Path| Store::open(path).expect_err("it is no log").to_string();
    assert!(refused(&path).contains("something else"), "{}", refused(&path));
    assert_eq!(std::fs::read_to_string(&path).expect("text"), "notes of somebody");
    assert!(refused(folder.path()).contains("is a folder"));
    assert!(refused(&folder.path().join("none/log.sqlite")).contains("cannot be begun there"));

    let other = folder.path().join("other.sqlite");
    Connection::open(&other).and_then(|db| db.execute_batch("CREATE TABLE mine (a)")).expect("a database");
    let before = std::fs::read(&other).expect("bytes");
    assert!(refused(&other).contains("another program"));
    assert_eq!(std::fs::read(&other).expect("bytes"), before);

    let newer = folder.path().join("newer.sqlite");
    drop(begun(&newer));
    Connection::open(&newer).and_then(|db| db.pragma_update(None, "user_version", 2)).expect("changed");
    assert!(refused(&newer).contains("newer release"), "{}", refused(&newer));

    let damaged = folder.path().join("damaged.sqlite");
    drop(begun(&damaged));
    let mut bytes = std::fs::read(&damaged).expect("bytes");
    bytes[100..8000].fill(0xA5);
    std::fs::write(&damaged, &bytes).expect("written");
    assert!(refused(&damaged).contains("damaged"), "{}", refused(&damaged));
    assert_eq!(std::fs::read(&damaged).expect("bytes"), bytes);
    for name in ["other", "newer", "damaged"] {
        let path = folder.path().join(format!("{name}.sqlite-writer"));
        assert!(!path.exists(), "{} was left behind", path.display());
    }
}

#[test]
fn a_second_writer_is_told_and_the_next_one_goes_on() {
    let (_folder, path) = file();
    let store = begun(&path);
    let problem = Store::open(&path).expect_err("it is taken").to_string();
    assert!(problem.contains("another `forewarm listen`"), "{problem}");
    assert!(problem.contains(&format!("process {}", std::process::id())), "{problem}");
    drop(store);
    drop(Store::open(&path).expect("nobody has it"));
}

#[test]
fn a_full_disk_costs_the_rows_that_do_not_fit_and_no_others() {
    let (_folder, path) = file();
    let mut store = begun(&path);
    let pages: u32 = store.db.pragma_query_value(None, "page_count", |row| row.get(0)).expect("a number");
    store.limit_pages(pages + 1);
    let mut kept = 0;
    let mut not_kept = None;
    for minute in 1..10_000_u32 {
        match store.telemetry(i64::from(minute) * 60_000, &telemetry(minute * 60_000), NOON) {
            Ok(true) => kept += 1,
            Ok(false) => panic!("each is due"),
            Err(error) => {
                not_kept = Some(error);
                break;
            }
        }
    }
    assert!(not_kept.expect("it fills up").message.contains("no room"));
    assert!(store.events(&[event(1, 1, 1), event(2, 1, 2)], NOON).is_ok() || kept > 0);
    store.limit_pages(100_000);
    for minute in 20_000..20_010_u32 {
        assert_eq!(store.telemetry(i64::from(minute) * 60_000, &telemetry(minute * 60_000), NOON), Ok(true));
    }
    drop(store);
    assert_eq!(count(&path, "SELECT count(*) FROM telemetry"), kept + 10);
    assert_eq!(count(&path, "SELECT count(*) FROM starts"), 1);
}

#[test]
fn events_are_kept_once_and_tell_the_number_of_the_start() {
    let (_folder, path) = file();
    let mut store = begun(&path);
    let mut now = telemetry(7_000);
    (now.outputs.state, now.outputs.cause) = (State::Waiting, Cause::CellsCold);
    store.telemetry(7_000, &now, NOON).expect("kept");
    let events = [event(40, 8, 1_000), event(41, 9, 7_000)];
    assert_eq!(store.events(&events, NOON), Ok(2));
    assert_eq!(store.events(&events, NOON), Ok(0));
    let left_off = store.meet(&identity("desk"), &events).expect("known").expect("known");
    assert_eq!((left_off.start_number, left_off.controller_ms, left_off.latest_event), (Some(9), 7_000, Some(41)));
}

#[test]
fn another_controller_is_not_taken_for_the_one_that_is_known() {
    for (identity, events, is_known) in [
        (identity("desk"), vec![event(40, 8, 1_000)], true),
        (identity("desk"), vec![event(40, 8, 1_000), event(41, 9, 1_000)], true),
        (identity("desk"), vec![], true),
        (identity("shelf"), vec![event(40, 8, 1_000)], false),
        (identity("desk"), vec![event(40, 7, 1_000)], false),
        (identity("desk"), vec![event(40, 8, 1_001)], false),
        (identity("desk"), vec![event(3, 1, 1_000)], false),
    ] {
        let (_folder, path) = file();
        let mut store = begun(&path);
        store.telemetry(7_000, &telemetry(7_000), NOON).expect("kept");
        store.events(&[event(40, 8, 1_000)], NOON).expect("kept");
        let met = store.meet(&identity, &events).expect("readable");
        assert_eq!(met.is_some(), is_known, "{identity:?} {events:?}");
        store.telemetry(60_000, &telemetry(60_000), NOON + 60_000).expect("kept");
        drop(store);
        let expected = if is_known { 1 } else { 2 };
        assert_eq!(count(&path, "SELECT count(*) FROM controllers"), expected);
        assert_eq!(count(&path, "SELECT count(*) FROM starts"), expected);
    }
}
