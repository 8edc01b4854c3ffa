//! Sends and receives frames over a line, and reports what can go wrong on it.

use super::inbox::Inbox;
use super::patience::Patience;
use crate::threads;
use forewarm_core::wire::frame::{self, FrameError};
use serde::Serialize;
use std::fmt;
use std::io::{self, ErrorKind, Read, Write};
use std::os::unix::net::UnixStream;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

/// More bytes than any frame on either line.
const LONGEST: usize = 4096;

/// Why there is no answer, or no useful one.
#[derive(Debug)]
pub enum Trouble {
    /// Nothing arrived in time: see [`Patience`].
    Silent {
        /// What was expected.
        awaited: &'static str,
        /// How long.
        patience: Duration,
    },
    /// The other side has gone.
    Closed {
        /// What was expected.
        awaited: &'static str,
    },
    /// The line cannot be used.
    Line(io::Error),
    /// No thread can be started to listen to it.
    Thread(io::Error),
    /// Something arrived that is not a message.
    Frame(FrameError),
    /// The board refused an order.
    Refused {
        /// The order.
        order: &'static str,
    },
    /// The board said something else than expected.
    Unexpected {
        /// What.
        said: String,
        /// What was expected.
        awaited: &'static str,
    },
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent { awaited, patience } => {
                write!(f, "no answer within {} s; expected {awaited}", patience.as_secs_f64())
            }
            Self::Closed { awaited } => write!(f, "the line was closed; expected {awaited}"),
            Self::Thread(error) => write!(f, "cannot start a thread to listen to the line: {error}"),
            Self::Line(error) => write!(f, "the line cannot be used: {error}"),
            Self::Frame(error) => write!(f, "{error}"),
            Self::Refused { order } => write!(f, "the board refused {order}"),
            Self::Unexpected { said, awaited } => write!(f, "the board said {said}; expected {awaited}"),
        }
    }
}

impl std::error::Error for Trouble {}

/// How a line is listened to.
#[derive(Debug)]
enum Ear {
    /// When a caller asks. Holds the time limit of the stream.
    Asked(Option<Duration>),
    /// All the time, by a thread that hands on what it hears.
    Always(Receiver<io::Result<Vec<u8>>>),
}

/// How a line is spoken into.
#[derive(Debug)]
enum Mouth {
    /// Over the same stream as it is listened to.
    Stream,
    /// Through the board's memory.
    Inbox(Inbox),
}

/// One end of a line.
#[derive(Debug)]
pub struct Line {
    stream: UnixStream,
    mouth: Mouth,
    ear: Ear,
    /// What was heard. The first `taken` bytes of it have been handed out.
    heard: Vec<u8>,
    taken: usize,
}

impl Line {
    /// The end of a line at `stream`, which carries only expected answers.
    #[must_use]
    pub fn new(stream: UnixStream) -> Self {
        Self { stream, mouth: Mouth::Stream, ear: Ear::Asked(None), heard: Vec::new(), taken: 0 }
    }

    /// The end of a line at `stream`, which the board hears through its inbox.
    pub(super) fn into(inbox: Inbox, stream: UnixStream) -> Self {
        Self { mouth: Mouth::Inbox(inbox), ..Self::new(stream) }
    }

    /// The end of a line at `stream`, which may carry bytes at any time. The emulator hands over each byte by itself. A
    /// socket holds some 270 of them, and then the processor stands still.
    ///
    /// # Errors
    /// [`Trouble::Line`].
    pub fn drained(stream: UnixStream) -> Result<Self, Trouble> {
        let mut listened_to = stream.try_clone().map_err(Trouble::Line)?;
        let (sender, heard) = channel();
        let listener = threads::named("line").spawn(move || {
            let mut bytes = [0; LONGEST];
            loop {
                let heard = match listened_to.read(&mut bytes) {
                    Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                    heard => heard.map(|length| bytes[..length].to_vec()),
                };
                let is_over = heard.as_ref().map_or(true, Vec::is_empty);
                if sender.send(heard).is_err() || is_over {
                    return;
                }
            }
        });
        listener.map_err(Trouble::Thread)?;
        Ok(Self { ear: Ear::Always(heard), ..Self::new(stream) })
    }

    /// Sends `message` as one frame.
    ///
    /// # Errors
    /// [`Trouble::Line`], and [`Trouble::Closed`] if nobody listens.
    pub fn say<T: Serialize>(&mut self, message: &T) -> Result<(), Trouble> {
        let mut room = [0; LONGEST];
        // The longest messages of both lines are far shorter.
        let frame =
            frame::encode(message, &mut room).map_err(|_| Trouble::Line(io::Error::from(ErrorKind::InvalidInput)))?;
        self.send(frame)
    }

    /// Sends bytes as they are.
    ///
    /// # Errors
    /// As [`Line::say`].
    pub fn send(&mut self, bytes: &[u8]) -> Result<(), Trouble> {
        match &mut self.mouth {
            Mouth::Inbox(inbox) => inbox.send(bytes),
            Mouth::Stream => self.stream.write_all(bytes).map_err(|error| match error.kind() {
                ErrorKind::BrokenPipe | ErrorKind::ConnectionReset => Trouble::Closed { awaited: "it to listen" },
                _ => Trouble::Line(error),
            }),
        }
    }

    /// Shows the board its whole storage, if its memory can be reached.
    ///
    /// # Errors
    /// As [`Line::say`].
    pub(super) fn show(&mut self, storage: &[u8]) -> Result<(), Trouble> {
        match &self.mouth {
            Mouth::Inbox(inbox) => inbox.show(storage),
            Mouth::Stream => Ok(()),
        }
    }

