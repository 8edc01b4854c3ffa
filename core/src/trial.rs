//! Whether the heater heats, and whether each plate thermometer sits on the plate.
//!
//! A trial begins when a cool plate is first heated. A set energy must then raise the coldest cell or a plate by a set
//! amount, and each plate thermometer by an amount of its own. Once all have risen, nothing is asked until the plate
//! has been cool again. Otherwise the energy counts on over every pause in which the plate does not cool. So a source
//! that comes and goes hides nothing, and a plate that is still warm need not get warmer.
//!
//! **A bank that cools.** In great cold the bank may lose more than the heater gives. The plate still gets warmer than
//! the cells. So the fall of the coldest cell is taken off the rise asked of a plate, up to half of that rise: a plate
//! that does not move at all, or that its converter repeats, does not pass. Without a thermometer on the plate, cells
//! that fall by half of that say nothing about the heater: the trial begins anew.
//!
//! A trial survives a restart, in sixteenths of the energy, rounded down. What has cooled by then begins from where it
//! is. A dead heater is found if it is on for at least a sixteenth of that energy between two restarts. If it is not,
//! the storm of restarts is the fault to mend first.

use crate::fault::{SystemFault, SystemFaults};
use crate::quantity::{Celsius, Kelvins, Millis, Milliwatts};
use crate::sensing::Sensing;
use crate::settings::{MAX_CHANNELS, Proof, Role, Settings};

/// The number of parts in which its energy is kept.
const PARTS: u8 = 16;

/// How often a trial is looked at.
const LOOKS: u64 = 64;

/// The part of a trial that survives a restart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Trial {
    /// The next heating begins one.
    #[default]
    Due,
    /// Energy goes in.
    On {
        /// Sixteenths of the energy that have gone in.
        parts: u8,
        /// Where the coldest cell was when it began.
        cell: Celsius,
        /// Where the coldest plate thermometer was, if there is one.
        pad: Option<Celsius>,
    },
    /// It heats, or has been judged; the plate is warm.
    Over,
}

/// A trial of the heater.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Trials {
    proof: Option<Proof>,
    stage: Stage,
    /// In a trial, where each plate thermometer was when it began; nothing once it has risen by its own amount.
    pads: [Option<Celsius>; MAX_CHANNELS],
}

#[derive(Clone, Debug, Hash)]
enum Stage {
    Due,
    On(Course),
    Over,
}

#[derive(Clone, Debug, Hash)]
struct Course {
    cell: Celsius,
    /// The coldest of the plate thermometers.
    pad: Option<Celsius>,
    /// In microjoules.
    energy_uj: u64,
    /// The energy at which it is next looked at: [`LOOKS`] times in all, for warming takes minutes and each look costs
    /// time.
    next_look_uj: u64,
    /// Whether a cell or a plate has risen.
    has_effect: bool,
    /// Whether it began before a restart, and the heater has not been on since.
    is_recalled: bool,
}

impl Trials {
    pub(crate) fn recalled(settings: &Settings, kept: Trial) -> Self {
        let proof = settings.heater.proof;
        let mut pads = [None; MAX_CHANNELS];
        let stage = match kept {
            Trial::Due => Stage::Due,
            Trial::Over => Stage::Over,
            Trial::On { parts, cell, pad } => {
                for (slot, channel) in pads.iter_mut().zip(&settings.channels) {
                    *slot = pad.filter(|_| channel.role == Role::Pad);
                }
                let energy_uj = proof.map_or(0, |proof| part_uj(proof).saturating_mul(parts.into()));
                Stage::On(Course { cell, pad, energy_uj, next_look_uj: 0, has_effect: false, is_recalled: true })
            }
        };
        Self { proof, stage, pads }
    }

    #[cfg(test)]
    pub(crate) const fn is_judged(&self) -> bool {
        self.proof.is_some()
    }

