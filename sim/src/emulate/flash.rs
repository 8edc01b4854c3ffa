//! The board's storage. It obeys the rules of flash memory, and fails on request as flash does.
//!
//! Only an erase sets bits, always those of whole pages. A write clears the bits that are clear in its bytes.

use forewarm_rig::{Ask, mirror};

/// Bytes of a page. A page is erased whole.
pub const PAGE: usize = 2048;
/// Pages.
pub const PAGES: usize = 4;
/// Bytes that are written together. The start and the length of a write are multiples of this.
pub const UNIT: usize = 4;

const BYTES: usize = PAGE * PAGES;
const _: () = assert!(BYTES == mirror::BYTES as usize, "the board sees all of it");
const ERASED: u8 = 0xff;

/// When the power goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut {
    /// Writes and erases that still succeed.
    pub after: u64,
    /// Whether the first half of the next one succeeds too.
    pub half: bool,
}

/// What fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// The power, during a change.
    pub cut: Option<Cut>,
    /// Every read.
    pub reads: bool,
    /// Every write.
    pub writes: bool,
    /// Every erase, as on worn pages.
    pub erases: bool,
}

/// Storage.
#[derive(Clone, Debug)]
pub struct Flash {
    bytes: Box<[u8; BYTES]>,
    /// What fails from now on.
    pub faults: Faults,
    changes: u64,
}

/// The answer to the board.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Reply {
    /// Show the whole storage.
    Shown,
    Done,
    Failed,
    /// No answer, ever.
    PowerCut,
}

impl Default for Flash {
    fn default() -> Self {
        Self { bytes: Box::new([ERASED; BYTES]), faults: Faults::default(), changes: 0 }
    }
}

impl Flash {
    /// Storage that begins with `bytes` and is erased beyond.
    #[must_use]
    pub fn holding(bytes: &[u8]) -> Self {
        let mut flash = Self::default();
        for (kept, byte) in flash.bytes.iter_mut().zip(bytes) {
            *kept = *byte;
        }
        flash
    }

    /// The whole storage.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &*self.bytes
    }

    /// Writes and erases so far, with the one in which the power went.
    #[must_use]
    pub const fn changes(&self) -> u64 {
        self.changes
    }

    /// Does what is asked, or fails as set in `faults`.
    pub(super) fn answer(&mut self, ask: &Ask<'_>) -> Reply {
        match *ask {
            Ask::Show => {
                if self.faults.reads {
                    Reply::Failed
                } else {
                    Reply::Shown
                }
            }
            Ask::Write { at, bytes } => {
                let Some(range) = range(at, bytes.len()).filter(|range| is_whole(range, UNIT)) else {
                    return Reply::Failed;
                };
                self.change(self.faults.writes, bytes.len(), UNIT, |flash, done| {
                    for (kept, byte) in flash.bytes[range].iter_mut().zip(&bytes[..done]) {
                        *kept &= byte;
                    }
                })
            }
            Ask::Erase { from, to } => {
                let length = usize::try_from(to.saturating_sub(from)).unwrap_or(usize::MAX);
                let Some(range) = range(from, length).filter(|range| from <= to && is_whole(range, PAGE)) else {
                    return Reply::Failed;
                };
                self.change(self.faults.erases, length, 1, |flash, done| {
                    flash.bytes[range][..done].fill(ERASED);
                })
            }
        }
    }

    /// Makes one change to `length` bytes, or to as many whole units as there is power for.
    fn change(&mut self, fails: bool, length: usize, unit: usize, make: impl FnOnce(&mut Self, usize)) -> Reply {
        match &mut self.faults.cut {
            Some(Cut { after: 0, half }) => {
                let done = if *half { length / 2 / unit * unit } else { 0 };
                make(self, done);
                self.changes += 1;
                Reply::PowerCut
            }
            _ if fails => Reply::Failed,
            cut => {
                if let Some(cut) = cut {
                    cut.after -= 1;
                }
                make(self, length);
                self.changes += 1;
                Reply::Done
            }
        }
    }
}

