//! `forewarm emulate` as a user runs it, as far as it goes without an image; what needs one is checked where one is built.
#![cfg(unix)]

mod common;
#[path = "common/signals.rs"]
mod signals;

use common::{Run, forewarm};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// A folder with a file that looks like an image, and an emulator that is a script.
struct Scripted {
    folder: tempfile::TempDir,
}

impl Scripted {
    fn new() -> Self {
        let bench = Self { folder: tempfile::tempdir().expect("a folder") };
        // ELF, 32 bits, least significant byte first, an executable, for ARM.
        let mut head = b"\x7fELF\x01\x01\x01".to_vec();
        head.resize(16, 0);
        head.extend([2, 0, 40, 0]);
        fs::write(bench.path("image"), head).expect("an image");
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn script(&self, text: &str) -> String {
        let path = self.path("emulator");
        fs::write(&path, format!("#!/bin/sh\n{text}\n")).expect("a script");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).expect("it may run");
        path.to_str().expect("UTF-8").to_owned()
    }

    fn emulate(&self, more: &[&str]) -> Run {
        let hut = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml");
        let image = self.path("image");
        let mut arguments = vec!["emulate", hut.to_str().expect("UTF-8")];
        if !more.contains(&"--image") {
            arguments.extend(["--image", image.to_str().expect("UTF-8")]);
        }
        arguments.extend(more);
        forewarm(&arguments)
    }

    /// Runs and is refused: status 2, nothing on the standard output, and this in the message.
    fn refused(&self, more: &[&str], said: &[&str]) {
        let run = self.emulate(more);
        assert_eq!((run.status, &*run.stdout), (2, ""), "{}", run.stderr);
        for said in said {
            assert!(run.stderr.contains(said), "no {said:?} in {}", run.stderr);
        }
    }
}

#[test]
fn an_emulator_that_is_not_installed_is_named_with_what_to_install() {
    Scripted::new().refused(
        &["--emulator", "no-such-emulator"],
        &["no-such-emulator", "not installed", "apt-get install --no-install-recommends qemu-system-arm"],
    );
}

#[test]
fn the_emulator_is_looked_for_along_the_path() {
    let bench = Scripted::new();
    let hut = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .arg("emulate")
        .arg(hut)
        .arg("--image")
        .arg(bench.path("image"))
        .env("PATH", bench.folder.path())
        .output()
        .expect("the command starts");
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{stderr}");
    assert!(stderr.contains("qemu-system-arm: the emulator is not installed"), "{stderr}");
}

#[test]
fn an_image_that_is_missing_is_named_with_the_command_that_builds_it() {
    let bench = Scripted::new();
    let missing = bench.path("nowhere");
    bench
        .refused(&["--image", missing.to_str().unwrap()], &["nowhere", "does not exist", "tests/tools/image emulated"]);
}

#[test]
fn what_is_no_image_is_refused_before_anything_runs() {
    let bench = Scripted::new();
    let emulator = bench.script(&format!("touch {}", bench.path("ran").display()));
    for (name, bytes, said) in [
        ("text", &b"#!/bin/sh\n"[..], "not an ELF file"),
        ("host", &b"\x7fELF\x02\x01\x01\0\0\0\0\0\0\0\0\0\x02\0\x3e\0"[..], "another processor"),
    ] {
        fs::write(bench.path(name), bytes).unwrap();
        let path = bench.path(name);
        bench.refused(&["--emulator", &emulator, "--image", path.to_str().unwrap()], &[name, said]);
    }
    let folder = bench.folder.path().to_str().unwrap();
    bench.refused(&["--emulator", &emulator, "--image", folder], &["is a folder"]);
    assert!(!bench.path("ran").exists());
}

#[test]
fn an_emulator_that_ends_at_once_is_told_with_its_status_and_its_own_words() {
    let bench = Scripted::new();
    let emulator = bench.script("echo 'unsupported machine type' >&2; exit 7");
    bench.refused(&["--emulator", &emulator], &["exit status: 7", "unsupported machine type"]);
}

#[test]
fn days_beyond_the_winter_and_a_step_that_is_too_long_are_refused() {
    let bench = Scripted::new();
    bench.refused(&["--days", "181"], &["--days is 181", "180"]);
    bench.refused(&["--days", "0"], &["1..=366"]);
    bench.refused(&["--step", "11"], &["--step"]);
}

#[test]
fn an_installation_that_fails_its_check_is_told_as_everywhere() {
    let bench = Scripted::new();
    let bad = bench.path("bad.toml");
    fs::write(&bad, "title = \"bad\"\n[charge]\ninhibit_c = 50\n").unwrap();
    let image = bench.path("image");
    let run = forewarm(&["emulate", bad.to_str().unwrap(), "--image", image.to_str().unwrap()]);
    assert_eq!(run.status, 1, "{}", run.stderr);
    assert!(run.stderr.contains("bad.toml"), "{}", run.stderr);
    let run = forewarm(&["emulate", "nowhere.toml"]);
    assert!(run.status == 2 && run.stderr.contains("nowhere.toml"), "{}", run.stderr);
}

#[test]
fn an_interrupt_ends_the_emulator_too_and_leaves_no_folder_behind() {
    let bench = Scripted::new();
    // One that joins nothing and stays.
    let emulator = bench.script(&format!("echo $$ > {}; exec sleep 1000", bench.path("id").display()));
    let temporary = bench.path("temporary");
    fs::create_dir(&temporary).unwrap();
    let hut = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/hut.toml");
    let mut child = signals::heeding_signals(env!("CARGO_BIN_EXE_forewarm"))
        .arg("emulate")
        .arg(hut)
        .arg("--image")
        .arg(bench.path("image"))
        .args(["--emulator", &emulator])
        .env("TMPDIR", &temporary)
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the command starts");
    let id = loop {
        match fs::read_to_string(bench.path("id")) {
            Ok(id) if id.ends_with('\n') => break id.trim().to_owned(),
            _ => std::thread::sleep(std::time::Duration::from_millis(5)),
        }
    };
    let signal = |name: &str, id: &str| std::process::Command::new("kill").args([name, id]).output().expect("kill");
    assert!(signal("-INT", &child.id().to_string()).status.success());
    let status = child.wait().expect("it ends");
    assert_eq!(std::os::unix::process::ExitStatusExt::signal(&status), Some(2), "{status}");
    assert!(!signal("-0", &id).status.success(), "the emulator still runs");
    assert_eq!(fs::read_dir(&temporary).unwrap().count(), 0);
}
