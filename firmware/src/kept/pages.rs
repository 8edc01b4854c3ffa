//! The pages of the storage as the map sees them: shorter than they are, because each carries marks that the map knows nothing of.
//!
//! ```text
//! page = doomed, what the map sees, used, cleared, doomed
//! ```
//!
//! An erase that loses power leaves a page in any state, also one that the map takes for a page in use. So a page is marked as
//! doomed before it is erased, at both its ends, and is erased again at the next start where a mark is left. Every other word of
//! the page can be anything by then.
//!
//! What is written is read back here, so that the map never erases a page whose content did not arrive elsewhere.

use embedded_storage::nor_flash::NorFlash;
use embedded_storage_async::nor_flash as waiting;

/// Bytes compared at a time, and the longest word that the map can deal with.
const CHUNK: usize = 32;

/// A mark has this many bytes, or a word if that is longer: no few bits that flip make a mark or unmake it.
const MARK: usize = 16;

/// Zero bits from which on a page is doomed. The map takes a page for used from four on, in fewer bytes than the two marks have:
/// a page whose erase was interrupted is seen as such well before it is seen as used.
const DOOMED_FROM: u32 = 4;

/// Zero bits from which on a mark stands that does not stand twice.
const HALF_A_MARK: u32 = 64;

/// Why a page is not as it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trouble {
    /// The storage says no, or does not take what is written or erased.
    Device,
    /// Something stands already where a value is to be written.
    Occupied,
    /// The map asks for what no page has.
    Bounds,
}

impl waiting::NorFlashError for Trouble {
    fn kind(&self) -> waiting::NorFlashErrorKind {
        match self {
            Self::Device | Self::Occupied => waiting::NorFlashErrorKind::Other,
            Self::Bounds => waiting::NorFlashErrorKind::OutOfBounds,
        }
    }
}

/// The marks of a page.
#[derive(Clone, Copy)]
enum Mark {
    /// It is to be erased, whatever else it says. At the start of the page.
    DoomedAtStart,
    /// It has been in use: an empty storage with this mark was not always empty.
    Used,
    /// On the last page: all pages are to be erased.
    Cleared,
    /// It is to be erased. At the end of the page.
    DoomedAtEnd,
}

/// The storage with its marks.
pub(super) struct Pages<S> {
    storage: S,
    /// By page, those that are doomed and cannot be erased; the map sees them empty. Beyond the 32nd none is hidden.
    hidden: u32,
    /// Whether the storage has failed to read.
    unread: bool,
}

impl<S: NorFlash> Pages<S> {
    const WORD: usize = if S::WRITE_SIZE > S::READ_SIZE { S::WRITE_SIZE } else { S::READ_SIZE };
    const MARK_SIZE: usize = MARK.next_multiple_of(Self::WORD);
    /// Bytes of a page that the map sees; none where pages are too small.
    pub(super) const SEEN: usize = S::ERASE_SIZE.saturating_sub(4 * Self::MARK_SIZE);

    pub(super) const fn new(storage: S) -> Self {
        Self { storage, hidden: 0, unread: false }
    }

    /// Whether pages and words have sizes that can be dealt with.
    pub(super) const fn is_fit() -> bool {
        Self::WORD <= CHUNK && Self::SEEN > 0
    }

    fn count(&self) -> u32 {
        let capacity = u32::try_from(self.storage.capacity()).unwrap_or(u32::MAX);
        capacity.checked_div(size(S::ERASE_SIZE)).unwrap_or(0)
    }

    /// Bytes that the map sees in all.
    pub(super) fn seen(&self) -> u32 {
        self.count() * size(Self::SEEN)
    }

    /// Whether a read has failed so far.
    pub(super) const fn is_unread(&self) -> bool {
        self.unread
    }

    /// Finishes every erase that was interrupted.
    pub(super) fn finish(&mut self) -> Result<(), Trouble> {
        let pages = self.count();
        if let Some(last) = pages.checked_sub(1)
            && self.is_cleared(last)?
        {
            return self.clear();
        }
        // One page that cannot be erased does not keep the others from it.
        let mut done = Ok(());
        for page in 0..pages {
            if self.is_doomed(page)? {
                done = done.and(self.erase_page(page));
            }
        }
        done
    }

