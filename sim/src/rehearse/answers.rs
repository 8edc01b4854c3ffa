//! What a fitter asks of a season: how long after a source comes on the bank may be charged, the longest stretch without
//! charge, and how much heat served nothing.

use super::stage::{Glimpse, Watcher};
use crate::bank::Flow;
use crate::offer::Offer;
use forewarm_core::settings::MAX_SOURCES;
use forewarm_core::signals::{Outputs, Relay};

/// Heat is in vain if the heater and charge stay off for so long after it (s), and nothing was charged meanwhile. Common
/// practice, no source: an insulated bank cools by a few kelvins in this time.
const COOLED_S: f64 = 6.0 * 3600.0;

/// The answers, as a season is played.
#[derive(Clone, Debug, Default)]
pub struct Answers {
    waits: [Waits; MAX_SOURCES],
    /// Since when nothing has been charged (s), and the longest such time so far (s).
    uncharged_since_s: f64,
    longest_uncharged_s: f64,
    /// Heat that has served nothing so far (Wh), and for how long heater and charge have been off since (s).
    unserved_wh: f64,
    off_s: f64,
    in_vain_wh: f64,
    load_ah: f64,
    span_s: f64,
}

/// One source.
#[derive(Clone, Debug, Default)]
struct Waits {
    /// Since when it has been present (s). `None` while it is away.
    since_s: Option<f64>,
    /// Whether charge has been permitted since then.
    was_permitted: bool,
    offers: usize,
    /// Every wait that came to a permit.
    ended: Vec<Span>,
}

/// From when a source came on to the charge permit (s since the start of the season).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// When it came on.
    pub from_s: f64,
    /// When charge was permitted.
    pub to_s: f64,
}

impl Span {
    /// Its length (s).
    #[must_use]
    pub fn length_s(self) -> f64 {
        self.to_s - self.from_s
    }
}

/// How long a source had to wait.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wait {
    /// Times the source came on.
    pub offers: usize,
    /// Times of these that charge was permitted before it went off.
    pub permitted: usize,
    /// From its start to the permit, where there was one: half of the waits are shorter (s). 0 if charge was already
    /// permitted. `None` if there never was a permit.
    pub median_s: Option<f64>,
    /// One of middle length, for example.
    pub usual: Option<Span>,
    /// The longest.
    pub worst: Option<Span>,
}

impl Answers {
    /// How long the source at this place in the settings had to wait.
    #[must_use]
    pub fn wait(&self, source: usize) -> Option<Wait> {
        let Waits { offers, ended, .. } = self.waits.get(source)?;
        let mut waits = ended.clone();
        waits.sort_by(|a, b| a.length_s().total_cmp(&b.length_s()));
        let middle = waits.len() / 2;
        let usual = waits.get(middle).copied();
        let median_s = usual.map(|usual| match waits.len() {
            even if even.is_multiple_of(2) => f64::midpoint(waits[middle - 1].length_s(), usual.length_s()),
            _ => usual.length_s(),
        });
        Some(Wait { offers: *offers, permitted: waits.len(), median_s, usual, worst: waits.last().copied() })
    }

    /// The longest stretch in which no current charged the bank (s).
    #[must_use]
    pub fn longest_without_charge_s(&self) -> f64 {
        self.longest_uncharged_s.max(self.span_s - self.uncharged_since_s)
    }

    /// Heat after which the cells cooled again, and nothing had been charged (Wh).
    #[must_use]
    pub const fn heat_in_vain_wh(&self) -> f64 {
        self.in_vain_wh
    }

    /// What the loads took (Ah).
    #[must_use]
    pub const fn load_ah(&self) -> f64 {
        self.load_ah
    }

    fn wait_for_permit(&mut self, from_s: f64, charge: Relay, offer: &Offer) {
        for (source, waits) in self.waits.iter_mut().enumerate() {
            if !offer.sources.contains(source) {
                waits.since_s = None;
                continue;
            }
            if waits.since_s.is_none() {
                waits.offers += 1;
                waits.was_permitted = false;
            }
            let since_s = *waits.since_s.get_or_insert(from_s);
            if charge == Relay::Closed && !waits.was_permitted {
                waits.was_permitted = true;
                waits.ended.push(Span { from_s: since_s, to_s: from_s });
            }
        }
    }

    fn serve(&mut self, span_s: f64, outputs: &Outputs, flow: &Flow) {
        self.unserved_wh += flow.heater_w * span_s / 3600.0;
        if flow.charge_a > 0.0 {
            self.unserved_wh = 0.0;
        }
        let is_off = (outputs.heater, outputs.charge) == (Relay::Open, Relay::Open);
        self.off_s = if is_off { self.off_s + span_s } else { 0.0 };
        if self.off_s >= COOLED_S {
            self.in_vain_wh += std::mem::take(&mut self.unserved_wh);
        }
    }
}

impl Watcher for Answers {
    const WATCHES: bool = false;

