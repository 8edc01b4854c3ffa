//! `forewarm replay`: what it makes of logs and targets that are not as they should be. Each is an error that says where and
//! what to do, with nothing half written.

mod replay_kit;
#[path = "common/signals.rs"]
mod signals;

use proptest::prelude::*;
use replay_kit::{Folder, INSTALLATION, log, swing, thousandths};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::process::Stdio;

const HEADER: &str = "t_s,low_c,high_c";

fn good() -> String {
    log(HEADER, 61, 60, |t, _| thousandths(swing(t)))
}

/// Options that ask for every file there is.
const FILES: [&str; 4] = ["--timeline", "out.csv", "--plot", "out.svg"];

/// The log is refused with `status`, in words that hold `words`; and no file is written.
#[track_caller]
fn refused(text: impl AsRef<[u8]>, options: &[&str], status: i32, words: &[&str]) {
    let bench = Folder::new();
    bench.replay(&text, &[&FILES[..], options].concat()).refuses(status, words);
    assert_eq!(bench.names(), ["bank.toml", "log.csv"]);
    // The standard input is no different.
    let name = |word: &&str| word.replace("log.csv", "standard input");
    let words: Vec<_> = words.iter().map(name).collect();
    bench.pipe(text.as_ref(), options).refuses(status, &words.iter().map(String::as_str).collect::<Vec<_>>());
}

#[test]
fn an_empty_log_is_refused() {
    refused("", &[], 1, &["log.csv: is empty"]);
    refused("# only a comment\n\n", &[], 1, &["log.csv: is empty"]);
}

#[test]
fn a_log_of_a_header_only_is_refused() {
    refused(format!("{HEADER}\n"), &[], 1, &["log.csv: has a header row and no rows"]);
    refused(HEADER, &[], 1, &["log.csv: has a header row and no rows"]);
}

#[test]
fn a_log_without_a_header_is_refused() {
    refused("0,12.0,12.1\n60,12.0,12.1\n", &[], 1, &["log.csv:1:1", "numbers where the names"]);
}

#[test]
fn another_delimiter_is_named() {
    for (sign, option) in [(';', "--delimiter ';'"), ('\t', "--delimiter tab"), ('|', "--delimiter '|'")] {
        let text = good().replace(',', &sign.to_string());
        if sign == '|' {
            refused(&text, &[], 1, &["log.csv:1:1", option]);
        } else {
            assert_eq!(Folder::new().json(&text, &[])["rows_read"], 61);
            refused(&text, &["--delimiter", ","], 1, &["log.csv:1:1", option]);
        }
        let bench = Folder::new();
        let given = option.split_once(' ').unwrap().1.trim_matches('\'');
        assert_eq!(bench.json(&text, &["--delimiter", given])["rows_read"], 61);
    }
    refused(good(), &["--delimiter", ";"], 1, &["log.csv:1:1", "--delimiter ','"]);
    assert_eq!(Folder::new().replay(good(), &["--delimiter", "abc"]).status(), 2);
}

#[test]
fn a_byte_order_mark_line_ends_quotes_and_comments_change_nothing() {
    let bench = Folder::new();
    let plain = bench.json(good(), &[]);
    let mark = [&b"\xEF\xBB\xBF"[..], good().as_bytes()].concat();
    let crlf = good().replace('\n', "\r\n");
    let quoted =
        good().replace("t_s,low_c", "\"t_s\",\"low_c\"").replace("\n60,", "\n# a comment, with commas\n\"60\",");
    let unended = good().trim_end().to_owned();
    for text in [mark, crlf.into(), quoted.into(), unended.into()] {
        assert_eq!(bench.json(text, &[])["events"], plain["events"]);
    }
}

#[test]
fn nul_bytes_are_refused_with_their_line() {
    refused(good().replace("\n120,", "\n12\0,"), &[], 2, &["log.csv:4:1", "NUL byte"]);
}

