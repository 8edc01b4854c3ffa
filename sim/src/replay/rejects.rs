//! Rows that were not used: counted by what is wrong with them, with the first few in detail.

use serde::Serialize;

/// What is wrong with a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// It is earlier than the row before it.
    OutOfOrder,
    /// It has the time of the row before it.
    Duplicate,
    /// A cell that the replay uses is no time, no number or no flag.
    Unparsable,
    /// A cell that the replay uses is NaN or infinite.
    NonFinite,
    /// It has more or fewer cells than the header.
    CellCount,
}

impl Fault {
    /// Every fault.
    pub const ALL: [Self; 5] = [Self::OutOfOrder, Self::Duplicate, Self::Unparsable, Self::NonFinite, Self::CellCount];

    /// A stable name for files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::OutOfOrder => "out_of_order",
            Self::Duplicate => "duplicate",
            Self::Unparsable => "unparsable",
            Self::NonFinite => "non_finite",
            Self::CellCount => "cell_count",
        }
    }

    /// A few words for a person.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::OutOfOrder => "out of order",
            Self::Duplicate => "same time as the row before",
            Self::Unparsable => "unparsable",
            Self::NonFinite => "not finite",
            Self::CellCount => "wrong number of cells",
        }
    }
}

/// A row that was not used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Reject {
    /// Its line in the log.
    pub line: u64,
    /// What is wrong with it.
    pub kind: Fault,
    /// The same in detail, for a person.
    pub detail: String,
}

/// Rows that were not used: how many of each kind, and the first few.
#[derive(Clone, Debug, Default)]
pub struct Rejects {
    counts: [u64; Fault::ALL.len()],
    /// The first five.
    pub first: Vec<Reject>,
}

/// How many rejected rows the report lists one by one.
const NAMED: usize = 5;

impl Rejects {
    /// How many rows have this fault.
    #[must_use]
    pub fn count(&self, kind: Fault) -> u64 {
        self.counts[kind as usize]
    }

    /// How many rows were not used.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.counts.iter().sum()
    }

    pub(super) fn add(&mut self, line: u64, kind: Fault, detail: impl FnOnce() -> String) {
        self.counts[kind as usize] += 1;
        if self.first.len() < NAMED {
            self.first.push(Reject { line, kind, detail: detail() });
        }
    }
}
