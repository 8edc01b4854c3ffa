//! Storage that behaves like flash memory: a write only clears bits, and an erasure sets those of a whole page.

use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::Arc;

use super::Shared;

const PAGE: usize = 1024;
const PAGES: usize = 6;

/// The memory, and the file that it is kept in.
#[derive(Debug)]
pub(crate) struct Flash {
    bytes: Vec<u8>,
    file: Option<File>,
}

impl Flash {
    /// The memory in `path`, blank if there is no such file yet.
    pub(super) fn open(path: Option<&Path>) -> Self {
        let mut bytes = Vec::new();
        let file = path.map(|path| {
            let mut options = File::options();
            let mut file =
                options.read(true).write(true).create(true).truncate(false).open(path).expect("a file for the storage");
            file.read_to_end(&mut bytes).expect("the storage can be read");
            file
        });
        bytes.resize(PAGE * PAGES, u8::MAX);
        let mut flash = Self { bytes, file };
        flash.keep(0, PAGE * PAGES);
        flash
    }

    fn keep(&mut self, from: usize, to: usize) {
        if let Some(file) = &mut self.file {
            let kept = file.seek(SeekFrom::Start(from as u64)).and_then(|_| file.write_all(&self.bytes[from..to]));
            kept.expect("the storage can be written");
        }
    }
}

/// The firmware's hold of it.
pub(crate) struct Storage(pub(super) Arc<Shared>);

impl Storage {
    fn with<T>(&mut self, work: impl FnOnce(&mut Flash) -> T) -> T {
        work(&mut self.0.flash.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
    }
}

impl nor_flash::ErrorType for Storage {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Storage {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_read(self, offset, into.len())?;
        self.with(|flash| into.copy_from_slice(&flash.bytes[offset as usize..][..into.len()]));
        Ok(())
    }

    fn capacity(&self) -> usize {
        PAGE * PAGES
    }
}

impl NorFlash for Storage {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_erase(self, from, to)?;
        self.with(|flash| {
            flash.bytes[from as usize..to as usize].fill(u8::MAX);
            flash.keep(from as usize, to as usize);
        });
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        nor_flash::check_write(self, offset, bytes.len())?;
        self.with(|flash| {
            let from = offset as usize;
            flash.bytes[from..].iter_mut().zip(bytes).for_each(|(kept, byte)| *kept &= byte);
            flash.keep(from, from + bytes.len());
        });
        Ok(())
    }
}
