//! What is broken at a moment of a season, and what that does to everything the loop joins.
//!
//! A breakdown acts where it acts in the installation: on a probe, on the plant, on the bus, on a line, on a contact, on
//! the controller's clock. The loop asks at each of these places. What a leap cannot foresee makes the loop take every
//! step; see [`Wreck::meddles`].

use super::probe::{Damage, Instead, Probe};
use super::scenario::{Broken, Scenario};
use crate::bank::{BankModel, HeaterLoad, Permit};
use crate::breakdown::{AtSource, Breakdown, Other, Shared, Wrong};
use crate::offer::Offer;
use crate::plant::Plant;
use crate::si;
use crate::site::{Site, Spot};
use crate::threads::side_by_side;
use forewarm_core::quantity::Instant;
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::{Button, Inputs, Line, Outputs, Relay, Sample, Storage};

/// Conductance of a millimetre of still air, in place of the pad's bond (W/(m² K)). Source: 0.025 W/(m K) for air, from
/// memory.
const AIR_GAP_W_PER_M2_K: f64 = 25.0;
/// Film of a pad that hangs free under the plate: air and radiation (W/(m² K)). From memory.
const HANGS_W_PER_M2_K: f64 = 10.0;
/// Conductivity of soaked insulation (W/(m K)): half of water's. Source: 0.6 W/(m K) for water, from memory; the half has
/// none.
const SOAKED_W_PER_M_K: f64 = 0.3;
/// Air changes with an open lid (1/h). No source.
const OPEN_PER_H: f64 = 100.0;
/// How far beyond its limits the supply is (V).
const BEYOND_V: f64 = 1.0;
/// An error that grows is taken as constant for so many steps.
const GROWS_EVERY: u64 = 60;
/// How far the clock jumps (ms).
const JUMP_MS: u32 = 3_600_000;
/// Seconds from one restart of a storm to the next.
const STORM_S: u64 = 20;

/// The plants of an installation: the sound one, and those that breakdowns make of it.
pub struct Plants {
    /// The sound one.
    pub sound: Plant,
    broken: Vec<(Breakdown, Plant)>,
}

impl Plants {
    /// Those that these breakdowns need.
    #[must_use]
    pub fn of(scenario: &Scenario, site: &Site, breakdowns: &[Breakdown]) -> Self {
        let sound = scenario.plant(site);
        let jobs: Vec<(Breakdown, Site, bool)> = breakdowns
            .iter()
            .filter_map(|&breakdown| changed(breakdown, site).map(|(s, deep)| (breakdown, s, deep)))
            .collect();
        let broken = side_by_side(&jobs, |(breakdown, site, deep)| {
            let plant = if *deep { sound.become_that_of(site) } else { sound.with_thermometers_of(site) };
            (*breakdown, plant)
        });
        Self { sound, broken }
    }

    fn with(&self, breakdown: Breakdown) -> Option<&Plant> {
        self.broken.iter().find(|(other, _)| *other == breakdown).map(|(_, plant)| plant)
    }
}

/// The site with this breakdown, if it changes one, and whether it changes more than the places of thermometers.
fn changed(breakdown: Breakdown, site: &Site) -> Option<(Site, bool)> {
    let mut site = site.clone();
    let deep = match breakdown {
        Breakdown::Channel(..) | Breakdown::Two(..) => {
            let at = match breakdown.wrong()? {
                Wrong::FallenOff => Spot::Air,
                Wrong::OnPlate => Spot::Plate,
                _ => return None,
            };
            for channel in breakdown.channels() {
                site.mountings[channel].at = at;
            }
            false
        }
        Breakdown::Other(Other::PadDetached) => {
            site.pad.bond_w_per_m2_k = site.pad.bond_w_per_m2_k.min(AIR_GAP_W_PER_M2_K);
            true
        }
        Breakdown::Other(Other::PadHangs) => {
            site.pad.bond_w_per_m2_k = site.pad.bond_w_per_m2_k.min(HANGS_W_PER_M2_K);
            true
        }
        Breakdown::Other(Other::Wet) => {
            let soaked = site.enclosure.layers_mut().filter(|layer| layer.insulates());
            soaked.for_each(|layer| layer.material.conductivity_w_per_m_k = SOAKED_W_PER_M_K);
            true
        }
        Breakdown::Other(Other::LidOpen) => {
            site.enclosure.air_changes_per_h = OPEN_PER_H;
            true
        }
        Breakdown::Shared(_) | Breakdown::Source(..) | Breakdown::Other(_) => return None,
    };
    Some((site, deep))
}

/// What is broken at one moment.
#[derive(Clone, Debug, Default)]
pub(super) struct Wreck {
    broken: Vec<Active>,
    step_ms: u64,
}

