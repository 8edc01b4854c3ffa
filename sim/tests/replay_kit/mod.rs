//! What the replay tests share: a small installation, a folder of their own, and a run of the command.

#![allow(dead_code, reason = "each test file uses a part of it")]

use serde_json::Value;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

/// Two cells, a pad, ambient air and two sources.
pub(crate) const INSTALLATION: &str = r#"
title = "Test bank"
[charge]
inhibit_c = 5
release_c = 8
soak_min = 10
capacity_ah = 200
ceiling = [ { cell_c = 5, c_rate = 0.1 }, { cell_c = 15, c_rate = 0.5 } ]
[heater]
power_w = 100
nominal_v = 12
supply_min_v = 11
supply_max_v = 15
proof_wh = 20
proof_rise_k = 1
[[source]]
name = "mains"
budget_w = 600
obeys = "a charger that is made for this test"
[[source]]
name = "solar"
budget_w = 300
obeys = "a charger that is made for this test"
priority = 1
[bank]
spend = "never"
[[channel]]
name = "low"
role = "cell"
element = "pt100"
reference_ohm = 400
wiring = "2-wire"
lead_loop_ohm = 0.5
offset_k = 0.25
[[channel]]
name = "high"
role = "cell"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
[[channel]]
name = "pad"
role = "pad"
element = "pt1000"
reference_ohm = 4000
wiring = "3-wire"
[[channel]]
name = "air"
role = "ambient"
element = "pt1000"
reference_ohm = 4000
wiring = "4-wire"
"#;

/// A folder with the installation in it.
pub(crate) struct Folder {
    folder: TempDir,
}

impl Folder {
    pub(crate) fn new() -> Self {
        let bench = Self { folder: TempDir::new().unwrap() };
        bench.write("bank.toml", INSTALLATION);
        bench
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
        std::fs::write(self.path(name), text).unwrap();
        self.path(name)
    }

    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    /// Everything in the folder, hidden files included.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.folder.path()).unwrap();
        let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// `forewarm replay bank.toml LOG OPTIONS`, run in the folder.
    pub(crate) fn command(&self, log: impl AsRef<Path>, options: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_forewarm"));
        command.current_dir(self.folder.path()).args(["replay", "bank.toml"]).arg(log.as_ref()).args(options);
        command
    }

    pub(crate) fn run(&self, log: impl AsRef<Path>, options: &[&str]) -> Ran {
        Ran(self.command(log, options).output().unwrap())
    }

    /// The same with `text` as the log.
    pub(crate) fn replay(&self, text: impl AsRef<[u8]>, options: &[&str]) -> Ran {
        self.write("log.csv", text);
        self.run("log.csv", options)
    }

    /// The result of a replay that must succeed.
    pub(crate) fn json(&self, text: impl AsRef<[u8]>, options: &[&str]) -> Value {
        self.replay(text, &[options, &["--json"]].concat()).json()
    }

    /// The same with the log on the standard input.
    pub(crate) fn pipe(&self, text: &[u8], options: &[&str]) -> Ran {
        let mut command = self.command("-", options);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        std::thread::scope(|scope| {
            // A command that stops early closes the pipe; that is its right.
            scope.spawn(move || stdin.write_all(text));
            Ran(child.wait_with_output().unwrap())
        })
    }
}

/// A run of the command.
pub(crate) struct Ran(pub(crate) Output);

impl Ran {
    pub(crate) fn status(&self) -> i32 {
        self.0.status.code().expect("ended by a signal")
    }

    pub(crate) fn stdout(&self) -> String {
        String::from_utf8(self.0.stdout.clone()).unwrap()
    }

    pub(crate) fn stderr(&self) -> String {
        String::from_utf8(self.0.stderr.clone()).unwrap()
    }

    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        assert_eq!(self.status(), 0, "{}", self.stderr());
        serde_json::from_slice(&self.0.stdout).unwrap()
    }

    /// Fails unless the command ended with `status`, and with an error that holds each of `words` and a remedy.
    #[track_caller]
    pub(crate) fn refuses(&self, status: i32, words: &[&str]) {
        let said = self.stderr();
        assert_eq!(self.status(), status, "{said}");
        assert!(self.0.stdout.is_empty(), "results in spite of an error: {}", self.stdout());
        assert!(said.starts_with("error: ") && said.contains("\n  try: "), "{said}");
        for word in words {
            assert!(said.contains(word), "no {word:?} in: {said}");
        }
    }
}

/// A log of `rows` rows `step_s` apart, with elapsed seconds and each cell as `cell` gives it for the time and column.
pub(crate) fn log(header: &str, rows: i64, step_s: i64, cell: impl Fn(i64, &str) -> String) -> String {
    let mut text = format!("{header}\n");
    for row in 0..rows {
        let t = row * step_s;
        let cells: Vec<_> =
            header.split(',').map(|name| if name == "t_s" { t.to_string() } else { cell(t, name) }).collect();
        writeln!(text, "{}", cells.join(",")).unwrap();
    }
    text
}

/// Cell temperature of most tests, in thousandths: up through release and down through inhibit in straight lines of one
/// thousandth a second, whole at every second and bent at whole hours only.
pub(crate) fn swing(t: i64) -> i64 {
    let hour = 3600;
    let peak = 4 * hour;
    3000 + if t < peak { t } else { 2 * peak - t }
}

/// Thousandths as a decimal number.
pub(crate) fn thousandths(value: i64) -> String {
    format!("{}{}.{:03}", if value < 0 { "-" } else { "" }, value.abs() / 1000, value.abs() % 1000)
}
