//! Whether a source that is present gives energy.
//!
//! A source that is present may not give: its line is stuck, its breaker has tripped, its fuse is gone. Two things show
//! it. Each leads to a `Pause` that doubles from one failure to the next, so that trials do not wear the relay or empty
//! the bank. Each leads to a fault once it happens again and again:
//!
//! - the supply breaks down as soon as the heater takes from it (`Sags`);
//! - the bank pays for what the sources are said to give (`Giving`): while the heater is on, the bank's voltage falls
//!   and stays fallen, or its charge falls. If the bank may be spent, that is within the policy and no fault. If it may
//!   not, the sources that were to pay are doubted: they pay for no heat until the pause is over, or they have been
//!   away for an hour, or the button is pressed. Then they are tried again. A trial that passes is simply heat, watched
//!   all the time. A doubted source is trusted again once the heater has taken so much that the bank would have shown
//!   it.
//!
//! The voltage shows within half a minute that a nearly empty or weak bank pays. Such trials are cheap and go on, in
//! the end twice a day. On the flat part of its curve a strong bank falls by less under the heater than a charger's own
//! regulation and cable do. There only the charge shows it, and late. So after three or four such failures the clock
//! alone gives no further trial. `a_line_that_is_stuck_costs_the_bank_no_more_than_its_trials` checks the most that a
//! stuck line can cost.
//!
//! With the voltage alone, a strong bank is found to pay only at the end of the flat part. With neither voltage nor
//! charge nothing ever shows it, so heat then comes only in trials of a minute.

use crate::fault::SystemFault;
use crate::power::Feed;
use crate::quantity::{Fraction, Millis, Millivolts, Milliwatts};
use crate::settings::{self, MAX_SOURCES, Settings};
use crate::signals::{Relay, Sources};

#[cfg(feature = "leap")]
mod leap;

/// The pause after the first failure, where the heater's own shortest time off is not longer. Common practice, no source.
const SHORTEST: Millis = Millis::from_secs(60);

/// A pause that doubles from one failure in a row to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Pause {
    /// After the first failure.
    first: Millis,
    /// No pause is longer.
    longest: Millis,
    failures: u8,
    left: Millis,
}

impl Pause {
    fn new(min_off: Millis, longest: Millis) -> Self {
        let first = min_off.max(SHORTEST);
        Self { first, longest: longest.max(first), failures: 0, left: Millis::ZERO }
    }

    #[inline]
    fn pass(&mut self, credited: Millis) {
        self.left = self.left.less(credited);
    }

    #[cold]
    fn fail(&mut self) {
        self.fail_again(self.failures.saturating_add(1));
    }

    /// The pause after so many failures in a row.
    fn fail_again(&mut self, failures: u8) {
        self.failures = failures;
        let Some(doublings) = failures.checked_sub(1) else {
            self.left = Millis::ZERO;
            return;
        };
        // Capped before anything is shifted out at the top: 32 + 31 bits.
        let doubled = u64::from(self.first.as_millis()) << doublings.min(31);
        self.left = Millis::from_millis(u32::try_from(doubled).unwrap_or(u32::MAX)).min(self.longest);
    }

    fn forget(&mut self) {
        (self.failures, self.left) = (0, Millis::ZERO);
    }

    /// The same without what can no longer decide anything: so many failures already make the longest pause.
    #[cfg(test)]
    fn canonical(&mut self) {
        self.failures = self.failures.min(GIVEN_UP);
    }

    const fn is_over(&self) -> bool {
        self.left.is_zero()
    }

    const fn has_failed(&self, times: u8) -> bool {
        self.failures >= times
    }
}

/// A supply that breaks down under the heater: it is good, the heater comes on, it is out of range, the heater goes off, it is good.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Sags {
    pause: Pause,
    /// Time since the heater's relay last closed, while it is closed.
    closed: Millis,
}

impl Sags {
    /// A supply that has carried the heater for this long can carry it. If it fails later, the cause is another. Common
    /// practice, no source: an empty cell breaks down within seconds.
    const CARRIED: Millis = Millis::from_secs(300);