#[derive(Clone, Debug)]
struct Active {
    what: Breakdown,
    /// The last step without it.
    since: u64,
    /// What stuck channels repeat.
    repeated: Option<[Sample; MAX_CHANNELS]>,
}

/// What a breakdown does to the controller itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Blow {
    /// It restarts, with what it has kept.
    Restart,
    /// It restarts, and has kept nothing.
    Forget,
    /// It restarts, and its settings cannot be read.
    Damage,
}

impl Wreck {
    /// Goes to what is broken in step `at`. Returns whether anything has changed.
    pub(super) fn go_to(&mut self, at: u64, scenario: &Scenario) -> bool {
        self.step_ms = scenario.step_ms.into();
        let has_come = |at_s: i64| scenario.steps_to(at_s) <= at;
        let is_broken = |broken: &&Broken| has_come(broken.from_s) && !broken.until_s.is_some_and(has_come);
        let now: Vec<&Broken> = scenario.broken.iter().filter(is_broken).collect();
        let is_same = now.len() == self.broken.len()
            && now.iter().zip(&self.broken).all(|(broken, active)| broken.what == active.what);
        if is_same {
            return false;
        }
        let before = std::mem::take(&mut self.broken);
        let active = |broken: &&Broken| {
            let was = before.iter().find(|active| active.what == broken.what).cloned();
            was.unwrap_or(Active { what: broken.what, since: at, repeated: None })
        };
        self.broken = now.iter().map(active).collect();
        true
    }

    /// The next step in which something breaks, is mended, or has grown.
    pub(super) fn next_event(&self, at: u64, scenario: &Scenario) -> u64 {
        let changes = scenario.broken.iter().flat_map(|broken| [Some(broken.from_s), broken.until_s]).flatten();
        let next = changes.map(|at_s| scenario.steps_to(at_s)).filter(|&step| step > at).min().unwrap_or(u64::MAX);
        if self.grows() { next.min(at + GROWS_EVERY) } else { next }
    }

    pub(super) fn grows(&self) -> bool {
        self.broken.iter().any(Active::grows)
    }

    fn has(&self, other: Other) -> bool {
        self.broken.iter().any(|active| active.what == Breakdown::Other(other))
    }

