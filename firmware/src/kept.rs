//! Keeps over a loss of power: latched faults, settings, the latest events, the totals.
//!
//! Power may be lost at any moment. The next start then reads what was there before the interrupted call, or what the
//! call was to leave. What cannot be read is an error, never a default: a forgotten fault would let a charger loose on
//! a frozen bank.
//!
//! Everything is in one map from key to value. The map spreads the wear over the pages and checks each value by a
//! checksum. It skips a value that fails its check, and would then give an older value of the same key. This does not
//! matter for events and totals. Latched faults and settings must not go back in time. So the [`Head`] is kept twice
//! and numbered, and names the record of settings in force.
//!
//! There is no cache. A cache for the map costs RAM that is not available, and values are read only at the start and on
//! request.

pub(crate) mod brake;
mod pages;

#[cfg(test)]
mod tests;

use core::ops::Range;
use core::pin::pin;
use core::task::{Context, Poll, Waker};
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::Memory;
use forewarm_core::journal::{Counters, Event};
use forewarm_core::wire::record;
use forewarm_core::wire::service;
use pages::{Pages, Trouble};
use sequential_storage::Error;
use sequential_storage::cache::{Cache, Uncached};
use sequential_storage::map::{MapConfig, MapStorage};
use serde::{Deserialize, Serialize};

/// Version of every value except the settings, which carry their own. It changes with what the values hold, and with
/// the meaning of a bit of the latched faults.
const LAYOUT: u8 = 2;

/// Number of events kept. The oldest gives way.
pub(crate) const EVENTS: u32 = 32;

/// Bytes that every call borrows while it works: the longest value with its key, and the rest of its last word.
pub(crate) const SCRATCH: usize = record::MAX_BYTES + 40;

/// Bytes of the longest value except the settings; held by `the_longest_values_fit`.
const MAX_VALUE: usize = 96;

/// Bytes of the first page that the first write of a [`Head`] may touch, with the longest possible words. A storage
/// with nothing beyond them has never acknowledged anything.
const FIRST_WRITE: usize = 256;

/// Times that a value is written before it counts as not taken. Bits that flipped in blank memory spoil one time each.
const ATTEMPTS: u8 = 3;

/// Keys of the map.
mod key {
    pub(super) const HEADS: [u8; 2] = [0, 1];
    pub(super) const RECORD: u8 = 2;
    pub(super) const TOTALS: u8 = 3;
    /// The first of [`EVENTS`](super::EVENTS).
    pub(super) const EVENTS: u8 = 32;
}

/// Why something could not be kept or read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) enum KeptError {
    /// The storage does not answer, or does not take what is written. It is worn or not connected.
    Failed,
    /// The storage holds something that cannot be read. Writing new settings restores it.
    Corrupt,
    /// The storage has no room, or its pages have a size that cannot be used.
    Full,
    /// A firmware with another layout wrote it.
    OtherVersion(u8),
}

impl From<Error<Trouble>> for KeptError {
    fn from(error: Error<Trouble>) -> Self {
        match error {
            Error::Storage { value } => value.into(),
            Error::FullStorage | Error::ItemTooBig => Self::Full,
            // The buffer is long enough for everything that was ever written here.
            _ => Self::Corrupt,
        }
    }
}

impl From<Trouble> for KeptError {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::Device => Self::Failed,
            Trouble::Occupied | Trouble::Bounds => Self::Corrupt,
        }
    }
}

/// The value that all the rest depends on. It is kept twice, so that with one copy damaged an older one is not taken
/// for the newest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Head {
    /// Counts the heads written.
    number: u32,
    /// Counts the starts of the program that kept anything.
    start: u32,
    /// The number of the next event, or a lower number that later events have passed.
    next_event: u32,
    memory: Memory,
    record: Record,
    /// The record that is being written. It is in force once it is there.
    coming: Option<u32>,
    /// Records written since the program last ran for an hour.
    uploads: u8,
}

/// Which record of settings is in force, by its checksum. No one chooses what is compared here; power cuts and worn
/// memory do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Record {
    #[default]
    None,
    Kept(u32),
    /// The head that named it is lost.
    Unknown,
}

type Map<S> = MapStorage<u8, Pages<S>, Cache<Uncached, Uncached, Uncached, u8>>;

/// What is kept.
pub(crate) struct Kept<S: NorFlash> {
    /// `None` if the storage is too small for a map.
    map: Option<Map<S>>,
    head: Result<Option<Head>, KeptError>,
    /// Whether both copies of `head` are in the storage.
    is_head_stored: bool,
    start: u32,
    next_event: u32,
}

