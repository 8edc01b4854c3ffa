//! The parts that read what others wrote, each alone, for the tests of other crates. No image has them under these
//! names.

use crate::archive::Archive;
use crate::kept::{KeptError, SCRATCH};
use crate::service::Service;
use core::ops::Range;
use embedded_io::{Read, ReadReady};
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::Memory;
use forewarm_core::journal::{Counters, Event};
use forewarm_core::signals::Storage;
use forewarm_core::wire::service::{Kept, Request};

/// Something is not kept, or cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unkept(KeptError);

impl From<KeptError> for Unkept {
    fn from(error: KeptError) -> Self {
        Self(error)
    }
}

/// What is kept over a loss of power.
pub struct Store<S: NorFlash> {
    archive: Archive<S>,
    memory: Memory,
    room: [u8; SCRATCH],
}

impl<S: NorFlash> Store<S> {
    /// A start on this storage, as the application starts.
    pub fn start(storage: S) -> Self {
        let (mut archive, mut room) = (Archive::new(storage), [0; SCRATCH]);
        let memory = archive.recall(&mut room);
        Self { archive, memory, room }
    }

    /// What the controller starts with.
    #[must_use]
    pub const fn recalled(&self) -> Memory {
        self.memory
    }

    /// Whether the storage was read at the start.
    #[must_use]
    pub fn is_read(&self) -> bool {
        self.archive.health == Storage::Kept
    }

    /// The record of settings in force.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn record(&mut self) -> Result<Option<&[u8]>, Unkept> {
        Ok(self.archive.kept.record(&mut self.room)?)
    }

    /// The totals that were kept last.
    ///
    /// # Errors
    /// If they cannot be read.
    pub fn totals(&mut self) -> Result<Option<Counters>, Unkept> {
        Ok(self.archive.kept.totals(&mut self.room)?)
    }

    /// The numbers of the events that may be kept.
    #[must_use]
    pub fn events(&self) -> Range<u32> {
        self.archive.kept.events()
    }

    /// The event of this number.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn event(&mut self, number: u32) -> Result<Option<Kept>, Unkept> {
        Ok(self.archive.kept.event(&mut self.room, number)?)
    }

    /// Keeps `memory`.
    ///
    /// # Errors
    /// If it is perhaps not kept.
    pub fn keep_memory(&mut self, memory: Memory) -> Result<(), Unkept> {
        Ok(self.archive.kept.keep_memory(&mut self.room, memory)?)
    }

    /// Keeps `record` as the settings in force, and `memory` with it.
    ///
    /// # Errors
    /// If it is not kept.
    pub fn keep_record(&mut self, memory: Memory, record: &[u8]) -> Result<(), Unkept> {
        Ok(self.archive.kept.keep_record(&mut self.room, memory, record)?)
    }

    /// Keeps `event`.
    ///
    /// # Errors
    /// If it is not kept.
    pub fn keep_event(&mut self, event: &Event) -> Result<(), Unkept> {
        Ok(self.archive.kept.keep_event(&mut self.room, event)?)
    }

    /// Keeps the totals.
    ///
    /// # Errors
    /// If they are not kept.
    pub fn keep_totals(&mut self, totals: &Counters) -> Result<(), Unkept> {
        Ok(self.archive.kept.keep_totals(&mut self.room, totals)?)
    }

    /// Stores any bytes under any key with a right checksum, as another firmware might.
    ///
    /// # Errors
    /// If they are not stored.
    pub fn put(&mut self, key: u8, value: &[u8]) -> Result<(), Unkept> {
        Ok(self.archive.kept.store(&mut self.room, key, value)?)
    }
}

/// The ear of the service line.
#[derive(Debug)]
pub struct Listener(Service);

impl Default for Listener {
    fn default() -> Self {
        Self(Service::NEW)
    }
}

impl Listener {
    /// The most bytes of a frame that is heard, without its zero.
    pub const LONGEST: usize = SCRATCH;

    /// Takes in what has come, up to the end of a frame; `None` if none has ended, and the request in the one that has.
    pub fn hear(&mut self, serial: &mut (impl Read + ReadReady)) -> Option<Option<Request<'_>>> {
        let length = self.0.hear(serial)?;
        Some(self.0.request(length))
    }

    /// Frames without a request so far.
    #[must_use]
    pub const fn dropped(&self) -> u32 {
        self.0.dropped
    }
}
