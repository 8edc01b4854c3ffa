//! Storage that survives the emulated processor. The rig keeps it, and can cut the power at any write.
//!
//! A microcontroller reads its flash as it reads its RAM, thousands of bytes at each search for a value. To avoid a
//! question to the rig for each of them, the rig puts the whole storage into readable memory, once after each start and
//! each change.

use crate::registers::mirror;
use crate::world::{Failed, World};
use core::cell::RefCell;
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use forewarm_rig::mirror::BYTES;
use forewarm_rig::{Ask, MAX_BLOCK};

/// Four pages, written in words, as in small microcontrollers.
const PAGE: usize = BYTES as usize / 4;
const WORD: usize = 4;

pub(crate) struct Storage<'w> {
    world: &'w RefCell<World>,
    /// Whether the mirror shows it as it is.
    is_shown: bool,
}

impl<'w> Storage<'w> {
    pub(crate) const fn new(world: &'w RefCell<World>) -> Self {
        Self { world, is_shown: false }
    }

    fn ask(&mut self, ask: Ask<'_>) -> Result<(), Failed> {
        // Even if a change fails, half of it may be done.
        self.is_shown = false;
        self.world.borrow_mut().ask(ask)
    }
}

impl NorFlashError for Failed {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl ErrorType for Storage<'_> {
    type Error = Failed;
}

impl ReadNorFlash for Storage<'_> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failed> {
        if !self.is_shown {
            self.ask(Ask::Show)?;
            self.is_shown = true;
        }
        mirror::read(offset, bytes).ok_or(Failed)
    }

    fn capacity(&self) -> usize {
        BYTES as usize
    }
}

impl NorFlash for Storage<'_> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failed> {
        self.ask(Ask::Erase { from, to })
    }

    #[expect(clippy::cast_possible_truncation, reason = "a block is 32 bytes at most")]
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failed> {
        let mut at = offset;
        for block in bytes.chunks(MAX_BLOCK) {
            self.ask(Ask::Write { at, bytes: block })?;
            at += block.len() as u32;
        }
        Ok(())
    }
}
