//! Storage that outlasts the emulated processor: kept by the rig, which can cut the power at any write.

use crate::world::{Failed, World};
use core::cell::RefCell;
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::wire::rig::{Ask, MAX_BLOCK};

/// Four pages of 2 KiB, written by words, as small microcontrollers have them.
const CAPACITY: u32 = 8 * 1024;
const PAGE: usize = 2048;
const WORD: usize = 4;

pub(crate) struct Storage<'w> {
    world: &'w RefCell<World>,
}

impl<'w> Storage<'w> {
    pub(crate) const fn new(world: &'w RefCell<World>) -> Self {
        Self { world }
    }

    fn ask(&mut self, ask: Ask<'_>, into: &mut [u8]) -> Result<(), Failed> {
        self.world.borrow_mut().ask(ask, into)
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

    #[expect(clippy::cast_possible_truncation, reason = "a block is 32 bytes at most")]
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failed> {
        let mut at = offset;
        for block in bytes.chunks_mut(MAX_BLOCK) {
            let length = block.len() as u8;
            self.ask(Ask::Read { at, length }, block)?;
            at += u32::from(length);
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        CAPACITY as usize
    }
}

impl NorFlash for Storage<'_> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failed> {
        self.ask(Ask::Erase { from, to }, &mut [])
    }

    #[expect(clippy::cast_possible_truncation, reason = "a block is 32 bytes at most")]
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failed> {
        let mut at = offset;
        for block in bytes.chunks(MAX_BLOCK) {
            self.ask(Ask::Write { at, bytes: block }, &mut [])?;
            at += block.len() as u32;
        }
        Ok(())
    }
}
