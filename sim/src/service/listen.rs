//! Listens to one controller for as long as it is asked to: through pulled plugs, garbage and restarts of either side.
//!
//! ```text
//! open ─▶ who is it? ─▶ settings, events, totals ─▶ hear ─┬─▶ keep
//!  ▲                                                      └─▶ show
//!  └── wait, longer each time ◀── the line has vanished ──┘
//! ```
//!
//! What is heard is shown to a [`Show`] and kept by a [`Store`]. Neither the one nor the other stops the listening: only
//! the user does, and a first connection that finds no controller.

use super::address::Address;
use super::clock::{Clock, Moment};
use super::heard::{Heard, Identity};
use super::link::{Link, PATIENCE, TRIES, Trouble, Verdict};
use super::port::{Port, Wire};
use super::reader::Reader;
use super::seems::Seems;
use super::store::{Absence, NotKept, Store, has_changed};
use crate::diagnostic::Problem;
use forewarm_core::journal::Counters;
use forewarm_core::settings::Settings;
use forewarm_core::wire::record;
use forewarm_core::wire::service::{Kept, Request, Telemetry};
use jiff::Timestamp;
use std::io;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Steps between two telemetry messages, as after a start of the controller.
const TELEMETRY_EVERY: u16 = 10;

/// How long the first answer may take each time. The slowest erasure of a board takes four seconds.
const FIRST_PATIENCE: Duration = Duration::from_secs(2);

/// Silence after which something is wrong: four messages that should have come.
const SILENCE: Duration = Duration::from_secs(45);

/// Time on the host's clock (ms) between two messages in which this program cannot have listened: it would have noticed the silence.
const SLEPT_MS: i64 = 90_000;

/// Time between two questions who is there, while nobody says anything.
const KNOCK: Duration = Duration::from_secs(20);

/// Time between two readings of the totals and counts.
const MINUTE: Duration = Duration::from_mins(1);

/// Time between two readings of the events. Changes come as telemetry anyhow.
const EVENTS: Duration = Duration::from_mins(10);

/// The first wait for a line to come back, and the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// What happens while somebody listens.
#[derive(Debug)]
pub enum Said<'s> {
    /// A controller is there.
    Connected {
        /// When.
        utc_ms: i64,
        /// Who it is.
        identity: &'s Identity,
        /// Since when nothing is kept of it, and why, if the file knew it before.
        since: Option<(i64, Absence)>,
    },
    /// The controller has started again.
    Restarted {
        /// When this was heard.
        utc_ms: i64,
        /// Who it is now.
        identity: &'s Identity,
    },
    /// The state of things.
    Telemetry {
        /// When it was heard.
        utc_ms: i64,
        /// On the controller's clock, since its start.
        at_ms: i64,
        /// What it is.
        telemetry: &'s Telemetry,
        /// The settings in force, if they could be read.
        settings: Option<&'s Settings>,
        /// Whether something has changed that a person would want to see in its moment.
        changed: bool,
    },
    /// Events that the controller had kept.
    Events {
        /// All of them, or those that are new.
        events: &'s [Kept],
    },
    /// The totals.
    Totals {
        /// When they were heard.
        utc_ms: i64,
        /// What they are.
        totals: &'s Counters,
    },
    /// Nothing is heard any more.
    Lost {
        /// When this showed.
        utc_ms: i64,
        /// Why.
        because: Absence,
        /// In words.
        detail: String,
    },
    /// The file does not take what is to be kept.
    NotKept {
        /// Why.
        not_kept: &'s NotKept,
    },
    /// The file takes it again.
    KeptAgain {
        /// How much it did not take meanwhile.
        rows: u64,
    },
}

/// Somebody who is shown what happens.
pub trait Show {
    /// Shows it. Breaks off if nobody looks any more.
    fn show(&mut self, said: &Said<'_>) -> ControlFlow<()>;
}

/// Why the listening has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// The user has asked for it.
    Stopped,
    /// Nobody looks at what is shown.
    Unread,
}