    /// The plant as it is now.
    pub(super) fn plant<'p>(&self, plants: &'p Plants) -> &'p Plant {
        self.broken.iter().rev().find_map(|active| plants.with(active.what)).unwrap_or(&plants.sound)
    }

    /// The probes as they are now.
    pub(super) fn probes(&self, sound: &[Probe], leads_c: f64, at: u64) -> Vec<Probe> {
        let damaged = |(channel, probe): (usize, &Probe)| {
            let damage = self
                .broken
                .iter()
                .fold(Damage::NONE, |damage, active| active.damages(channel, damage, at, self.step_ms));
            probe.damaged(damage, leads_c)
        };
        sound.iter().enumerate().map(damaged).collect()
    }

    /// Whether something changes from step to step, so that no leap can be taken.
    pub(super) fn meddles(&self) -> bool {
        self.broken.iter().any(|active| match active.what {
            Breakdown::Channel(_, wrong) | Breakdown::Two(_, wrong) => {
                matches!(wrong, Wrong::Stuck | Wrong::Comes { .. } | Wrong::SaysSo | Wrong::Silent | Wrong::ReturnOpen)
            }
            Breakdown::Shared(shared) => matches!(shared, Shared::Frozen | Shared::Silent | Shared::SaysSo),
            Breakdown::Source(_, wrong) => matches!(wrong, AtSource::Toggles | AtSource::FallsUnderLoad),
            Breakdown::Other(other) => matches!(
                other,
                Other::SupplyFlickers
                    | Other::ProtectionToggles
                    | Other::ClockStopped
                    | Other::RestartStorm
                    | Other::StorageFails
                    | Other::SettingsDamaged
                    | Other::ButtonStuck
            ),
        })
    }

    /// What the controller gets of the samples in step `at`.
    pub(super) fn show(&mut self, at: u64, samples: &mut [Sample; MAX_CHANNELS], channels: usize) {
        let step_ms = self.step_ms;
        for active in &mut self.broken {
            match active.what {
                Breakdown::Channel(..) | Breakdown::Two(..) => {
                    for channel in active.what.channels() {
                        active.show_one(at, step_ms, channel, samples);
                    }
                }
                Breakdown::Shared(Shared::Frozen) => *samples = *active.repeated.get_or_insert(*samples),
                Breakdown::Shared(Shared::Silent) => samples[..channels].fill(Sample::None),
                Breakdown::Shared(Shared::SaysSo) => samples[..channels].fill(Sample::ConverterFault),
                Breakdown::Shared(_) | Breakdown::Source(..) | Breakdown::Other(_) => {}
            }
        }
    }

    /// What sources and loads do.
    pub(super) fn offer(&self, offer: &Offer, heater_on: bool) -> Offer {
        let mut offer = *offer;
        for active in &self.broken {
            let Breakdown::Source(source, wrong) = active.what else { continue };
            match wrong {
                AtSource::SaysPresent => offer.power_w[source] = 0.0,
                AtSource::FallsUnderLoad if heater_on => offer.power_w[source] = 0.0,
                AtSource::FallsUnderLoad | AtSource::SaysAbsent | AtSource::Toggles => {}
            }
        }
        offer
    }

    /// The bank as it is now.
    pub(super) fn bank(&self, sound: &BankModel, batteries: usize) -> BankModel {
        let mut bank = sound.clone();
        if self.has(Other::CeilingIgnored) {
            bank.ignore_the_ceiling();
        }
        if self.has(Other::BatteryLost) {
            bank.lose_one_of(batteries);
        }
        bank
    }

    /// The heater, whose relay is told this.
    pub(super) fn heater(&self, sound: HeaterLoad, told: Relay) -> HeaterLoad {
        let on = self.heater_contact(told) == Relay::Closed;
        let part = if self.has(Other::HeaterOpen) {
            0.0
        } else if self.has(Other::HeaterHalf) {
            0.5
        } else {
            1.0
        };
        HeaterLoad { on, power_at_nominal_w: sound.power_at_nominal_w * part, ..sound }
    }

    /// The contact of the heater relay, which is told this.
    pub(super) fn heater_contact(&self, told: Relay) -> Relay {
        if self.has(Other::HeaterWelded) {
            Relay::Closed
        } else if self.has(Other::HeaterStuckOpen) {
            Relay::Open
        } else {
            told
        }
    }

    /// The contact of the charge relay, which is told this.
    pub(super) fn charge_contact(&self, told: Relay) -> Relay {
        if self.has(Other::ChargeWelded) {
            Relay::Closed
        } else if self.has(Other::ChargeStuckOpen) {
            Relay::Open
        } else {
            told
        }
    }

    /// What the sources see of these outputs.
    pub(super) fn permit(&self, outputs: &Outputs) -> Option<Permit> {
        (self.charge_contact(outputs.charge) == Relay::Closed).then(|| Permit {
            ceiling_c_rate: si::part(outputs.ceiling),
            full: outputs.full == Relay::Closed || self.has(Other::FullWelded),
        })
    }

    /// What is wrong with the inputs in step `at`, beyond the thermometers. `at_work` is what the lines and meters say
    /// without it.
    pub(super) fn disturb(&self, at: u64, scenario: &Scenario, at_work: &Inputs, heater_on: bool) -> Inputs {
        let mut inputs = *at_work;
        let heater = &scenario.settings.heater;
        let low = si::millivolts(si::volts(heater.supply_min) - BEYOND_V);
        let flips = |every_s: u64| (at * self.step_ms / 1000 / every_s).is_multiple_of(2);
        for active in &self.broken {
            match active.what {
                Breakdown::Source(source, wrong) => {
                    let without = forewarm_core::signals::Sources::NONE.with(source);
                    match wrong {
                        AtSource::SaysPresent => inputs.sources = inputs.sources.with(source),
                        AtSource::SaysAbsent => inputs.sources = inputs.sources.without(without),
                        AtSource::Toggles => {
                            inputs.sources = inputs.sources.without(without);
                            inputs.unsteady = inputs.unsteady.with(source);
                        }
                        AtSource::FallsUnderLoad if heater_on => inputs.sources = inputs.sources.without(without),
                        AtSource::FallsUnderLoad => {}
                    }
                }
                Breakdown::Other(other) => match other {
                    Other::SupplyLow => inputs.supply = Some(low),
                    Other::SupplyHigh => {
                        inputs.supply = Some(si::millivolts(si::volts(heater.supply_max) + BEYOND_V));
                    }
                    Other::SupplyUnmeasured => inputs.supply = None,
                    Other::SupplySags if heater_on => inputs.supply = Some(low),
                    Other::SupplyFlickers if heater_on && flips(1) => inputs.supply = Some(low),
                    Other::ChargeRefused => inputs.charge_line = Line::Refused,
                    Other::DischargeRefused => inputs.discharge_line = Line::Refused,
                    Other::BothRefused => {
                        (inputs.charge_line, inputs.discharge_line) = (Line::Refused, Line::Refused);
                    }
                    Other::ProtectionToggles if flips(5) => inputs.charge_line = Line::Refused,
                    Other::StorageFails => inputs.storage = Storage::Failing,
                    Other::ButtonStuck => inputs.button = Button::Pressed,
                    _ => {}
                },
                Breakdown::Channel(..) | Breakdown::Two(..) | Breakdown::Shared(_) => {}
            }
        }
        inputs
    }

    /// What the clock shows in step `at`, where a sound one shows `now`.
    pub(super) fn clock(&self, at: u64, now: Instant) -> Instant {
        self.broken.iter().fold(now, |now, active| {
            let moved = |by_ms: u32| Instant::from_millis(now.as_millis().wrapping_add(by_ms));
            #[expect(clippy::cast_possible_truncation, reason = "wrapping is meant")]
            let since_ms = ((at - active.since) * self.step_ms) as u32;
            match active.what {
                Breakdown::Other(Other::ClockStopped) => moved(since_ms.wrapping_neg()),
                Breakdown::Other(Other::ClockAhead) => moved(JUMP_MS),
                Breakdown::Other(Other::ClockBack) => moved(JUMP_MS.wrapping_neg()),
                _ => now,
            }
        })
    }

    /// What the controller suffers in step `at`.
    pub(super) fn blow(&self, at: u64) -> Option<Blow> {
        self.broken.iter().find_map(|active| {
            let since = at - active.since;
            match active.what {
                Breakdown::Other(Other::Restart) if since == 1 => Some(Blow::Restart),
                Breakdown::Other(Other::RestartStorm) if (since * self.step_ms / 1000).is_multiple_of(STORM_S) => {
                    Some(Blow::Restart)
                }
                Breakdown::Other(Other::StorageForgets) if since == 1 => Some(Blow::Forget),
                Breakdown::Other(Other::SettingsDamaged) => Some(Blow::Damage),
                _ => None,
            }
        })
    }
}

