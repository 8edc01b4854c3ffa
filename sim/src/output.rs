//! Writes files whole or not at all.
//!
//! A [`Target`] is claimed before the long work. It reports then what would stop the writing, and touches nothing. A
//! [`Draft`] is written beside the target, in the same folder. It takes the target's name only when [`Draft::finish`]
//! is called. If it is dropped earlier, or [`discard_unfinished`] is called before a sudden end, it leaves nothing
//! behind.

use crate::diagnostic::Problem;
use same_file::Handle;
use std::fs;
use std::io::{self, BufWriter, StdoutLock, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use tempfile::NamedTempFile;

/// What to do with a file that is already there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Existing {
    /// Refuse: somebody's work may be in it.
    Keep,
    /// Replace it, as `--force` asks.
    Replace,
}

/// Where output may go: a file, or the standard output if the path is `-`.
#[derive(Debug)]
pub struct Target {
    shown: String,
    place: Place,
    existing: Existing,
}

#[derive(Debug)]
enum Place {
    Stdout,
    File { path: PathBuf, folder: PathBuf, permissions: Option<fs::Permissions> },
}

impl Target {
    /// Checks that `path` can be written, without touching what is there. `inputs` are the files that the output is
    /// made from, `-` for the standard input. None of them is replaced, whatever `existing` says.
    ///
    /// # Errors
    /// One of `inputs`, a file that exists and is kept, a read-only file, a folder or device in its place, a missing
    /// or read-only folder. Each names the path and what to do.
    pub fn claim(path: &Path, existing: Existing, inputs: &[&Path]) -> Result<Self, Problem> {
        let shown = path.display().to_string();
        if path == Path::new("-") {
            return Ok(Self { shown: "standard output".into(), place: Place::Stdout, existing });
        }
        let problem = |message: &str, remedy: &str| Problem::error(&shown, message).remedy(remedy);
        // This comes before the remedy --force.
        if inputs.iter().any(|input| is_one_file(path, input)) {
            return Err(problem("is an input of this command, so it is not replaced", "another name"));
        }
        let permissions = match fs::metadata(path) {
            Ok(found) if found.is_dir() => {
                return Err(problem("is a folder", "the name of a file in it"));
            }
            Ok(found) if !found.is_file() => {
                return Err(problem(
                    "is not a regular file, so it cannot be replaced whole",
                    "another name, or - for the standard output",
                ));
            }
            Ok(_) if existing == Existing::Keep => {
                return Err(problem("exists already", "another name, or --force to replace it"));
            }
            Ok(found) if found.permissions().readonly() => {
                return Err(problem("is read-only", "another name, or allow writing to it first"));
            }
            Ok(found) => Some(found.permissions()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(cannot_write(&shown, &error)),
        };
        // Follow a link, so that its file is replaced and not the link.
        let path = if permissions.is_some() { path.canonicalize() } else { Ok(path.to_owned()) }
            .map_err(|error| cannot_write(&shown, &error))?;
        if path.file_name().is_none() {
            return Err(problem("names no file", "a path that ends in a file name"));
        }
        let folder = match path.parent() {
            Some(folder) if folder != Path::new("") => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        // A file without a name, which goes when it is dropped. Only this tests a folder's quotas and mounts too.
        tempfile::tempfile_in(&folder).map_err(|error| cannot_write(&shown, &error))?;
        Ok(Self { shown, place: Place::File { path, folder, permissions }, existing })
    }

    /// Whether the output goes to the standard output.
    #[must_use]
    pub const fn is_stdout(&self) -> bool {
        matches!(self.place, Place::Stdout)
    }

    /// Whether both would write one file, so that the last one overwrites the other. The standard output is not a file.
    #[must_use]
    pub fn is_one_file_with(&self, other: &Self) -> bool {
        let place = |target: &Self| match &target.place {
            Place::Stdout => None,
            Place::File { path, folder, .. } => Some((folder.canonicalize().ok()?, path.file_name()?.to_owned())),
        };
        place(self).is_some_and(|ours| place(other) == Some(ours))
    }

    /// Writes a text that is whole already.
    ///
    /// # Errors
    /// As [`Target::draft`], writing into it, and [`Draft::finish`].
    pub fn write(self, text: &str) -> Result<(), Problem> {
        let mut draft = self.draft()?;
        draft.write_all(text.as_bytes()).map_err(|error| draft.failed(&error))?;
        draft.finish()
    }

    /// Starts writing beside the target.
    ///
    /// # Errors
    /// If the folder no longer takes a file; nothing else fails.
    pub fn draft(self) -> Result<Draft, Problem> {
        let sink = match self.place {
            Place::Stdout => Sink::Stdout(BufWriter::new(io::stdout().lock())),
            Place::File { path, folder, permissions } => {
                let mut builder = tempfile::Builder::new();
                builder.prefix(".forewarm-").suffix(".part");
                // A new file gets every right that the user's mask allows. An old one keeps its rights.
                #[cfg(unix)]
                builder.permissions(permissions.unwrap_or_else(|| std::os::unix::fs::PermissionsExt::from_mode(0o666)));
                #[cfg(not(unix))]
                let _ = permissions;
                // Held while the file is made, so that no draft escapes the list.
                let mut drafts = DRAFTS.lock().unwrap_or_else(PoisonError::into_inner);
                let file = builder.tempfile_in(folder).map_err(|error| cannot_write(&self.shown, &error))?;
                drafts.push(file.path().to_owned());
                Sink::File { file: BufWriter::with_capacity(1 << 16, file), path }
            }
        };
        Ok(Draft { shown: self.shown, sink, existing: self.existing })
    }
}

/// The path of every draft of this process. A finished draft has left its path, and no other file takes that name.
static DRAFTS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Removes every unfinished draft, and prevents new ones. For the moment before something outside ends the process,
/// when nothing is dropped any more.
pub fn discard_unfinished() {
    let drafts = DRAFTS.lock().unwrap_or_else(PoisonError::into_inner);
    for draft in &*drafts {
        let _ = fs::remove_file(draft);
    }
    std::mem::forget(drafts);
}

/// Whether a draft found that nobody reads the standard output any more.
static UNREAD: AtomicBool = AtomicBool::new(false);

/// Whether writing to the standard output has failed because its reader has gone. That is not an error.
#[must_use]
pub fn stdout_is_unread() -> bool {
    UNREAD.load(Ordering::Relaxed)
}

fn noting_unread<T>(written: io::Result<T>) -> io::Result<T> {
    if written.as_ref().is_err_and(|error| error.kind() == io::ErrorKind::BrokenPipe) {
        UNREAD.store(true, Ordering::Relaxed);
    }
    written
}

/// An output being written. It counts only once [`Draft::finish`] has returned without an error.
#[derive(Debug)]
pub struct Draft {
    shown: String,
    sink: Sink,
    existing: Existing,
}

#[derive(Debug)]
enum Sink {
    Stdout(BufWriter<StdoutLock<'static>>),
    File { file: BufWriter<NamedTempFile>, path: PathBuf },
}

impl Draft {
    /// Makes the output durable and gives it its name.
    ///
    /// # Errors
    /// If the disk or the folder refuses, or a file of that name has appeared meanwhile. The target then stays as it
    /// was.
    pub fn finish(self) -> Result<(), Problem> {
        let Self { shown, sink, existing } = self;
        let failed = |error: io::Error| cannot_write(&shown, &error);
        match sink {
            Sink::Stdout(mut stdout) => noting_unread(stdout.flush()).map_err(failed),
            Sink::File { file, path } => {
                let file = file.into_inner().map_err(|error| failed(error.into_error()))?;
                file.as_file().sync_all().map_err(failed)?;
                match existing {
                    Existing::Replace => file.persist(&path),
                    Existing::Keep => file.persist_noclobber(&path),
                }
                .map_err(|error| failed(error.error))?;
                // The new name is durable only once its folder is. Some file systems cannot do that, so an error is
                // ignored.
                if let Some(Ok(folder)) = path.parent().map(fs::File::open) {
                    let _ = folder.sync_all();
                }
                Ok(())
            }
        }
    }

    /// The problem to report when writing into this draft has failed.
    #[must_use]
    pub fn failed(&self, error: &io::Error) -> Problem {
        cannot_write(&self.shown, error)
    }
}

impl Write for Draft {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.sink {
            Sink::Stdout(stdout) => noting_unread(stdout.write(bytes)),
            Sink::File { file, .. } => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.sink {
            Sink::Stdout(stdout) => noting_unread(stdout.flush()),
            Sink::File { file, .. } => file.flush(),
        }
    }
}

/// Whether both names lead to one regular file, by any spelling or link.
fn is_one_file(path: &Path, input: &Path) -> bool {
    // Do not even open a pipe: its writer would believe that a reader had come and gone.
    let open = |path: &Path| path.is_file().then(|| Handle::from_path(path).ok()).flatten();
    let input = if input == Path::new("-") { Handle::stdin().ok() } else { open(input) };
    input.is_some_and(|input| open(path).is_some_and(|output| output == input))
}

fn cannot_write(shown: &str, error: &io::Error) -> Problem {
    use io::ErrorKind;
    let (message, remedy) = match error.kind() {
        ErrorKind::NotFound => ("cannot be written: its folder does not exist", "create the folder, or name another"),
        ErrorKind::NotADirectory => ("cannot be written: part of its path is a file, not a folder", "another path"),
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => (
            "cannot be written: its folder is read-only for you",
            "another folder, or ask its owner for permission to write there",
        ),
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            ("cannot be written: no space is left", "another disk, or make room on this one")
        }
        ErrorKind::FileTooLarge => (
            "cannot be written: it would be larger than a file may be",
            "a higher limit (`ulimit -f`), or another file system",
        ),
        ErrorKind::AlreadyExists => ("exists already", "another name, or --force to replace it"),
        _ => {
            return Problem::error(shown, format!("cannot be written: {error}")).remedy("another folder or disk");
        }
    };
    Problem::error(shown, message).remedy(remedy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn claiming_a_target_leaves_no_trace() {
        let folder = tempfile::tempdir().unwrap();
        Target::claim(&folder.path().join("new"), Existing::Keep, &[]).unwrap();
        assert_eq!(files(folder.path()), [""; 0]);
        fs::write(folder.path().join("old"), "mine").unwrap();
        Target::claim(&folder.path().join("old"), Existing::Replace, &[]).unwrap();
        assert!(Target::claim(&folder.path().join("old"), Existing::Keep, &[]).is_err());
        assert_eq!(files(folder.path()), ["old"]);
        assert_eq!(fs::read_to_string(folder.path().join("old")).unwrap(), "mine");
    }

    #[test]
    fn an_unfinished_draft_leaves_what_was_there() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("old");
        fs::write(&path, "mine").unwrap();
        let mut draft = Target::claim(&path, Existing::Replace, &[]).unwrap().draft().unwrap();
        draft.write_all(&vec![b'x'; 1 << 20]).unwrap();
        draft.flush().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
        drop(draft);
        assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
        assert_eq!(files(folder.path()), ["old"]);
    }

    #[test]
    fn a_file_that_turns_up_meanwhile_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new");
        let mut draft = Target::claim(&path, Existing::Keep, &[]).unwrap().draft().unwrap();
        draft.write_all(b"ours").unwrap();
        fs::write(&path, "theirs").unwrap();
        let problem = draft.finish().unwrap_err();
        assert_eq!(&*problem.message, "exists already");
        assert_eq!(fs::read_to_string(&path).unwrap(), "theirs");
        assert_eq!(files(folder.path()), ["new"]);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_and_the_rights_of_the_file_survive_a_replacement() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let folder = tempfile::tempdir().unwrap();
        let (path, link) = (folder.path().join("old"), folder.path().join("link"));
        fs::write(&path, "mine").unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        symlink("old", &link).unwrap();
        let mut draft = Target::claim(&link, Existing::Replace, &[]).unwrap().draft().unwrap();
        draft.write_all(b"new").unwrap();
        draft.finish().unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read_to_string(&path).unwrap(), "new");
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o640);
    }

    #[cfg(unix)]
    #[test]
    fn a_new_file_is_as_readable_as_any_other() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (ours, other) = (folder.path().join("ours"), folder.path().join("other"));
        Target::claim(&ours, Existing::Keep, &[]).unwrap().draft().unwrap().finish().unwrap();
        fs::write(&other, "").unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode();
        assert_eq!(mode(&ours), mode(&other));
    }
}
