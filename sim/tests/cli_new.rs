//! `forewarm new`: a first file, written whole or not at all.
#![allow(missing_docs)]

mod common;

use common::forewarm;
use forewarm::installation::first::{Like, QUESTIONS};
use forewarm::installation::starter;
use std::fs;

#[test]
fn the_file_it_writes_passes_the_check() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hut.toml");
    let shown = path.to_str().unwrap();
    let run = forewarm(&["new", shown]);
    assert_eq!((run.status, &*run.stdout), (0, ""));
    assert!(run.stderr.contains(&format!("{shown} is written")));
    assert_eq!(fs::read_to_string(&path).unwrap(), starter());
    let run = forewarm(&["check", shown]);
    assert_eq!(run.status, 0);
    assert!(run.stdout.starts_with(&format!("{shown}: no problems\n")), "{}", run.stdout);
}

#[test]
fn the_standard_output_carries_the_file_alone() {
    let run = forewarm(&["new", "-"]);
    assert_eq!((run.status, run.stdout, &*run.stderr), (0, starter(), ""));
}

#[test]
fn json_and_the_file_do_not_share_the_standard_output() {
    let run = forewarm(&["new", "-", "--json"]);
    assert_eq!((run.status, &*run.stdout), (2, ""));
    assert!(run.stderr.starts_with("error: --json"), "{}", run.stderr);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hut.toml");
    let run = forewarm(&["--json", "new", path.to_str().unwrap()]);
    assert_eq!((run.status, &*run.stderr), (0, ""));
    assert_eq!(serde_json::from_str::<serde_json::Value>(&run.stdout).unwrap()["file"], path.to_str().unwrap());
}

#[test]
fn a_file_that_exists_is_kept_unless_forced() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hut.toml");
    fs::write(&path, "mine").unwrap();
    let run = forewarm(&["new", path.to_str().unwrap()]);
    assert_eq!((run.status, &*run.stdout), (2, ""));
    assert!(run.stderr.contains("exists already\n  try: another name, or --force"), "{}", run.stderr);
    assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    let run = forewarm(&["new", "--force", path.to_str().unwrap()]);
    assert_eq!(run.status, 0);
    assert_eq!(fs::read_to_string(&path).unwrap(), starter());
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_target_that_cannot_be_written_is_refused_and_nothing_is_left_behind() {
    let folder = tempfile::tempdir().unwrap();
    let read_only = folder.path().join("read-only.toml");
    fs::write(&read_only, "mine").unwrap();
    let mut permissions = fs::metadata(&read_only).unwrap().permissions();
    permissions.set_readonly(true);
    fs::set_permissions(&read_only, permissions).unwrap();
    // Stands for whatever is no regular file; a device of the system is nothing to test with.
    let socket = folder.path().join("socket");
    let _listener = std::os::unix::net::UnixListener::bind(&socket).unwrap();
    for (path, said) in [
        (read_only.clone(), "is read-only"),
        (folder.path().to_owned(), "is a folder"),
        (folder.path().join("no-folder/hut.toml"), "its folder does not exist"),
        (read_only.join("hut.toml"), "part of its path is a file"),
        (socket, "is not a regular file"),
    ] {
        let run = forewarm(&["new", "--force", path.to_str().unwrap()]);
        assert_eq!((run.status, &*run.stdout), (2, ""), "{run:?}");
        assert!(run.stderr.starts_with(&format!("error: {}: ", path.display())), "{run:?}");
        assert!(run.stderr.contains(said) && run.stderr.contains("\n  try: "), "{said}: {run:?}");
    }
    assert_eq!(fs::read_to_string(&read_only).unwrap(), "mine");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[test]
fn an_example_is_written_as_it_is() {
    for like in Like::ALL {
        let run = forewarm(&["new", "-", "--like", like.name()]);
        assert_eq!((run.status, run.stdout, &*run.stderr), (0, like.text(), ""));
    }
    let run = forewarm(&["new", "-", "--like", "castle"]);
    assert_eq!((run.status, &*run.stdout), (2, ""));
    assert!(run.stderr.contains("it may be hut, boat, van, shelter"), "{}", run.stderr);
}

#[test]
fn answers_by_name_are_in_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let shown = path.to_str().unwrap();
    let run = forewarm(&["new", shown, "--like", "van", "--set", "coldest_c=-25", "--set", "title=Red van"]);
    assert_eq!((run.status, &*run.stdout), (0, ""), "{run:?}");
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains("\ntitle = \"Red van\"\n") && text.contains("\ndesign_min_c = -25\n"), "{text}");
    let run = forewarm(&["check", shown]);
    assert!(run.stdout.contains("\n\nRed van\n"), "{}", run.stdout);
}

#[test]
fn what_an_answer_leaves_to_be_looked_at_is_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let run = forewarm(&["new", path.to_str().unwrap(), "--set", "engine_w=none", "--set", "mains_w=none"]);
    assert_eq!(run.status, 0);
    assert!(run.stderr.contains("1 warning; `forewarm check` prints it"), "{}", run.stderr);
}

#[test]
fn a_refused_answer_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let run = forewarm(&["new", path.to_str().unwrap(), "--set", "batterys=3", "--set", "box_mm=1x2x3"]);
    assert_eq!((run.status, &*run.stdout), (2, ""));
    let first = "error: command line: --set has no key \"batterys\"\n  try: batteries; the keys are title, stands, ";
    assert!(run.stderr.starts_with(first), "{}", run.stderr);
    assert!(run.stderr.contains("--set box_mm=1x2x3: \"1\" is below 60 mm"), "{}", run.stderr);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn an_answer_does_not_cost_a_file_that_exists() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    fs::write(&path, "mine").unwrap();
    for more in [["--set", "batteries=3"], ["--like", "boat"]] {
        let run = forewarm(&["new", path.to_str().unwrap(), more[0], more[1]]);
        assert_eq!((run.status, &*run.stdout), (2, ""));
        assert!(run.stderr.contains("exists already"), "{}", run.stderr);
        assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    }
}

#[test]
fn questions_need_a_terminal_and_the_message_says_how_else_to_answer() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let run = forewarm(&["new", path.to_str().unwrap(), "--ask"]);
    assert_eq!((run.status, &*run.stdout), (2, ""));
    assert!(run.stderr.contains("--ask needs a terminal") && run.stderr.contains("try: --set key=value"), "{run:?}");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn the_help_lists_every_key_and_example_within_80_columns() {
    let run = forewarm(&["new", "--help"]);
    assert_eq!(run.status, 0);
    for name in QUESTIONS.iter().map(|question| question.key).chain(Like::ALL.map(Like::name)) {
        assert!(run.stdout.contains(&format!("\n  {name} ")), "{name}: {}", run.stdout);
    }
    assert!(run.stdout.lines().all(|line| line.chars().count() <= 80), "{}", run.stdout);
}
