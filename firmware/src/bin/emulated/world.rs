//! The world around the board, as the rig plays it: the present moment and the open order.

use crate::pins;
use crate::registers::{inbox, stack};
use crate::uart::Uart;
use crate::watchdog::Sparing;
use forewarm_core::quantity::Instant;
use forewarm_core::signals::Outputs;
use forewarm_core::wire::frame::{Receiver, TooLong, encode, frame_bytes};
use forewarm_rig::{Answer, Ask, Doings, Level, MAX_DOINGS, MAX_ORDER, MAX_REPORT, Moments, Order, Report, Sensed};

/// Answers are received apart from orders, because they come while an order is still in progress.
const ANSWER_FRAME: usize = frame_bytes(8);

/// A storage that did not do what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Failed;

pub(crate) struct World {
    rig: Uart,
    service: Uart,
    orders: Receiver<{ frame_bytes(MAX_ORDER) }>,
    /// Where the moments still to come begin and end in the room of `orders`.
    left: core::ops::Range<usize>,
    moments: Moments,
    /// Number of the next step.
    next: u32,
    is_busy: bool,
    idle: Sparing<4096>,
    looks: u8,
    /// The results of steps, and what of them is not reported yet.
    doings: Doings,
    unsaid: [u8; MAX_DOINGS],
    unsaid_bytes: usize,
}

impl World {
    pub(crate) const fn new(rig: Uart, service: Uart) -> Self {
        Self {
            rig,
            service,
            orders: Receiver::NEW,
            left: 0..0,
            moments: Moments::NEW,
            next: 0,
            // Then the first report is that the board is ready.
            is_busy: true,
            idle: Sparing::NEW,
            looks: 0,
            doings: Doings::NEW,
            unsaid: [0; MAX_DOINGS],
            unsaid_bytes: 0,
        }
    }

    pub(crate) const fn now(&self) -> Instant {
        self.moments.latest().now
    }

    /// How many moments have been played since the start, with this one.
    pub(crate) const fn moment(&self) -> u32 {
        self.next
    }

    pub(crate) const fn sensed(&self) -> &Sensed {
        &self.moments.latest().sensed
    }

    pub(crate) fn level(&self, line: usize) -> Level {
        self.moments.latest().sensed.lines.get(line).copied().unwrap_or_default()
    }

    /// Brings on the next moment. Waits for an order that has one. False if the service line needs attention first.
    #[inline(never)]
    pub(crate) fn turn(&mut self) -> bool {
        loop {
            if self.take_moment() {
                return true;
            }
            if self.is_busy {
                self.report_all();
                self.is_busy = false;
                self.report(&Report::Ready { next: self.next });
            }
            while !self.hear_order() {
                // Time stands still while the rig is silent, and the watchdog's purpose rests too.
                self.idle.feed();
                // Access to a register costs the emulator more than access to memory.
                self.looks = self.looks.wrapping_add(1);
                if self.looks.is_multiple_of(64) && self.service.has_byte() {
                    return false;
                }
            }
        }
    }

    fn take_moment(&mut self) -> bool {
        let Some(bytes) = self.orders.room().get(self.left.clone()) else { return false };
        let mut rest = bytes;
        if self.moments.read(&mut rest).is_none() {
            self.left = 0..0;
            return false;
        }
        self.left.start = self.left.end - rest.len();
        self.next = self.next.wrapping_add(1);
        true
    }

    /// Takes in what the rig has sent. True after an order to play.
    fn hear_order(&mut self) -> bool {
        let Some(byte) = inbox::byte() else { return false };
        let Some(heard) = self.orders.take(byte) else { return false };
        let room = self.orders.room().as_ptr().addr();
        match heard.and_then(|length| self.orders.message(length)) {
            Ok(Order::Play { first, moments }) if first == self.next => {
                let start = moments.as_ptr().addr() - room;
                self.left = start..start + moments.len();
                self.is_busy = true;
                return true;
            }
            Ok(Order::Stack) => {
                let (used, of) = stack::used_of();
                self.report(&Report::Stack { used, of });
            }
            #[cfg(feature = "hang")]
            Ok(Order::Hang) => loop {
                core::hint::spin_loop();
            },
            Ok(_) | Err(_) => self.report(&Report::Refused),
        }
        false
    }

    /// Notes the result of a step. It is reported when there is enough to report, or when the order ends.
    pub(crate) fn did(&mut self, outputs: &Outputs) {
        let pins = pins::levels();
        self.note(|doings, room| doings.write(pins, outputs, room));
    }

    fn report_all(&mut self) {
        self.note(Doings::finish);
        self.report_doings();
    }

    fn note(&mut self, write: impl Fn(&mut Doings, &mut [u8]) -> Result<usize, TooLong>) {
        let room = self.unsaid.get_mut(self.unsaid_bytes..).unwrap_or_default();
        let written = write(&mut self.doings, room).or_else(|TooLong| {
            self.report_doings();
            write(&mut self.doings, &mut self.unsaid)
        });
        // There is room for any single one.
        self.unsaid_bytes += written.unwrap_or(0);
    }

    fn report_doings(&mut self) {
        let (unsaid, bytes) = (self.unsaid, core::mem::take(&mut self.unsaid_bytes));
        if let Some(doings @ [_, ..]) = unsaid.get(..bytes) {
            self.report(&Report::Did { doings });
        }
    }

    fn report(&mut self, report: &Report<'_>) {
        let mut room = [0; frame_bytes(MAX_REPORT)];
        if let Ok(frame) = encode(report, &mut room) {
            self.rig.send(frame);
        }
    }

    /// Asks for storage, and waits for the answer however long the rig takes. Time stands still meanwhile.
    pub(crate) fn ask(&mut self, ask: Ask<'_>) -> Result<(), Failed> {
        self.report(&Report::Ask(ask));
        let mut receiver = Receiver::<ANSWER_FRAME>::NEW;
        loop {
            self.idle.feed();
            let Some(heard) = inbox::byte().and_then(|byte| receiver.take(byte)) else { continue };
            return match heard.and_then(|length| receiver.message(length)) {
                Ok(Order::Answer(Answer::Done)) => Ok(()),
                Ok(_) | Err(_) => Err(Failed),
            };
        }
    }
}
