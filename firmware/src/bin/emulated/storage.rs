//! Storage that outlasts the emulated processor: kept by the rig, which can cut the power at any write.
//!
//! A microcontroller reads its flash as it reads its RAM, thousands of bytes at each search for a value. So that here not every one of
//! them is a question to the rig, what was read is remembered, a block at a time, in RAM that the program does not count as its own;
//! what is written or erased is forgotten, and so read back from where it is kept.

use crate::registers::mirror::{self, Mirror};
use crate::world::{Failed, World};
use core::cell::RefCell;
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use forewarm_core::wire::rig::{Ask, MAX_BLOCK};

/// Four pages of 2 KiB, written by words, as small microcontrollers have them.
pub(crate) const CAPACITY: usize = 8 * 1024;
const PAGE: usize = 2048;
const WORD: usize = 4;

/// Blocks that are read, and remembered, whole.
pub(crate) const BLOCKS: usize = CAPACITY / MAX_BLOCK;

pub(crate) struct Storage<'w> {
    world: &'w RefCell<World>,
    mirror: &'static mut Mirror,
}

impl<'w> Storage<'w> {
    /// Nothing is remembered from before a restart.
    pub(crate) fn new(world: &'w RefCell<World>) -> Self {
        let mirror = mirror::take();
        mirror.known = [0; BLOCKS];
        Self { world, mirror }
    }

    fn ask(&mut self, ask: Ask<'_>, into: &mut [u8]) -> Result<(), Failed> {
        self.world.borrow_mut().ask(ask, into)
    }

    fn byte(&mut self, at: usize) -> Result<u8, Failed> {
        let (block, within) = (at / MAX_BLOCK, at % MAX_BLOCK);
        let (Some(known), Some(bytes)) = (self.mirror.known.get_mut(block), self.mirror.blocks.get_mut(block)) else {
            return Err(Failed);
        };
        if *known == 0 {
            let ask = Ask::Read { at: (at - within) as u32, length: MAX_BLOCK as u8 };
            self.world.borrow_mut().ask(ask, bytes)?;
            *known = 1;
        }
        bytes.get(within).copied().ok_or(Failed)
    }

    /// Whether or not it is then changed: half of it may be.
    fn forget(&mut self, from: u32, to: u32) {
        let blocks = from as usize / MAX_BLOCK..(to as usize).div_ceil(MAX_BLOCK);
        self.mirror.known.get_mut(blocks).unwrap_or_default().fill(0);
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
        let mut at = offset as usize;
        for byte in bytes {
            *byte = self.byte(at)?;
            at += 1;
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        CAPACITY
    }
}

impl NorFlash for Storage<'_> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Failed> {
        self.forget(from, to);
        self.ask(Ask::Erase { from, to }, &mut [])
    }

    #[expect(clippy::cast_possible_truncation, reason = "a block is 32 bytes at most")]
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failed> {
        let mut at = offset;
        for block in bytes.chunks(MAX_BLOCK) {
            let end = at + block.len() as u32;
            self.forget(at, end);
            self.ask(Ask::Write { at, bytes: block }, &mut [])?;
            at = end;
        }
        Ok(())
    }
}