#[test]
fn a_binary_file_is_refused() {
    refused(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\x01", &[], 2, &["log.csv:1:1", "not a CSV text"]);
    let noise: Vec<_> = (0..100_000_u32).map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()[1] | 1).collect();
    refused(noise, &[], 2, &["log.csv:1:1", "not a CSV text"]);
    refused(b"\xFF\xFEt\0_\0s\0", &[], 2, &["log.csv:1:1", "UTF-16"]);
}

#[test]
fn a_line_of_200_megabytes_is_refused_long_before_its_end() {
    for start in ["", &good()] {
        let bench = Folder::new();
        let mut command = bench.command("-", &FILES);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(start.as_bytes()).unwrap();
        let piece = vec![b'7'; 1 << 20];
        let written = (0..200).take_while(|_| stdin.write_all(&piece).is_ok()).count();
        drop(stdin);
        let line = if start.is_empty() { "standard input:1:1" } else { "standard input:63:1" };
        replay_kit::Ran(child.wait_with_output().unwrap()).refuses(2, &[line, "longer than 1 MiB"]);
        assert!(written < 5, "{written} MiB were read of it");
        assert_eq!(bench.names(), ["bank.toml"]);
    }
}

#[test]
fn a_folder_or_a_missing_file_is_refused() {
    let bench = Folder::new();
    fs::create_dir(bench.path("logs")).unwrap();
    bench.run("logs", &FILES).refuses(2, &["logs: is a folder"]);
    bench.run("none.csv", &FILES).refuses(2, &["none.csv: does not exist"]);
    assert_eq!(bench.names(), ["bank.toml", "logs"]);
}

#[test]
fn an_existing_target_is_kept_unless_force_is_given() {
    for name in ["out.csv", "out.svg"] {
        let bench = Folder::new();
        bench.write(name, "precious");
        bench.replay(good(), &FILES).refuses(2, &[name, "exists already", "--force"]);
        assert_eq!(bench.read(name), "precious");
        assert_eq!(bench.names().len(), 3);
        // A log that fails leaves it alone even then.
        bench.replay("t_s,low_c,high_c\n0,x,x\n", &[&FILES[..], &["--force"]].concat()).refuses(1, &["log.csv:2:1"]);
        assert_eq!(bench.read(name), "precious");
        assert_eq!(bench.replay(good(), &[&FILES[..], &["--force"]].concat()).status(), 0);
        assert_ne!(bench.read(name), "precious");
        assert_eq!(bench.names(), ["bank.toml", "log.csv", "out.csv", "out.svg"]);
    }
}

#[cfg(unix)]
#[test]
fn no_option_makes_an_input_the_output() {
    let bench = Folder::new();
    bench.write("log.svg", good());
    fs::hard_link(bench.path("log.svg"), bench.path("hard.svg")).unwrap();
    std::os::unix::fs::symlink("log.svg", bench.path("soft.svg")).unwrap();
    let before = bench.names();
    for force in [&["--force"][..], &[]] {
        for name in ["log.svg", "./log.svg", "hard.svg", "soft.svg", "bank.toml"] {
            for option in ["--timeline", "--plot"] {
                if option == "--plot" && name == "bank.toml" {
                    continue;
                }
                let options = [&[option, name][..], force].concat();
                bench
                    .run("log.svg", &options)
                    .refuses(2, &[&format!("{name}: is an input of this command"), "another name"]);
                let mut command = bench.command("-", &options);
                command.stdin(fs::File::open(bench.path("log.svg")).unwrap());
                replay_kit::Ran(command.output().unwrap())
                    .refuses(2, &[&format!("{name}: is an input of this command")]);
            }
        }
    }
    assert_eq!(bench.names(), before);
    assert_eq!((bench.read("log.svg"), bench.read("bank.toml")), (good(), INSTALLATION.to_owned()));
}