    /// The longest pause: six trials a day. Common practice, no source.
    const LONGEST: Millis = Millis::from_secs(4 * 3600);

    /// After this many failures in a row someone is called. Common practice, no source: two may be an engine that is
    /// stopped.
    const REPEATED: u8 = 3;

    pub(crate) fn new(min_off: Millis) -> Self {
        Self { pause: Pause::new(min_off, Self::LONGEST), closed: Millis::ZERO }
    }

    /// Notes the heater relay's position since the step before, and whether the supply is out of range now.
    #[inline]
    pub(crate) fn watch(&mut self, credited: Millis, heater: Relay, is_bad: bool) {
        match heater {
            Relay::Open => {
                self.closed = Millis::ZERO;
                self.pause.pass(credited);
            }
            Relay::Closed => {
                self.closed = self.closed.plus(credited);
                if self.closed >= Self::CARRIED {
                    self.pause.forget();
                } else if is_bad {
                    self.pause.fail();
                }
            }
        }
    }

    /// Why a heater that could be fed has to wait, if it has to.
    pub(crate) const fn withhold(&self) -> Option<Feed> {
        match (self.pause.is_over(), self.is_repeated()) {
            (true, _) => None,
            (false, false) => Some(Feed::Pausing),
            (false, true) => Some(Feed::Failing(SystemFault::SupplySags)),
        }
    }

    /// Whether the supply has broken down again and again, and has not carried the heater since.
    pub(crate) const fn is_repeated(&self) -> bool {
        self.pause.has_failed(Self::REPEATED)
    }

    /// Someone has seen to it.
    pub(crate) fn forget(&mut self) {
        self.pause.forget();
    }

    /// The same without what can no longer decide anything.
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        self.pause.canonical();
        self.closed = self.closed.min(Self::CARRIED);
    }
}

/// What must survive a restart about sources that gave nothing; part of [`Memory`](crate::Memory).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Doubt {
    /// The sources that paid for heat which the bank gave.
    pub sources: Sources,
    /// Failures in a row, each by its weight.
    pub failures: u8,
    /// How far the charge has fallen since the last failure or proof, in eighths of a failure: so coarse that it is
    /// seldom stored.
    pub eighths: u8,
}

/// How much a failure counts. A failure that has cost something counts more, and ends the trials sooner.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Weight {
    /// The voltage showed it before it had cost an eighth of what proves a source.
    Cheap = 1,
    /// The voltage showed it later: a charger may have gone from absorption to float, or the bank been emptied.
    Costly = 3,
    /// The charge showed it.
    ByCharge = 4,
}

/// From this count on, the clock alone starts no trial, for each may cost as much again: three failures that the charge
/// shows, or four that the voltage shows late. Cheap failures never reach it.
const GIVEN_UP: u8 = 12;

/// A bank that may not be spent, while sources are said to pay for the heat. See the [module](self).
#[derive(Clone, Debug, Hash)]
pub(crate) struct Giving {
    rule: settings::Giving,
    /// In microjoules. If the bank had given this much, its charge would have fallen by twice what shows it.
    proof_uj: u64,
    doubted: Sources,
    pause: Pause,
    /// For how long each source has been absent, as long as one is doubted.
    absent: [Millis; MAX_SOURCES],
    /// The bank with the heater off: when no source was there, or before the heater came on if there has been a source
    /// ever since the reset or the last failure.
    reference: Option<Millivolts>,
    /// The bank when the heater was last off.
    before: Option<Millivolts>,
    /// For how long the bank has been fallen; from the second look on.
    fallen: Option<Millis>,
    /// Time on with nothing to see the bank by.
    unseen: Millis,
    charge: Option<Fraction>,
    /// How far the charge has fallen while the heater was on, over runs and pauses between them, in steps of a
    /// [`Fraction`].
    lost: u32,
    /// The most that it has been, as it is kept over a restart.
    eighths: u8,
    /// What the heater took meanwhile.
    spent_uj: u64,
}