    /// The next frame, without its final zero. `None` if `patience` ends before a frame is whole.
    ///
    /// # Errors
    /// [`Trouble::Closed`], [`Trouble::Line`], and [`Trouble::Frame`] for one that is too long.
    pub fn hear(&mut self, patience: Patience, awaited: &'static str) -> Result<Option<&mut [u8]>, Trouble> {
        self.heard.drain(..std::mem::take(&mut self.taken));
        let mut looked_at = 0;
        let mut wait = patience.begin();
        loop {
            if let Some(length) = self.heard[looked_at..].iter().position(|byte| *byte == 0) {
                let length = looked_at + length;
                if length == 0 {
                    // An empty frame means nothing.
                    self.heard.remove(0);
                    continue;
                }
                self.taken = length + 1;
                return Ok(self.heard.get_mut(..length));
            }
            looked_at = self.heard.len();
            if looked_at > LONGEST {
                self.taken = looked_at;
                return Err(Trouble::Frame(FrameError::TooLong));
            }
            match self.listen(wait.turn()) {
                Ok(0) => return Err(Trouble::Closed { awaited }),
                Ok(_) => {}
                Err(error) => match error.kind() {
                    ErrorKind::WouldBlock | ErrorKind::TimedOut if wait.is_over() => return Ok(None),
                    ErrorKind::Interrupted | ErrorKind::WouldBlock | ErrorKind::TimedOut => {}
                    ErrorKind::ConnectionReset => return Err(Trouble::Closed { awaited }),
                    _ => return Err(Trouble::Line(error)),
                },
            }
        }
    }

    /// Adds what arrives within `turn` to what was heard. Returns how many bytes; 0 at the end of the line.
    fn listen(&mut self, turn: Duration) -> io::Result<usize> {
        match &mut self.ear {
            Ear::Asked(limit) => {
                if *limit != Some(turn) {
                    self.stream.set_read_timeout(Some(turn))?;
                    *limit = Some(turn);
                }
                let mut bytes = [0; LONGEST];
                let length = self.stream.read(&mut bytes)?;
                self.heard.extend(&bytes[..length]);
                Ok(length)
            }
            Ear::Always(heard) => match heard.recv_timeout(turn) {
                Ok(bytes) => {
                    let bytes = bytes?;
                    self.heard.extend(&bytes);
                    Ok(bytes.len())
                }
                Err(RecvTimeoutError::Timeout) => Err(ErrorKind::TimedOut.into()),
                // It has reported its end before.
                Err(RecvTimeoutError::Disconnected) => Ok(0),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOON: Patience = Patience::by_the_clock(Duration::from_millis(20));

    fn ends() -> (Line, UnixStream) {
        let (ours, theirs) = UnixStream::pair().unwrap();
        (Line::new(ours), theirs)
    }

    #[test]
    fn frames_come_one_by_one_however_they_are_cut() {
        let (mut line, mut theirs) = ends();
        theirs.write_all(&[0, 0, 1, 2, 0, 3]).unwrap();
        assert_eq!(line.hear(SOON, "").unwrap(), Some(&mut [1, 2][..]));
        assert_eq!(line.hear(SOON, "").unwrap(), None);
        theirs.write_all(&[4, 0, 5, 0]).unwrap();
        assert_eq!(line.hear(SOON, "").unwrap(), Some(&mut [3, 4][..]));
        assert_eq!(line.hear(SOON, "").unwrap(), Some(&mut [5][..]));
    }

    #[test]
    fn what_never_ends_and_a_line_that_is_closed_are_told() {
        let (mut line, mut theirs) = ends();
        theirs.write_all(&[1; 2 * LONGEST]).unwrap();
        theirs.write_all(&[0, 7, 0]).unwrap();
        assert!(matches!(line.hear(SOON, ""), Err(Trouble::Frame(FrameError::TooLong))));
        drop(theirs);
        while let Ok(frame) = line.hear(SOON, "its end") {
            assert!(frame.is_some());
        }
        assert!(matches!(line.hear(SOON, "its end"), Err(Trouble::Closed { awaited: "its end" })));
    }

    #[test]
    fn a_line_that_is_drained_takes_any_number_of_single_bytes() {
        let (ours, mut theirs) = UnixStream::pair().unwrap();
        theirs.set_write_timeout(Some(Duration::from_secs(20))).unwrap();
        let mut line = Line::drained(ours).unwrap();
        for _ in 0..10_000 {
            for byte in [5, 6, 0] {
                theirs.write_all(&[byte]).expect("there is room");
            }
        }
        for _ in 0..10_000 {
            assert_eq!(line.hear(SOON, "").unwrap(), Some(&mut [5, 6][..]));
        }
        assert_eq!(line.hear(SOON, "").unwrap(), None);
        line.send(&[1]).unwrap();
        theirs.read_exact(&mut [0]).unwrap();
        drop(theirs);
        for _ in 0..2 {
            assert!(matches!(line.hear(SOON, "its end"), Err(Trouble::Closed { awaited: "its end" })));
        }
    }

    #[test]
    fn what_is_said_is_heard_at_the_other_end() {
        let (mut line, theirs) = ends();
        line.say(&(7_u8, 9_u32)).unwrap();
        let mut other = Line::new(theirs);
        let frame = other.hear(SOON, "").unwrap().unwrap();
        assert_eq!(frame::decode::<(u8, u32)>(frame), Ok((7, 9)));
    }
}
