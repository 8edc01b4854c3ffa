//! The outside end of the link to the board. It sends orders, receives reports and serves the storage meanwhile.
//!
//! A restart or a loss of power may be intended, so it is an [`End`]. What must not happen is a [`Trouble`].

use super::flash::{Flash, Reply};
use super::line::{Line, Trouble};
use super::patience::Patience;
use forewarm_core::signals::Outputs;
use forewarm_core::wire::frame;
use forewarm_rig::{Answer, Doings, MAX_MOMENTS, Moment, Moments, Order, Pins, Report};
use serde::Serialize;
use std::time::Duration;

/// How an order to the board ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// As ordered.
    Done,
    /// The board restarted. Its clock, its count of steps and this end of the link start again.
    Restarted {
        /// Steps of this order that it had reported.
        done: usize,
    },
    /// The power was cut, as set in the storage. The board waits for an answer that it never gets.
    PowerCut {
        /// Steps of this order that it had reported.
        done: usize,
    },
}

/// How much of its stack the board has used since it started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Stack {
    /// Bytes used at most.
    #[serde(rename = "stack_used_b")]
    pub used: u32,
    /// Bytes there are.
    #[serde(rename = "stack_b")]
    pub of: u32,
}

const STACK: &str = "the use of the stack";

/// The link.
#[derive(Debug)]
pub struct Rig {
    line: Line,
    flash: Flash,
    moments: Moments,
    doings: Doings,
    next: u32,
    patience: Patience,
    /// Whether answers to orders from before a restart may still arrive.
    is_stale: bool,
}

/// A report of the board, other than a request to storage.
#[derive(Debug)]
enum Event {
    Ready(u32),
    Did(Vec<(u16, Pins, Outputs)>),
    Refused,
    Stack(Stack),
    PowerCut,
}

impl Event {
    fn unexpected(&self, awaited: &'static str) -> Trouble {
        Trouble::Unexpected { said: format!("{self:?}"), awaited }
    }
}

impl Rig {
    /// The link over `line` to a board that starts, and its storage. Each answer may take as long as `patience`.
    #[must_use]
    pub const fn new(line: Line, flash: Flash, patience: Patience) -> Self {
        Self { line, flash, moments: Moments::NEW, doings: Doings::NEW, next: 0, patience, is_stale: false }
    }

    /// The board's storage.
    pub const fn flash(&mut self) -> &mut Flash {
        &mut self.flash
    }

    /// Hands over the board's storage, for the next board.
    #[must_use]
    pub fn into_flash(self) -> Flash {
        self.flash
    }

    /// The line, to send something other than an order.
    pub const fn line(&mut self) -> &mut Line {
        &mut self.line
    }

    /// Waits until the board has started, after power-up or after a reset by the caller.
    ///
    /// # Errors
    /// Each [`Trouble`] but [`Trouble::Refused`].
    pub fn start(&mut self) -> Result<End, Trouble> {
        const AWAITED: &str = "the board to start";
        loop {
            match self.event(AWAITED)? {
                Event::Ready(0) => {
                    self.begin_anew();
                    self.is_stale = false;
                    return Ok(End::Done);
                }
                Event::PowerCut => return Ok(End::PowerCut { done: 0 }),
                // These answer the order that the reset cut short.
                Event::Did(_) | Event::Ready(_) => {}
                event @ (Event::Refused | Event::Stack(_)) => return Err(event.unexpected(AWAITED)),
            }
        }
    }

