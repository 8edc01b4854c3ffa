//! The files of the system, and pipes that have a writer.
//!
//! The system waits silently when it opens a named pipe without a writer, for ever if none comes. Here that is an
//! error.

use super::{NoFile, Unwritten};
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// How long a named pipe may be without a writer (s). A command line that sets up both ends needs milliseconds.
/// Common practice, no source.
#[cfg(unix)]
const PATIENCE_S: i64 = 5;

/// A file or pipe being read.
#[derive(Debug)]
pub struct Input {
    file: File,
    /// A byte that arrived while the pipe was asked for its writer.
    early: Option<u8>,
}

impl Input {
    /// Its length, if known.
    #[must_use]
    pub fn length(&self) -> Option<u64> {
        self.file.metadata().ok().filter(std::fs::Metadata::is_file).map(|found| found.len())
    }
}

impl Read for Input {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match (self.early, into.first_mut()) {
            (Some(byte), Some(first)) => {
                *first = byte;
                self.early = None;
                Ok(1)
            }
            _ => self.file.read(into),
        }
    }
}

/// Opens the file or pipe at `path` for reading.
///
/// # Errors
/// A path that cannot be opened, a folder, and a named pipe to which nobody writes for five seconds. Nothing else
/// fails.
pub fn open(path: &Path) -> io::Result<Input> {
    #[cfg(unix)]
    if is_named_pipe(path) {
        return open_pipe(path);
    }
    let file = File::open(path)?;
    // Some systems open a folder, and then give an obscure error when it is read.
    if file.metadata()?.is_dir() { Err(io::ErrorKind::IsADirectory.into()) } else { Ok(Input { file, early: None }) }
}

/// Checks that `path` can be opened, as far as possible without disturbing it.
///
/// # Errors
/// As [`open`], except for a pipe. Its writer would believe that a reader had come and gone.
pub fn readable(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    if is_named_pipe(path) {
        return Ok(());
    }
    open(path).map(drop)
}

/// Why `path` is no file; `None` if it is one. Nothing is opened.
pub(crate) fn no_file(path: &Path) -> Option<NoFile> {
    match path.metadata() {
        Ok(found) if found.is_file() => None,
        Ok(found) if found.is_dir() => Some(NoFile::Unreadable(io::ErrorKind::IsADirectory.into())),
        Ok(_) => Some(NoFile::Device),
        // A link that leads nowhere is there.
        Err(error) if error.kind() == io::ErrorKind::NotFound && !path.is_symlink() => Some(NoFile::Absent),
        Err(error) => Some(NoFile::Unreadable(error)),
    }
}

/// Whether opening `path` would wait for a writer. A pipe of a shell's `<( )` has no name of its own and does not wait.
#[cfg(unix)]
fn is_named_pipe(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    path.canonicalize().and_then(|path| path.metadata()).is_ok_and(|found| found.file_type().is_fifo())
}

#[cfg(unix)]
fn open_pipe(path: &Path) -> io::Result<Input> {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
    use std::os::unix::fs::OpenOptionsExt;

    let flags = i32::try_from(OFlags::NONBLOCK.bits()).unwrap_or(0);
    let mut file = File::options().read(true).custom_flags(flags).open(path)?;
    let patience = Timespec { tv_sec: PATIENCE_S, tv_nsec: 0 };
    let spoken = poll(&mut [PollFd::new(&file, PollFlags::IN)], Some(&patience))?;
    let mut early = None;
    if spoken == 0 {
        let mut byte = [0];
        match file.read(&mut byte) {
            Ok(0) => return Err(io::Error::other(Unwritten)),
            Ok(_) => early = Some(byte[0]),
            // A writer is there, but has not written yet.
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
    }
    let flags = fcntl_getfl(&file)?;
    fcntl_setfl(&file, flags - OFlags::NONBLOCK)?;
    Ok(Input { file, early })
}
