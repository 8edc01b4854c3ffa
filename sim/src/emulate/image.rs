//! Checks the file before it is run: the emulator would load any file.

use crate::csv_text::cannot_read;
use crate::diagnostic::{Problem, escaped};
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// The path of a built image, from the project's folder.
pub const BUILT: &str = "target/cross/thumbv7m-none-eabi/image/emulated";

/// The command that builds it.
pub const BUILD: &str = "tests/tools/image emulated";

/// A program for the emulated processor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Image {
    path: PathBuf,
}

impl Image {
    /// Looks at the head of the file at `path`.
    ///
    /// # Errors
    /// A file that cannot be read, or that is not an ELF executable for a 32-bit ARM processor.
    pub fn open(path: &Path) -> Result<Self, Problem> {
        let shown = path.display().to_string();
        let failed = |error: io::Error| {
            let problem = cannot_read(&shown, &error);
            if error.kind() == io::ErrorKind::NotFound { problem.remedy(format!("build it: {BUILD}")) } else { problem }
        };
        // A folder can be opened too.
        if path.is_dir() {
            return Err(failed(io::Error::from(io::ErrorKind::IsADirectory)));
        }
        let mut head = Vec::new();
        File::open(path).and_then(|file| file.take(20).read_to_end(&mut head)).map_err(failed)?;
        match what_it_is(&head) {
            None => Ok(Self { path: path.to_owned() }),
            Some(other) => Err(Problem::error(&shown, format!("is not an image of the firmware: {other}"))
                .because("the emulator runs an ELF executable for a 32-bit ARM processor")
                .remedy(format!("build one: {BUILD}"))),
        }
    }

    /// Its path.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Its path in a message.
    #[must_use]
    pub fn shown(&self) -> String {
        escaped(&self.path.display().to_string())
    }
}

/// What a file with this head is, if it is not an executable for this processor.
///
/// Source: System V Application Binary Interface, ELF header: `e_ident`, then `e_type` and `e_machine`.
fn what_it_is(head: &[u8]) -> Option<&'static str> {
    const EXECUTABLE: u16 = 2;
    const ARM: u16 = 40;
    let &[0x7f, b'E', b'L', b'F', class, order, ref rest @ ..] = head else { return Some("not an ELF file") };
    let word = |at: usize| rest.get(at..at + 2).map(|word| u16::from_le_bytes([word[0], word[1]]));
    match (class, order, word(10), word(12)) {
        (1, 1, Some(EXECUTABLE), Some(ARM)) => None,
        (1, 1, Some(_), Some(ARM)) => Some("for this processor, but not an executable"),
        (_, _, Some(_), Some(_)) => Some("for another processor"),
        _ => Some("cut short"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The head of an executable for the processor.
    fn head() -> Vec<u8> {
        let mut head = vec![0x7f, b'E', b'L', b'F', 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        head.extend([2, 0, 40, 0]);
        head
    }

    #[test]
    fn only_an_executable_for_the_processor_is_run() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("image");
        let open = |bytes: &[u8]| {
            std::fs::write(&path, bytes).unwrap();
            Image::open(&path).map_err(|problem| problem.to_string())
        };
        assert!(open(&head()).is_ok());
        let (mut object, mut other, mut wide) = (head(), head(), head());
        (object[16], other[18], wide[4]) = (1, 62, 2);
        for (bytes, said) in [
            (object, "not an executable"),
            (other, "another processor"),
            (wide, "another processor"),
            (head()[..19].to_vec(), "cut short"),
            (Vec::new(), "not an ELF"),
        ] {
            let refused = open(&bytes).unwrap_err();
            assert!(refused.contains(said) && refused.contains(BUILD), "{refused}");
        }
    }

    #[test]
    fn an_image_that_is_not_there_names_what_builds_it() {
        let missing = Image::open(Path::new("nowhere/emulated")).unwrap_err().to_string();
        assert!(missing.contains("does not exist") && missing.contains(BUILD), "{missing}");
    }
}
