//! Asks and hears: requests with a time limit and repeats, and everything that comes unasked.
//!
//! An erasure of the controller's storage takes up to a second or two, and bytes that arrive meanwhile may be lost. So
//! a request without an answer is sent again. That is safe: one that arrives twice does no more than one that arrives
//! once. [`Request::WriteSettings`] is the exception that the caller must mind: its answer may be lost while the
//! settings are kept.

use super::heard::{Heard, Identity};
use super::port::Wire;
use super::reader::{Reader, Tally};
use super::seems::Seems;
use forewarm_core::wire::frame::{encode, frame_bytes};
use forewarm_core::wire::service::{MAX_MESSAGE, Request};
use std::collections::VecDeque;
use std::io;
use std::time::{Duration, Instant};

/// How long one request may take. The slowest erasure of a board takes four seconds at worst (its part's data sheet).
pub const PATIENCE: Duration = Duration::from_secs(5);

/// How often a request is sent at most.
pub const TRIES: u32 = 3;

/// Messages that may wait while an answer is awaited. A controller sends one a second at most.
const WAITING: usize = 256;

/// Why there is no answer.
#[derive(Debug)]
pub enum Trouble {
    /// The line has vanished.
    Vanished(io::Error),
    /// Nothing that is an answer has come in time.
    Unanswered,
}

impl From<io::Error> for Trouble {
    fn from(error: io::Error) -> Self {
        Self::Vanished(error)
    }
}

/// What a message is to somebody who waits for an answer.
#[derive(Debug)]
pub enum Verdict<T> {
    /// The answer, or the last part of it.
    Answer(T),
    /// A part of the answer.
    Part,
    /// Something else, for whoever hears next.
    Aside(Heard),
}

/// A line with somebody to talk to.
#[derive(Debug)]
pub struct Link<W> {
    wire: W,
    reader: Reader,
    waiting: VecDeque<Heard>,
    room: Vec<u8>,
}

impl<W: Wire> Link<W> {
    /// Over `wire`, with a reader that may have counted on other lines before.
    pub fn new(wire: W, mut reader: Reader) -> Self {
        reader.rejoin();
        Self { wire, reader, waiting: VecDeque::new(), room: vec![0; 4096] }
    }

    /// The reader, for the next line.
    pub fn into_reader(self) -> Reader {
        self.reader
    }

    /// The next message. Nothing if none has come for a short while.
    ///
    /// # Errors
    /// If the line has vanished; nothing else fails.
    pub fn hear(&mut self) -> io::Result<Option<Heard>> {
        if self.waiting.is_empty() {
            self.listen()?;
        }
        Ok(self.waiting.pop_front())
    }

    fn listen(&mut self) -> io::Result<()> {
        let heard = self.wire.hear(&mut self.room)?;
        let Self { reader, waiting, room, .. } = self;
        reader.take(&room[..heard], |message| {
            if waiting.len() < WAITING {
                waiting.push_back(message);
            }
        });
        Ok(())
    }

    /// Forgets what has come and was not heard.
    pub fn forget(&mut self) {
        self.waiting.clear();
    }

    /// Sends a request and does not wait.
    ///
    /// # Errors
    /// If the line has vanished; nothing else fails.
    pub fn say(&mut self, request: &Request<'_>) -> io::Result<()> {
        let mut room = [0; frame_bytes(MAX_MESSAGE) + 1];
        // A zero first, which ends whatever was on the line before.
        let length = match encode(request, &mut room[1..]) {
            Ok(frame) => frame.len(),
            // No request is longer; a record that is has not passed the controller's own check either.
            Err(_) => return Err(io::ErrorKind::InvalidInput.into()),
        };
        self.wire.say(&room[..=length])
    }

