//! Programs in Python that something is compared with: `tests/tools/lsoda.py` and `tests/tools/read_log.py`. They run
//! where Python and what they need are there. `FOREWARM_PYTHON` names another Python than `python3`.

use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::ffi::{OsStr, OsString};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

/// What a program says.
#[derive(Deserialize)]
#[serde(untagged)]
enum Answer<T> {
    /// What it needs and has not got.
    Missing {
        missing: String,
    },
    Found(T),
}

/// Runs one of the programs with `input`. The error says why nothing was measured.
pub(crate) fn ask<T: DeserializeOwned>(program: &str, argument: Option<&OsStr>, input: &[u8]) -> Result<T, String> {
    let python = std::env::var_os("FOREWARM_PYTHON").unwrap_or_else(|| OsString::from("python3"));
    let tools = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/tools");
    let child = Command::new(&python)
        .arg(tools.join(program))
        .args(argument)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let mut child = child.map_err(|_| format!("not measured: no {}", python.display()))?;
    // A program that misses something reads nothing.
    let _ = child.stdin.take().expect("it was piped").write_all(input);
    let output = child.wait_with_output().map_err(|error| format!("not measured: {program}: {error}"))?;
    if !output.status.success() {
        return Err(format!("not measured: {program} failed, see above"));
    }
    match serde_json::from_slice(&output.stdout) {
        Ok(Answer::Found(found)) => Ok(found),
        Ok(Answer::Missing { missing }) => Err(format!("not measured: no {missing}")),
        Err(error) => Err(format!("not measured: {program}: {error}")),
    }
}

#[derive(Deserialize)]
struct Read {
    seconds: f64,
    rows: u32,
}

/// How long pyarrow takes to read a log (s).
pub(crate) fn log_read_by_pyarrow(log: &Path, rows: u32) -> Result<f64, String> {
    let read: Read = ask("read_log.py", Some(log.as_os_str()), b"")?;
    if read.rows == rows { Ok(read.seconds) } else { Err(format!("not comparable: it reads {} rows", read.rows)) }
}
