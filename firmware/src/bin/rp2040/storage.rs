//! The last four sectors of the module's flash memory, 4 KiB each.
//!
//! Erasing a sector takes 45 ms, at most 0.4 s (data sheets of memories of this kind, from memory). The program lies in the
//! same memory, and cannot be read meanwhile. So what runs then lies in RAM and in the part's ROM, and interrupts wait.

#![expect(unsafe_code, reason = "the functions of the part's ROM, and memory that they change")]

use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use rp2040_hal::rom_data;

/// Where flash memory is read.
const MEMORY: u32 = 0x1000_0000;
/// The first of the sectors within it, and the size of each. memory.x leaves them out.
const FIRST: u32 = 2048 * 1024 - SECTORS * SECTOR;
const SECTOR: u32 = 4096;
const SECTORS: u32 = 4;
/// What the memory programs at once. Bytes that are to stay are programmed as ones, which changes nothing.
const PAGE: usize = 256;
const WORD: usize = 4;

/// Set-up of the memory after it was written: the first 256 bytes of it.
const SETS_UP: usize = 256;

/// The sectors, by offsets from the beginning of the first.
pub(crate) struct Sectors(());

impl Sectors {
    /// # Safety
    /// There is only one, and nothing else writes flash memory.
    pub(crate) const unsafe fn new() -> Self {
        Self(())
    }
}

impl nor_flash::ErrorType for Sectors {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Sectors {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_read(self, offset, bytes.len())?;
        let from = (MEMORY + FIRST + offset) as *const u8;
        for (at, byte) in bytes.iter_mut().enumerate() {
            // SAFETY: within the sectors, which are always readable. Volatile, because the ROM changes them.
            *byte = unsafe { from.add(at).read_volatile() };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        (SECTORS * SECTOR) as usize
    }
}

impl NorFlash for Sectors {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = SECTOR as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_erase(self, from, to)?;
        // One after the other, so that bytes on the service line need not wait for all.
        for sector in (from..to).step_by(Self::ERASE_SIZE) {
            change(FIRST + sector, &Change::Erase);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_write(self, offset, bytes.len())?;
        let (mut offset, mut left) = (offset, bytes);
        while let Some(first) = left.len().checked_sub(1) {
            let within = offset as usize % PAGE;
            let Some((now, later)) = left.split_at_checked(first.min(PAGE - 1 - within) + 1) else { break };
            // In RAM: flash memory cannot be read while it is programmed.
            let mut page = [u8::MAX; PAGE];
            page.iter_mut().skip(within).zip(now).for_each(|(place, byte)| *place = *byte);
            change(FIRST + offset - within as u32, &Change::Program(page));
            for expected in now.chunks(WORD) {
                let mut written = [0; WORD];
                self.read(offset, &mut written)?;
                // The memory itself reports nothing.
                if written != expected {
                    return Err(NorFlashErrorKind::Other);
                }
                offset += WORD as u32;
            }
            left = later;
        }
        Ok(())
    }
}

/// What happens to flash memory.
enum Change {
    /// A sector.
    Erase,
    /// A page.
    Program([u8; PAGE]),
}

/// The functions of the ROM, found before flash memory is out of reach.
struct Rom {
    connect: unsafe extern "C" fn(),
    leave_reading: unsafe extern "C" fn(),
    erase: unsafe extern "C" fn(u32, usize, u32, u8),
    program: unsafe extern "C" fn(u32, *const u8, usize),
    empty_cache: unsafe extern "C" fn(),
    sets_up: [u32; SETS_UP / 4],
}

fn change(place: u32, change: &Change) {
    let mut rom = Rom {
        connect: rom_data::connect_internal_flash::ptr(),
        leave_reading: rom_data::flash_exit_xip::ptr(),
        erase: rom_data::flash_range_erase::ptr(),
        program: rom_data::flash_range_program::ptr(),
        empty_cache: rom_data::flash_flush_cache::ptr(),
        sets_up: [0; SETS_UP / 4],
    };
    let from = MEMORY as *const u32;
    for (at, word) in rom.sets_up.iter_mut().enumerate() {
        // SAFETY: the memory begins with it.
        *word = unsafe { from.add(at).read_volatile() };
    }
    // SAFETY: interrupts wait, the second processor sleeps since the start, nothing uses direct memory access, and the place
    // is within the sectors.
    cortex_m::interrupt::free(|_| unsafe { in_ram(place, change, &rom) });
}

/// Changes flash memory, and makes it readable again.
///
/// # Safety
/// Nothing else runs that lies in flash memory. `place` is the beginning of a sector or page of ours.
#[inline(never)]
#[unsafe(link_section = ".data.in_ram")]
unsafe fn in_ram(place: u32, change: &Change, rom: &Rom) {
    // What sets the memory up is machine code that lies anywhere. The last bit says so.
    let sets_up = (&raw const rom.sets_up).cast::<u8>().wrapping_add(1);
    // SAFETY: as above; the order is the one that the part's data sheet gives, section 2.8.3.1.3.
    unsafe {
        let sets_up = core::mem::transmute::<*const u8, unsafe extern "C" fn()>(sets_up);
        (rom.connect)();
        (rom.leave_reading)();
        match change {
            // No larger blocks: the command for them differs from memory to memory.
            Change::Erase => (rom.erase)(place, SECTOR as usize, 1 << 31, 0),
            Change::Program(page) => (rom.program)(place, page.as_ptr(), PAGE),
        }
        (rom.empty_cache)();
        sets_up();
    }
}