    /// Makes the board take a step at each of these moments. Hands over what it did in each: the index, the levels of
    /// the output pins, and the program's decision.
    ///
    /// # Errors
    /// Each [`Trouble`]. After it the link cannot be used any more.
    pub fn play(&mut self, moments: &[Moment], mut each: impl FnMut(usize, Pins, &Outputs)) -> Result<End, Trouble> {
        const AWAITED: &str = "a report of what the board does";
        self.catch_up()?;
        let mut played = 0;
        while played < moments.len() {
            let mut room = [0; MAX_MOMENTS];
            let (mut length, mut count) = (0, 0_u32);
            for moment in &moments[played..] {
                let Ok(more) = self.moments.write(moment, &mut room[length..]) else { break };
                length += more;
                count += 1;
            }
            self.line.say(&Order::Play { first: self.next, moments: &room[..length] })?;
            let next = self.next.wrapping_add(count);
            let mut left = count;
            loop {
                match self.event(AWAITED)? {
                    Event::Did(doings) => {
                        for (steps, pins, outputs) in doings {
                            left = left.checked_sub(steps.into()).ok_or_else(|| Trouble::Unexpected {
                                said: format!("to have taken {steps} steps where {left} were left"),
                                awaited: AWAITED,
                            })?;
                            for _ in 0..steps {
                                each(played, pins, &outputs);
                                played += 1;
                            }
                        }
                    }
                    Event::Ready(at) if at == next && left == 0 => break,
                    Event::Ready(0) => {
                        self.begin_anew();
                        return Ok(End::Restarted { done: played });
                    }
                    Event::PowerCut => return Ok(End::PowerCut { done: played }),
                    Event::Refused => return Err(Trouble::Refused { order: "to take steps" }),
                    event @ (Event::Ready(_) | Event::Stack(_)) => return Err(event.unexpected(AWAITED)),
                }
            }
            self.next = next;
        }
        Ok(End::Done)
    }

    /// Asks how much of the stack was used.
    ///
    /// # Errors
    /// Each [`Trouble`]. After it the link cannot be used any more.
    pub fn stack(&mut self) -> Result<Stack, Trouble> {
        self.catch_up()?;
        self.line.say(&Order::Stack)?;
        match self.event(STACK)? {
            Event::Stack(stack) => Ok(stack),
            event => Err(event.unexpected(STACK)),
        }
    }

    /// Makes the board hang, and waits until it has restarted. An image that is not built for tests refuses.
    ///
    /// # Errors
    /// Each [`Trouble`]. After it the link cannot be used any more.
    pub fn hang(&mut self) -> Result<End, Trouble> {
        self.catch_up()?;
        self.line.say(&Order::Hang)?;
        match self.event("the watchdog to restart the board")? {
            Event::Ready(0) => {
                self.begin_anew();
                Ok(End::Restarted { done: 0 })
            }
            Event::PowerCut => Ok(End::PowerCut { done: 0 }),
            Event::Refused => Err(Trouble::Refused { order: "to hang" }),
            event @ (Event::Ready(_) | Event::Did(_) | Event::Stack(_)) => {
                Err(event.unexpected("the watchdog to restart the board"))
            }
        }
    }

    /// Serves the board's storage while no order is open, until the board has been silent for `quiet`. Returns how the
    /// board ended what it did: [`End::Done`] if nothing happened.
    ///
    /// # Errors
    /// Each [`Trouble`] but [`Trouble::Silent`] and [`Trouble::Refused`].
    pub fn serve(&mut self, quiet: Duration) -> Result<End, Trouble> {
        const AWAITED: &str = "the board to ask for storage or to restart";
        match self.event_within(Patience::by_the_clock(quiet), AWAITED)? {
            None => Ok(End::Done),
            Some(Event::Ready(0)) => {
                self.begin_anew();
                self.is_stale = false;
                Ok(End::Restarted { done: 0 })
            }
            Some(Event::PowerCut) => Ok(End::PowerCut { done: 0 }),
            Some(event) => Err(event.unexpected(AWAITED)),
        }
    }

    /// Starts again after the board has restarted without an order.
    fn begin_anew(&mut self) {
        self.moments = Moments::NEW;
        self.doings = Doings::NEW;
        self.next = 0;
        self.is_stale = true;
    }

    /// Follows a restart that came by itself. What was sent before or during it may have reached the board in part.
    /// The board's replies to that are over once it answers a question.
    fn catch_up(&mut self) -> Result<(), Trouble> {
        if !std::mem::take(&mut self.is_stale) {
            return Ok(());
        }
        self.line.send(&[0])?;
        self.line.say(&Order::Stack)?;
        loop {
            match self.event(STACK)? {
                Event::Stack(_) => return Ok(()),
                Event::Refused => {}
                event => return Err(event.unexpected(STACK)),
            }
        }
    }

