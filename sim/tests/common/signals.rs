//! Commands that are to be ended by a signal.

use std::process::Command;

/// Runs `program` with each signal that ends it doing so, also where this test itself was started with some of them ignored, as in
/// the background or under `nohup`: that is inherited, and no shell can take it back.
pub(crate) fn heeding_signals(program: &str) -> Command {
    let mut command = Command::new("env");
    command.args(["--default-signal=INT,HUP,QUIT,TERM,XFSZ", program]);
    command
}
