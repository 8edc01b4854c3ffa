//! What every command does where the system gives it less than usual: no thread, no room for its output, no writer to a pipe.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

mod replay_kit;
use replay_kit::{Folder, Ran};

const FOREWARM: &str = env!("CARGO_BIN_EXE_forewarm");

/// No machine has that much memory to give to one stack, so no thread starts that does not bring its own size.
const NO_THREADS: (&str, &str) = ("RUST_MIN_STACK", "1125899906842624");

fn hut() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml")
}

fn without_threads(arguments: &[&str], folder: &Path) -> Ran {
    let mut command = Command::new(FOREWARM);
    Ran(command.args(arguments).current_dir(folder).env(NO_THREADS.0, NO_THREADS.1).output().unwrap())
}

#[test]
fn small_work_starts_no_thread() {
    let (bench, hut) = (Folder::new(), hut());
    let hut = hut.to_str().unwrap();
    for arguments in [&["new", "-"][..], &["check", hut], &["plan", hut], &["table"], &["rehearse", hut]] {
        let ran = without_threads(arguments, &bench.path(""));
        assert_eq!(ran.status(), 0, "{arguments:?}: {}", ran.stderr());
    }
}

#[test]
fn a_thread_that_cannot_be_started_is_an_error_with_a_remedy() {
    let (bench, hut) = (Folder::new(), hut());
    bench.write("log.csv", "t_s,low_c,high_c\n0,1,1\n1,1,1\n");
    for arguments in [&["replay", "bank.toml", "log.csv"][..], &["rehearse", hut.to_str().unwrap(), "--trials", "2"]] {
        without_threads(arguments, &bench.path("")).refuses(2, &["system: cannot start a thread", "ulimit -u"]);
    }
}

#[test]
fn signals_that_cannot_be_watched_are_an_error_with_a_remedy() {
    // The limit does not hold for root, who becomes somebody else here: one who may not look into the folders of the build.
    let folder = tempfile::tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let forewarm = folder.path().join("forewarm");
    fs::copy(FOREWARM, &forewarm).unwrap();
    let script = format!("cd /; ulimit -u 1; exec {} rehearse -", forewarm.display());
    let id = Command::new("id").arg("-u").output().unwrap().stdout;
    let mut command = if id == b"0\n" {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "bash"]);
        command
    } else {
        Command::new("bash")
    };
    let ran = command.args(["-c", &script]).stdin(Stdio::null()).output().unwrap();
    Ran(ran).refuses(2, &["system: cannot start a thread", "ulimit -u"]);
}

#[test]
fn output_that_is_lost_is_an_error_whatever_it_is() {
    let hut = hut();
    let hut = hut.to_str().unwrap();
    let commands = ["new", "check", "plan", "rehearse", "replay", "listen", "send", "emulate", "table"];
    let helps =
        commands.iter().flat_map(|command| [vec![*command, "--help"], vec![*command, "-h"], vec!["help", *command]]);
    let results = [
        vec!["--help"],
        vec!["-h"],
        vec!["--version"],
        vec!["new", "-"],
        vec!["check", hut],
        vec!["check", hut, "--json"],
        vec!["plan", hut],
        vec!["plan", hut, "--json"],
        vec!["table"],
        vec!["table", "--json"],
    ];
    for arguments in helps.chain(results) {
        let full = fs::File::options().write(true).open("/dev/full").unwrap();
        let ran = Ran(Command::new(FOREWARM).args(&arguments).stdout(full).output().unwrap());
        assert!(ran.stderr().contains("error: standard output: cannot be written"), "{arguments:?}: {}", ran.stderr());
        ran.refuses(2, &["standard output: cannot be written"]);
    }
}

