//! Flash that loses power in the middle of a word or a page.

use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use std::cell::RefCell;
use std::rc::Rc;

/// The part itself, which outlives the program.
pub(crate) struct Chip {
    pub(crate) bytes: Vec<u8>,
    /// Word writes and page erases until power is lost, if it is, and how it is lost.
    pub(crate) power: Option<u16>,
    /// The same, of page erases alone: they are rare.
    pub(crate) erases: Option<u8>,
    pub(crate) tear: u8,
    pub(crate) is_off: bool,
}

impl Chip {
    /// Whether power is lost in this operation.
    fn is_last(&mut self) -> bool {
        match &mut self.power {
            Some(0) => self.is_off = true,
            Some(left) => *left -= 1,
            None => {}
        }
        self.is_off
    }
}

/// The part, with pages of so many bytes and words of four.
#[derive(Clone)]
pub(crate) struct Flash<const PAGE: usize>(pub(crate) Rc<RefCell<Chip>>);

impl<const PAGE: usize> Flash<PAGE> {
    pub(crate) fn new(pages: usize) -> Self {
        let bytes = vec![0xFF; pages * PAGE];
        Self(Rc::new(RefCell::new(Chip { bytes, power: None, erases: None, tear: 0, is_off: false })))
    }
}

/// What is left of a word that was being written.
fn torn_word(tear: u8, place: usize, there: u8, byte: u8) -> u8 {
    match tear % 4 {
        0 if place < 2 => there & byte,
        1 if place >= 2 => there & byte,
        // Some of its bits.
        2 => there & (byte | tear.rotate_left(u32::try_from(place).unwrap_or(0) * 3)),
        _ => there,
    }
}

/// What is left of a page that was being erased: its words rise one after the other, fall first, or some bits rise.
fn torn_page(tear: u8, page: &mut [u8]) {
    let length = page.len();
    let few = usize::from(tear);
    match tear % 8 {
        0 => page[..length / 2].fill(0xFF),
        1 => page[length / 2..].fill(0xFF),
        2 => page[..few].fill(0xFF),
        3 => page[length - few..].fill(0xFF),
        4 => page[..length - few].fill(0xFF),
        5 => page[few..].fill(0xFF),
        6 => page.fill(0),
        _ => page.iter_mut().zip(0_u8..=255).for_each(|(byte, place)| *byte |= place.wrapping_mul(tear | 1)),
    }
}

impl<const PAGE: usize> nor_flash::ErrorType for Flash<PAGE> {
    type Error = NorFlashErrorKind;
}

impl<const PAGE: usize> ReadNorFlash for Flash<PAGE> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_read(self, offset, bytes.len())?;
        let chip = self.0.borrow();
        if chip.is_off {
            return Err(NorFlashErrorKind::Other);
        }
        bytes.copy_from_slice(&chip.bytes[offset as usize..][..bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.borrow().bytes.len()
    }
}

impl<const PAGE: usize> NorFlash for Flash<PAGE> {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_erase(self, from, to)?;
        let chip = &mut *self.0.borrow_mut();
        for from in (from as usize..to as usize).step_by(PAGE) {
            if chip.is_off {
                return Err(NorFlashErrorKind::Other);
            }
            match &mut chip.erases {
                Some(0) => chip.power = Some(0),
                Some(left) => *left -= 1,
                None => {}
            }
            let page = &mut chip.bytes[from..from + PAGE];
            if chip.power == Some(0) {
                torn_page(chip.tear, page);
            } else {
                page.fill(0xFF);
            }
            if chip.is_last() {
                return Err(NorFlashErrorKind::Other);
            }
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_write(self, offset, bytes.len())?;
        let chip = &mut *self.0.borrow_mut();
        for (n, word) in bytes.chunks(4).enumerate() {
            if chip.is_off {
                return Err(NorFlashErrorKind::Other);
            }
            let is_cut = chip.power == Some(0);
            let there = &mut chip.bytes[offset as usize + n * 4..][..4];
            for (place, (there, &byte)) in there.iter_mut().zip(word).enumerate() {
                *there = if is_cut { torn_word(chip.tear, place, *there, byte) } else { *there & byte };
            }
            if chip.is_last() {
                return Err(NorFlashErrorKind::Other);
            }
        }
        Ok(())
    }
}
