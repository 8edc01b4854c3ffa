//! `forewarm new`: a first file, written whole or not at all.
#![allow(missing_docs)]

mod common;

use common::forewarm;
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