    fn event(&mut self, awaited: &'static str) -> Result<Event, Trouble> {
        let patience = self.patience;
        self.event_within(patience, awaited)?.ok_or(Trouble::Silent { awaited, patience: patience.limit() })
    }

    /// The next event. Serves storage meanwhile. `None` if the board is silent for longer than `patience`.
    fn event_within(&mut self, patience: Patience, awaited: &'static str) -> Result<Option<Event>, Trouble> {
        let mut damaged = None;
        loop {
            let Some(bytes) = self.line.hear(patience, awaited)? else {
                return damaged.map_or(Ok(None), |error| Err(Trouble::Frame(error)));
            };
            let event = match (frame::decode::<Report<'_>>(bytes), damaged) {
                // A restart cuts a message short.
                (Err(error), None) => {
                    damaged = Some(error);
                    continue;
                }
                (Ok(Report::Ready { next: 0 }), _) => Event::Ready(0),
                (_, Some(error)) => return Err(Trouble::Frame(error)),
                (Ok(Report::Ready { next }), None) => Event::Ready(next),
                (Ok(Report::Did { doings }), None) => {
                    let mut rest = doings;
                    Event::Did(std::iter::from_fn(|| self.doings.read(&mut rest)).collect())
                }
                (Ok(Report::Refused), None) => Event::Refused,
                (Ok(Report::Stack { used, of }), None) => Event::Stack(Stack { used, of }),
                (Ok(Report::Ask(ask)), None) => {
                    let answer = match self.flash.answer(&ask) {
                        Reply::PowerCut => return Ok(Some(Event::PowerCut)),
                        Reply::Failed => Answer::Failed,
                        Reply::Done => Answer::Done,
                        Reply::Shown => {
                            self.line.show(self.flash.bytes())?;
                            Answer::Done
                        }
                    };
                    self.line.say(&Order::Answer(answer))?;
                    continue;
                }
            };
            return Ok(Some(event));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::flash::Cut;
    use super::super::sense::moment;
    use super::super::testing::{Flaws, any_inputs, board};
    use super::*;
    use crate::installation::{Installation, starter};
    use forewarm_core::quantity::Instant;
    use forewarm_core::settings::ValidSettings;
    use forewarm_core::signals::Inputs;
    use forewarm_core::{Memory, Unit};
    use proptest::prelude::*;
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    use std::os::unix::net::UnixStream;

    fn settings() -> ValidSettings {
        Installation::parse("starter", &starter()).unwrap().settings
    }

    /// A history of this many steps. Some are like the step before.
    fn history(steps: usize) -> Vec<(Instant, Inputs)> {
        let mut runner = TestRunner::deterministic();
        let mut inputs = Inputs::DEAD;
        let mut at_ms = 0;
        std::iter::repeat_with(|| {
            if any::<bool>().new_tree(&mut runner).unwrap().current() {
                inputs = any_inputs().new_tree(&mut runner).unwrap().current();
            }
            at_ms += 1000;
            (Instant::from_millis(at_ms), inputs)
        })
        .take(steps)
        .collect()
    }

    fn moments(history: &[(Instant, Inputs)]) -> Vec<Moment> {
        history.iter().map(|(now, inputs)| moment(*now, inputs, 16)).collect()
    }

    fn decided(unit: &mut Unit, history: &[(Instant, Inputs)]) -> Vec<Outputs> {
        history.iter().map(|(now, inputs)| unit.step(*now, inputs)).collect()
    }

    fn started(flaws: Flaws) -> Rig {
        let mut rig = board(settings(), flaws).0;
        assert_eq!(rig.start().unwrap(), End::Done);
        rig
    }

    #[test]
    fn every_step_is_handed_over_once_and_in_its_order_however_they_are_packed() {
        let history = history(1_500);
        let moments = moments(&history);
        let expected = decided(&mut Unit::new(&settings(), Memory::default()), &history);
        for pack in [1, 7, 1_500] {
            let mut rig = started(Flaws::default());
            let mut heard = Vec::new();
            for moments in moments.chunks(pack) {
                let before = heard.len();
                let end = rig.play(moments, |index, _, outputs| {
                    assert_eq!(index, heard.len() - before);
                    heard.push(*outputs);
                });
                assert_eq!(end.unwrap(), End::Done);
            }
            assert!(heard == expected, "packed by {pack}");
        }
    }

    #[test]
    fn storage_is_served_in_the_midst_of_an_order() {
        let mut rig = started(Flaws { writes_each: Some(10), ..Flaws::default() });
        let mut steps = 0;
        assert_eq!(rig.play(&moments(&history(200)), |_, _, _| steps += 1).unwrap(), End::Done);
        assert_eq!((steps, rig.flash().changes()), (200, 20));
        assert_eq!(rig.into_flash().bytes()[4..12], [1, 0, 0, 0, 2, 0, 0, 0]);
    }

    #[test]
    fn a_cut_of_the_power_ends_the_order_and_leaves_what_was_written_before() {
        let mut rig = started(Flaws { writes_each: Some(10), ..Flaws::default() });
        rig.flash().faults.cut = Some(Cut { after: 3, half: false });
        let mut steps = 0;
        let end = rig.play(&moments(&history(200)), |_, _, _| steps += 1).unwrap();
        assert_eq!(end, End::PowerCut { done: steps });
        assert!(steps < 40, "{steps}");
        assert_eq!(rig.into_flash().bytes()[8..16], [2, 0, 0, 0, 0xff, 0xff, 0xff, 0xff]);
    }

    #[test]
    fn after_a_restart_both_sides_begin_anew_whatever_was_under_way() {
        let history = history(300);
        let moments = moments(&history);
        for flaws in [
            Flaws { restarts_at: Some(1), ..Flaws::default() },
            Flaws { restarts_at: Some(120), ..Flaws::default() },
            Flaws { restarts_at_order: Some(2), ..Flaws::default() },
            Flaws { restarts_at_order: Some(3), ..Flaws::default() },
        ] {
            let mut rig = started(flaws);
            let mut done = 0;
            let end = rig.play(&moments[..200], |_, _, _| done += 1).unwrap();
            assert_eq!(end, End::Restarted { done }, "{flaws:?}");
            let mut heard = Vec::new();
            let again = rig.play(&moments[200..], |_, _, outputs| heard.push(*outputs)).unwrap();
            assert_eq!(again, End::Done, "{flaws:?}");
            assert_eq!(heard, decided(&mut Unit::new(&settings(), Memory::default()), &history[200..]), "{flaws:?}");
        }
    }

    #[test]
    fn the_stack_is_told_between_orders() {
        let mut rig = started(Flaws::default());
        assert_eq!(rig.stack().unwrap(), Stack { used: 1_234, of: 8_192 });
        assert_eq!(rig.play(&moments(&history(3)), |_, _, _| ()).unwrap(), End::Done);
        assert_eq!(rig.stack().unwrap(), Stack { used: 1_234, of: 8_192 });
    }

    #[test]
    fn a_board_that_is_not_built_to_hang_says_so() {
        let mut rig = started(Flaws::default());
        assert!(matches!(rig.hang(), Err(Trouble::Refused { order: "to hang" })));
    }

    #[test]
    fn a_silent_board_and_one_that_goes_are_told_apart() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let patience = Patience::by_the_clock(Duration::from_millis(50));
        let mut rig = Rig::new(Line::new(ours), Flash::default(), patience);
        assert!(matches!(rig.start(), Err(Trouble::Silent { .. })));
        drop(theirs);
        assert!(matches!(rig.start(), Err(Trouble::Closed { .. })));
    }

    #[test]
    fn garbage_is_no_report() {
        use std::io::Write;
        let (ours, mut theirs) = UnixStream::pair().unwrap();
        let mut rig = Rig::new(Line::new(ours), Flash::default(), Patience::by_the_clock(Duration::from_millis(50)));
        theirs.write_all(&[1, 2, 3, 0, 4, 5, 0]).unwrap();
        assert!(matches!(rig.start(), Err(Trouble::Frame(_))));
        theirs.write_all(&[1, 2, 3, 0]).unwrap();
        assert!(matches!(rig.start(), Err(Trouble::Frame(_))), "damage, and then silence");
    }
}
