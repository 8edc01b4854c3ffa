//! Decides what is kept when, and what follows if it could not be kept.
//!
//! Latched faults are kept in the step in which they latch. Events follow as they come, as far as the [`Brake`] allows,
//! because memory wears. Totals are kept once an hour. If keeping fails, the controller learns of it and keeps the
//! heater off.

use crate::countdown::Countdown;
use crate::kept::brake::Brake;
use crate::kept::{Kept, KeptError, SCRATCH};
use crate::log::warning;
use embedded_storage::nor_flash::NorFlash;
use forewarm_core::fault::SystemFaults;
use forewarm_core::journal::{Counters, Event};
use forewarm_core::quantity::Instant;
use forewarm_core::settings::Settings;
use forewarm_core::signals::Storage;
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Misfit, Refusal, Unfit};
use forewarm_core::{Memory, Unit};

/// Steps until something that could not be kept is tried again, if it has not changed. On worn memory each try may take
/// a second.
const TRY_AGAIN: u16 = 60;

/// Steps between two keepings of the totals: an hour at the nominal pace.
const TOTALS_EVERY: u16 = 3600;

/// Uploads that are taken until the program has run for an hour without a restart. A fitter tries fewer in an
/// afternoon, and nobody can keep the outputs off with so few. Common practice, no source.
const MOST_UPLOADS: u8 = 6;

/// What is kept, and what is known about it.
pub(crate) struct Archive<S: NorFlash> {
    pub(crate) kept: Kept<S>,
    /// Whether what must survive is kept.
    pub(crate) health: Storage,
    /// What was to be kept last, even if it was not.
    tried: Option<Memory>,
    /// Totals of all starts before this one.
    pub(crate) before: Counters,
    /// The latest event that was kept or held back.
    event: Option<Event>,
    brake: Brake,
    /// Events that were not kept.
    pub(crate) dropped: u32,
    try_again: Countdown,
    totals: Countdown,
}

impl<S: NorFlash> Archive<S> {
    pub(crate) fn new(storage: S) -> Self {
        Self {
            kept: Kept::new(storage),
            health: Storage::Kept,
            tried: None,
            before: Counters::default(),
            event: None,
            brake: Brake::new(),
            dropped: 0,
            try_again: Countdown::every(TRY_AGAIN),
            totals: Countdown::every(TOTALS_EVERY),
        }
    }

    /// The memory that survived the restart.
    pub(crate) fn recall(&mut self, room: &mut [u8; SCRATCH]) -> Memory {
        self.kept.open(room);
        // No one's safety depends on totals that cannot be read.
        self.before = self.kept.totals(room).ok().flatten().unwrap_or_default();
        let memory = self.kept.memory();
        if let Err(error) = memory {
            self.fails(error);
        }
        memory_or_all_latched(memory)
    }

    /// Keeps what is new in `unit` since the step before.
    pub(crate) fn keep(&mut self, room: &mut [u8; SCRATCH], unit: &Unit, now: Instant) {
        let memory = unit.memory();
        let is_new = self.tried.replace(memory) != Some(memory);
        if self.health == Storage::Kept || self.try_again.is_over() || is_new {
            let mut kept = self.kept.keep_memory(room, memory);
            if self.health == Storage::Failing {
                // The memory may already be there, and then nothing is written. Totals are always written.
                kept = kept.and_then(|()| self.kept.keep_totals(room, &self.before.plus(unit.counters())));
            }
            match kept {
                Ok(()) => self.health = Storage::Kept,
                Err(error) => self.fails(error),
            }
        }
        let event = unit.journal().latest();
        if self.event != event {
            self.event = event;
            if let Some(event) = event.filter(|_| self.health == Storage::Kept && self.brake.allows(now)) {
                let kept = self.kept.keep_event(room, &event);
                self.dropped = self.dropped.saturating_add(u32::from(kept.is_err()));
                self.note(kept);
            } else {
                self.dropped = self.dropped.saturating_add(1);
            }
        }
        if self.totals.is_over() && self.health == Storage::Kept {
            let forgotten = self.kept.forget_uploads(room);
            self.note(forgotten);
            let kept = self.kept.keep_totals(room, &self.before.plus(unit.counters()));
            self.note(kept);
        }
    }

    /// Whether settings may be replaced: the new ones are valid and suit the board, they replace those that they mean to
    /// replace, and there were not too many uploads lately.
    #[inline(never)]
    pub(crate) fn may_replace(
        &self,
        replaces: Fingerprint,
        new: &[u8],
        in_force: Fingerprint,
        suits: fn(&Settings) -> Result<(), Misfit>,
    ) -> Result<(), Refusal> {
        if replaces != in_force {
            return Err(Refusal::NotTheOnesInForce { fingerprint: in_force });
        }
        fitness(new, suits).map_err(Refusal::Unfit)?;
        if self.kept.uploads() >= MOST_UPLOADS { Err(Refusal::TooMany) } else { Ok(()) }
    }

    /// Keeps other settings, and hands back the fingerprint of what can be read back.
    #[inline(never)]
    pub(crate) fn replace(
        &mut self,
        room: &mut [u8; SCRATCH],
        memory: Option<Memory>,
        new: &[u8],
    ) -> Result<Fingerprint, Refusal> {
        // Without a unit, nothing has latched since the start.
        let memory = memory.unwrap_or_else(|| memory_or_all_latched(self.kept.memory()));
        self.kept.keep_record(room, memory, new).map_err(|error| {
            self.fails(error);
            Refusal::NotKept
        })?;
        Ok(record::fingerprint(new))
    }

    fn note(&mut self, kept: Result<(), KeptError>) {
        if let Err(error) = kept {
            self.fails(error);
        }
    }

    fn fails(&mut self, error: KeptError) {
        warning!("what must survive a restart is not kept: {}", error);
        self.health = Storage::Failing;
    }
}

/// Whether a record holds valid settings that suit the board. Apart from keeping it, so that the stack holds only one of the two.
#[inline(never)]
fn fitness(record: &[u8], suits: fn(&Settings) -> Result<(), Misfit>) -> Result<(), Unfit> {
    let mut is_fit = true;
    // By reference: a move would take room for another.
    match &record::decode(record) {
        Ok(settings) => {
            settings.check(|_| is_fit = false);
            if is_fit { suits(settings).map_err(Unfit::Misfit) } else { Err(Unfit::Settings) }
        }
        Err(error) => Err(Unfit::Record(*error)),
    }
}

/// A memory that cannot be read may have held a welded relay. So every fault that latches then counts as latched, and
/// someone must look and press the button.
fn memory_or_all_latched(memory: Result<Option<Memory>, KeptError>) -> Memory {
    match memory {
        Ok(memory) => memory.unwrap_or_default(),
        Err(_) => Memory { latched: SystemFaults::LATCHED, ..Memory::default() },
    }
}
