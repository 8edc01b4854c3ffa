//! Reads rows and fills in their empty cells on a thread of its own, a few batches ahead of their user.
//!
//! Side by side, reading a dense log and stepping through it take as long as the slower of the two, which is stepping.

use super::fill::Filler;
use super::rows::{Next, Row, Rows};
use crate::csv_text::lines::LineError;
use std::io::Read;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

/// Rows in a batch: some 200 µs of work, so that waking the other thread hardly counts, and 250 KiB, which fit a cache.
const ROWS: usize = 2048;
/// Batches that may wait.
const WAITING: usize = 4;

/// Where the rows come out.
pub(super) struct Batches {
    full: Receiver<Vec<Row>>,
    empty: Sender<Vec<Row>>,
}

/// The thread's end.
pub(super) struct Ahead {
    batch: Vec<Row>,
    full: SyncSender<Vec<Row>>,
    empty: Receiver<Vec<Row>>,
}

/// Both ends.
pub(super) fn ahead() -> (Ahead, Batches) {
    let (full, full_out) = sync_channel(WAITING);
    let (empty, empty_out) = channel();
    let batch = Vec::with_capacity(ROWS);
    (Ahead { batch, full, empty: empty_out }, Batches { full: full_out, empty })
}

/// Why reading ended before the end of the log.
#[derive(Debug)]
pub(super) enum Ended {
    /// The log is no text with lines.
    Line(LineError),
    /// A row cannot be used, and the user asked to stop there.
    Rejected,
    /// A row is written in another way than those before it.
    Contradicted,
}

/// Why the thread stops before the end of the log.
enum Stop {
    Ended(Ended),
    /// Nobody wants more rows. Whoever wanted them knows why.
    Unwanted,
}

impl Ahead {
    /// Reads `rows` to the end, to the first unusable row under `strict`, or until nobody wants more.
    pub(super) fn read<R: Read>(mut self, rows: &mut Rows<R>, filler: &mut Filler, strict: bool) -> Result<(), Ended> {
        match self.read_all(rows, filler, strict) {
            Ok(()) | Err(Stop::Unwanted) => Ok(()),
            Err(Stop::Ended(ended)) => Err(ended),
        }
    }

    fn read_all<R: Read>(&mut self, rows: &mut Rows<R>, filler: &mut Filler, strict: bool) -> Result<(), Stop> {
        let mut row = Row::new(0);
        loop {
            match rows.next_row(&mut row).map_err(|error| Stop::Ended(Ended::Line(error)))? {
                Next::Row => filler.take(row, |row| self.put(row))?,
                Next::Rejected if strict => return Err(Stop::Ended(Ended::Rejected)),
                Next::Rejected => {}
                Next::Contradicts => return Err(Stop::Ended(Ended::Contradicted)),
                Next::End => break,
            }
        }
        while let Some(row) = filler.flush() {
            self.put(row)?;
        }
        self.hand_over()
    }

    #[inline]
    fn put(&mut self, row: Row) -> Result<(), Stop> {
        self.batch.push(row);
        if self.batch.len() < ROWS { Ok(()) } else { self.hand_over() }
    }

    fn hand_over(&mut self) -> Result<(), Stop> {
        let mut next = self.empty.try_recv().unwrap_or_else(|_| Vec::with_capacity(ROWS));
        next.clear();
        self.full.send(std::mem::replace(&mut self.batch, next)).map_err(|_| Stop::Unwanted)
    }
}

impl Batches {
    /// The next batch; `None` once the log is over.
    pub(super) fn next(&self) -> Option<Vec<Row>> {
        self.full.recv().ok()
    }

    /// Gives a batch back to be filled again.
    pub(super) fn reuse(&self, batch: Vec<Row>) {
        // The thread may have ended already.
        let _ = self.empty.send(batch);
    }
}
