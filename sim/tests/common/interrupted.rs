//! A command that its user interrupts.

use super::common::Run;
use super::signals::heeding_signals;
use forewarm::emulate::patience::Patience;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Runs `forewarm` with `arguments`, and interrupts it once it has had this much processor time.
pub(crate) fn interrupted(arguments: &[&str], after: Duration) -> Run {
    let child = heeding_signals(env!("CARGO_BIN_EXE_forewarm"))
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    let mut wait = Patience::with_process(child.id(), after).begin();
    while !wait.is_over() {
        std::thread::sleep(Duration::from_millis(10));
    }
    let interrupt = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill");
    assert!(interrupt.success());
    let output = child.wait_with_output().expect("the command ends");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Run {
        status: output.status.code().expect("the command ends by itself"),
        stdout: text(&output.stdout),
        stderr: text(&output.stderr),
    }
}