    fn look(&mut self, _: &Glimpse<'_>) {}

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow) {
        if to_s <= from_s {
            return;
        }
        self.wait_for_permit(from_s, outputs.charge, offer);
        if flow.charge_a > 0.0 {
            self.longest_uncharged_s = self.longest_uncharged_s.max(from_s - self.uncharged_since_s);
            self.uncharged_since_s = to_s;
        }
        self.serve(to_s - from_s, outputs, flow);
        if flow.bus_v > 0.0 {
            self.load_ah += (offer.load_w - flow.unmet_w) / flow.bus_v * (to_s - from_s) / 3600.0;
        }
        self.span_s = to_s;
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "whole numbers come out whole")]
mod tests {
    use super::*;
    use crate::rehearse::testing::scenario;
    use crate::rehearse::{Pace, play};
    use crate::variation::Variation;
    use forewarm_core::fault::SystemFault;
    use forewarm_core::signals::Sources;
    use std::sync::atomic::AtomicBool;

    /// An hour or more of one kind, from where the last one ended.
    struct Spell {
        hours: f64,
        sources: Sources,
        heater_w: f64,
        permitted: bool,
        charge_a: f64,
    }

    const NIGHT: Spell = Spell { hours: 1.0, sources: Sources::NONE, heater_w: 0.0, permitted: false, charge_a: -1.0 };

    fn told(spells: &[Spell]) -> Answers {
        let mut answers = Answers::default();
        let mut from_s = 0.0;
        for spell in spells {
            let relay = |closed: bool| if closed { Relay::Closed } else { Relay::Open };
            let outputs = Outputs {
                heater: relay(spell.heater_w > 0.0),
                charge: relay(spell.permitted),
                ..Outputs::all_off(SystemFault::ClockJumped)
            };
            let offer = Offer { at_s: 0, sources: spell.sources, power_w: [0.0; MAX_SOURCES], load_w: 24.0 };
            let flow = Flow { bus_v: 12.0, heater_w: spell.heater_w, charge_a: spell.charge_a, ..Flow::default() };
            let to_s = from_s + spell.hours * 3600.0;
            answers.book(from_s, to_s, &outputs, &offer, &flow);
            from_s = to_s;
        }
        answers
    }

    #[test]
    fn a_wait_lasts_from_the_source_s_start_to_the_permit() {
        let engine = Sources::NONE.with(1);
        let comes = |hours: f64| Spell { hours, sources: engine, heater_w: 100.0, ..NIGHT };
        let charges = || Spell { sources: engine, permitted: true, charge_a: 20.0, ..NIGHT };
        let answers =
            told(&[NIGHT, comes(2.0), charges(), NIGHT, comes(4.0), charges(), NIGHT, charges(), NIGHT, comes(9.0)]);
        let wait = answers.wait(1).unwrap();
        assert_eq!((wait.offers, wait.permitted), (4, 3), "the last one never came to a permit");
        let hours = |from: f64, to: f64| Some(Span { from_s: from * 3600.0, to_s: to * 3600.0 });
        assert_eq!(wait.median_s, Some(7200.0), "the third found it permitted");
        assert_eq!((wait.usual, wait.worst), (hours(1.0, 3.0), hours(5.0, 9.0)));
        let never = Wait { offers: 0, permitted: 0, median_s: None, usual: None, worst: None };
        assert_eq!(answers.wait(0), Some(never));
        assert_eq!(answers.longest_without_charge_s(), 10.0 * 3600.0, "from the last charge to the end");
        assert_eq!(answers.load_ah(), 2.0 * 22.0);
    }

    #[test]
    fn heat_is_in_vain_if_the_cells_cool_before_anything_is_charged() {
        let heats = |hours: f64| Spell { hours, heater_w: 100.0, ..NIGHT };
        let night = |hours: f64| Spell { hours, ..NIGHT };
        let charges = || Spell { permitted: true, charge_a: 20.0, ..NIGHT };
        assert_eq!(told(&[heats(3.0), night(5.0), charges(), night(20.0)]).heat_in_vain_wh(), 0.0);
        assert_eq!(told(&[heats(3.0), night(5.0), heats(1.0), night(6.0), charges()]).heat_in_vain_wh(), 400.0);
        let warm = Spell { hours: 9.0, permitted: true, ..NIGHT };
        assert_eq!(told(&[heats(3.0), warm, charges()]).heat_in_vain_wh(), 0.0, "a permit keeps");
    }

    #[test]
    fn a_season_s_answers_agree_with_its_totals() {
        let scenario = scenario(30);
        let mut answers = Answers::default();
        let outcome = play(&scenario, &Variation::default(), Pace::Leaping, &mut answers, &AtomicBool::new(false));
        let engine = answers.wait(0).unwrap();
        assert_eq!(engine.offers, 15, "every second day");
        assert!(engine.permitted <= engine.offers && engine.median_s <= engine.worst.map(Span::length_s));
        assert!(answers.heat_in_vain_wh() < outcome.heater_wh);
        assert!(answers.longest_without_charge_s() < outcome.span_s);
        // 6 W at some 13 V for 30 days.
        assert!((300.0..360.0).contains(&answers.load_ah()), "{} Ah", answers.load_ah());
    }
}