impl Active {
    const fn grows(&self) -> bool {
        matches!(
            self.what,
            Breakdown::Channel(_, Wrong::Drifts(_))
                | Breakdown::Two(_, Wrong::Drifts(_))
                | Breakdown::Shared(Shared::ReferenceDrifts(_))
        )
    }

    /// This damage and its own, to a channel in step `at`.
    fn damages(&self, channel: usize, damage: Damage, at: u64, step_ms: u64) -> Damage {
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of a year")]
        let hours = ((at - self.since) * step_ms) as f64 / 3.6e6;
        let wrong = match self.what {
            Breakdown::Shared(Shared::Reference(part)) => {
                return Damage { times: damage.times * (1.0 + part), ..damage };
            }
            Breakdown::Shared(Shared::ReferenceDrifts(part)) => {
                return Damage { times: damage.times * (1.0 + part * hours), ..damage };
            }
            Breakdown::Shared(Shared::Return(ohm)) => {
                return Damage { element_ohm: damage.element_ohm + ohm, ..damage };
            }
            Breakdown::Channel(at, wrong) if at == channel => wrong,
            Breakdown::Two(both, wrong) if both.contains(&channel) => wrong,
            _ => return damage,
        };
        match wrong {
            Wrong::Open => Damage { element: Instead::Everything, ..damage },
            Wrong::Short => Damage { element: Instead::Nothing, ..damage },
            Wrong::TapOpen => Damage { lead: Instead::Everything, ..damage },
            Wrong::TapBridged => Damage { lead: Instead::Nothing, ..damage },
            Wrong::LeadGains(ohm) => Damage { element_ohm: damage.element_ohm + ohm, ..damage },
            Wrong::TapGains(ohm) => Damage { lead_ohm: damage.lead_ohm + ohm, ..damage },
            Wrong::Off(k) => Damage { warm_k: damage.warm_k + k, ..damage },
            Wrong::Drifts(k_per_h) => Damage { warm_k: damage.warm_k + k_per_h * hours, ..damage },
            Wrong::Noisy(k) => Damage { noise_k: Some(k), ..damage },
            Wrong::Stuck
            | Wrong::Comes { .. }
            | Wrong::FallenOff
            | Wrong::OnPlate
            | Wrong::SaysSo
            | Wrong::ReturnOpen
            | Wrong::Silent => damage,
        }
    }

    fn show_one(&mut self, at: u64, step_ms: u64, channel: usize, samples: &mut [Sample; MAX_CHANNELS]) {
        let seconds = (at - self.since) * step_ms / 1000;
        match self.what.wrong() {
            Some(Wrong::Stuck) => samples[channel] = self.repeated.get_or_insert(*samples)[channel],
            Some(Wrong::Comes { open_s, every_s }) if seconds % u64::from(every_s) < u64::from(open_s) => {
                samples[channel] =
                    Sample::Fresh(forewarm_core::rtd::Measured::element(forewarm_core::quantity::Ratio::MAX));
            }
            Some(Wrong::SaysSo | Wrong::ReturnOpen) => samples[channel] = Sample::ConverterFault,
            Some(Wrong::Silent) => samples[channel] = Sample::None,
            _ => {}
        }
    }
}