    /// The same without what can no longer decide anything: each trial begins with what the plates show then.
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        if !matches!(self.stage, Stage::On(_)) {
            self.pads = [None; MAX_CHANNELS];
        }
    }

    pub(crate) fn kept(&self) -> Trial {
        match &self.stage {
            Stage::Due => Trial::Due,
            Stage::Over => Trial::Over,
            Stage::On(course) => Trial::On { parts: self.parts(course.energy_uj), cell: course.cell, pad: course.pad },
        }
    }

    fn parts(&self, energy_uj: u64) -> u8 {
        let part = self.proof.map_or(0, part_uj);
        u8::try_from(energy_uj.checked_div(part).unwrap_or(0)).unwrap_or(PARTS).min(PARTS)
    }

    /// The heater comes on, with a plate that is cool or not.
    #[cold]
    pub(crate) fn heat(&mut self, is_cool: bool, sensing: &Sensing) {
        if (is_cool || matches!(self.stage, Stage::Due)) && self.proof.is_some() {
            self.begin(sensing);
        } else if let Stage::On(course) = &mut self.stage
            && core::mem::take(&mut course.is_recalled)
        {
            course.begin_lower(&mut self.pads, sensing);
        }
    }

    /// With what is measured now.
    fn begin(&mut self, sensing: &Sensing) {
        let Some((cell, _)) = sensing.measured(Role::Cell) else {
            self.stage = Stage::Due;
            return;
        };
        let mut coldest: Option<Celsius> = None;
        for (slot, pad) in self.pads.iter_mut().zip(sensing.each_measured(Role::Pad)) {
            *slot = pad;
            coldest = pad.map(|pad| coldest.map_or(pad, |coldest| coldest.min(pad))).or(coldest);
        }
        self.stage = Stage::On(Course {
            cell,
            pad: coldest,
            energy_uj: 0,
            next_look_uj: 0,
            has_effect: false,
            is_recalled: false,
        });
    }

    /// Judges the effect of the heat, while the heater is on.
    #[inline]
    pub(crate) fn judge(&mut self, credited: Millis, sensing: &Sensing, load: Milliwatts) -> SystemFaults {
        match (self.proof, &mut self.stage) {
            (Some(proof), Stage::On(course)) => {
                let energy_uj = u64::from(load.as_milliwatts()).saturating_mul(credited.as_millis().into());
                course.energy_uj = course.energy_uj.saturating_add(energy_uj);
                if course.energy_uj < course.next_look_uj { SystemFaults::NONE } else { self.verdict(proof, sensing) }
            }
            _ => SystemFaults::NONE,
        }
    }

    /// For how many steps with the heater on it is not looked at.
    #[cfg(feature = "leap")]
    pub(crate) fn quiet(&self, step: Millis, load: Milliwatts) -> u32 {
        let (Some(_), Stage::On(course)) = (self.proof, &self.stage) else { return u32::MAX };
        let a_step_uj = u64::from(load.as_milliwatts()).saturating_mul(step.as_millis().into());
        let lacking_uj = course.next_look_uj.saturating_sub(course.energy_uj);
        let steps = lacking_uj.div_ceil(a_step_uj.max(1)).saturating_sub(1);
        u32::try_from(steps).unwrap_or(u32::MAX)
    }

    /// After so long with the heater on, and no look.
    #[cfg(feature = "leap")]
    pub(crate) fn pass(&mut self, span: Millis, load: Milliwatts) {
        if let (Some(_), Stage::On(course)) = (self.proof, &mut self.stage) {
            let energy_uj = u64::from(load.as_milliwatts()).saturating_mul(span.as_millis().into());
            course.energy_uj = course.energy_uj.saturating_add(energy_uj);
        }
    }

    #[cold]
    fn verdict(&mut self, proof: Proof, sensing: &Sensing) -> SystemFaults {
        let Stage::On(course) = &mut self.stage else { return SystemFaults::NONE };
        let Some((cell, _)) = sensing.measured(Role::Cell) else { return SystemFaults::NONE };
        course.next_look_uj = course.energy_uj.saturating_add(microjoules(proof) / LOOKS);
        course.look(proof, cell, &mut self.pads, sensing);
        let all_follow = self.pads.iter().all(Option::is_none);
        if course.has_effect && all_follow {
            self.stage = Stage::Over;
            return SystemFaults::NONE;
        }
        if course.energy_uj < microjoules(proof) {
            return SystemFaults::NONE;
        }
        let has_effect = course.has_effect;
        if !has_effect && all_follow && course.cell.above(cell) >= proof.rise.half() {
            self.begin(sensing);
            return SystemFaults::NONE;
        }
        // Whoever pressed the button may try at once again what did not get warmer.
        self.stage = if has_effect { Stage::Over } else { Stage::Due };
        let mut faults = SystemFaults::NONE;
        if !has_effect {
            faults = faults.with(SystemFault::HeaterIneffective);
        }
        if !all_follow {
            faults = faults.with(SystemFault::PadNotFollowing);
        }
        faults
    }
}

