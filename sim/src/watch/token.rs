//! What whoever watches from another computer must know.
//!
//! It is compared in the same time whatever is wrong with it, and never shown.

use crate::diagnostic::Problem;
use std::fmt;
use std::path::Path;
use subtle::ConstantTimeEq;

/// Fewest characters: with 64 kinds of them, more than anybody tries over a network.
const FEWEST: usize = 16;

/// A secret text.
#[derive(Clone)]
pub struct Token(String);

impl Token {
    /// Reads it from the file at `path`, without the space around it.
    ///
    /// # Errors
    /// A file that cannot be read, or that holds no token.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let shown = path.display().to_string();
        let remedy = "head -c 18 /dev/urandom | base64 > token";
        let problem = |message: String| Problem::error(&shown, message).of_use().remedy(remedy);
        let text = std::fs::read_to_string(path).map_err(|error| problem(format!("cannot be read: {error}")))?;
        Self::read(text.trim()).map_err(|message| problem(message.to_owned()))
    }

    /// Takes a text as one.
    ///
    /// # Errors
    /// What is wrong with it, as the rest of a sentence.
    pub fn read(text: &str) -> Result<Self, &'static str> {
        // Browsers pass these on in a cookie, as they are.
        let passes =
            |byte: u8| byte == b' ' || (byte.is_ascii_graphic() && !matches!(byte, b'"' | b',' | b';' | b'\\'));
        if text.is_empty() {
            Err("is empty, so it keeps nobody out")
        } else if text.len() < FEWEST {
            Err("has fewer than 16 characters, so it can be guessed")
        } else if !text.bytes().all(passes) {
            Err("has a character that a browser does not pass on")
        } else {
            Ok(Self(text.to_owned()))
        }
    }

    /// Whether `text` is it.
    #[must_use]
    pub fn is(&self, text: &[u8]) -> bool {
        self.0.as_bytes().ct_eq(text).into()
    }
}

/// Not the token itself.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_long_enough_plain_and_never_shown() {
        assert!(Token::read("").is_err_and(|message| message.contains("empty")));
        assert!(Token::read("fifteen letters").is_err());
        assert!(Token::read("a cookie; of another kind").is_err());
        let token = Token::read("sixteen letters!").expect("long enough");
        assert!(token.is(b"sixteen letters!"));
        assert!(!token.is(b"sixteen letters?") && !token.is(b"sixteen letters") && !token.is(b""));
        assert_eq!(format!("{token:?}"), "Token");
    }
}