impl<S: NorFlash> Kept<S> {
    /// What is kept in `storage`. It uses all of it. Nothing is read before [`Kept::open`].
    pub(crate) fn new(storage: S) -> Self {
        let pages = Pages::new(storage);
        let config = if Pages::<S>::is_fit() { MapConfig::try_new(0..pages.seen()).ok() } else { None };
        Self {
            map: config.map(|config| MapStorage::new(pages, config, Cache::new_uncached())),
            head: Err(KeptError::Full),
            is_head_stored: false,
            start: 0,
            next_event: 0,
        }
    }

    /// Finds what is there. Nothing fails here: a value that cannot be read fails when it is asked for.
    pub(crate) fn open(&mut self, scratch: &mut [u8; SCRATCH]) {
        if let Some(map) = &mut self.map {
            // A page that cannot be erased is hidden. Other errors show in what is read.
            let _ = map.flash().finish();
            self.head = self.survey(scratch);
            self.start = self.start.saturating_add(1);
        }
    }

    /// Reads everything once and finds the newest head and the newest event.
    #[inline(never)]
    fn survey(&mut self, scratch: &mut [u8; SCRATCH]) -> Result<Option<Head>, KeptError> {
        let map = self.map.as_mut().ok_or(KeptError::Full)?;
        let mut copies: [Option<Head>; 2] = [None; 2];
        let mut theirs = None;
        let mut empty = true;
        let mut values = at_once(map.fetch_all_items(scratch))?;
        while let Some((key, value)) = at_once(values.next::<&[u8]>(scratch))? {
            empty = false;
            if let Some(copy) = key::HEADS.iter().position(|&head| head == key) {
                match open_value::<Head>(value) {
                    Ok(head) => {
                        if let Some(copy) = copies.get_mut(copy)
                            && copy.is_none_or(|copy| copy.number <= head.number)
                        {
                            *copy = Some(head);
                        }
                    }
                    Err(KeptError::OtherVersion(version)) => theirs = Some(version),
                    // An older copy may hide behind it. That one passes for the newest only if both are damaged.
                    Err(_) => {}
                }
            } else if key >= key::EVENTS
                && let Ok(event) = open_value::<service::Kept>(value)
            {
                self.start = self.start.max(event.start);
                self.next_event = self.next_event.max(event.number.saturating_add(1));
            }
        }
        let pages = map.flash();
        if pages.is_unread() {
            return Err(KeptError::Failed);
        }
        let head = match copies {
            [Some(a), Some(b)] => {
                self.is_head_stored = a == b;
                if a.number >= b.number { a } else { b }
            }
            [Some(head), None] | [None, Some(head)] => head,
            [None, None] => {
                return match theirs {
                    Some(version) => Err(KeptError::OtherVersion(version)),
                    None if empty && pages.is_virgin(FIRST_WRITE)? => Ok(None),
                    None => Err(KeptError::Corrupt),
                };
            }
        };
        // No event holds the starts that have kept only this head.
        self.start = self.start.max(head.start);
        self.next_event = self.next_event.max(head.next_event);
        Ok(Some(head))
    }

    /// The memory that was kept last. `None` on a storage that was never written.
    ///
    /// # Errors
    /// If something there cannot be read. Nobody then knows which faults were latched.
    pub(crate) fn memory(&self) -> Result<Option<Memory>, KeptError> {
        self.head.map(|head| head.map(|head| head.memory))
    }

    /// Keeps `memory`. Writes only what differs from what is kept.
    ///
    /// # Errors
    /// If it is not kept, or perhaps not.
    pub(crate) fn keep_memory(&mut self, scratch: &mut [u8; SCRATCH], memory: Memory) -> Result<(), KeptError> {
        let head = self.head_with(memory);
        match self.head {
            Ok(Some(kept)) if self.is_head_stored && kept == head => Ok(()),
            _ => self.keep_head(scratch, head),
        }
    }

