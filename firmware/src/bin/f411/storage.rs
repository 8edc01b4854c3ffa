//! Sectors 1 and 2 of the part's own flash memory, 16 KiB each. They are the smallest, and lie between the vector table
//! and the program.
//!
//! Erasing a sector takes 0.4 s, at most 0.8 s, at the width of a byte that any supply allows (data sheet, from
//! memory). The processor stands still meanwhile, because it reads its program from the same memory.

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use stm32f4xx_hal::flash::{Error as HalError, FlashExt};
use stm32f4xx_hal::pac::FLASH;

/// The first of the sectors, their start within the memory, and the size of each. memory.x leaves them out.
const FIRST_SECTOR: u8 = 1;
const FIRST: usize = 0x4000;
const SECTOR: usize = 0x4000;
const SECTORS: usize = 2;
const WORD: usize = 4;

/// The two sectors, by offsets from the beginning of the first.
pub(crate) struct Sectors {
    flash: FLASH,
}

/// Why nothing was written or read.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Refused {
    /// The request is not within the sectors.
    OutOfBounds,
    /// It does not begin and end on a word or a sector.
    NotAligned,
    /// The memory itself: worn, or protected against writing.
    Memory(#[expect(dead_code, reason = "for the log")] HalError),
}

impl NorFlashError for Refused {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::Memory(_) => NorFlashErrorKind::Other,
        }
    }
}

impl Sectors {
    pub(crate) fn new(flash: FLASH) -> Self {
        Self { flash }
    }

    /// Its place in the whole memory, if all of it is within the sectors and aligned to `step`.
    fn place(offset: u32, length: usize, step: usize) -> Result<usize, Refused> {
        let offset = offset as usize;
        let end = offset.checked_add(length).ok_or(Refused::OutOfBounds)?;
        if end > SECTORS * SECTOR {
            Err(Refused::OutOfBounds)
        } else if !offset.is_multiple_of(step) || !length.is_multiple_of(step) {
            Err(Refused::NotAligned)
        } else {
            Ok(FIRST + offset)
        }
    }

    /// A flag of an earlier failure would make the next operation seem to fail.
    fn forget_failures(&mut self) {
        self.flash.sr().write(|w| {
            w.operr().clear_bit_by_one().wrperr().clear_bit_by_one().pgaerr().clear_bit_by_one();
            w.pgperr().clear_bit_by_one().pgserr().clear_bit_by_one()
        });
    }

    /// The cache still has the old content. It may only be emptied while it is off.
    fn empty_cache(&mut self) {
        self.flash.acr().modify(|_, w| w.dcen().clear_bit());
        self.flash.acr().modify(|_, w| w.dcrst().set_bit());
        self.flash.acr().modify(|_, w| w.dcrst().clear_bit());
        self.flash.acr().modify(|_, w| w.dcen().set_bit());
    }
}

impl ErrorType for Sectors {
    type Error = Refused;
}

impl ReadNorFlash for Sectors {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Refused> {
        let place = Self::place(offset, bytes.len(), Self::READ_SIZE)?;
        let kept =
            self.flash.read().get(place..).and_then(|rest| rest.get(..bytes.len())).ok_or(Refused::OutOfBounds)?;
        bytes.copy_from_slice(kept);
        Ok(())
    }

    fn capacity(&self) -> usize {
        SECTORS * SECTOR
    }
}

impl NorFlash for Sectors {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Refused> {
        let length = (to as usize).checked_sub(from as usize).ok_or(Refused::OutOfBounds)?;
        let place = Self::place(from, length, SECTOR)?;
        for sector in (FIRST_SECTOR..).skip((place - FIRST) / SECTOR).take(length / SECTOR) {
            self.forget_failures();
            let erased = self.flash.unlocked().erase(sector);
            self.empty_cache();
            erased.map_err(Refused::Memory)?;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Refused> {
        let place = Self::place(offset, bytes.len(), WORD)?;
        self.forget_failures();
        let written = self.flash.unlocked().program(place, bytes.iter());
        self.empty_cache();
        written.map_err(Refused::Memory)
    }
}