    /// Sends a request up to `tries` times and waits for its answer, which `judge` recognises.
    ///
    /// # Errors
    /// [`Trouble`].
    pub fn ask<T>(
        &mut self,
        request: &Request<'_>,
        patience: Duration,
        tries: u32,
        mut judge: impl FnMut(Heard) -> Verdict<T>,
    ) -> Result<T, Trouble> {
        // What has come before the question is no answer to it.
        let mut aside = std::mem::take(&mut self.waiting);
        let mut answer = None;
        'asking: for _ in 0..tries {
            self.say(request)?;
            let asked = Instant::now();
            while asked.elapsed() < patience {
                self.listen()?;
                while let Some(message) = self.waiting.pop_front() {
                    match judge(message) {
                        Verdict::Answer(found) => {
                            answer = Some(found);
                            break 'asking;
                        }
                        Verdict::Aside(message) if aside.len() < WAITING => aside.push_back(message),
                        Verdict::Part | Verdict::Aside(_) => {}
                    }
                }
            }
        }
        aside.append(&mut self.waiting);
        self.waiting = aside;
        answer.ok_or(Trouble::Unanswered)
    }

    /// Asks the controller who it is.
    ///
    /// # Errors
    /// [`Trouble`].
    pub fn identify(&mut self) -> Result<Identity, Trouble> {
        self.ask(&Request::Identify, PATIENCE, TRIES, |message| match message {
            Heard::Identity(identity) => Verdict::Answer(identity),
            other => Verdict::Aside(other),
        })
    }

    /// What came over the line so far.
    #[must_use]
    pub const fn tally(&self) -> &Tally {
        self.reader.tally()
    }

    /// Counts a good frame that came a second time.
    pub const fn count_doubled(&mut self) {
        self.reader.count_doubled();
    }

    /// Why no controller answers.
    #[must_use]
    pub fn why_unanswered(&self) -> Seems {
        self.reader.sniffed().why_unanswered()
    }

    /// What the line has carried since the controller's latest message.
    #[must_use]
    pub fn seems(&self) -> Seems {
        self.reader.sniffed().seems()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use forewarm_core::wire::service::{Identity, Message};
    use proptest::prelude::*;

    /// A controller that answers only the requests of these numbers, and says telemetry-like things in between.
    struct Deaf {
        asked: u32,
        answers: fn(u32) -> bool,
        said: Vec<u8>,
    }

    impl Wire for Deaf {
        fn hear(&mut self, room: &mut [u8]) -> io::Result<usize> {
            let length = room.len().min(self.said.len());
            room[..length].copy_from_slice(&self.said[..length]);
            self.said.drain(..length);
            Ok(length)
        }

        fn say(&mut self, bytes: &[u8]) -> io::Result<()> {
            assert_eq!((bytes.first(), bytes.last()), (Some(&0), Some(&0)), "a frame between two ends");
            self.asked += 1;
            let identity = Identity { version: "1", board: "deaf", settings: Err(UNFIT), caution: "" };
            self.say_message(&Message::Done);
            if (self.answers)(self.asked) {
                self.say_message(&Message::Identity(identity));
            }
            Ok(())
        }
    }

    const UNFIT: forewarm_core::wire::service::Unfit = forewarm_core::wire::service::Unfit::Settings;

    impl Deaf {
        fn say_message(&mut self, message: &Message<'_>) {
            self.said.extend_from_slice(encode(message, &mut [0; 1024]).unwrap());
        }
    }

    fn ask(link: &mut Link<Deaf>) -> Result<String, Trouble> {
        link.ask(&Request::Identify, Duration::from_millis(1), TRIES, |message| match message {
            Heard::Identity(identity) => Verdict::Answer(identity.board),
            other => Verdict::Aside(other),
        })
    }

    #[test]
    fn a_request_whose_answer_is_lost_is_sent_again_and_not_for_ever() {
        for (answers, expected) in
            [((|n| n == 1) as fn(u32) -> bool, Some(1)), (|n| n == 3, Some(3)), (|_| false, None)]
        {
            let mut link = Link::new(Deaf { asked: 0, answers, said: Vec::new() }, Reader::default());
            let answer = ask(&mut link).ok();
            assert_eq!(answer.is_some(), expected.is_some());
            assert_eq!(link.wire.asked, expected.unwrap_or(TRIES));
            let asides = std::iter::from_fn(|| link.hear().unwrap()).count();
            assert_eq!(asides, link.wire.asked as usize, "what is no answer is heard afterwards, once");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_upset_a_link(bytes in prop::collection::vec(any::<u8>(), 0..5000)) {
            let mut link = Link::new(Deaf { asked: 0, answers: |_| true, said: bytes }, Reader::default());
            while link.hear().unwrap().is_some() {}
            prop_assert_eq!(ask(&mut link).unwrap(), "deaf");
        }
    }
}