/// What [`Giving`] needs to know of one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    pub(crate) credited: Millis,
    /// The heater's relay since the step before.
    pub(crate) heater: Relay,
    pub(crate) load: Milliwatts,
    pub(crate) bank: Option<Millivolts>,
    pub(crate) charge: Option<Fraction>,
    /// Whether the bank may be spent anyway: what it gives then is within the policy.
    pub(crate) may_be_spent: bool,
    /// Whether there is any source, or a line that may belong to one.
    pub(crate) source_present: bool,
    pub(crate) present: Sources,
}

impl Giving {
    /// A fall counts once it has lasted this long: a cranking engine or a starting pump is over by then. Common
    /// practice, no source.
    const LASTS: Millis = Millis::from_secs(30);

    /// How long heat is tried if nothing shows what the bank does. Common practice, no source.
    const TRIAL: Millis = Millis::from_secs(60);

    /// The longest pause: two trials a day. Common practice, no source.
    const LONGEST: Millis = Millis::from_secs(12 * 3600);

    /// A source that has been away for this long is tried at once when it comes back: someone has seen to it, to its
    /// breaker or to the engine. With a shorter time, a loose wire would start a trial at every contact. Common
    /// practice, no source.
    const GONE: Millis = Millis::from_secs(3600);

    /// From this count on someone is called: one failure that the charge shows. Common practice, no source: one fall of
    /// the voltage may be a charger that goes over to float, and three a cloud.
    const REPEATED: u8 = Weight::ByCharge as u8;

    pub(crate) fn new(settings: &Settings, doubt: Doubt) -> Option<Self> {
        let rule = settings.giving?;
        // Milliampere hours × millivolts are microwatt hours, of 3600 µJ: 25 + 17 + 16 bits less 16, and 13.
        let capacity = u64::from(settings.charge.capacity.as_milliamp_hours());
        let full = capacity.saturating_mul(u64::from(settings.heater.nominal.as_millivolts()));
        let proof = full.saturating_mul(u64::from(rule.fall_charge.as_steps())) >> 16;
        let mut pause = Pause::new(settings.heater.min_off, Self::LONGEST);
        pause.fail_again(doubt.failures);
        Some(Self {
            rule,
            proof_uj: proof.saturating_mul(2 * 3600),
            doubted: doubt.sources,
            pause,
            absent: [Millis::ZERO; MAX_SOURCES],
            reference: None,
            before: None,
            fallen: None,
            unseen: Millis::ZERO,
            charge: None,
            lost: rule.fall_charge.as_steps().saturating_mul(doubt.eighths.into()) / 8,
            eighths: doubt.eighths,
            spent_uj: 0,
        })
    }

    /// Takes note of a step, and returns whether the heater must go off in it because a source has just failed. With
    /// the heater off, the bank can be compared with itself before another source takes on the heater. `payers` names
    /// the sources that pay for the heat.
    #[inline]
    pub(crate) fn watch(&mut self, look: &Look, payers: impl Fn() -> Sources) -> bool {
        if !self.doubted.is_empty() {
            self.let_time_pass(look);
        }
        let charge_before = self.charge;
        self.charge = look.charge.or(self.charge);
        if look.heater == Relay::Open {
            self.before = look.bank.or(self.before);
            if !look.source_present {
                self.reference = self.before;
            }
            self.fallen = None;
            return false;
        }
        self.reference = self.reference.or(self.before);
        if look.may_be_spent {
            self.fallen = None;
            return false;
        }
        if let (Some(before), Some(now)) = (charge_before, look.charge)
            && before != now
        {
            self.lose(before, now);
        }
        let energy = u64::from(look.load.as_milliwatts()).saturating_mul(u64::from(look.credited.as_millis()));
        self.spent_uj = self.spent_uj.saturating_add(energy);

        let seen = look.bank.zip(self.reference);
        let has_fallen = seen.is_some_and(|(bank, reference)| bank.plus(self.rule.fall) <= reference);
        self.fallen = has_fallen.then(|| self.fallen.map_or(Millis::ZERO, |time| time.plus(look.credited)));
        let is_seen = seen.is_some() || look.charge.is_some();
        self.unseen = if is_seen { Millis::ZERO } else { self.unseen.plus(look.credited) };

        if self.lost >= self.rule.fall_charge.as_steps() {
            self.fail(payers(), Weight::ByCharge);
            return true;
        }
        if self.fallen.is_some_and(|time| time >= Self::LASTS) || self.unseen >= Self::TRIAL {
            let weight = if self.spent_uj >= self.proof_uj / 8 { Weight::Costly } else { Weight::Cheap };
            self.fail(payers(), weight);
            return true;
        }
        if self.spent_uj >= self.proof_uj {
            self.is_shown(payers());
        }
        false
    }