#[test]
fn help_that_nobody_reads_to_its_end_is_no_failure() {
    let mut command = Command::new(FOREWARM);
    let mut child = command.args(["replay", "--help"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let ran = Ran(child.wait_with_output().unwrap());
    assert_eq!((ran.status(), &*ran.stderr()), (0, ""));
}

fn in_a_shell(script: &str, folder: &Path) -> Output {
    let script = format!("forewarm() {{ {FOREWARM} \"$@\"; }}; {script}");
    Command::new("bash").args(["-c", &script]).current_dir(folder).stdin(Stdio::null()).output().unwrap()
}

/// Names a weather file and a source's log in an installation that is otherwise the demonstration.
fn hut_with(bench: &Folder, weather: &str) {
    let text = fs::read_to_string(hut()).unwrap();
    let named = "weather = \"weather.csv\"";
    assert!(text.contains(named));
    bench.write("hut.toml", text.replace(named, &format!("weather = \"{weather}\"")));
}

#[test]
fn a_pipe_that_nobody_writes_to_is_named_and_not_waited_for() {
    let bench = Folder::new();
    hut_with(&bench, "pipe");
    assert!(Command::new("mkfifo").arg(bench.path("pipe")).status().unwrap().success());
    std::thread::scope(|scope| {
        for script in [
            "forewarm replay bank.toml pipe",
            "forewarm check pipe",
            "forewarm rehearse hut.toml",
            "forewarm replay pipe -",
        ] {
            let folder = bench.path("");
            scope.spawn(move || ends(&Ran(in_a_shell(script, &folder)), 2, "pipe: is a pipe that nobody writes to"));
        }
    });
}

#[test]
fn a_pipe_with_a_writer_is_read_like_a_file() {
    let bench = Folder::new();
    hut_with(&bench, "pipe");
    let weather = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/weather.csv");
    bench.write("log.csv", "t_s,low_c,high_c\n0,1,1\n1,1,1\n");
    assert!(Command::new("mkfifo").arg(bench.path("pipe")).status().unwrap().success());
    for script in [
        "cat log.csv > pipe & forewarm replay bank.toml pipe",
        "forewarm replay bank.toml <(cat log.csv)",
        "forewarm replay <(cat bank.toml) <(cat log.csv)",
        "cat log.csv | forewarm replay bank.toml /dev/stdin",
        "cat bank.toml > pipe & forewarm check pipe",
        &format!("cat {} > pipe & forewarm rehearse hut.toml", weather.display()),
    ] {
        let ran = Ran(in_a_shell(script, &bench.path("")));
        assert_eq!(ran.status(), 0, "{script}: {}", ran.stderr());
    }
}

/// Fails unless the command ended with `status` and an error about `words` with a remedy; warnings may stand before it.
#[track_caller]
fn ends(ran: &Ran, status: i32, words: &str) {
    let said = ran.stderr();
    assert_eq!(ran.status(), status, "{said}");
    assert_eq!(ran.stdout(), "", "results in spite of an error");
    let error = said.split("error: ").nth(1).unwrap_or_else(|| panic!("no error in: {said}"));
    assert!(error.starts_with(words) && error.contains("\n  try: "), "{said}");
}

/// What cannot be read at all ends with status 2, whatever it should have been: nothing there, and then a folder at that place.
fn unreadable(file: &Path, holds: impl Fn(&str, i32)) {
    holds("missing", 2);
    fs::create_dir(file).unwrap();
    holds("a folder", 2);
    fs::remove_dir(file).unwrap();
}

/// Breakages of a CSV file, and the status: 1 for a text that fails a check, 2 for what is no text or cannot be read at all.
const BREAKAGES: [(&str, &[u8], i32); 10] = [
    ("empty", b"", 1),
    ("a header alone", b"HEADER\n", 1),
    ("another header", b"a,b,c\n1,2,3\n", 1),
    ("numbers for a header", b"1,2,3\n1,2,3\n", 1),
    ("only a row that is cut off", b"HEADER\n0\n", 1),
    ("only a row of no numbers", b"HEADER\nx,x,x\n", 1),
    ("binary", b"\x7fELF\x01\0\0\0\0", 2),
    ("binary after a row", b"HEADER\nROW\n\0\0\n", 2),
    ("16 bits a character", b"\xFF\xFEa\0,\0\n\0", 2),
    ("a quote that never ends", b"\"HEADER\n", 2),
];

#[test]
fn files_that_are_broken_alike_end_the_command_alike() {
    let bench = Folder::new();
    let hut = fs::read_to_string(hut()).unwrap();
    hut_with(&bench, "broken.csv");
    let weather = fs::read_to_string(bench.path("hut.toml")).unwrap();
    fs::copy(Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/weather.csv"), bench.path("weather.csv")).unwrap();
    // The first source's presence as a log has it.
    let presence = hut.find("schedule = ").map(|at| {
        let end = at + hut[at..].find('\n').unwrap();
        format!("{}log = \"broken.csv\"{}", &hut[..at], &hut[end..])
    });
    bench.write("weather.toml", weather);
    let mut kinds = vec![
        ("log", "t_s,low_c,high_c", "0,1,1", "replay bank.toml broken.csv"),
        ("weather", "time,temperature_c", "2025-01-01T00:00,1", "rehearse weather.toml"),
    ];
    if let Some(presence) = &presence {
        bench.write("presence.toml", presence);
        kinds.push(("presence", "time,engine_present", "2025-01-01T00:00,1", "rehearse presence.toml"));
    }
    assert_eq!(kinds.len(), 3, "the demonstration has a source with a schedule");
    let broken = bench.path("broken.csv");
    for (kind, header, row, call) in kinds {
        let run = || Ran(Command::new(FOREWARM).args(call.split(' ')).current_dir(bench.path("")).output().unwrap());
        let holds = |what: &str, status: i32| {
            let ran = run();
            assert_eq!(ran.status(), status, "{kind}, {what}: {}", ran.stderr());
            ends(&ran, status, "broken.csv");
        };
        unreadable(&broken, holds);
        for (what, bytes, status) in BREAKAGES {
            let replaced = |bytes: &[u8], name: &str, by: &str| -> Vec<u8> {
                match bytes.windows(name.len()).position(|window| window == name.as_bytes()) {
                    Some(at) => [&bytes[..at], by.as_bytes(), &bytes[at + name.len()..]].concat(),
                    None => bytes.to_vec(),
                }
            };
            fs::write(&broken, replaced(&replaced(bytes, "HEADER", header), "ROW", row)).unwrap();
            holds(what, status);
        }
        fs::remove_file(&broken).unwrap();
    }
}

#[test]
fn an_installation_that_is_broken_ends_every_command_alike() {
    let bench = Folder::new();
    bench.write("log.csv", "t_s,low_c,high_c\n0,1,1\n");
    let file = bench.path("broken.toml");
    let ended = |what: &str, status: i32| {
        // Errors are what `check` prints as its result.
        let checked =
            Ran(Command::new(FOREWARM).args(["check", "broken.toml"]).current_dir(bench.path("")).output().unwrap());
        assert_eq!(checked.status(), status, "check, {what}: {}", checked.stderr());
        let said = [checked.stdout(), checked.stderr()].concat();
        assert!(said.contains("error: broken.toml") && said.contains("\n  try: "), "check, {what}: {said}");
        for call in ["plan", "rehearse", "replay"] {
            let mut command = Command::new(FOREWARM);
            command.args([call, "broken.toml"]).args((call == "replay").then_some("log.csv"));
            let ran = Ran(command.current_dir(bench.path("")).output().unwrap());
            assert_eq!(ran.status(), status, "{call}, {what}: {}", ran.stderr());
            ends(&ran, status, "broken.toml");
        }
    };
    unreadable(&file, ended);
    let contents: [(&str, &[u8], i32); 6] = [
        ("empty", b"", 1),
        ("no TOML", b"[charge\n", 1),
        ("an unknown section", b"[chrage]\n", 1),
        ("a text for a number", b"[charge]\ninhibit_c = \"5\"\n", 1),
        ("binary", b"\x7fELF\x01\0\0\0\0", 2),
        ("8 bits a character", b"name = \"H\xFCtte\"\n", 2),
    ];
    for (what, bytes, status) in contents {
        fs::write(&file, bytes).unwrap();
        ended(what, status);
    }
}
