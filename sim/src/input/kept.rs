//! What a page was given in place of files: names and bytes.

use super::NoFile;
use std::collections::BTreeMap;
use std::io::{self, Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// All that was given. It is one for the whole process, as the files of a computer are.
static KEPT: Mutex<BTreeMap<PathBuf, Arc<[u8]>>> = Mutex::new(BTreeMap::new());

/// Keeps these bytes under a name that an installation file may have for them. The same name again replaces them.
pub fn keep(path: &Path, bytes: &[u8]) {
    KEPT.lock().unwrap_or_else(PoisonError::into_inner).insert(path.to_owned(), bytes.into());
}

/// What was given, being read.
#[derive(Debug)]
pub struct Input(Cursor<Arc<[u8]>>);

impl Input {
    /// Its length, if known.
    #[must_use]
    pub fn length(&self) -> Option<u64> {
        u64::try_from(self.0.get_ref().len()).ok()
    }
}

impl Read for Input {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.0.read(into)
    }
}

/// Opens what was given under the name `path`.
///
/// # Errors
/// Nothing was.
pub fn open(path: &Path) -> io::Result<Input> {
    let kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    kept.get(path).map(|bytes| Input(Cursor::new(Arc::clone(bytes)))).ok_or(io::ErrorKind::NotFound.into())
}

/// Checks that something was given under the name `path`.
///
/// # Errors
/// As [`open`].
pub fn readable(path: &Path) -> io::Result<()> {
    open(path).map(drop)
}

/// Why `path` is no file; `None` if it is one.
pub(crate) fn no_file(path: &Path) -> Option<NoFile> {
    open(path).err().map(|_| NoFile::Absent)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_read_by_its_name_and_the_last_of_a_name_counts() {
        let path = Path::new("weather.csv");
        assert!(matches!(no_file(path), Some(NoFile::Absent)));
        assert_eq!(open(path).expect_err("nothing was kept").kind(), io::ErrorKind::NotFound);
        for text in ["first", "second, longer"] {
            keep(path, text.as_bytes());
            assert!(readable(path).is_ok() && no_file(path).is_none());
            let mut input = open(path).expect("it was kept");
            assert_eq!(input.length(), Some(text.len() as u64));
            let mut read = String::new();
            input.read_to_string(&mut read).expect("memory");
            assert_eq!(read, text);
        }
    }
}