impl Course {
    /// Nobody knows how long the power was away. What has cooled meanwhile begins from where it is now: the heater
    /// need not make up for it.
    fn begin_lower(&mut self, pads: &mut [Option<Celsius>; MAX_CHANNELS], sensing: &Sensing) {
        if let Some((cell, _)) = sensing.measured(Role::Cell) {
            self.cell = self.cell.min(cell);
        }
        for (slot, now) in pads.iter_mut().zip(sensing.each_measured(Role::Pad)) {
            *slot = slot.map(|before| now.map_or(before, |now| now.min(before)));
        }
        let coldest = pads.iter().flatten().min();
        self.pad = self.pad.map(|before| coldest.map_or(before, |&now| now.min(before)));
    }

    fn look(&mut self, proof: Proof, cell: Celsius, pads: &mut [Option<Celsius>], sensing: &Sensing) {
        let fallen = self.cell.above(cell).max(Kelvins::ZERO);
        self.has_effect |= cell.above(self.cell) >= proof.rise;
        for (pad, now) in pads.iter_mut().zip(sensing.each_measured(Role::Pad)) {
            let (Some(before), Some(now)) = (*pad, now) else { continue };
            let rose = now.above(before);
            let is_up = |by: Kelvins| rose.plus(fallen.min(by.half())) >= by;
            self.has_effect |= is_up(proof.rise);
            if is_up(proof.pad_rise) {
                *pad = None;
            }
        }
    }
}

fn microjoules(proof: Proof) -> u64 {
    u64::from(proof.energy.as_joules()).saturating_mul(1_000_000)
}

fn part_uj(proof: Proof) -> u64 {
    microjoules(proof).checked_div(PARTS.into()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Joules;
    use crate::signals::Sample;
    use crate::testing::{c, sample, settings};

    const LOAD: Milliwatts = Milliwatts::from_milliwatts(60_000);

    /// A trial that has just begun, with so much energy to be proved, and thermometers that do not rise.
    fn begun(joules: u32) -> (Trials, Sensing) {
        let mut settings = settings();
        settings.heater.proof =
            settings.heater.proof.map(|proof| Proof { energy: Joules::from_joules(joules), ..proof });
        let mut samples = [Sample::None; MAX_CHANNELS];
        samples.iter_mut().zip(&settings.channels).for_each(|(slot, channel)| *slot = sample(channel, c(0)));
        let mut sensing = Sensing::new(&settings, 0);
        for _ in 0..settings.trust.good_run {
            sensing.judge(Millis::from_secs(1), &samples);
        }
        let mut trial = Trials::recalled(&settings, Trial::Due);
        trial.heat(true, &sensing);
        (trial, sensing)
    }

    /// What it says in each step until it is over.
    fn verdicts(trial: &mut Trials, sensing: &Sensing, step: Millis) -> std::vec::Vec<SystemFaults> {
        let mut verdicts = std::vec::Vec::new();
        while matches!(trial.stage, Stage::On(_)) {
            verdicts.push(trial.judge(step, sensing, LOAD));
        }
        verdicts
    }

    #[test]
    fn a_heater_is_judged_in_the_step_in_which_the_energy_is_full_and_not_before() {
        // 3.84 kJ: 64 s at 60 W, and a look in each.
        let (mut trial, sensing) = begun(3_840);
        let verdicts = verdicts(&mut trial, &sensing, Millis::from_secs(1));
        let fault = verdicts.iter().position(|faults| faults.contains(SystemFault::HeaterIneffective));
        assert_eq!((fault, verdicts.len()), (Some(63), 64));
    }

    #[test]
    fn a_trial_is_looked_at_64_times_however_short_its_steps_are() {
        let (mut trial, sensing) = begun(3_840);
        let mut next_looks = std::vec::Vec::new();
        while let Stage::On(course) = &trial.stage {
            next_looks.push(course.next_look_uj);
            trial.judge(Millis::from_millis(10), &sensing, LOAD);
        }
        next_looks.dedup();
        assert!(next_looks.len() <= 66, "{}", next_looks.len());
    }
}
