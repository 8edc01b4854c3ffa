//! Every change of state, cause or output, kept for the JSON result.
//!
//! A year of a chattering sensor has more events than belong in memory: beyond a few megabytes they wait in a temporary file.

use crate::diagnostic::Problem;
use crate::season::Moment;
use serde::Serialize;
use std::io::{self, BufWriter, Read, Seek, Write};
use tempfile::SpooledTempFile;

/// Memory taken before the temporary file is, in bytes.
const IN_MEMORY: usize = 4 << 20;

/// One event, as it stands in the result.
#[derive(Serialize)]
struct Event {
    t_s: f64,
    state: &'static str,
    heater: bool,
    charge: bool,
    full: bool,
    cause: &'static str,
}

/// The events so far, as the inside of a JSON list.
pub struct Events {
    file: BufWriter<SpooledTempFile>,
    count: u64,
}

impl Events {
    pub(super) fn new() -> Self {
        Self { file: BufWriter::new(SpooledTempFile::new(IN_MEMORY)), count: 0 }
    }

    pub(super) fn write(&mut self, moment: &Moment<'_>) -> Result<(), Box<Problem>> {
        let event = Event {
            t_s: seconds(moment.at),
            state: moment.outputs.state.name(),
            heater: moment.heater(),
            charge: moment.charge(),
            full: moment.full(),
            cause: moment.outputs.cause.name(),
        };
        self.append(&event).map_err(|error| {
            let message = format!("events cannot be kept: {error}");
            Box::new(
                Problem::error("the temporary folder", message).remedy("make room there, or name another in TMPDIR"),
            )
        })
    }

    fn append(&mut self, event: &Event) -> io::Result<()> {
        self.file.write_all(if self.count == 0 { b"\n    " } else { b",\n    " })?;
        self.count += 1;
        Ok(serde_json::to_writer(&mut self.file, event)?)
    }

    /// Copies them, as a JSON list, to `out`.
    ///
    /// # Errors
    /// Where `out` or the temporary file fails.
    pub fn copy_to(self, out: &mut dyn Write) -> io::Result<()> {
        let mut file = self.file.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.rewind()?;
        out.write_all(b"[")?;
        let mut piece = vec![0; 1 << 16];
        loop {
            match file.read(&mut piece)? {
                0 => break,
                count => out.write_all(&piece[..count])?,
            }
        }
        out.write_all(if self.count == 0 { b"]" } else { b"\n  ]" })
    }
}

/// Milliseconds as seconds.
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
pub(super) fn seconds(millis: i64) -> f64 {
    millis as f64 / 1000.0
}