#[cfg(unix)]
#[test]
fn two_results_never_go_to_one_file() {
    let bench = Folder::new();
    bench.write("log.csv", good());
    bench.write("old.svg", "precious");
    std::os::unix::fs::symlink("old.svg", bench.path("link.svg")).unwrap();
    fs::create_dir(bench.path("sub")).unwrap();
    let before = bench.names();
    for (timeline, plot) in
        [("out.svg", "out.svg"), ("./out.svg", "out.svg"), ("sub/../out.svg", "out.svg"), ("old.svg", "link.svg")]
    {
        let options = ["--timeline", timeline, "--plot", plot, "--force"];
        bench.run("log.csv", &options).refuses(2, &["command line: --timeline and --plot name one file"]);
    }
    assert_eq!(bench.names(), before);
    assert_eq!(bench.read("old.svg"), "precious");
}

#[test]
fn a_target_that_cannot_be_written_is_refused_before_the_work() {
    let bench = Folder::new();
    bench.replay(good(), &["--timeline", "no/out.csv"]).refuses(2, &["no/out.csv", "folder does not exist"]);
    bench.replay(good(), &["--plot", "out.png"]).refuses(2, &["out.png", ".svg or .html"]);
    let file = bench.write("out.csv", "");
    let mut permissions = fs::metadata(&file).unwrap().permissions();
    permissions.set_readonly(true);
    fs::set_permissions(&file, permissions).unwrap();
    bench.replay(good(), &["--timeline", "out.csv", "--force"]).refuses(2, &["out.csv", "read-only"]);
    bench.replay(good(), &["--timeline", "-", "--json"]).refuses(2, &["--timeline -"]);
}

#[test]
fn a_full_disk_leaves_nothing_behind() {
    // A limit on the size of files stands for the disk. Whether the signal that comes with it is ignored makes no difference.
    let bench = Folder::new();
    bench.write("log.csv", log(HEADER, 50_000, 1, |t, _| thousandths(swing(t % 20_000))));
    for ignored in ["XFSZ", "USR2"] {
        let script = format!(
            "trap '' {ignored}; ulimit -f 200; exec {} replay bank.toml log.csv --timeline out.csv --every 1",
            env!("CARGO_BIN_EXE_forewarm")
        );
        let folder = bench.path("");
        let ran = signals::heeding_signals("bash").args(["-c", &script]).current_dir(folder).output().unwrap();
        replay_kit::Ran(ran).refuses(2, &["out.csv: cannot be written: it would be larger", "ulimit -f"]);
        assert_eq!(bench.names(), ["bank.toml", "log.csv"]);
    }
}

#[cfg(unix)]
#[test]
fn a_signal_leaves_no_file_behind_and_an_ignored_one_does_nothing() {
    use std::os::unix::process::ExitStatusExt;
    let script = format!(
        "trap '' $1; exec {} replay bank.toml - --timeline out.csv --plot out.svg",
        env!("CARGO_BIN_EXE_forewarm")
    );
    for (signal, number) in [("INT", 2), ("TERM", 15), ("HUP", 1), ("QUIT", 3)] {
        for ignored in [false, true] {
            let bench = Folder::new();
            let mut command = signals::heeding_signals("bash");
            // A signal that is ignored anyway stands for none.
            command.args(["-c", &script, "bash", if ignored { signal } else { "USR2" }]).current_dir(bench.path(""));
            let mut child = command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
            let mut stdin = child.stdin.take().unwrap();
            stdin.write_all(good().as_bytes()).unwrap();
            while !bench.names().iter().any(|name| name.starts_with(".forewarm-")) {
                // The log goes on until its rows are handed over.
                assert!(child.try_wait().unwrap().is_none(), "ended by itself");
                std::thread::yield_now();
            }
            let kill = std::process::Command::new("kill").args(["-s", signal, &child.id().to_string()]).status();
            assert!(kill.unwrap().success());
            if ignored {
                drop(stdin);
                assert_eq!(child.wait().unwrap().code(), Some(0));
                assert_eq!(bench.names(), ["bank.toml", "out.csv", "out.svg"]);
            } else {
                assert_eq!(child.wait().unwrap().signal(), Some(number));
                assert_eq!(bench.names(), ["bank.toml"]);
            }
        }
    }
}

