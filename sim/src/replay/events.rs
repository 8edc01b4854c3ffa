//! Every change of state, cause or output, kept for the JSON result.
//!
//! A year of a chattering sensor has more events than memory should hold. Beyond a few megabytes they go into a
//! temporary file.

use crate::diagnostic::Problem;
use crate::season::Moment;
use serde::ser::{Error, SerializeSeq};
use serde::{Serialize, Serializer};
use serde_json::value::RawValue;
use std::cell::RefCell;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Seek, Write};
use tempfile::SpooledTempFile;

/// The memory that events may take before they go into a temporary file, in bytes.
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

/// The events so far, each a line of JSON.
pub struct Events(BufWriter<SpooledTempFile>);

impl Events {
    pub(super) fn new() -> Self {
        Self(BufWriter::new(SpooledTempFile::new(IN_MEMORY)))
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
        self.append(&event).map_err(|error| Box::new(unkept(&error)))
    }

    fn append(&mut self, event: &Event) -> io::Result<()> {
        serde_json::to_writer(&mut self.0, event)?;
        self.0.write_all(b"\n")
    }

    /// All events, to be read once.
    ///
    /// # Errors
    /// Fails if the temporary file fails.
    pub fn finish(self) -> Result<Listed, Box<Problem>> {
        let file = self.0.into_inner().map_err(io::IntoInnerError::into_error);
        let rewound = file.and_then(|mut file| file.rewind().map(|()| file));
        let file = rewound.map_err(|error| Box::new(unkept(&error)))?;
        Ok(Listed(RefCell::new(BufReader::new(file))))
    }
}

fn unkept(error: &io::Error) -> Problem {
    let message = format!("events cannot be kept: {error}");
    Problem::error("the temporary folder", message).remedy("make room there, or name another in TMPDIR")
}

/// The events as a list in a result, each as it was kept, on a line of its own.
pub struct Listed(RefCell<BufReader<SpooledTempFile>>);

impl Serialize for Listed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut list = serializer.serialize_seq(None)?;
        for line in self.0.borrow_mut().by_ref().lines() {
            let event = line.and_then(|line| Ok(RawValue::from_string(line)?)).map_err(S::Error::custom)?;
            list.serialize_element(&event)?;
        }
        list.end()
    }
}

/// Milliseconds as seconds.
#[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
pub(super) fn seconds(millis: i64) -> f64 {
    millis as f64 / 1000.0
}
