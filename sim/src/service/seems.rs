//! What is at the other end of a line that no controller answers on. It is said in words, so that the fitter knows
//! which plug to pull.

use crate::diagnostic::excerpt;
use forewarm_core::wire::frame::PROTOCOL;

/// Bytes that are looked at. A sentence of NMEA 0183 has 82 at most, so several are among them.
const LOOKED_AT: usize = 1024;

/// The latest that came over a line.
#[derive(Clone, Debug, Default)]
pub struct Sniffed {
    latest: Vec<u8>,
    /// A whole frame came, of that version of the protocol.
    pub(super) other_protocol: Option<u8>,
    /// A whole frame came, of this version, with a message that is not known here.
    pub(super) has_other_words: bool,
    /// A controller has said something.
    has_spoken: bool,
}

/// What a line carries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Seems {
    /// Nothing.
    Silence,
    /// A controller's messages, and no answers.
    OneWay,
    /// Whole frames of another version of the protocol.
    OtherProtocol(u8),
    /// Whole frames with messages that are not known here.
    OtherWords,
    /// Sentences of NMEA 0183 (IEC 61162-1), with one of them.
    Sentences(String),
    /// Text, with a piece of it.
    Text(String),
    /// Pieces between zeros, as of frames, none of them whole.
    DamagedFrames,
    /// Bytes without text and without frames.
    Binary,
}

impl Sniffed {
    pub(super) fn take(&mut self, bytes: &[u8]) {
        let bytes = &bytes[bytes.len().saturating_sub(LOOKED_AT)..];
        let surplus = (self.latest.len() + bytes.len()).saturating_sub(LOOKED_AT);
        self.latest.drain(..surplus);
        self.latest.extend_from_slice(bytes);
    }

    /// A controller has said something: what came before explains no silence after it.
    pub(super) fn speaks(&mut self) {
        self.latest.clear();
        self.has_spoken = true;
    }

    /// Why nobody answers.
    #[must_use]
    pub fn why_unanswered(&self) -> Seems {
        if self.has_spoken { Seems::OneWay } else { self.seems() }
    }

    /// What has come since the latest message of a controller, if any came.
    #[must_use]
    pub fn seems(&self) -> Seems {
        if let Some(theirs) = self.other_protocol {
            return Seems::OtherProtocol(theirs);
        }
        if self.has_other_words {
            return Seems::OtherWords;
        }
        let heard = &self.latest;
        if heard.is_empty() {
            return Seems::Silence;
        }
        let is_text = |byte: &&u8| matches!(byte, b'\t' | b'\r' | b'\n' | b' '..=b'~');
        // Noise between two words does not make them binary.
        if heard.iter().filter(is_text).count() * 20 >= heard.len() * 19 {
            let text = String::from_utf8_lossy(heard);
            let sentence = text.lines().find(|line| is_sentence(line.trim_end()));
            return sentence.map_or_else(
                || Seems::Text(excerpt(text.lines().max_by_key(|line| line.len()).unwrap_or_default().trim())),
                |sentence| Seems::Sentences(excerpt(sentence.trim_end())),
            );
        }
        // The longest message is far shorter than what is looked at, so that there must be ends of frames.
        let ends = heard.split(|&byte| byte == 0).count() - 1;
        if ends >= 2 && ends * 8 <= heard.len() { Seems::DamagedFrames } else { Seems::Binary }
    }
}

/// `$…*hh` or `!…*hh` with the right checksum, or without any.
fn is_sentence(line: &str) -> bool {
    let Some(rest) = line.strip_prefix(['$', '!']) else { return false };
    let (body, sum) = rest.split_once('*').unwrap_or((rest, ""));
    let computed = body.bytes().fold(0, |sum, byte| sum ^ byte);
    let is_right = sum.is_empty() || u8::from_str_radix(sum, 16) == Ok(computed);
    is_right && body.contains(',') && body.len() > 5 && body[..5].bytes().all(|byte| byte.is_ascii_alphanumeric())
}

impl Seems {
    /// What was found, as the rest of a sentence that begins with the name of the line.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Silence => "nothing came over this line, and nothing answered".to_owned(),
            Self::OneWay => "a controller speaks on this line, and does not hear what it is asked".to_owned(),
            Self::OtherProtocol(theirs) => format!(
                "a controller answers in version {theirs} of the service line's protocol, and this program speaks version {PROTOCOL}"
            ),
            Self::OtherWords => "a controller answers with messages that this program does not know".to_owned(),
            Self::Sentences(sentence) => format!("this line carries NMEA 0183 sentences, as {sentence}"),
            Self::Text(text) => format!("this line carries text, as {text}"),
            Self::DamagedFrames => "frames came over this line, none of them whole".to_owned(),
            Self::Binary => "this line carries bytes that are neither text nor a controller's frames".to_owned(),
        }
    }

    /// What to do about it.
    #[must_use]
    pub const fn remedy(&self) -> &'static str {
        match self {
            Self::Silence => {
                "whether the controller has power; whether its transmit line goes to the adapter's receive line and the other way \
                 round; another cable or line"
            }
            Self::OneWay => "the wire from the adapter's transmit line to the controller's receive line, and ground",
            Self::OtherProtocol(_) | Self::OtherWords => "a controller and a program of the same release",
            Self::Sentences(_) => {
                "the line of the controller: this one belongs to a navigation instrument, and nothing was changed on it"
            }
            Self::Text(_) => "the line of the controller: this one belongs to something else",
            Self::DamagedFrames => {
                "a shorter cable, away from the heater's; ground between both sides; 115200 baud, 8 bits, no parity at an adapter that \
                 has a setting of its own"
            }
            Self::Binary => {
                "the line of the controller; 115200 baud, 8 bits, no parity at an adapter that has a setting of its own"
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn seems(bytes: &[u8]) -> Seems {
        let mut sniffed = Sniffed::default();
        sniffed.take(bytes);
        sniffed.seems()
    }

    #[test]
    fn what_a_line_carries_is_named() {
        assert_eq!(seems(b""), Seems::Silence);
        let sentences = b"12*0A\r\n$SDDBT,30.9,f,9.4,M,5.1,F*35\r\n$IIMTW,4.5,C*12\r\n";
        assert!(matches!(seems(sentences), Seems::Sentences(_)), "{:?}", seems(sentences));
        assert_eq!(seems(b"login: \r\npassword: "), Seems::Text("password:".to_owned()));
        assert_eq!(seems(&[0xFF, 0x80, 0x91, 0xC0].repeat(50)), Seems::Binary);
        assert_eq!(seems(&[&[0xA5; 40][..], &[0], &[0x9C; 60], &[0]].concat().repeat(3)), Seems::DamagedFrames);
    }

    #[test]
    fn no_sentence_carries_control_characters_to_the_terminal() {
        let Seems::Text(shown) = seems(b"hello \x07 hello hello hello hello hello hello hello") else { panic!("text") };
        assert!(!shown.contains('\u{7}'));
    }

    proptest! {
        #[test]
        fn whatever_a_line_carries_something_is_said_of_it(bytes in prop::collection::vec(any::<u8>(), 0..3000)) {
            let seems = seems(&bytes);
            prop_assert!(!seems.words().is_empty() && !seems.remedy().is_empty());
            prop_assert!(seems.words().chars().all(|letter| !letter.is_control()));
        }
    }
}
