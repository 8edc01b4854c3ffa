//! `forewarm listen` beside the firmware's own loop, on good lines and bad ones.
#![cfg(unix)]

mod common;
mod desk;
#[path = "common/signals.rs"]
mod signals;

use common::forewarm;
use desk::{Running, controller, hut, set_source, until};
use forewarm_core::wire::frame::decode;
use forewarm_core::wire::service::Message;
use forewarm_tests::controller::{Plug, Setup};
use rusqlite::Connection;
use std::collections::HashSet;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};

fn file() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("log.sqlite");
    (folder, path)
}

/// The only number that a question has for an answer. Zero while nothing is there to be asked.
fn number(path: &Path, question: &str) -> i64 {
    let asked = Connection::open(path).and_then(|db| {
        db.busy_timeout(std::time::Duration::from_secs(10))?;
        db.query_row(question, [], |row| row.get(0))
    });
    asked.unwrap_or(0)
}

fn shown(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

#[test]
fn each_change_is_shown_with_its_cause_and_kept_for_a_replay() {
    let controller = controller(&Setup { plug: Plug::Terminal, ..Setup::default() });
    let (_folder, path) = file();
    let mut listening = Running::start(&["listen", controller.address(), "--readings", "--keep", shown(&path)]);
    listening.until_it_says("caution: This controls an additional layer");
    listening.until_it_says(
        "waiting           -4.00 °C  refused             off     none     allows both     the cells are cold",
    );
    listening.until_it_says("  channels  1:  -4.00 °C  2:  -4.00 °C");
    set_source(&controller, 0, true);
    listening.until_it_says("warming");
    controller.change(|world| world.temperatures[1] = None);
    listening.until_it_says("faulted");
    listening.until_it_says("channel 2: more resistance than platinum can have");
    until("a few minutes are kept", || number(&path, "SELECT count(*) FROM telemetry WHERE because = 'minute'") > 3);
    assert_eq!(listening.interrupt(), 130);

    assert_eq!(number(&path, "SELECT count(*) FROM starts"), 1);
    assert!(number(&path, "SELECT count(*) FROM events") > 0);
    assert!(number(&path, "SELECT count(*) FROM totals") > 0);
    assert_eq!(number(&path, "SELECT count(*) FROM settings"), 1);
    assert!(number(&path, "SELECT good_frames FROM connections") > 0);

    let hut = hut();
    let replayed = forewarm(&["replay", shown(&hut), shown(&path)]);
    assert_eq!((replayed.status, &*replayed.stderr), (0, ""));
    assert!(replayed.stdout.contains("time (rfc3339)"), "{}", replayed.stdout);

    let csv = path.with_extension("csv");
    let exported = forewarm(&["listen", "--keep", shown(&path), "--export", shown(&csv), "--names", shown(&hut)]);
    assert_eq!((exported.status, &*exported.stdout, &*exported.stderr), (0, "", ""));
    let again = forewarm(&["replay", shown(&hut), shown(&csv)]);
    assert_eq!(again.stdout.replace(shown(&csv), "LOG"), replayed.stdout.replace(shown(&path), "LOG"));
    let refused = forewarm(&["listen", "--keep", shown(&path), "--export", shown(&csv)]);
    assert_eq!(refused.status, 2, "what exists is kept: {}", refused.stderr);

    let page = path.with_extension("html");
    let drawn = forewarm(&["replay", shown(&hut), shown(&path), "--plot", shown(&page)]);
    assert_eq!(drawn.status, 0, "{}", drawn.stderr);
    assert!(std::fs::read_to_string(page).expect("the page").contains("battery_1"));

    let boat = hut.with_file_name("boat.toml");
    let other = forewarm(&["replay", shown(&boat), shown(&path)]);
    assert_eq!(other.status, 1);
    assert!(other.stderr.contains("other channels or sources"), "{}", other.stderr);
}

#[test]
fn a_pulled_plug_noise_and_restarts_of_both_sides_are_survived() {
    let (folder, path) = file();
    let setup = Setup { storage: Some(folder.path().join("flash")), ..Setup::default() };
    let controller = controller(&setup);
    let mut listening = Running::start(&["listen", controller.address(), "--keep", shown(&path)]);
    listening.until_it_says("waiting");
    controller.unplug();
    listening.until_it_says("the line had vanished");
    set_source(&controller, 1, true);
    controller.plug();
    listening.until_it_says("nothing is known since");
    listening.until_it_says("warming");
    controller.make_noise(60);
    let before = controller.said().len();
    until("damage has come", || controller.said().len() > before + 3_000);
    controller.make_noise(0);
    controller.cut_power();
    listening.until_it_says("the controller has started again");
    listening.until_it_says("starting");
    assert_eq!(listening.stderr().matches("the line had vanished; ").count(), 0);
    assert_eq!(listening.stderr().matches("waiting for it").count(), 1, "{}", listening.stderr());
    assert_eq!(listening.interrupt(), 130);
    assert_eq!(number(&path, "SELECT count(*) FROM starts"), 2);
    assert_eq!(number(&path, "SELECT count(*) FROM gaps WHERE because = 'unplugged'"), 1);
    assert!(number(&path, "SELECT sum(damaged_frames) FROM connections") > 0);
    assert_eq!(number(&path, "SELECT count(*) FROM identities"), 1);

    // Another program goes on where this one has left off.
    let rows = number(&path, "SELECT count(*) FROM telemetry");
    let listening = Running::start(&["listen", controller.address(), "--keep", shown(&path)]);
    until("rows come", || number(&path, "SELECT count(*) FROM telemetry") > rows + 2);
    assert_eq!(listening.interrupt(), 130);
    assert_eq!(number(&path, "SELECT count(*) FROM starts"), 2, "it is the same start");
    assert_eq!(number(&path, "SELECT count(*) FROM gaps WHERE because = 'not_listening'"), 1);
    assert_eq!(number(&path, "SELECT count(*) FROM controllers"), 1);
}

#[test]
fn a_silence_is_noticed_and_its_end_too() {
    let controller = controller(&Setup { plug: Plug::Terminal, ..Setup::default() });
    let (_folder, path) = file();
    let mut listening = Running::start(&["listen", controller.address(), "--keep", shown(&path)]);
    listening.until_it_says("waiting");
    controller.unplug();
    listening.until_it_says("the controller said nothing: nothing comes over the line; waiting for it");
    let lines = listening.stdout().lines().count();
    controller.plug();
    until("it shows that it hears again", || listening.stdout().lines().count() > lines);
    assert_eq!(listening.interrupt(), 130);
    assert_eq!(number(&path, "SELECT count(*) FROM gaps WHERE because = 'silent'"), 1);
    assert_eq!(number(&path, "SELECT count(*) FROM starts"), 1, "the same start goes on");
}

#[test]
fn for_machines_each_line_is_an_object() {
    let controller = controller(&Setup::default());
    let mut listening = Running::start(&["listen", controller.address(), "--json"]);
    listening.until_it_says("\"kind\":\"totals\"");
    listening.until_it_says("\"kind\":\"telemetry\"");
    controller.cut_power();
    listening.until_it_says("\"kind\":\"restarted\"");
    let text = listening.stdout();
    assert_eq!(listening.interrupt(), 130);
    let whole = text.rsplit_once('\n').expect("lines").0;
    let mut kinds = HashSet::new();
    for line in whole.lines() {
        let object: serde_json::Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        kinds.insert(object["kind"].as_str().expect("a kind").to_owned());
        if object["kind"] == "telemetry" && object["state"] == "waiting" {
            assert_eq!(object["cause"], "no_energy");
            assert!((-4.0..-3.99).contains(&object["coldest_cell_c"].as_f64().expect("a number")));
            assert_eq!(object["heater"], false);
        }
    }
    assert!(kinds.contains("connected") && kinds.contains("event"), "{kinds:?}");
}

/// Somebody who is no controller, and says this to everybody.
fn stranger(says: &'static [u8]) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("bound");
    std::thread::spawn(move || {
        while let Ok((mut socket, _)) = listener.accept() {
            while socket.write_all(says).is_ok() && !says.is_empty() {
                std::thread::sleep(std::time::Duration::from_millis(50));
            }
            let _ = socket.read(&mut [0; 1]);
            std::thread::sleep(std::time::Duration::from_mins(1));
        }
    });
    format!("tcp:{address}")
}

#[test]
fn a_line_without_a_controller_is_named_by_what_it_carries() {
    for (says, expected) in [
        (&b""[..], "nothing came over this line"),
        (b"$SDDBT,30.9,f,9.4,M,5.1,F*35\r\n", "NMEA 0183 sentences, as $SDDBT"),
        (b"login: \r\n", "this line carries text, as login:"),
        (&[0xFF, 0x80, 0x91, 0xC0, 0xFE], "neither text nor a controller's frames"),
    ] {
        let address = stranger(says);
        let ended = forewarm(&["listen", &address]);
        assert_eq!(ended.status, 1, "{}", ended.stderr);
        assert!(ended.stderr.contains(expected) && ended.stderr.contains("  try: "), "{}", ended.stderr);
        assert_eq!(ended.stdout, "");
    }
}

#[test]
fn a_line_or_a_file_that_somebody_has_is_not_taken_from_them() {
    let controller = controller(&Setup { plug: Plug::Terminal, ..Setup::default() });
    let other = desk::controller(&Setup::default());
    let (_folder, path) = file();
    let mut listening = Running::start(&["listen", controller.address(), "--keep", shown(&path)]);
    listening.until_it_says("waiting");
    let second = forewarm(&["listen", controller.address()]);
    assert_eq!(second.status, 2);
    assert!(second.stderr.contains("is busy"), "{}", second.stderr);
    let second = forewarm(&["listen", other.address(), "--keep", shown(&path)]);
    assert_eq!(second.status, 2);
    assert!(second.stderr.contains("is being written by another `forewarm listen`"), "{}", second.stderr);
    assert_eq!(listening.interrupt(), 130);
}

#[test]
fn whenever_it_is_killed_the_file_holds_what_was_said_and_nothing_else() {
    let (folder, path) = file();
    let setup = Setup { speed: 1000, storage: Some(folder.path().join("flash")), ..Setup::default() };
    let controller = controller(&setup);
    let mut rows = 0;
    for round in 0..12 {
        let listening = Running::start(&["listen", controller.address(), "--keep", shown(&path)]);
        until("rows come", || number(&path, "SELECT count(*) FROM telemetry") > rows + 3 * round);
        listening.kill();
        assert!(number(&path, "SELECT integrity_check = 'ok' FROM pragma_integrity_check") == 1, "round {round}");
        let now = number(&path, "SELECT count(*) FROM telemetry");
        assert!(now > rows, "what was kept stays");
        rows = now;
    }
    // The moments of every telemetry that was said.
    let said = controller.said();
    let moments: HashSet<u32> = said
        .split(|&byte| byte == 0)
        .filter_map(|frame| match decode::<Message<'_>>(&mut frame.to_vec()) {
            Ok(Message::Telemetry(telemetry)) => Some(telemetry.now.as_millis()),
            _ => None,
        })
        .collect();
    let db = Connection::open(&path).expect("a file");
    let mut question = db.prepare("SELECT controller_ms FROM telemetry").expect("a question");
    let kept: Vec<u32> =
        question.query_map([], |row| row.get(0)).expect("rows").map(|row| row.expect("a row")).collect();
    assert!(kept.iter().all(|moment| moments.contains(moment)), "nothing is invented");
    assert_eq!(kept.iter().collect::<HashSet<_>>().len(), kept.len(), "no moment is kept twice");
}

