//! The full charge permit: whether sources in two steps may give all they can.
//!
//! It goes with the charge permit while the full currents of all sources that do not obey the ceiling stay within it.
//! It is lost in the step in which they do not. It comes back only after they have stayed within the ceiling for the
//! soak time: a reading leads the core of the cells here as it does at release, and a relay that waits so long does not
//! chatter.

#[cfg(feature = "leap")]
use crate::leap::steps_before;
use crate::quantity::Millis;
use crate::settings::{Charge, Settings};
use crate::signals::Relay;

/// The full charge permit.
#[derive(Clone, Debug, Hash)]
pub(crate) struct FullPermit {
    /// How long the full currents must have fitted. Nothing if no source has steps: it then equals the charge permit.
    after: Option<Millis>,
    fitted_for: Millis,
}

/// What a step says of the full currents.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fit {
    /// They stay within the ceiling.
    Fits,
    /// Nobody knows for a moment, and what has passed still counts.
    Unknown,
    /// They do not, or nobody has known for long.
    Exceeds,
}

impl FullPermit {
    pub(crate) fn new(settings: &Settings) -> Self {
        let Charge { soak, min_off, .. } = settings.charge;
        let has_steps = settings.sources.iter().any(|source| source.charge.has_steps());
        Self { after: has_steps.then(|| soak.max(min_off)), fitted_for: Millis::ZERO }
    }

    /// Whether there is anything to judge: some source has steps.
    pub(crate) const fn is_judged(&self) -> bool {
        self.after.is_some()
    }

    /// Counts a step. Where charge is refused there is nothing to count.
    pub(crate) fn judge(&mut self, credited: Millis, fit: Fit) {
        let Some(after) = self.after else { return };
        self.fitted_for = match fit {
            Fit::Fits => self.fitted_for.plus(credited).min(after),
            Fit::Unknown => self.fitted_for,
            Fit::Exceeds => Millis::ZERO,
        };
    }

    /// For how many steps the permit stays as it is while this holds.
    #[cfg(feature = "leap")]
    pub(crate) fn quiet(&self, step: Millis, fit: Fit) -> u32 {
        match (self.after, fit) {
            (Some(after), Fit::Fits) if self.fitted_for < after => steps_before(self.fitted_for, after, step),
            (Some(_), Fit::Exceeds) if !self.fitted_for.is_zero() => 0,
            _ => u32::MAX,
        }
    }

    /// The guard has taken it away.
    #[cold]
    pub(crate) fn lose(&mut self) {
        self.fitted_for = Millis::ZERO;
    }

    /// The relay, beside that of charge.
    pub(crate) fn relay(&self, charge: Relay) -> Relay {
        match self.after {
            Some(after) if self.fitted_for < after => Relay::Open,
            Some(_) | None => charge,
        }
    }
}