    #[cold]
    fn lose(&mut self, before: Fraction, now: Fraction) {
        self.lost = self.lost.saturating_add(before.as_steps()).saturating_sub(now.as_steps());
        let eighths = self.lost.saturating_mul(8).checked_div(self.rule.fall_charge.as_steps()).unwrap_or(u32::MAX);
        self.eighths = self.eighths.max(u8::try_from(eighths).unwrap_or(u8::MAX));
    }

    #[cold]
    fn let_time_pass(&mut self, look: &Look) {
        self.pause.pass(look.credited);
        for (index, absent) in self.absent.iter_mut().enumerate() {
            *absent = if look.present.contains(index) { Millis::ZERO } else { absent.plus(look.credited) };
            if *absent >= Self::GONE {
                self.doubted = self.doubted.without(Sources::NONE.with(index));
            }
        }
    }

    #[cold]
    fn fail(&mut self, payers: Sources, weight: Weight) {
        if self.doubted.is_empty() {
            self.absent = [Millis::ZERO; MAX_SOURCES];
        }
        self.doubted = self.doubted.or(payers);
        let most = if weight == Weight::Cheap { GIVEN_UP.saturating_sub(1) } else { GIVEN_UP };
        let failures = self.pause.failures.saturating_add(weight as u8).min(most.max(self.pause.failures));
        self.pause.fail_again(failures);
        self.begin_anew();
    }

    /// If the bank had given the heat, it would have shown it by now.
    #[cold]
    fn is_shown(&mut self, payers: Sources) {
        self.doubted = self.doubted.without(payers);
        if self.doubted.is_empty() {
            self.pause.forget();
        }
        (self.lost, self.eighths, self.spent_uj) = (0, 0, 0);
    }

    fn begin_anew(&mut self) {
        (self.reference, self.before, self.fallen, self.unseen) = (None, None, None, Millis::ZERO);
        (self.lost, self.eighths, self.spent_uj) = (0, 0, 0);
    }

    /// The sources that pay for no heat now.
    #[inline]
    pub(crate) const fn withheld(&self) -> Sources {
        if self.pause.is_over() && self.pause.failures < GIVEN_UP { Sources::NONE } else { self.doubted }
    }

    /// Whether someone should look at a source.
    #[inline]
    pub(crate) const fn is_repeated(&self) -> bool {
        self.pause.has_failed(Self::REPEATED) && !self.doubted.is_empty()
    }

    /// Someone has seen to it.
    pub(crate) fn forget(&mut self) {
        self.doubted = Sources::NONE;
        self.pause.forget();
        // Keep the bank from before the heater came on: the heater may be on now.
        (self.lost, self.eighths, self.spent_uj) = (0, 0, 0);
    }

    /// The same without what can no longer decide anything.
    #[cfg(test)]
    pub(crate) fn canonical(&mut self) {
        self.pause.canonical();
        let is_doubted = !self.doubted.is_empty();
        self.absent = self.absent.map(|absent| if is_doubted { absent.min(Self::GONE) } else { Millis::ZERO });
    }

    pub(crate) const fn doubt(&self) -> Doubt {
        Doubt { sources: self.doubted, failures: self.pause.failures, eighths: self.eighths }
    }
}

#[cfg(test)]
mod tests;
