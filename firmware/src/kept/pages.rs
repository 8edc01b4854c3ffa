//! The pages of the storage as the map sees them. They are shorter than real pages, because each carries marks that the
//! map does not know.
//!
//! ```text
//! page = doomed, what the map sees, used, cleared, doomed
//! ```
//!
//! An erase that loses power can leave a page in any state, even one that the map takes for a page in use. So a page is
//! marked as doomed at both ends before it is erased. If a mark is left at the next start, the page is erased again.
//! Every other word of the page may then be anything.
//!
//! Writes are read back here, so that the map never erases a page whose content did not arrive elsewhere.

use embedded_storage::nor_flash::NorFlash;
use embedded_storage_async::nor_flash as waiting;

/// Bytes compared at a time, and the longest word that the map can use.
const CHUNK: usize = 32;

/// A mark has this many bytes, or a word if that is longer. A few flipped bits can neither make nor unmake it.
const MARK: usize = 16;

/// A page with this many zero bits in its marks is doomed. The map takes a page as used from four zero bits, in fewer
/// bytes than the two marks have. So an interrupted erase shows well before the page seems used.
const DOOMED_FROM: u32 = 4;

/// A mark that stands only once counts from this many zero bits.
const HALF_A_MARK: u32 = 64;

/// Why a page is not as it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trouble {
    /// The storage reports an error, or does not take what is written or erased.
    Device,
    /// The place of a new value is not blank.
    Occupied,
    /// The map asks for something that no page has.
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
    /// The page must be erased, whatever else it holds. At the start of the page.
    DoomedAtStart,
    /// The storage has been in use. With this mark, an empty storage was not always empty.
    Used,
    /// All pages must be erased. On the last page.
    Cleared,
    /// The page must be erased. At the end of the page.
    DoomedAtEnd,
}

/// The storage with its marks.
pub(super) struct Pages<S> {
    storage: S,
    /// Doomed pages that cannot be erased, a bit a page. The map sees them as empty. No page beyond the 32nd is hidden.
    hidden: u32,
    /// Whether the storage has failed to read.
    unread: bool,
}

impl<S: NorFlash> Pages<S> {
    const WORD: usize = if S::WRITE_SIZE > S::READ_SIZE { S::WRITE_SIZE } else { S::READ_SIZE };
    const MARK_SIZE: usize = MARK.next_multiple_of(Self::WORD);
    /// Bytes of a page that the map sees. 0 if pages are too small.
    pub(super) const SEEN: usize = S::ERASE_SIZE.saturating_sub(4 * Self::MARK_SIZE);

    pub(super) const fn new(storage: S) -> Self {
        Self { storage, hidden: 0, unread: false }
    }

    /// Whether the sizes of pages and words can be used.
    pub(super) const fn is_fit() -> bool {
        Self::WORD <= CHUNK && Self::SEEN > 0
    }

    fn count(&self) -> u32 {
        let capacity = u32::try_from(self.storage.capacity()).unwrap_or(u32::MAX);
        capacity.checked_div(size(S::ERASE_SIZE)).unwrap_or(0)
    }

    /// Bytes that the map sees in total.
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
        // A page that cannot be erased does not stop the others.
        let mut done = Ok(());
        for page in 0..pages {
            if self.is_doomed(page)? {
                done = done.and(self.erase_page(page));
            }
        }
        done
    }

    /// Erases everything. If interrupted, the next start finishes it. At no moment does the storage look as if it had
    /// never been used.
    pub(super) fn clear(&mut self) -> Result<(), Trouble> {
        let Some(last) = self.count().checked_sub(1) else { return Err(Trouble::Bounds) };
        if !self.is_cleared(last)? {
            match self.set(last, Mark::Cleared) {
                // What stands there instead was never written here. An interrupted clearing may have left a part.
                Ok(()) | Err(Trouble::Occupied) => {}
                Err(trouble) => return Err(trouble),
            }
        }
        (0..=last).try_for_each(|page| self.erase_page(page))
    }

    /// Whether the storage has never held anything: only `start` bytes of the first page may be written.
    pub(super) fn is_virgin(&mut self, start: usize) -> Result<bool, Trouble> {
        for page in 0..self.count() {
            let from = if page == 0 { start.next_multiple_of(Self::WORD) } else { 0 };
            if !self.is_blank(page, from, S::ERASE_SIZE)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Ensures that the storage never counts as a new one again.
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
            // Also the end that an interrupted erase has cleared: the next erase might clear the other.
            if self.zeros(page, mark)? < HALF_A_MARK {
                let set = self.set(page, mark);
                // Some flash does not let a mark be completed. Erase all the same.
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

    /// The byte that a mark is made of. An erase that first levels all cells leaves zeros everywhere, which must not
    /// clear all pages.
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
            // A word divides `from`, `to` and its own longest multiple.
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
            // Flash may refuse a second write to a word, except with zeros, and marks are made of zeros. If the place
            // of a value is taken, the map goes on behind it: it looks for a blank start when it looks for room.
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

    /// The page that holds `length` bytes at `at`, as the map counts, and the offset of the first byte in it.
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

/// A size or offset within the storage, in the type of the traits.
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
        // The first write takes an empty page into use. The map knows only that both its ends are blank.
        if offset == 0
            && !(self.is_blank(page, 0, Self::place(Mark::Used))?
                && self.is_blank(page, Self::place(Mark::Cleared), S::ERASE_SIZE)?)
        {
            self.erase_page(page)?;
        }
        self.put(Self::behind_mark(page, offset), bytes)
    }
}