#[test]
fn a_timeline_that_nobody_reads_ends_quietly_unless_a_picture_is_missed() {
    let bench = Folder::new();
    for hours in [1, 100] {
        // Both shorter than the buffer, where only the end of the run notices, and longer.
        bench.write("log.csv", log(HEADER, hours * 60, 60, |t, _| thousandths(swing(t % 20_000))));
        for (options, status) in [(&["--timeline", "-"][..], 0), (&["--timeline", "-", "--plot", "out.svg"], 2)] {
            let mut command = bench.command("log.csv", &[options, &["--every", "1"]].concat());
            let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
            drop(child.stdout.take());
            let ran = replay_kit::Ran(child.wait_with_output().unwrap());
            assert_eq!(ran.status(), status, "{}", ran.stderr());
            if status == 0 {
                assert_eq!(ran.stderr(), "");
            } else {
                ran.refuses(2, &["standard output: cannot be written"]);
            }
        }
    }
}

#[test]
fn a_cell_channel_without_a_column_is_refused_and_others_are_named_at_once() {
    let text = "t_s,low_c,temp\n0,1,2\n";
    refused(text, &[], 1, &["log.csv:1:1: no column for cell channel high", "--column high=COLUMN:c", "low_c, temp"]);
    refused(
        text,
        &["--column", "high=temp", "--column", "hgih=temp:c", "--source", "wind=temp>=1", "--time", "when"],
        2,
        &["unit of column temp", "--column high=temp:c", "channel \"hgih\"", "source \"wind\"", "no column \"when\""],
    );
    refused("t_s,low,high_c\n0,1,2\n", &[], 1, &["unit of column low is not known", "--column low=low:c"]);
    refused("t_s,low_c,low_ohm,high_c\n0,1,2,3\n", &[], 1, &["two columns for channel low: low_c and low_ohm"]);
    refused("t_s,low_c,low_c,high_c\n0,1,2,3\n", &[], 1, &["more than one column low_c"]);
}

#[test]
fn rows_that_cannot_be_used_are_counted_by_kind_and_the_first_are_named() {
    let text = "t_s,low_c,high_c\n0,12,12\n60,12,12\n60,13,12\n30,12,12\n120,twelve,12\n180,NaN,12\n240,inf,12\n\
                300,12\n360,12,12,12\nnoon,12,12\n420,12,12\n";
    let bench = Folder::new();
    let ran = bench.replay(text, &["--json"]);
    let result: Value = ran.json();
    assert_eq!(result["rows_read"], 11);
    assert_eq!(result["rows_rejected"], 8);
    let rejected = &result["rejected"];
    let counts = json!([
        rejected["duplicate"],
        rejected["out_of_order"],
        rejected["unparsable"],
        rejected["non_finite"],
        rejected["cell_count"]
    ]);
    assert_eq!(counts, json!([1, 1, 2, 2, 2]));
    let lines: Vec<_> =
        rejected["first"].as_array().unwrap().iter().map(|first| first["line"].as_u64().unwrap()).collect();
    assert_eq!(lines, [4, 5, 6, 7, 8]);
    for words in [
        "warning: log.csv:4:1: row not used: same time as the row before: 60 is the time of line 3 too",
        "log.csv:5:1: row not used: out of order: 30 is before line 3",
        "log.csv:6:1: row not used: unparsable: column low_c holds \"twelve\"",
        "log.csv:7:1: row not used: not finite: column low_c holds \"NaN\"",
        "3 more rows not used, 8 of 11 in all",
    ] {
        assert!(ran.stderr().contains(words), "{words}: {}", ran.stderr());
    }
    let summary = bench.run("log.csv", &[]).stdout();
    assert!(summary.contains("11, 8 of them rejected") && summary.contains("2 not finite"), "{summary}");
    // What is used is what would have been logged without them.
    let clean = bench.json("t_s,low_c,high_c\n0,12,12\n60,12,12\n420,12,12\n", &[]);
    assert_eq!(clean["events"], result["events"]);
}