    /// The record of settings in force, as [`record::encode`] wrote it. `None` if none was ever kept.
    ///
    /// # Errors
    /// If there is one that cannot be read, or if nobody knows whether it is in force.
    pub(crate) fn record<'a>(&mut self, scratch: &'a mut [u8; SCRATCH]) -> Result<Option<&'a [u8]>, KeptError> {
        let head = self.head?.unwrap_or_default();
        let found = self.fetch(scratch, key::RECORD)?;
        let checksum = found.map(record::checksum);
        match head.record {
            Record::Kept(in_force) if checksum == Some(in_force) => Ok(found),
            Record::None | Record::Kept(_) | Record::Unknown if found.is_some() && checksum == head.coming => Ok(found),
            Record::None if found.is_none() => Ok(None),
            Record::None | Record::Kept(_) | Record::Unknown => Err(KeptError::Corrupt),
        }
    }

    /// Keeps `record` as the settings in force, and reads it back. If the storage cannot be read or is full, it is
    /// first erased, and `memory` and the totals are written again. Events are then lost.
    ///
    /// # Errors
    /// If it is not kept. The record before it is then still in force, unless storage fails while it is being erased.
    pub(crate) fn keep_record(
        &mut self,
        scratch: &mut [u8; SCRATCH],
        memory: Memory,
        record: &[u8],
    ) -> Result<(), KeptError> {
        if record.len() > record::MAX_BYTES {
            return Err(KeptError::Full);
        }
        match self.try_keep_record(scratch, memory, record) {
            Err(KeptError::Corrupt | KeptError::Full | KeptError::OtherVersion(_)) if Self::has_room(record.len()) => {}
            done => return done,
        }
        let totals = self.totals(scratch).unwrap_or(None);
        let map = self.map.as_mut().ok_or(KeptError::Full)?;
        self.head = Err(KeptError::Corrupt);
        self.is_head_stored = false;
        map.flash().clear()?;
        self.try_keep_record(scratch, memory, record)?;
        totals.map_or(Ok(()), |totals| self.keep_totals(scratch, &totals))
    }

    fn try_keep_record(&mut self, scratch: &mut [u8; SCRATCH], memory: Memory, record: &[u8]) -> Result<(), KeptError> {
        let mut head = self.head_with(memory);
        match self.record(scratch) {
            Ok(Some(kept)) if kept == record => return self.keep_memory(scratch, memory),
            // It may have been the record that was coming.
            Ok(Some(kept)) => head.record = Record::Kept(record::checksum(kept)),
            Ok(None) | Err(_) => {}
        }
        let checksum = record::checksum(record);
        // An upload counts before it is written, so that a cut of the power forgets none.
        let uploads = head.uploads.saturating_add(1);
        self.keep_head(scratch, Head { coming: Some(checksum), uploads, ..head })?;
        self.store(scratch, key::RECORD, record)?;
        if self.fetch(scratch, key::RECORD)? != Some(record) {
            return Err(KeptError::Failed);
        }
        // The record is already in force, because the head names it as coming. A head that names it as kept may fail.
        let _ =
            self.keep_head(scratch, Head { record: Record::Kept(checksum), coming: None, ..self.head_with(memory) });
        Ok(())
    }

    /// Records written since the program last ran for an hour, as far as is known.
    pub(crate) fn uploads(&self) -> u8 {
        self.head.ok().flatten().map_or(0, |head| head.uploads)
    }

    /// Notes that the program has run for an hour.
    ///
    /// # Errors
    /// If that is not kept.
    pub(crate) fn forget_uploads(&mut self, scratch: &mut [u8; SCRATCH]) -> Result<(), KeptError> {
        match self.head {
            Ok(Some(head)) if head.uploads > 0 => {
                self.keep_head(scratch, Head { uploads: 0, start: self.start, ..head })
            }
            _ => Ok(()),
        }
    }

    /// Whether one page has room for a record of `length` and what must be with it. A storage of two pages never has
    /// more than one in use.
    fn has_room(length: usize) -> bool {
        let word = S::WRITE_SIZE.max(S::READ_SIZE);
        let item = |length: usize| 8_usize.next_multiple_of(word) + (1 + length).next_multiple_of(word);
        // Old and new heads may lie in one page.
        item(length) + 5 * item(MAX_VALUE) + 2 * word <= Pages::<S>::SEEN
    }

    /// Keeps `event`. The oldest gives way. The caller spares the storage by a [`Brake`](brake::Brake).
    ///
    /// # Errors
    /// If it is not kept.
    pub(crate) fn keep_event(&mut self, scratch: &mut [u8; SCRATCH], event: &Event) -> Result<(), KeptError> {
        self.keep_start(scratch)?;
        let kept = service::Kept { number: self.next_event, start: self.start, event: *event };
        self.store_value(scratch, event_key(kept.number), &kept)?;
        self.next_event = kept.number.saturating_add(1);
        Ok(())
    }

    /// The numbers of the events that may be kept, oldest first.
    pub(crate) fn events(&self) -> Range<u32> {
        self.next_event.saturating_sub(EVENTS)..self.next_event
    }

    /// The event of this number. `None` if it was never kept or is lost.
    ///
    /// # Errors
    /// If it cannot be read.
    pub(crate) fn event(
        &mut self,
        scratch: &mut [u8; SCRATCH],
        number: u32,
    ) -> Result<Option<service::Kept>, KeptError> {
        let kept: Option<service::Kept> = self.fetch_value(scratch, event_key(number))?;
        Ok(kept.filter(|kept| kept.number == number))
    }

    /// The totals that were kept last, if any.
    ///
    /// # Errors
    /// If they cannot be read.
    pub(crate) fn totals(&mut self, scratch: &mut [u8; SCRATCH]) -> Result<Option<Counters>, KeptError> {
        self.fetch_value(scratch, key::TOTALS)
    }

    /// Keeps the totals.
    ///
    /// # Errors
    /// If they are not kept.
    pub(crate) fn keep_totals(&mut self, scratch: &mut [u8; SCRATCH], totals: &Counters) -> Result<(), KeptError> {
        self.keep_start(scratch)?;
        self.store_value(scratch, key::TOTALS, totals)
    }

    /// The new head, with `memory`.
    fn head_with(&self, memory: Memory) -> Head {
        let (before, record) = match self.head {
            Ok(head) => {
                let head = head.unwrap_or_default();
                (head, head.record)
            }
            Err(_) => (Head::default(), Record::Unknown),
        };
        Head { start: self.start, memory, record, ..before }
    }

    /// Keeps the head before anything else. Otherwise nobody knows which start has kept it.
    fn keep_start(&mut self, scratch: &mut [u8; SCRATCH]) -> Result<(), KeptError> {
        let memory = self.head?.unwrap_or_default().memory;
        self.keep_memory(scratch, memory)
    }

    #[inline(never)]
    fn keep_head(&mut self, scratch: &mut [u8; SCRATCH], head: Head) -> Result<(), KeptError> {
        let head = Head { number: head.number.saturating_add(1), next_event: self.next_event, ..head };
        self.is_head_stored = false;
        for key in key::HEADS {
            self.store_value(scratch, key, &head)?;
            // The next start needs only one copy.
            self.head = Ok(Some(head));
        }
        let map = self.map.as_mut().ok_or(KeptError::Full)?;
        map.flash().mark_used()?;
        self.is_head_stored = true;
        Ok(())
    }

    fn fetch_value<T: for<'de> Deserialize<'de>>(
        &mut self,
        scratch: &mut [u8; SCRATCH],
        key: u8,
    ) -> Result<Option<T>, KeptError> {
        self.fetch(scratch, key)?.map(open_value).transpose()
    }

    fn store_value<T: Serialize>(&mut self, scratch: &mut [u8; SCRATCH], key: u8, value: &T) -> Result<(), KeptError> {
        let mut bytes = [0; MAX_VALUE];
        let bytes = postcard::to_slice(&(LAYOUT, value), &mut bytes).map_err(|_| KeptError::Full)?;
        self.store(scratch, key, bytes)
    }

    #[inline(never)]
    fn fetch<'a>(&mut self, scratch: &'a mut [u8; SCRATCH], key: u8) -> Result<Option<&'a [u8]>, KeptError> {
        let map = self.map.as_mut().ok_or(KeptError::Full)?;
        at_once(map.fetch_item::<&[u8]>(scratch, &key))
    }

    #[inline(never)]
    pub(crate) fn store(&mut self, scratch: &mut [u8; SCRATCH], key: u8, value: &[u8]) -> Result<(), KeptError> {
        let map = self.map.as_mut().ok_or(KeptError::Full)?;
        let mut tried = 1;
        loop {
            match at_once(map.store_item(scratch, &key, &value)) {
                Err(KeptError::Corrupt) if tried < ATTEMPTS => tried += 1,
                done => return done,
            }
        }
    }
}

const fn event_key(number: u32) -> u8 {
    // Below 32 + 32.
    key::EVENTS + (number % EVENTS) as u8
}

/// Reads what [`Kept::store_value`] wrote.
fn open_value<T: for<'de> Deserialize<'de>>(bytes: &[u8]) -> Result<T, KeptError> {
    match bytes.split_first() {
        Some((&LAYOUT, body)) => match postcard::take_from_bytes(body) {
            Ok((value, [])) => Ok(value),
            Ok(_) | Err(_) => Err(KeptError::Corrupt),
        },
        Some((&version, _)) => Err(KeptError::OtherVersion(version)),
        None => Err(KeptError::Corrupt),
    }
}

/// Runs work that never waits, because the storage beneath it does not.
fn at_once<T>(work: impl Future<Output = Result<T, Error<Trouble>>>) -> Result<T, KeptError> {
    match pin!(work).poll(&mut Context::from_waker(Waker::noop())) {
        Poll::Ready(done) => Ok(done?),
        Poll::Pending => Err(KeptError::Failed),
    }
}
