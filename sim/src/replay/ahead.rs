//! Reads rows on a thread of its own, a few batches ahead of their user.
//!
//! Parsing a dense log and stepping through it take about the same time. Side by side they take half.

use super::rows::{Next, Row, Rows};
use crate::csv_text::lines::LineError;
use std::io::Read;
use std::sync::mpsc::{Receiver, Sender, SyncSender, TryRecvError, channel, sync_channel};

/// Rows in a batch: some 200 µs of work, so that waking the other thread hardly counts, and 250 KiB, which fit a cache.
const ROWS: usize = 2048;
/// Batches that may wait.
const WAITING: usize = 4;

/// Rows, and how far into the log they reach, in bytes.
pub(super) struct Batch {
    pub(super) rows: Vec<Row>,
    pub(super) bytes: u64,
}

/// Where the rows come out.
pub(super) struct Batches {
    full: Receiver<Batch>,
    empty: Sender<Vec<Row>>,
}

/// The thread's end.
pub(super) struct Ahead {
    full: SyncSender<Batch>,
    empty: Receiver<Vec<Row>>,
}

/// Both ends.
pub(super) fn ahead() -> (Ahead, Batches) {
    let (full, full_out) = sync_channel(WAITING);
    let (empty, empty_out) = channel();
    (Ahead { full, empty: empty_out }, Batches { full: full_out, empty })
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

impl Ahead {
    /// Reads `rows` to the end, to the first unusable row under `strict`, or until nobody wants more.
    pub(super) fn read<R: Read>(self, rows: &mut Rows<R>, strict: bool) -> Result<(), Ended> {
        loop {
            let mut batch = match self.empty.try_recv() {
                Ok(used) => used,
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => Vec::with_capacity(ROWS),
            };
            batch.clear();
            let outcome = read_batch(rows, strict, &mut batch);
            if self.full.send(Batch { rows: batch, bytes: rows.bytes() }).is_err() {
                return Ok(());
            }
            if outcome? == Next::End {
                return Ok(());
            }
        }
    }
}

/// Fills `batch`. Returns [`Next::End`] if the log is over.
fn read_batch<R: Read>(rows: &mut Rows<R>, strict: bool, batch: &mut Vec<Row>) -> Result<Next, Ended> {
    while batch.len() < ROWS {
        let mut row = Row::new(0);
        match rows.next_row(&mut row).map_err(Ended::Line)? {
            Next::Row => batch.push(row),
            Next::Rejected if strict => return Err(Ended::Rejected),
            Next::Rejected => {}
            Next::Contradicts => return Err(Ended::Contradicted),
            Next::End => return Ok(Next::End),
        }
    }
    Ok(Next::Row)
}

impl Batches {
    /// The next batch; `None` once the log is over.
    pub(super) fn next(&self) -> Option<Batch> {
        self.full.recv().ok()
    }

    /// Gives a batch back to be filled again.
    pub(super) fn reuse(&self, batch: Batch) {
        // The thread may have ended already.
        let _ = self.empty.send(batch.rows);
    }
}