#[test]
fn strict_stops_at_the_first_row_that_cannot_be_used() {
    refused("t_s,low_c,high_c\n0,12,12\n60,12,12\n60,13,12\nx,1,1\n", &["--strict"], 1, &["log.csv:4:1", "line 3 too"]);
    refused("t_s,low_c,high_c\nx,12,12\n0,12,12\n", &["--strict"], 1, &["log.csv:2:1", "holds \"x\""]);
    assert_eq!(Folder::new().json(good(), &["--strict"])["rows_rejected"], 0);
}

#[test]
fn a_log_without_a_row_that_can_be_used_is_refused_with_its_first() {
    refused(
        "t_s,low_c,high_c\n0,\"5,1\",12\n60,\"5,2\",12\n",
        &[],
        1,
        &["log.csv:2:1", "none of 2 rows", "holds \"5,1\""],
    );
}

#[test]
fn a_cell_that_cannot_be_read_is_told_with_what_would_be() {
    const DATE: &str = "a date in another form: expected a date as 2025-01-31 13:45:00";
    for (time, low, flag, words) in [
        (
            "0",
            "\"-8,0\"",
            "0",
            "column low_c holds \"-8,0\", with a decimal comma: expected a decimal point, as in -8.0",
        ),
        ("0", "cold", "0", "column low_c holds \"cold\": expected a number"),
        ("0", "\"8,0,1\"", "0", "column low_c holds \"8,0,1\": expected a number"),
        ("0", "-8,0", "0", "4 cells, the header has 3: a decimal comma"),
        ("0", "-8", "350", "column mains_present holds \"350\", not 0 or 1: --source mains=mains_present>=NUMBER"),
        ("0", "-8", "maybe", "column mains_present holds \"maybe\": expected 0 or 1"),
        ("14.13.2025 00:00:00", "-8", "0", DATE),
        ("14/14/2025 12:00:00 AM", "-8", "0", DATE),
        ("2025/01/32 00:00", "-8", "0", DATE),
        ("noon", "-8", "0", "column time holds \"noon\": expected a date"),
    ] {
        let installation = INSTALLATION.split("[[channel]]\nname = \"high\"").next().unwrap();
        let bench = Folder::new();
        bench.write("bank.toml", installation);
        let ran = bench.replay(format!("time,low_c,mains_present\n{time},{low},{flag}\n"), &[]);
        ran.refuses(1, &["log.csv:2:1", words]);
    }
}

#[test]
fn what_an_option_says_wrong_is_told_of_the_command_line_and_by_its_name() {
    for (options, words) in [
        (&["--column", "x=low_c"][..], "--column names a channel \"x\""),
        (&["--column", "low=x_c"], "no column \"x_c\", which --column names"),
        (&["--column", "low=low_c", "--column", "low=high_c"], "--column names two columns for channel low"),
        (&["--source", "x=low_c"], "--source names a source \"x\""),
        (&["--assume-source", "x"], "--assume-source names a source \"x\""),
        (&["--assume-source", "mains", "--source", "mains=low_c"], "source mains is given twice"),
        (&["--time", "x"], "no column \"x\", which --time names"),
        (&["--logged-heater", "x"], "no column \"x\", which --logged-heater names"),
    ] {
        Folder::new().replay(good(), options).refuses(2, &[&format!("error: command line: {words}")]);
    }
    Folder::new().replay(good(), &["--plot", "-"]).refuses(2, &["error: command line: --plot -"]);
}

#[test]
fn columns_that_are_not_found_are_told_without_consequences() {
    let bench = Folder::new();
    let said = bench.replay("t;s,lo,w;c\n1;0,3,4;5\n", &["--delimiter", ","]);
    said.refuses(1, &["no time column", "no column for cell channel low", "no column for cell channel high"]);
    let said = said.stderr();
    assert!(!said.contains("role cell"), "{said}");
    assert_eq!(said.matches("error: ").count(), 3, "{said}");
}

#[test]
fn a_quote_left_open_costs_its_own_row_only() {
    let text = good().replacen("\n60,", "\n60,\"", 1);
    let result = Folder::new().json(text, &[]);
    assert_eq!((&result["rows_read"], &result["rows_rejected"]), (&json!(61), &json!(1)));
}

