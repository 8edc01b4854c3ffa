//! Running the command as a user does.
#![allow(unreachable_pub, reason = "each test binary includes this file as a module of its own")]

use std::io::Write;
use std::process::{Command, Stdio};

/// What a run left behind.
#[derive(Debug)]
pub struct Run {
    /// Exit status.
    pub status: i32,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

/// Runs `forewarm` with `arguments` and nothing on its standard input.
pub fn forewarm(arguments: &[&str]) -> Run {
    forewarm_fed(arguments, b"")
}

/// Runs `forewarm` with `arguments` and `input` on its standard input.
pub fn forewarm_fed(arguments: &[&str], input: &[u8]) -> Run {
    let mut child = Command::new(env!("CARGO_BIN_EXE_forewarm"))
        .args(arguments)
        .env_remove("CLICOLOR_FORCE")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    // A command that refuses its arguments reads nothing.
    let _ = child.stdin.take().expect("it was piped").write_all(input);
    let output = child.wait_with_output().expect("the command ends");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("messages are UTF-8");
    Run {
        status: output.status.code().expect("the command ends by itself"),
        stdout: text(output.stdout),
        stderr: text(output.stderr),
    }
}
