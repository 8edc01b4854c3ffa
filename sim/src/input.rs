//! Opening what is read: files, and pipes that have a writer.
//!
//! Opening a named pipe waits until somebody writes to it, for ever if nobody does, without a word. Here that is an error.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// How long a named pipe may be without a writer (s). Whoever sets up both ends by one command line needs milliseconds.
/// Common practice, no source.
#[cfg(unix)]
const PATIENCE_S: i64 = 5;

/// A named pipe that nobody writes to.
#[derive(Debug)]
pub(crate) struct Unwritten;

impl Unwritten {
    /// Whether that is what `error` reports.
    pub(crate) fn is(error: &io::Error) -> bool {
        matches!(error.get_ref(), Some(inner) if inner.is::<Self>())
    }
}

impl std::fmt::Display for Unwritten {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("nobody writes to this pipe")
    }
}

impl std::error::Error for Unwritten {}

/// A file or pipe being read.
#[derive(Debug)]
pub struct Input {
    file: File,
    /// A byte that came while the pipe was asked for its writer.
    early: Option<u8>,
}

impl Input {
    /// Its length, where that is known.
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
/// What cannot be opened, a folder, and a named pipe to which nobody writes for five seconds. Nothing else fails.
pub fn open(path: &Path) -> io::Result<Input> {
    #[cfg(unix)]
    if is_named_pipe(path) {
        return open_pipe(path);
    }
    let file = File::open(path)?;
    // Opening a folder succeeds on some systems, and reading it then fails with a riddle.
    if file.metadata()?.is_dir() { Err(io::ErrorKind::IsADirectory.into()) } else { Ok(Input { file, early: None }) }
}

/// Whether `path` could be opened, as far as that can be known without disturbing it.
///
/// # Errors
/// As [`open`], but for a pipe: its writer would take this for a reader come and gone.
pub fn readable(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    if is_named_pipe(path) {
        return Ok(());
    }
    open(path).map(drop)
}

/// Whether opening `path` would wait for a writer. The pipes of a shell's `<( )` have no name of their own, and do not.
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
            // There is a writer, which has not written yet.
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
    }
    let flags = fcntl_getfl(&file)?;
    fcntl_setfl(&file, flags - OFlags::NONBLOCK)?;
    Ok(Input { file, early })
}
