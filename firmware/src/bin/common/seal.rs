//! Whether the image in flash memory is as it was sealed. The programs for all boards share this.

#![expect(unsafe_code, reason = "it reads all of flash memory, by address")]

use core::ptr::{read_volatile, with_exposed_provenance};
use forewarm_firmware::seal::Seal;

/// `forewarm-seal` writes it into the linked file.
#[used]
#[unsafe(link_section = ".seal")]
static SEAL: Seal = Seal::NONE;

/// Reads the whole image, which takes about ten cycles a byte.
pub(crate) fn fits() -> bool {
    // SAFETY: a static of this program. The compiler knows only what it was linked as, so it must not foresee the value.
    let seal = unsafe { read_volatile(&raw const SEAL) };
    // SAFETY: the addresses are those of this image, in flash memory, which nothing changes. A seal with a wrong bit may name any
    // memory: if that cannot be read, the processor faults, and all relays open.
    seal.fits(|address| unsafe { read_volatile(with_exposed_provenance(address as usize)) })
}