/// The `length` bytes from `at` on, if storage has them.
fn range(at: u32, length: usize) -> Option<std::ops::Range<usize>> {
    let from = usize::try_from(at).ok()?;
    let to = from.checked_add(length)?;
    (to <= BYTES).then_some(from..to)
}

fn is_whole(range: &std::ops::Range<usize>, unit: usize) -> bool {
    range.start.is_multiple_of(unit) && range.end.is_multiple_of(unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_write_only_clears_bits_and_an_erase_sets_those_of_whole_pages() {
        let mut flash = Flash::default();
        assert_eq!(flash.answer(&Ask::Write { at: 8, bytes: &[0x0f, 0xff, 0, 1] }), Reply::Done);
        assert_eq!(flash.answer(&Ask::Write { at: 8, bytes: &[0xf1, 0xf0, 0xff, 3] }), Reply::Done);
        assert_eq!(flash.bytes()[7..13], [0xff, 0x01, 0xf0, 0, 1, 0xff]);
        assert_eq!(flash.answer(&Ask::Erase { from: 0, to: 2048 }), Reply::Done);
        assert_eq!(flash.bytes(), Flash::default().bytes());
        assert_eq!(flash.changes(), 3);
    }

    #[test]
    fn what_flash_cannot_do_fails_and_changes_nothing() {
        let mut flash = Flash::holding(&[0x55; BYTES]);
        for ask in [
            Ask::Write { at: 2, bytes: &[0; 4] },
            Ask::Write { at: 4, bytes: &[0; 3] },
            Ask::Write { at: 8192, bytes: &[0; 4] },
            Ask::Write { at: u32::MAX - 3, bytes: &[0; 4] },
            Ask::Erase { from: 0, to: 1024 },
            Ask::Erase { from: 1024, to: 3072 },
            Ask::Erase { from: 2048, to: 0 },
            Ask::Erase { from: 6144, to: 10_240 },
        ] {
            assert_eq!(flash.answer(&ask), Reply::Failed, "{ask:?}");
        }
        assert!(flash.bytes().iter().all(|byte| *byte == 0x55));
    }

    #[test]
    fn the_power_goes_in_the_midst_of_the_change_that_is_named() {
        for (half, kept) in [(false, [0xff; 8]), (true, [0, 0, 0, 0, 0xff, 0xff, 0xff, 0xff])] {
            let mut flash = Flash::default();
            flash.faults.cut = Some(Cut { after: 2, half });
            assert_eq!(flash.answer(&Ask::Write { at: 0, bytes: &[0; 8] }), Reply::Done);
            assert_eq!(flash.answer(&Ask::Erase { from: 4096, to: 8192 }), Reply::Done);
            assert_eq!(flash.answer(&Ask::Write { at: 16, bytes: &[0; 8] }), Reply::PowerCut);
            assert_eq!(flash.answer(&Ask::Write { at: 16, bytes: &[0; 8] }), Reply::PowerCut, "it does not come back");
            assert_eq!(flash.bytes()[16..24], kept);
        }
    }

    #[test]
    fn worn_pages_are_read_and_written_but_not_erased() {
        let mut flash = Flash::holding(&[1; 16]);
        flash.faults.erases = true;
        assert_eq!(flash.answer(&Ask::Erase { from: 0, to: 2048 }), Reply::Failed);
        assert_eq!(flash.answer(&Ask::Write { at: 0, bytes: &[0; 4] }), Reply::Done);
        assert_eq!(flash.answer(&Ask::Show), Reply::Shown);
        assert_eq!(flash.bytes()[..8], [0, 0, 0, 0, 1, 1, 1, 1]);
        flash.faults = Faults { writes: true, reads: true, ..Faults::default() };
        assert_eq!(flash.answer(&Ask::Write { at: 4, bytes: &[0; 4] }), Reply::Failed);
        assert_eq!(flash.answer(&Ask::Show), Reply::Failed);
        assert_eq!(flash.bytes()[4], 1);
    }
}