    /// Erases everything; interrupted, it is finished at the next start. At no moment does the storage look as if it had never
    /// been used.
    pub(super) fn clear(&mut self) -> Result<(), Trouble> {
        let Some(last) = self.count().checked_sub(1) else { return Err(Trouble::Bounds) };
        if !self.is_cleared(last)? {
            match self.set(last, Mark::Cleared) {
                // What stands there instead is nothing that was ever written here. Interrupted, some of it may be left.
                Ok(()) | Err(Trouble::Occupied) => {}
                Err(trouble) => return Err(trouble),
            }
        }
        (0..=last).try_for_each(|page| self.erase_page(page))
    }

    /// Whether the storage has never held anything: nothing is written but what fits into `start` bytes of the first page.
    pub(super) fn is_virgin(&mut self, start: usize) -> Result<bool, Trouble> {
        for page in 0..self.count() {
            let from = if page == 0 { start.next_multiple_of(Self::WORD) } else { 0 };
            if !self.is_blank(page, from, S::ERASE_SIZE)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Makes sure that the storage will never be taken for a new one.
    pub(super) fn mark_used(&mut self) -> Result<(), Trouble> {
        if self.zeros(0, Mark::Used)? < HALF_A_MARK { self.set(0, Mark::Used) } else { Ok(()) }
    }

    fn is_doomed(&mut self, page: u32) -> Result<bool, Trouble> {
        Ok(self.zeros(page, Mark::DoomedAtStart)? + self.zeros(page, Mark::DoomedAtEnd)? >= DOOMED_FROM)
    }

    fn is_cleared(&mut self, last: u32) -> Result<bool, Trouble> {
        let bytes = self.read_mark(last, Mark::Cleared)?.into_iter();
        Ok(bytes.filter(|&byte| byte == Self::byte(Mark::Cleared)).nth(MARK / 2).is_some())
    }

    fn erase_page(&mut self, page: u32) -> Result<(), Trouble> {
        let erased = self.try_erase_page(page);
        let bit = 1_u32.checked_shl(page).unwrap_or(0);
        match erased {
            Ok(()) => self.hidden &= !bit,
            Err(_) => self.hidden |= bit,
        }
        erased
    }

    fn try_erase_page(&mut self, page: u32) -> Result<(), Trouble> {
        let is_doomed = self.is_doomed(page)?;
        for mark in [Mark::DoomedAtStart, Mark::DoomedAtEnd] {
            // Also the one that an interrupted erase has taken: the next one might take the other.
            if self.zeros(page, mark)? < HALF_A_MARK {
                let set = self.set(page, mark);
                // Some flash does not let a mark be completed. Erasing goes on all the same.
                if !is_doomed {
                    set?;
                }
            }
        }
        let from = page * size(S::ERASE_SIZE);
        self.storage.erase(from, from + size(S::ERASE_SIZE)).map_err(|_| Trouble::Device)?;
        if !self.is_blank(page, 0, S::ERASE_SIZE)? {
            return Err(Trouble::Device);
        }
        self.set(page, Mark::Used)
    }

    fn place(mark: Mark) -> usize {
        let from_end = match mark {
            Mark::DoomedAtStart => return 0,
            Mark::Used => 3,
            Mark::Cleared => 2,
            Mark::DoomedAtEnd => 1,
        };
        S::ERASE_SIZE - from_end * Self::MARK_SIZE
    }

    /// What a mark is made of. An erase that begins by levelling all cells leaves zeros everywhere, which must not clear all pages.
    const fn byte(mark: Mark) -> u8 {
        match mark {
            Mark::DoomedAtStart | Mark::Used | Mark::DoomedAtEnd => 0,
            Mark::Cleared => 0x5A,
        }
    }

    fn set(&mut self, page: u32, mark: Mark) -> Result<(), Trouble> {
        let at = page * size(S::ERASE_SIZE) + size(Self::place(mark));
        let bytes = [Self::byte(mark); CHUNK];
        self.put(at, bytes.get(..Self::MARK_SIZE).ok_or(Trouble::Bounds)?)
    }

    fn read_mark(&mut self, page: u32, mark: Mark) -> Result<[u8; CHUNK], Trouble> {
        let mut bytes = [0xFF; CHUNK];
        let room = bytes.get_mut(..Self::MARK_SIZE).ok_or(Trouble::Bounds)?;
        self.get(page * size(S::ERASE_SIZE) + size(Self::place(mark)), room)?;
        Ok(bytes)
    }

    fn zeros(&mut self, page: u32, mark: Mark) -> Result<u32, Trouble> {
        Ok(self.read_mark(page, mark)?.iter().map(|byte| byte.count_zeros()).sum())
    }

    /// Whether every bit of `page` from byte `from` to before `to` is set.
    fn is_blank(&mut self, page: u32, from: usize, to: usize) -> Result<bool, Trouble> {
        let mut bytes = [0; CHUNK];
        let mut at = from;
        while at < to {
            // A word divides all of `from`, `to` and the longest multiple of it.
            let length = (CHUNK / Self::WORD * Self::WORD).min(to - at);
            let room = bytes.get_mut(..length).ok_or(Trouble::Bounds)?;
            self.get(page * size(S::ERASE_SIZE) + size(at), room)?;
            if room.iter().any(|&byte| byte != 0xFF) {
                return Ok(false);
            }
            at += length;
        }
        Ok(true)
    }

    fn get(&mut self, at: u32, room: &mut [u8]) -> Result<(), Trouble> {
        self.storage.read(at, room).map_err(|_| {
            self.unread = true;
            Trouble::Device
        })
    }

    /// Writes and reads back.
    fn put(&mut self, mut at: u32, bytes: &[u8]) -> Result<(), Trouble> {
        let mut there = [0; CHUNK];
        for chunk in bytes.chunks((CHUNK / Self::WORD * Self::WORD).max(1)) {
            let there = there.get_mut(..chunk.len()).ok_or(Trouble::Bounds)?;
            self.get(at, there)?;
            // Flash may refuse a second write to a word, but for zeros, which are what marks are made of. Where a value finds its
            // place taken the map goes on behind it: what it looks for when it looks for room is a blank start.
            if there.iter().any(|&byte| byte != 0xFF) && chunk.iter().any(|&byte| byte != 0) {
                return Err(Trouble::Occupied);
            }
            self.storage.write(at, chunk).map_err(|_| Trouble::Device)?;
            self.get(at, there)?;
            if there != chunk {
                return Err(Trouble::Device);
            }
            at += size(chunk.len());
        }
        Ok(())
    }

    /// The page that `length` bytes at `at` lie in, as the map counts, and the offset of the first in it.
    fn find(at: u32, length: usize) -> Result<(u32, u32), Trouble> {
        let page = at.checked_div(size(Self::SEEN)).ok_or(Trouble::Bounds)?;
        let offset = at - page * size(Self::SEEN);
        if length > Self::SEEN - offset as usize {
            return Err(Trouble::Bounds);
        }
        Ok((page, offset))
    }

    fn behind_mark(page: u32, offset: u32) -> u32 {
        page * size(S::ERASE_SIZE) + size(Self::MARK_SIZE) + offset
    }
}

/// A size or an offset within the storage, as the traits count.
#[expect(clippy::cast_possible_truncation, reason = "storage ends before 4 GiB")]
const fn size(bytes: usize) -> u32 {
    bytes as u32
}

impl<S: NorFlash> waiting::ErrorType for Pages<S> {
    type Error = Trouble;
}

impl<S: NorFlash> waiting::ReadNorFlash for Pages<S> {
    const READ_SIZE: usize = S::READ_SIZE;

    async fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Trouble> {
        let (page, offset) = Self::find(offset, bytes.len())?;
        if self.hidden & 1_u32.checked_shl(page).unwrap_or(0) != 0 {
            bytes.fill(0xFF);
            return Ok(());
        }
        self.get(Self::behind_mark(page, offset), bytes)
    }

    fn capacity(&self) -> usize {
        self.seen() as usize
    }
}

impl<S: NorFlash> waiting::NorFlash for Pages<S> {
    const WRITE_SIZE: usize = S::WRITE_SIZE;
    const ERASE_SIZE: usize = Self::SEEN;

    async fn erase(&mut self, from: u32, to: u32) -> Result<(), Trouble> {
        let (first, offset) = Self::find(from, 0)?;
        if offset != 0 || to != from + size(Self::SEEN) {
            // The map erases one page at a time.
            return Err(Trouble::Bounds);
        }
        self.erase_page(first)
    }

    async fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Trouble> {
        let (page, offset) = Self::find(offset, bytes.len())?;
        // The first write takes an empty page into use. The map only knows that both its ends are blank.
        if offset == 0
            && !(self.is_blank(page, 0, Self::place(Mark::Used))?
                && self.is_blank(page, Self::place(Mark::Cleared), S::ERASE_SIZE)?)
        {
            self.erase_page(page)?;
        }
        self.put(Self::behind_mark(page, offset), bytes)
    }
}
