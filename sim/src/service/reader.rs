//! Bytes of the line to messages, and a count of every byte that brought none.
//!
//! A frame arrives whole or not at all. A CRC-32 stands at its end, so a frame that noise has made up passes once in
//! 2³² times; then its version, its kind and every field must also be ones that exist. Damage of up to 32 bits in a row
//! is always found. Ten damaged frames a second, all day and all year, let one false frame through in 13 years before
//! those other checks, which turn most of the rest away.
//!
//! Whether a frame came twice is not seen here: two events may be alike. See [`clock`](super::clock).

use super::heard::Heard;
use super::seems::Sniffed;
use forewarm_core::wire::frame::{FrameError, Receiver, frame_bytes};
use forewarm_core::wire::service::{MAX_MESSAGE, Message};
use serde::Serialize;

/// Bytes of the longest frame.
const LONGEST: usize = frame_bytes(MAX_MESSAGE);

/// What came over the line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// Bytes in all.
    pub bytes: u64,
    /// Frames that brought a message.
    pub good_frames: u64,
    /// Frames that did not arrive as they were sent, or were longer than any.
    pub damaged_frames: u64,
    /// Frames that arrived whole and say nothing that is known here: a newer controller, or an older one.
    pub unknown_frames: u64,
    /// Good frames that came a second time. Whoever follows the clock counts these.
    pub doubled_frames: u64,
    /// Bytes of frames that brought no message, ends of frames not counted.
    pub lost_bytes: u64,
}

impl Tally {
    /// What came since `before`.
    #[must_use]
    pub const fn since(&self, before: &Self) -> Self {
        Self {
            bytes: self.bytes.saturating_sub(before.bytes),
            good_frames: self.good_frames.saturating_sub(before.good_frames),
            damaged_frames: self.damaged_frames.saturating_sub(before.damaged_frames),
            unknown_frames: self.unknown_frames.saturating_sub(before.unknown_frames),
            doubled_frames: self.doubled_frames.saturating_sub(before.doubled_frames),
            lost_bytes: self.lost_bytes.saturating_sub(before.lost_bytes),
        }
    }
}

/// Finds the frames in what arrives.
#[derive(Debug)]
pub struct Reader {
    receiver: Receiver<LONGEST>,
    /// Bytes since the last end of a frame, as many as there were: the receiver keeps no more than fit.
    gathered: u64,
    /// Nothing has ended yet: what comes first may be the end of a frame that began before.
    has_joined: bool,
    tally: Tally,
    sniffed: Sniffed,
}

impl Default for Reader {
    fn default() -> Self {
        Self {
            receiver: Receiver::NEW,
            gathered: 0,
            has_joined: false,
            tally: Tally::default(),
            sniffed: Sniffed::default(),
        }
    }
}

impl Reader {
    /// Forgets the beginning of a frame whose end cannot come any more, because the line was opened anew.
    pub fn rejoin(&mut self) {
        if self.gathered > 0 {
            self.lose(FrameError::Damaged);
        }
        self.receiver = Receiver::NEW;
        self.has_joined = false;
        self.sniffed = Sniffed::default();
    }

    /// Takes in `bytes` and hands each message to `found`.
    pub fn take(&mut self, bytes: &[u8], mut found: impl FnMut(Heard)) {
        self.tally.bytes += bytes.len() as u64;
        self.sniffed.take(bytes);
        for &byte in bytes {
            if byte != 0 {
                self.gathered += 1;
            }
            let Some(taken) = self.receiver.take(byte) else { continue };
            match taken.and_then(|length| self.receiver.message::<Message<'_>>(length)) {
                Ok(message) => {
                    self.tally.good_frames += 1;
                    self.gathered = 0;
                    self.has_joined = true;
                    self.sniffed.speaks();
                    found(message.into());
                }
                Err(error) => self.lose(error),
            }
        }
    }

    fn lose(&mut self, error: FrameError) {
        self.tally.lost_bytes += std::mem::take(&mut self.gathered);
        // Half a frame at the very beginning is no damage.
        let is_remainder = !std::mem::replace(&mut self.has_joined, true) && error == FrameError::Damaged;
        match error {
            FrameError::Damaged | FrameError::TooLong if is_remainder => {}
            FrameError::Damaged | FrameError::TooLong => self.tally.damaged_frames += 1,
            FrameError::OtherProtocol(_) | FrameError::Unknown => self.tally.unknown_frames += 1,
        }
        match error {
            FrameError::OtherProtocol(theirs) => self.sniffed.other_protocol = Some(theirs),
            FrameError::Unknown => self.sniffed.has_other_words = true,
            FrameError::Damaged | FrameError::TooLong => {}
        }
    }

    /// What came over the line so far.
    #[must_use]
    pub const fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Counts a good frame that came a second time.
    pub const fn count_doubled(&mut self) {
        self.tally.doubled_frames += 1;
    }

    /// What the line carried since it was opened.
    #[must_use]
    pub const fn sniffed(&self) -> &Sniffed {
        &self.sniffed
    }
}

#[cfg(test)]
mod tests;
