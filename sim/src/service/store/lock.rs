//! One writer for one file.
//!
//! SQLite's own locks last for a write. Two that listen to one controller would each keep half of it and both count
//! its starts. So who writes holds a lock on a file beside the log for as long as it runs. The system takes the lock
//! away from a process that ends, however it ends.

use crate::diagnostic::Problem;
use same_file::Handle;
use std::fs::{File, TryLockError, remove_file};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Times to try while others come and go.
const TRIES: u32 = 10;

/// The lock. It goes with its file when it is dropped.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    path: PathBuf,
}

impl Lock {
    /// Takes the lock of the log at `log`.
    pub(super) fn take(log: &Path) -> Result<Self, Problem> {
        let shown = log.display().to_string();
        let mut path = log.as_os_str().to_owned();
        path.push("-writer");
        let path = PathBuf::from(path);
        for _ in 0..TRIES {
            let mut options = File::options();
            let mut file =
                options.read(true).write(true).create(true).truncate(false).open(&path).map_err(|error| {
                    Problem::error(&shown, format!("cannot be begun there: {error}"))
                        .of_use()
                        .remedy("a folder that exists and may be written to")
                })?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => return Err(taken(&shown, &mut file)),
                // Some file systems of networks have no locks. Then the care is the user's.
                Err(TryLockError::Error(error)) => {
                    let message = format!("cannot be locked: {error}");
                    return Err(Problem::error(&shown, message).of_use().remedy("a file on a disk of this computer"));
                }
            }
            // Whoever had it before may have removed it between our two calls.
            let is_there = Handle::from_path(&path)
                .and_then(|there| Ok(there == Handle::from_file(file.try_clone()?)?))
                .unwrap_or(false);
            if is_there {
                // Only for the message that another one prints.
                let _ = file.set_len(0).and_then(|()| write!(file, "{}", std::process::id()));
                return Ok(Self { file, path });
            }
        }
        Err(Problem::error(&shown, "others begin and end writing to it all the time").of_use().remedy("another name"))
    }
}

fn taken(shown: &str, file: &mut File) -> Problem {
    let mut text = String::new();
    let _ = file.rewind().and_then(|()| file.read_to_string(&mut text));
    let number = text.trim().parse::<u32>().map(|number| format!(", process {number}")).unwrap_or_default();
    Problem::error(shown, format!("is being written by another `forewarm listen`{number}"))
        .of_use()
        .because("two writers would each keep half of what the controller says")
        .remedy("another file, or end the other one; reading it meanwhile is fine")
}

impl Drop for Lock {
    fn drop(&mut self) {
        // While it is still locked, so that nobody else's goes.
        let _ = remove_file(&self.path);
        let _ = self.file.unlock();
    }
}
