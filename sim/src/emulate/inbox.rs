//! Fills the board's [`inbox`](forewarm_rig::inbox) and [`mirror`] from outside.

use super::line::Trouble;
use super::monitor::Probe;
use super::patience::Patience;
use forewarm_rig::inbox::{BYTES, READ, RING, WRITTEN};
use forewarm_rig::mirror;

/// The inbox of a board, from its power-up on.
#[derive(Debug)]
pub(super) struct Inbox {
    probe: Probe,
    patience: Patience,
    written: u32,
    /// As last asked.
    read: u32,
}

impl Inbox {
    pub(super) const fn new(probe: Probe, patience: Patience) -> Self {
        Self { probe, patience, written: 0, read: 0 }
    }

    /// Sends bytes. Waits if there is no room.
    #[expect(clippy::cast_possible_truncation, reason = "no more bytes than there is room for")]
    pub(super) fn send(&mut self, mut bytes: &[u8]) -> Result<(), Trouble> {
        while !bytes.is_empty() {
            let room = self.room()?;
            let (now, later) = bytes.split_at(bytes.len().min(room as usize));
            let at = self.written % BYTES;
            let (to_end, from_start) = now.split_at(now.len().min((BYTES - at) as usize));
            let written = self.written.wrapping_add(now.len() as u32);
            // The count comes last, because the board looks at it.
            self.probe.write([(RING + at, to_end), (RING, from_start), (WRITTEN, &written.to_le_bytes())])?;
            self.written = written;
            bytes = later;
        }
        Ok(())
    }

    /// Fills the mirror. The board reads it after the order to do so.
    pub(super) fn show(&self, storage: &[u8]) -> Result<(), Trouble> {
        self.probe.write([(mirror::PLACE, storage)])
    }

    /// Waits until there is room, and hands over how many bytes fit.
    fn room(&mut self) -> Result<u32, Trouble> {
        const AWAITED: &str = "the board to read what it was sent";
        let mut wait = self.patience.begin();
        loop {
            let room = BYTES.saturating_sub(self.written.wrapping_sub(self.read));
            if room > 0 {
                return Ok(room);
            }
            if wait.is_over() {
                return Err(Trouble::Silent { awaited: AWAITED, patience: self.patience.limit() });
            }
            self.read = self.probe.read(READ)?;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use base64::Engine;
    use base64::engine::general_purpose::STANDARD as BASE64;
    use forewarm_rig::inbox::PLACE;
    use proptest::prelude::*;
    use std::io::{BufRead, BufReader, Write};
    use std::os::unix::net::UnixStream;
    use std::thread::JoinHandle;
    use std::time::Duration;

    const PATIENCE: Patience = Patience::by_the_clock(Duration::from_secs(20));

    fn number(hex: &str) -> u32 {
        u32::from_str_radix(hex.trim_start_matches("0x"), 16).expect("a number")
    }

    /// An emulator that is only memory, with a board that reads `at_once` bytes each time it is asked how far it is, or
    /// never. When the line is dropped the board reads the rest. Hands back all that it has read.
    fn memory(line: UnixStream, at_once: u32) -> JoinHandle<Vec<u8>> {
        std::thread::spawn(move || {
            let mut bytes = vec![0; (RING - PLACE + BYTES) as usize];
            let mut heard = Vec::new();
            let word = |bytes: &[u8], at: u32| {
                let at = (at - PLACE) as usize;
                u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
            };
            let read = |bytes: &mut [u8], heard: &mut Vec<u8>, most: u32| {
                let (mut read, written) = (word(bytes, READ), word(bytes, WRITTEN));
                for _ in 0..written.wrapping_sub(read).min(most) {
                    heard.push(bytes[(RING - PLACE + read % BYTES) as usize]);
                    read = read.wrapping_add(1);
                }
                let at = (READ - PLACE) as usize;
                bytes[at..at + 4].copy_from_slice(&read.to_le_bytes());
            };
            let mut answers = line.try_clone().unwrap();
            for command in BufReader::new(line).lines().map_while(Result::ok) {
                let answer = match command.split(' ').collect::<Vec<_>>()[..] {
                    ["readl", at] => {
                        read(&mut bytes, &mut heard, at_once);
                        format!("OK 0x{:016x}", word(&bytes, number(at)))
                    }
                    ["b64write", at, length, written] => {
                        let (at, length) = ((number(at) - PLACE) as usize, number(length) as usize);
                        bytes[at..at + length].copy_from_slice(&BASE64.decode(written).unwrap());
                        "OK".to_owned()
                    }
                    _ => panic!("{command}"),
                };
                // An interrupt line in between is not an answer.
                writeln!(answers, "IRQ raise 0\n{answer}").unwrap();
            }
            read(&mut bytes, &mut heard, u32::MAX);
            heard
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn what_is_sent_is_read_once_and_in_its_order_however_far_the_board_is_behind(
            parts in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..6_000), 1..8),
            at_once in 1_000..5_000_u32,
        ) {
            let (ours, theirs) = UnixStream::pair().unwrap();
            let board = memory(theirs, at_once);
            let mut inbox = Inbox::new(Probe::new(ours, PATIENCE).unwrap(), PATIENCE);
            for part in &parts {
                inbox.send(part).unwrap();
            }
            drop(inbox);
            prop_assert_eq!(board.join().unwrap(), parts.concat());
        }
    }

    #[test]
    fn a_board_that_reads_nothing_is_not_waited_for_without_end() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let board = memory(theirs, 0);
        let soon = Patience::by_the_clock(Duration::from_millis(50));
        let mut inbox = Inbox::new(Probe::new(ours, PATIENCE).unwrap(), soon);
        inbox.send(&[1; BYTES as usize]).unwrap();
        assert!(matches!(inbox.send(&[2]), Err(Trouble::Silent { .. })));
        drop(inbox);
        assert_eq!(board.join().unwrap(), [1; BYTES as usize], "nothing was written over");
    }
}
