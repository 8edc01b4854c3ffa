//! A replay as it is shown.

use super::record::Logged;
use crate::chart::Season;
use crate::season::{Film, Held, Moment};
use crate::withheld::Withheld;
use forewarm_core::journal::Counters;
use forewarm_core::settings::MAX_SOURCES;

/// Records what a chart shows of a replay.
pub(super) struct Picture {
    film: Film,
    sources: usize,
    /// The time of the step before (ms), and the energy spent on heat by then (µJ), the bank's last.
    before: (i64, [u64; MAX_SOURCES + 1]),
}

impl Picture {
    /// A picture with so many sources.
    pub(super) const fn new(film: Film, sources: usize) -> Self {
        Self { film, sources, before: (0, [0; MAX_SOURCES + 1]) }
    }

    #[inline]
    pub(super) fn step(&mut self, moment: &Moment<'_>, logged: Logged, withheld: Withheld) {
        let Moment { at, unit, inputs, outputs } = *moment;
        let charge = inputs.state_of_charge.map(|charge| f64::from(charge.as_steps()) / 65_536.0);
        self.film.see(at / 1000, moment, charge);
        let logged = (logged.charge == Some(true), logged.heater == Some(true));
        let refused = withheld.charge;
        self.film.hold(at / 1000, &Held { outputs, sources: inputs.sources, refused, logged });
        let spent = spent(unit.counters());
        let (since, before) = std::mem::replace(&mut self.before, (at, spent));
        if spent != before {
            let grown = |index: usize| watt_hours(spent[index] - before[index]);
            let order = (0..self.sources).chain([MAX_SOURCES]);
            self.film.add(0, (since / 1000, at / 1000), order.map(grown));
        }
    }

    pub(super) fn skip(&mut self, from: i64, to: i64) {
        self.film.skip(from / 1000, to / 1000);
    }

    /// The recording of a log that ended at `end`.
    pub(super) fn develop(self, end: i64) -> Season {
        self.film.develop(end / 1000)
    }
}

fn spent(counters: &Counters) -> [u64; MAX_SOURCES + 1] {
    let mut spent = [counters.bank_energy_uj; MAX_SOURCES + 1];
    spent[..MAX_SOURCES].copy_from_slice(&counters.source_energy_uj);
    spent
}

#[expect(clippy::cast_precision_loss, reason = "what one step spends")]
fn watt_hours(microjoules: u64) -> f64 {
    microjoules as f64 / 3.6e9
}