#[test]
fn on_a_full_disk_it_goes_on_and_counts_what_it_could_not_keep() {
    let controller = controller(&Setup { speed: 1000, ..Setup::default() });
    let (_folder, path) = file();
    let arguments = ["listen", controller.address(), "--keep", shown(&path)];
    let mut listening = Running::start_with_small_files(600, &arguments);
    listening.until_it_says("its disk does not take it");
    set_source(&controller, 0, true);
    listening.until_it_says("warming");
    assert_eq!(listening.interrupt(), 130);
    assert_eq!(number(&path, "SELECT integrity_check = 'ok' FROM pragma_integrity_check"), 1);
    assert!(number(&path, "SELECT count(*) FROM telemetry") > 0);
}

#[test]
fn who_does_not_read_ends_it_without_an_error() {
    let controller = controller(&Setup::default());
    let address = controller.address().to_owned();
    let script = format!("\"$1\" listen {address} | head -n 1");
    let shell = std::process::Command::new("sh")
        .args(["-c", &script, "sh", env!("CARGO_BIN_EXE_forewarm")])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn();
    let mut shell = shell.expect("a shell");
    // The next change finds nobody.
    let mut is_present = false;
    until("it has ended", || {
        is_present = !is_present;
        set_source(&controller, 0, is_present);
        shell.try_wait().expect("a child").is_some()
    });
    let run = shell.wait_with_output().expect("it has ended");
    assert!(String::from_utf8_lossy(&run.stdout).starts_with("time (UTC)"));
    assert!(!String::from_utf8_lossy(&run.stderr).contains("error"));
}