/// Why the talk over one line has ended.
enum Leave {
    Ended(Ended),
    Vanished(io::Error),
    NoController(Problem),
}

impl From<io::Error> for Leave {
    fn from(error: io::Error) -> Self {
        Self::Vanished(error)
    }
}

/// Listens at `address` until `stop` is set or nobody looks. Keeps in `store` what it hears, if there is one.
///
/// # Errors
/// If the line cannot be opened the first time, or if nobody on it is a controller. After that nothing fails.
pub fn listen(
    address: &Address,
    store: Option<Store>,
    show: &mut dyn Show,
    stop: &AtomicBool,
) -> Result<Ended, Problem> {
    let mut listener = Listener {
        address,
        keeper: Keeper { store, not_kept: 0, failing: None },
        show,
        stop,
        began: Instant::now(),
        began_utc_ms: utc_ms(),
        clock: Clock::default(),
        identity: None,
        settings: None,
        latest: None,
        lost: None,
        heard_utc_ms: None,
        next_event: 0,
        events: Vec::new(),
    };
    listener.run()
}

/// Now, on the host's clock.
#[must_use]
pub fn utc_ms() -> i64 {
    Timestamp::now().as_millisecond()
}

/// Keeps what can be kept, and counts the rest.
struct Keeper {
    store: Option<Store>,
    /// Since this program began.
    not_kept: u64,
    /// Since the file has failed, and when that was.
    failing: Option<(i64, u64)>,
}

impl Keeper {
    /// Does something with the file, if there is one. `rows` are lost if it fails.
    fn keep<T>(
        &mut self,
        show: &mut dyn Show,
        rows: u64,
        work: impl FnOnce(&mut Store) -> Result<T, NotKept>,
    ) -> Result<Option<T>, Leave> {
        let Some(store) = &mut self.store else { return Ok(None) };
        match work(store) {
            // Something small may find room where a row does not.
            Ok(done) if rows == 0 => Ok(Some(done)),
            Ok(done) => {
                let Some((since, lost)) = self.failing.take() else { return Ok(Some(done)) };
                // The gap itself is kept as far as there is room for it.
                let _ = store.gap(since, utc_ms(), Absence::NotKept, lost);
                shown(show.show(&Said::KeptAgain { rows: lost }))?;
                Ok(Some(done))
            }
            Err(not_kept) => {
                self.not_kept += rows;
                let is_new = self.failing.is_none();
                let (_, lost) = self.failing.get_or_insert((utc_ms(), 0));
                *lost += rows;
                if is_new {
                    shown(show.show(&Said::NotKept { not_kept: &not_kept }))?;
                }
                Ok(None)
            }
        }
    }
}

fn shown(flow: ControlFlow<()>) -> Result<(), Leave> {
    match flow {
        ControlFlow::Continue(()) => Ok(()),
        ControlFlow::Break(()) => Err(Leave::Ended(Ended::Unread)),
    }
}

struct Listener<'l> {
    address: &'l Address,
    keeper: Keeper,
    show: &'l mut dyn Show,
    stop: &'l AtomicBool,
    began: Instant,
    began_utc_ms: i64,
    clock: Clock,
    identity: Option<Identity>,
    settings: Option<Settings>,
    latest: Option<Telemetry>,
    /// Nothing has been heard since then, and why.
    lost: Option<(i64, Absence)>,
    /// When something was heard last.
    heard_utc_ms: Option<i64>,
    /// The number of the first event that is not kept yet.
    next_event: u32,
    /// Events of an answer whose end has not come yet.
    events: Vec<Kept>,
}

/// When something is due on an open line.
struct Due {
    minute: Instant,
    events: Instant,
    knock: Instant,
    /// When something was heard last.
    heard: Instant,
}