#[test]
fn control_characters_of_a_log_do_not_reach_the_terminal() {
    let bench = Folder::new();
    let ran = bench.replay("t_s,low_c,high_c\n0,12,12\n60,\x1b[31m12,12\n", &[]);
    assert_eq!(ran.status(), 0);
    assert!(!ran.stderr().contains('\x1b') && ran.stderr().contains("\\u{1b}[31m"), "{}", ran.stderr());
}

/// Runs the library: thousands of processes would take too long.
fn replayed(log: &[u8]) -> Option<forewarm::replay::Report> {
    use forewarm::replay::{Mapping, Request, Sinks, replay};
    let installation = forewarm::installation::Installation::parse("bank.toml", INSTALLATION).unwrap();
    let request = Request {
        log: "log.csv".into(),
        delimiter: Some(b','),
        mapping: Mapping { always_present: vec!["mains".into()], ..Mapping::default() },
        step_ms: 1000,
        longest_gap_ms: Some(600_000),
        strict: false,
    };
    let sinks = Sinks { events: true, ..Sinks::default() };
    let (report, events) = replay(&installation, log, &request, sinks, &mut |_| {}).ok()?;
    let listed = serde_json::to_string_pretty(&events.unwrap().finish().unwrap()).unwrap();
    serde_json::from_str::<Value>(&listed).unwrap();
    let _ = forewarm::replay::summarise(&report);
    serde_json::to_string(&report).unwrap();
    Some(report)
}

fn sums_up(report: &forewarm::replay::Report) {
    let sum = report.charge_permitted_s + report.charge_inhibited_s + report.skipped_s;
    assert!((sum - report.span_s).abs() <= 1e-9 * report.span_s, "{sum} of {}", report.span_s);
    assert!(report.coldest_permitted_c.is_none_or(|coldest| coldest > 5.0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn no_bytes_make_it_panic(bytes: Vec<u8>, header: bool) {
        let start = if header { format!("{HEADER}\n") } else { String::new() };
        if let Some(report) = replayed(&[start.as_bytes(), &bytes].concat()) {
            sums_up(&report);
        }
    }

    #[test]
    fn no_damage_to_a_log_makes_it_panic_or_permit_charge_on_cold_cells(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
    ) {
        let mut text = good().into_bytes();
        for (place, byte) in changes {
            let place = place.index(text.len());
            text[place] = byte;
        }
        if let Some(report) = replayed(&text) {
            sums_up(&report);
        }
    }

    #[test]
    fn no_numbers_make_it_panic_or_permit_charge_on_cold_cells(
        rows in proptest::collection::vec((-1e12..1e12_f64, any::<f64>(), -60.0..60.0_f64), 1..30),
    ) {
        let mut text = format!("{HEADER}\n");
        for (t, low, high) in rows {
            writeln!(text, "{t},{low},{high}").unwrap();
        }
        if let Some(report) = replayed(text.as_bytes()) {
            sums_up(&report);
        }
    }

    #[test]
    fn of_rows_out_of_order_none_is_used(order in Just((0..61_usize).collect::<Vec<_>>()).prop_shuffle()) {
        let text = good();
        let lines: Vec<_> = text.lines().skip(1).collect();
        let mut shuffled = format!("{HEADER}\n");
        let mut kept = shuffled.clone();
        let (mut latest, mut rejected) = (None, 0);
        for index in order {
            writeln!(shuffled, "{}", lines[index]).unwrap();
            if latest.is_none_or(|latest| index > latest) {
                latest = Some(index);
                writeln!(kept, "{}", lines[index]).unwrap();
            } else {
                rejected += 1;
            }
        }
        let (shuffled, kept) = (replayed(shuffled.as_bytes()).unwrap(), replayed(kept.as_bytes()).unwrap());
        prop_assert_eq!((shuffled.rows_read, shuffled.rows_rejected), (61, rejected));
        prop_assert_eq!(shuffled.steps, kept.steps);
        prop_assert_eq!(format!("{:?}", shuffled.states), format!("{:?}", kept.states));
        prop_assert_eq!(shuffled.coldest_permitted_c, kept.coldest_permitted_c);
    }
}
