//! The service line: frames in, frames out.
//!
//! [`App`](crate::App) decides what a request does. Here it is only heard and answered.

use crate::kept::SCRATCH;
use embedded_io::{Read, ReadReady, Write};
use forewarm_core::wire::frame::{Receiver, encode, frame_bytes};
use forewarm_core::wire::service::{MAX_MESSAGE, Message, Request};

// What is read from storage and what is sent share one room.
const _: () = assert!(SCRATCH >= frame_bytes(MAX_MESSAGE), "the longest frame fits");

/// Bytes taken off the line at a time, so that a line that never falls silent leaves time for everything else.
const TURN: usize = 64;

/// The bytes heard so far.
#[derive(Debug)]
pub(crate) struct Service {
    receiver: Receiver<SCRATCH>,
    /// Frames without a request.
    pub(crate) dropped: u32,
}

impl Service {
    pub(crate) const NEW: Self = Self { receiver: Receiver::NEW, dropped: 0 };

    /// Takes in what has come over the line, up to the end of a frame. Returns the length of that frame.
    pub(crate) fn hear(&mut self, serial: &mut (impl Read + ReadReady)) -> Option<usize> {
        for _ in 0..TURN {
            let mut byte = [0];
            let is_ready = serial.read_ready().unwrap_or(false);
            if !is_ready || !matches!(serial.read(&mut byte), Ok(1)) {
                return None;
            }
            let [byte] = byte;
            match self.receiver.take(byte) {
                None => {}
                Some(Ok(length)) => return Some(length),
                Some(Err(_)) => self.dropped = self.dropped.saturating_add(1),
            }
        }
        None
    }

    /// The request in the frame of this length that was just heard.
    pub(crate) fn request(&mut self, length: usize) -> Option<Request<'_>> {
        let request = self.receiver.message(length);
        if request.is_err() {
            self.dropped = self.dropped.saturating_add(1);
        }
        request.ok()
    }

    /// Room as long as a frame. It may be used until the next frame is heard.
    pub(crate) const fn room(&mut self) -> &mut [u8; SCRATCH] {
        self.receiver.room()
    }
}

/// Sends `message`, first written as a frame into `room`. If the line takes nothing, the message is lost.
pub(crate) fn say(serial: &mut impl Write, room: &mut [u8], message: &Message<'_>) {
    if let Ok(frame) = encode(message, room) {
        let _ = serial.write_all(frame);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::World;
    use forewarm_core::signals::Inputs;
    use forewarm_core::wire::record::fingerprint;
    use std::vec;

    #[test]
    fn of_a_line_that_never_falls_silent_so_many_bytes_are_taken_at_a_time() {
        let world = World::new(&Inputs::DEAD);
        world.send(&[1; 10 * TURN]);
        let (mut service, mut serial) = (Service::NEW, world.part());
        for turn in 1..=10 {
            assert_eq!(service.hear(&mut serial), None);
            assert_eq!(world.is_all_heard(), turn == 10);
        }
    }

    #[test]
    fn a_frame_is_heard_whole_and_the_next_one_not_yet() {
        let world = World::new(&Inputs::DEAD);
        world.ask(&Request::ReadTotals);
        world.ask(&Request::ReadEvents { from: 7 });
        let (mut service, mut serial) = (Service::NEW, world.part());
        let mut heard = vec![];
        while let Some(length) = service.hear(&mut serial) {
            heard.push(length);
            let expected = [Request::ReadTotals, Request::ReadEvents { from: 7 }][heard.len() - 1];
            assert_eq!(service.request(length), Some(expected));
        }
        assert_eq!((heard.len(), service.dropped), (2, 0));
    }

    #[test]
    fn the_longest_upload_is_heard() {
        let world = World::new(&Inputs::DEAD);
        let record = &[0xA5; forewarm_core::wire::record::MAX_BYTES];
        let request = Request::WriteSettings { replaces: fingerprint(&[1]), record };
        world.ask(&request);
        let (mut service, mut serial) = (Service::NEW, world.part());
        let length = (0..20).find_map(|_| service.hear(&mut serial));
        assert_eq!(length.and_then(|length| service.request(length)), Some(request));
    }
}