impl Listener<'_> {
    fn run(&mut self) -> Result<Ended, Problem> {
        let mut reader = Reader::default();
        let mut wait = WAITS.0;
        let mut is_first = true;
        loop {
            let left = match Port::open(self.address) {
                Err(problem) if is_first => return Err(problem),
                Err(problem) => self.lose(Absence::Unplugged, &problem.message),
                Ok(port) => {
                    let before = *reader.tally();
                    let mut link = Link::new(port, reader);
                    let left = self.talk(&mut link, is_first);
                    let tally = link.tally().since(&before);
                    let not_kept = self.keeper.not_kept;
                    let counted = self.keeper.keep(self.show, 0, |store| store.count(&tally, not_kept, utc_ms()));
                    reader = link.into_reader();
                    match left {
                        Err(Leave::NoController(problem)) => return Err(problem),
                        Err(Leave::Vanished(error)) => {
                            wait = if self.lost.is_some() { wait } else { WAITS.0 };
                            counted.and_then(|_| self.lose(Absence::Unplugged, &error.to_string()))
                        }
                        Err(ended @ Leave::Ended(_)) => Err(ended),
                        Ok(never) => match never {},
                    }
                }
            };
            if let Err(Leave::Ended(ended)) = left {
                return Ok(ended);
            }
            is_first = false;
            if self.sleeps_through(wait) {
                return Ok(Ended::Stopped);
            }
            wait = (wait * 2).min(WAITS.1);
        }
    }

    /// Waits, and returns whether the user has had enough meanwhile.
    fn sleeps_through(&self, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        while Instant::now() < until {
            if self.stop.load(Ordering::Relaxed) {
                return true;
            }
            std::thread::sleep(Duration::from_millis(100).min(wait));
        }
        false
    }

    /// Notes that nothing is heard, and says so once.
    fn lose(&mut self, because: Absence, detail: &str) -> Result<(), Leave> {
        if self.lost.is_some() {
            return Ok(());
        }
        let utc_ms = utc_ms();
        self.lost = Some((self.heard_utc_ms.unwrap_or(utc_ms), because));
        shown(self.show.show(&Said::Lost { utc_ms, because, detail: detail.to_owned() }))
    }

    /// Talks over one line for as long as there is one.
    fn talk<W: Wire>(&mut self, link: &mut Link<W>, is_first: bool) -> Result<std::convert::Infallible, Leave> {
        let line = self.address.to_string();
        self.keeper.keep(self.show, 0, |store| store.connected(&line, utc_ms()))?;
        if is_first {
            // Somebody waits in front of the screen, and the line may be the wrong one.
            let identity = link.ask(&Request::Identify, FIRST_PATIENCE, TRIES, |message| match message {
                Heard::Identity(identity) => Verdict::Answer(identity),
                other => Verdict::Aside(other),
            });
            match identity {
                Ok(identity) => self.introduce(link, identity)?,
                Err(Trouble::Vanished(error)) => return Err(error.into()),
                Err(Trouble::Unanswered) => {
                    let seems = link.why_unanswered();
                    let problem = Problem::error(&line, format!("no controller answers: {}", seems.words()));
                    return Err(Leave::NoController(problem.remedy(seems.remedy())));
                }
            }
        } else {
            link.say(&Request::Identify)?;
        }
        let now = Instant::now();
        let mut due = Due { minute: now + MINUTE, events: now + EVENTS, knock: now + KNOCK, heard: now };
        let mut is_introduced = is_first;
        loop {
            if self.stop.load(Ordering::Relaxed) {
                return Err(Leave::Ended(Ended::Stopped));
            }
            if let Some(message) = link.hear()? {
                due.heard = Instant::now();
                match message {
                    Heard::Identity(identity) if is_introduced => self.presented(link, identity)?,
                    Heard::Identity(identity) => {
                        self.introduce(link, identity)?;
                        is_introduced = true;
                    }
                    // Whose it is, is not known yet.
                    _ if !is_introduced => {}
                    message => self.take(link, &message)?,
                }
            }
            self.look_after(link, &mut due)?;
        }
    }

    /// Does what is due by the time.
    fn look_after<W: Wire>(&mut self, link: &mut Link<W>, due: &mut Due) -> Result<(), Leave> {
        let now = Instant::now();
        if now.duration_since(due.heard) >= SILENCE {
            let detail = match link.seems() {
                Seems::Silence => "nothing comes over the line".to_owned(),
                seems => seems.words(),
            };
            self.lose(Absence::Silent, &detail)?;
            if now >= due.knock {
                due.knock = now + KNOCK;
                link.say(&Request::Identify)?;
            }
        }
        if now >= due.minute {
            due.minute = now + MINUTE;
            link.say(&Request::ReadTotals)?;
            let (tally, not_kept) = (*link.tally(), self.keeper.not_kept);
            self.keeper.keep(self.show, 0, |store| store.count(&tally, not_kept, utc_ms()))?;
        }
        if now >= due.events {
            due.events = now + EVENTS;
            link.say(&Request::ReadEvents { from: self.next_event })?;
        }
        Ok(())
    }

    /// A controller has said who it is on a line that was just opened. Asks for everything else.
    fn introduce<W: Wire>(&mut self, link: &mut Link<W>, identity: Identity) -> Result<(), Leave> {
        let events = read_events(link, 0)?;
        self.read_settings(link)?;
        let met = self.keeper.keep(self.show, 0, |store| store.meet(&identity, &events))?;
        let utc_ms = utc_ms();
        let left_off = met.flatten();
        let newest = events.iter().map(|kept| kept.start).max();
        match left_off {
            Some(left_off) => {
                self.clock = Clock::resumed(left_off.controller_ms, left_off.host_utc_ms);
                if left_off.start_number.is_some_and(|known| newest.is_some_and(|newest| newest > known)) {
                    self.clock.restarted();
                }
            }
            // Nobody knows this one.
            None if self.keeper.store.is_some() => self.clock = Clock::default(),
            None => {}
        }
        let since = match (self.lost.take(), left_off) {
            (Some(lost), _) => Some(lost),
            (None, Some(left_off)) => Some((left_off.host_utc_ms, Absence::NotListening)),
            (None, None) => None,
        };
        if let Some((from, because)) = since {
            self.keeper.keep(self.show, 0, |store| store.gap(from, utc_ms, because, 0))?;
        }
        shown(self.show.show(&Said::Connected { utc_ms, identity: &identity, since }))?;
        self.identity = Some(identity);
        self.latest = None;
        self.heard_utc_ms = Some(utc_ms);
        self.keep_events(&events)?;
        // One that was told to be silent by somebody else speaks again.
        link.say(&Request::SendTelemetry { every: TELEMETRY_EVERY })?;
        link.say(&Request::ReadTotals)?;
        Ok(())
    }

    /// A controller has said who it is in the middle of a talk: it has started, or it was knocked at.
    fn presented<W: Wire>(&mut self, link: &mut Link<W>, identity: Identity) -> Result<(), Leave> {
        self.clock.presented();
        if self.identity.as_ref() != Some(&identity) {
            self.identity = Some(identity);
            self.read_settings(link)?;
        }
        Ok(())
    }

    fn read_settings<W: Wire>(&mut self, link: &mut Link<W>) -> Result<(), Leave> {
        let read = link.ask(&Request::ReadSettings, PATIENCE, TRIES, |message| match message {
            Heard::Settings { origin, record } => Verdict::Answer(Some((origin, record))),
            Heard::Refused(_) => Verdict::Answer(None),
            other => Verdict::Aside(other),
        });
        self.settings = None;
        match read {
            Ok(Some((origin, bytes))) => {
                self.settings = record::decode(&bytes).ok();
                self.keeper.keep(self.show, 0, |store| store.settings(origin, &bytes, utc_ms()))?;
            }
            // It goes on without; the coldest cell is then the coldest of all.
            Ok(None) | Err(Trouble::Unanswered) => {}
            Err(Trouble::Vanished(error)) => return Err(error.into()),
        }
        Ok(())
    }

    fn take<W: Wire>(&mut self, link: &mut Link<W>, message: &Heard) -> Result<(), Leave> {
        let utc_ms = utc_ms();
        match message {
            Heard::Telemetry(telemetry) => self.telemetry(link, telemetry, utc_ms)?,
            Heard::Totals(totals) => {
                self.keeper.keep(self.show, 1, |store| store.totals(totals, utc_ms))?;
                shown(self.show.show(&Said::Totals { utc_ms, totals }))?;
            }
            Heard::Event(kept) if self.events.len() < EVENTS_AT_ONCE => self.events.push(*kept),
            Heard::Done => {
                let events = std::mem::take(&mut self.events);
                self.keep_events(&events)?;
            }
            Heard::Event(_)
            | Heard::Identity(_)
            | Heard::Settings { .. }
            | Heard::Accepted { .. }
            | Heard::Refused(_) => {}
        }
        self.heard_utc_ms = Some(utc_ms);
        Ok(())
    }

    fn telemetry<W: Wire>(&mut self, link: &mut Link<W>, telemetry: &Telemetry, utc_ms: i64) -> Result<(), Leave> {
        let host_ms = self.began_utc_ms + i64::try_from(self.began.elapsed().as_millis()).unwrap_or(i64::MAX);
        let (at_ms, is_first) = match self.clock.place(telemetry.now, host_ms) {
            Moment::Doubled => {
                link.count_doubled();
                return Ok(());
            }
            Moment::First { at_ms } => (at_ms, true),
            Moment::Later { at_ms } => (at_ms, false),
        };
        // This computer may have slept, and noticed nothing.
        let slept = self.heard_utc_ms.filter(|heard| utc_ms - heard >= SLEPT_MS);
        let was_lost = self.lost.take().or_else(|| slept.map(|heard| (heard, Absence::NotListening)));
        if let Some((from, because)) = was_lost {
            self.keeper.keep(self.show, 0, |store| store.gap(from, utc_ms, because, 0))?;
        }
        if is_first {
            if let Some(store) = &mut self.keeper.store {
                store.started(self.identity.as_ref(), utc_ms - at_ms);
            }
            if let (Some(identity), Some(_)) = (&self.identity, &self.latest) {
                shown(self.show.show(&Said::Restarted { utc_ms, identity }))?;
            }
            self.latest = None;
        }
        self.keeper.keep(self.show, 1, |store| store.telemetry(at_ms, telemetry, utc_ms))?;
        // Whoever was told that nothing is heard must see that it is.
        let changed = was_lost.is_some() || self.latest.as_ref().is_none_or(|latest| has_changed(latest, telemetry));
        let settings = self.settings.as_ref();
        shown(self.show.show(&Said::Telemetry { utc_ms, at_ms, telemetry, settings, changed }))?;
        self.latest = Some(*telemetry);
        Ok(())
    }

    fn keep_events(&mut self, events: &[Kept]) -> Result<(), Leave> {
        let Some(newest) = events.iter().map(|kept| kept.number).max() else { return Ok(()) };
        let rows = events.len() as u64;
        let kept = self.keeper.keep(self.show, rows, |store| store.events(events, utc_ms()))?;
        // What was not kept is asked for again.
        if kept.is_some() || self.keeper.store.is_none() {
            self.next_event = newest.saturating_add(1);
        }
        shown(self.show.show(&Said::Events { events }))
    }
}

/// More events than any controller keeps.
const EVENTS_AT_ONCE: usize = 256;

/// The events that the controller has kept. None if it does not answer: they are asked for again later.
fn read_events<W: Wire>(link: &mut Link<W>, from: u32) -> Result<Vec<Kept>, Leave> {
    let mut events: Vec<Kept> = Vec::new();
    let read = link.ask(&Request::ReadEvents { from }, PATIENCE, TRIES, |message| match message {
        Heard::Event(kept) => {
            // A repeated request brings them again.
            if events.len() < EVENTS_AT_ONCE && !events.contains(&kept) {
                events.push(kept);
            }
            Verdict::Part
        }
        Heard::Done => Verdict::Answer(()),
        other => Verdict::Aside(other),
    });
    match read {
        Ok(()) | Err(Trouble::Unanswered) => Ok(events),
        Err(Trouble::Vanished(error)) => Err(error.into()),
    }
}
