//! The rules: when charge is permitted, when the heater is on.
//!
//! Two loops with hysteresis, tied together by interlocks. Both look at the coldest cell; the heater is cut out by the
//! hottest of all channels.
//!
//! # Charge
//!
//! ```text
//!                1                4
//!     refused ──────▶ soaking ──────▶ permitted
//!      ▲ ▲ ▲           │ │ ▲           │ │ ▲
//!      │ │ └─── 2, 3 ──┘ │ │           │ │ │
//!      │ └──────── 2 ────┼─┼───────────┘ │ │
//!      │               5 │ │ 6         5 │ │ 7
//!      │                 ▼ │             ▼ │
//!      └────── 8 ───── [     interrupted     ]
//! ```
//!
//! | | from | to | when |
//! |--:|---|---|---|
//! | 1 | refused | soaking | nothing is in the way (2, 5), the coldest cell is *above* release, the hottest *below* the high release |
//! | 2 | soaking, permitted | refused | at once: a fault that disables charge, but for the refusal of 5; a cell *at or below* inhibit or *at or above* the high limit, or sources that could give more than the ceiling allows; a doubt (5) while a cell shows cold |
//! | 3 | soaking | refused | the coldest cell is *at or below* release before the soak time is over |
//! | 4 | soaking | permitted | the soak time is over, and the relay has been open for its minimum time |
//! | 5 | soaking, permitted | interrupted | at once: a doubt, and no cell shows cold. A cell or check channel is doubtful, or the protection's line refuses charge |
//! | 6 | interrupted | soaking | the doubt is over within [`BRIEF`], nothing is in the way; the soak goes on where it was |
//! | 7 | interrupted | permitted | the same, with nothing left to soak and the relay open for its minimum time |
//! | 8 | interrupted | refused | the doubt lasts longer, or something of 2 is in the way |
//!
//! After a reset charge is refused, or interrupted with the kept part of the soak. The guard can refuse what is
//! permitted.
//!
//! A soak that has begun goes on with cells between the high release and the high limit. The high release is the
//! hysteresis of a refusal: cells that were too hot are not charged as soon as they are a little cooler. Cells that
//! soak were not too hot. They may warm further, as they may while charge is permitted. The high limit ends both.
//!
//! # Heat
//!
//! ```text
//!           1            3
//!     off ──────▶ on ──────▶ resting
//!     ▲ ▲         │             │
//!     │ └─── 2 ───┘             │
//!     └─────────── 4 ───────────┘
//! ```
//!
//! | | from | to | when |
//! |--:|---|---|---|
//! | 1 | off | on | the coldest cell is *at or below* where it asks for heat ([`Controller::asks_for_heat`]), nothing is in the way (2), and the relay has been open for its minimum time |
//! | 2 | on | off | at once: a cell or pad channel that is doubtful or unproven, a fault that disables heat, a cut-out, no energy on offer. Or, once the relay has been closed for its minimum time: the coldest cell is *at or above* stop, or charge is permitted and the heater is not to hold |
//! | 3 | on | resting | it has run for its maximum time without a pause as long as the rest |
//! | 4 | resting | off | the rest is over |
//!
//! The relay may close only so many times a day, so one closing must be left before it closes. After a reset the heater
//! is off, or resting if its maximum run was over. The guard can switch it off.
//!
//! # A step
//!
//! 1. It judges every input. [`Sensing`], the clock, power and contacts note what they see and for how long. Nothing
//!    follows from it yet.
//! 2. It handles faults: those that were found latch, or the reset button clears them ([`Latches`]).
//! 3. It applies what holds in every state: faults and limits.
//! 4. It applies the rule of each loop.
//!
//! A step reads no clock, does no I/O and keeps nothing outside the controller: same inputs, same outputs, bit for bit.
//!
//! The charge-current ceiling is a rule like the thresholds. Charge is refused while sources that do not obey it are
//! present and could give more than it allows. The heater then warms the cells as far as the ceiling asks, if that lies
//! below `stop`. A source in two steps counts with the smaller step. The larger step has a permit of its own, the
//! [full charge permit](crate::signals::Outputs::full).
//!
//! Thresholds are in [`settings`]. [`fault`](crate::fault) lists what each fault disables. [`signals`](crate::signals)
//! lists the states and what leads from one to the next.

use crate::button::ResetButton;
use crate::ceiling::Ceiling;
use crate::clock::Clock;
use crate::contacts::Contacts;
use crate::cycles::Cycles;
#[cfg(test)]
use crate::every_state::{Held, Horizons};
use crate::fault::{Faults, SystemFault, SystemFaults};
use crate::full::{Fit, FullPermit};
use crate::latches::Latches;
use crate::line::LineFilter;
use crate::memory::Memory;
use crate::overdue::Overdue;
use crate::power::{Feed, Feeds, Offer, Power, Shares, Unruled};
use crate::quantity::{Celsius, Fraction, Instant, Kelvins, Millis, Millivolts, Milliwatts};
use crate::run::Parts;
use crate::sensing::{Group, Picture, Sensing};
use crate::settings::{self, Hold, MAX_CHANNELS, ValidSettings};
use crate::signals::{Alarm, Cause, Inputs, Outputs, Relay, State, Storage};
use crate::thresholds::{Aim, Levels, Phase};

/// The charge loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Charge {
    Refused {
        /// Time the relay has been open.
        open: Millis,
    },
    /// Cells are above release. Permission follows once they have stayed there for the soak time.
    Soaking {
        open: Millis,
        /// Time above release.
        above: Millis,
    },
    Permitted,
    /// A doubt took permission, or the soak, away. After a brief doubt charge goes on where it was: [`Sensing`]
    /// believes a reading again only if it follows from the last good one.
    Interrupted {
        open: Millis,
        /// Soak time before the doubt.
        above: Millis,
        /// How long the doubt has lasted.
        lasted: Millis,
    },
}

impl Charge {
    /// The soak may go on from the `quarters` that were kept.
    fn after_restart(quarters: u8, soak: Millis) -> Self {
        let open = Millis::ZERO;
        let quarter = soak.as_millis() / 4;
        match quarters.min(QUARTERS_KEPT) {
            0 => Self::Refused { open },
            quarters => Self::Interrupted {
                open,
                above: Millis::from_millis(quarter.saturating_mul(quarters.into())),
                lasted: Millis::ZERO,
            },
        }
    }

    const fn relay(self) -> Relay {
        match self {
            Self::Permitted => Relay::Closed,
            Self::Refused { .. } | Self::Soaking { .. } | Self::Interrupted { .. } => Relay::Open,
        }
    }

    /// Quarters of the soak that have passed.
    fn quarters(self, soak: Millis) -> u8 {
        let above = match self {
            Self::Refused { .. } => return 0,
            Self::Permitted => return 4,
            Self::Soaking { above, .. } | Self::Interrupted { above, .. } => above.as_millis().saturating_mul(4),
        };
        let passed = |quarters: u8| above >= soak.as_millis().saturating_mul(quarters.into());
        (1..=4).rev().find(|&quarters| passed(quarters)).unwrap_or(0)
    }
}

/// Whether this cause is a doubt: it does not say that cells are cold or hot.
const fn is_doubt(cause: Cause) -> bool {
    matches!(cause, Cause::StartUp | Cause::Channel(_) | Cause::ChargeLineRefused)
}

/// The longest doubt that leaves the soak as it was. Common practice, no source: blocks of cells take hours to cool. A
/// loose contact, a stalled bus or a bouncing line is over in seconds.
pub(crate) const BRIEF: Millis = Millis::from_secs(60);

/// The most quarters of the soak time that a restart keeps.
const QUARTERS_KEPT: u8 = 3;

/// The heater loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Heat {
    Off {
        /// Time the relay has been open.
        open: Millis,
        /// Time it was closed before. That run goes on unless this pause becomes a rest.
        ran: Millis,
    },
    On {
        /// Time it has been closed, without a pause as long as the rest.
        ran: Millis,
        /// The part of `ran` since it last closed.
        closed: Millis,
    },
    /// It ran for its maximum time, and rests.
    Resting { open: Millis },
}

impl Heat {
    const fn relay(self) -> Relay {
        match self {
            Self::On { .. } => Relay::Closed,
            Self::Off { .. } | Self::Resting { .. } => Relay::Open,
        }
    }
}

/// The state that both loops make together, if there is no fault to report.
const fn state_of(charge: Charge, heater: Relay) -> State {
    match (charge, heater) {
        (Charge::Permitted, Relay::Closed) => State::Holding,
        (Charge::Permitted, Relay::Open) => State::Permitting,
        (Charge::Soaking { .. }, Relay::Closed) => State::SoakingWarm,
        (Charge::Soaking { .. }, Relay::Open) => State::Soaking,
        (Charge::Refused { .. } | Charge::Interrupted { .. }, Relay::Closed) => State::Warming,
        (Charge::Refused { .. } | Charge::Interrupted { .. }, Relay::Open) => State::Waiting,
    }
}

/// The system faults that one step finds.
#[derive(Clone, Copy, Debug)]
struct Found {
    faults: SystemFaults,
    /// Causes that are still there, so that the reset button cannot clear their faults.
    standing: SystemFaults,
    hot_by_air: bool,
}

impl Found {
    /// The faults that may latch. A welded contact may have heated without a command, or before a restart. So
    /// over-temperature latches whatever caused the heat, except hot air: nobody should have to come on a hot day.
    const fn latching(self) -> SystemFaults {
        if self.hot_by_air {
            self.faults.without(SystemFaults::NONE.with(SystemFault::OverTemperature))
        } else {
            self.faults
        }
    }
}

/// The settings that the rules read in every step.
#[derive(Clone, Debug, Hash)]
struct Rules {
    charge: ChargeRule,
    heater: HeaterRule,
}

impl Rules {
    const fn levels(&self) -> Levels {
        let (charge, heater) = (&self.charge, &self.heater);
        Levels { release: charge.release, start: heater.start, stop: heater.stop, hold: heater.hold }
    }
}

/// [`settings::Charge`] without its ceiling, which is kept ready for use.
#[derive(Clone, Debug, Hash)]
struct ChargeRule {
    inhibit: Celsius,
    release: Celsius,
    high_limit: Celsius,
    high_release: Celsius,
    soak: Millis,
    min_off: Millis,
    feeds: Feeds,
}

/// [`settings::Heater`] without what [`Sensing`], [`Power`] and [`Contacts`] keep.
#[derive(Clone, Debug, Hash)]
struct HeaterRule {
    start: Celsius,
    stop: Celsius,
    supply_max: Millivolts,
    cutout_hysteresis: Kelvins,
    min_on: Millis,
    min_off: Millis,
    max_run: Millis,
    rest: Millis,
    hold: Hold,
}

/// The decision, step by step.
#[derive(Clone, Debug, Hash)]
pub(crate) struct Controller {
    settings: Rules,
    ceiling: Ceiling,

    clock: Clock,
    sensing: Sensing,
    power: Power,
    contacts: Contacts,
    charge: Charge,
    full: FullPermit,
    heat: Heat,
    cycles: Cycles,
    /// Converts the heater's run to and from its stored form.
    parts: Parts,
    /// A channel reached its heater cut-out and has not come down from it by the hysteresis.
    cut_out: bool,
    /// A channel is too hot because of the air.
    hot_by_air: bool,
    button: ResetButton,
    latches: Latches,
    restarts: u8,
    charge_line: LineFilter,
    overdue: Overdue,
    /// Time since the reset, until the restart window is over.
    up: Millis,
    /// What the last step saw.
    offer: Offer,
    /// The coldest and the hottest cell, where all are good.
    cells: Option<(Celsius, Celsius)>,
    /// How warm the heater should make the cells.
    aim: Aim,
}

impl Controller {
    /// A controller that has just been reset: both outputs off until every cell channel has given its run of good readings.
    /// `memory` is what was kept from before the reset, this reset not yet counted.
    #[must_use]
    pub(crate) fn new(settings: &ValidSettings, memory: Memory) -> Self {
        let settings::Charge { inhibit, release, high_limit, high_release, soak, min_off, capacity, .. } =
            settings.charge;
        let feeds = Feeds::new(capacity);
        let charge = ChargeRule { inhibit, release, high_limit, high_release, soak, min_off, feeds };
        let settings::Heater {
            start, stop, supply_max, cutout_hysteresis, min_on, min_off, max_run, rest, hold, ..
        } = settings.heater;
        let heater = HeaterRule { start, stop, supply_max, cutout_hysteresis, min_on, min_off, max_run, rest, hold };
        let parts = Parts::new(settings);
        let (ran, open) = (parts.ran(memory.run), parts.paused(memory.run));
        let heat = if open >= rest {
            Heat::Off { open, ran: Millis::ZERO }
        } else if ran >= max_run {
            Heat::Resting { open }
        } else {
            Heat::Off { open, ran }
        };
        Self {
            settings: Rules { charge, heater },
            ceiling: Ceiling::new(&settings.charge),
            clock: Clock::NEW,
            sensing: Sensing::new(settings, memory.jumped),
            power: Power::new(settings, memory.doubt),
            contacts: Contacts::new(settings, parts.paused(memory.run), memory.trial),
            charge: Charge::after_restart(memory.soaked, soak),
            full: FullPermit::new(settings),
            heat,
            parts,
            cycles: Cycles::new(settings.heater.max_cycles_per_day),
            cut_out: false,
            hot_by_air: false,
            button: ResetButton::new(settings.trust.button),
            latches: Latches::kept(memory.latched),
            restarts: memory.restarts.saturating_add(1),
            charge_line: LineFilter::ALLOWING,
            overdue: Overdue::new(settings.charge.overdue_after, memory.waited),
            up: Millis::ZERO,
            offer: Offer::NOTHING,
            cells: None,
            aim: Aim::release(release),
        }
    }

    /// One step: everything the world says at `now`, and what to do about it.
    pub(crate) fn step(&mut self, now: Instant, inputs: &Inputs) -> Outputs {
        // Judge every input.
        let tick = self.clock.tick(now, self.sensing.trust());
        let picture = self.sensing.judge(tick.elapsed, &inputs.channels);
        let offer = self.power.judge(tick.credited, inputs, self.heater());
        self.count_up(tick.credited);
        let found = self.find_faults(tick.credited, tick.fault, inputs, &picture, &offer);
        if offer.unruled != self.offer.unruled {
            self.aim = Aim::new(&self.ceiling, self.settings.levels(), offer.unruled);
        }
        self.offer = offer;
        self.see_cells(&picture);

        // Clear and latch faults.
        if self.button.acts(tick.credited, inputs.button) {
            self.reset_faults(found.standing);
        }
        self.latches.latch(found.latching());
        let faults = found.faults.or(self.latches.all());

        // First what holds in every state, then each loop's own rule. Charge comes before heat: it decides where the
        // heater starts.
        let charge_obstacle = self.charge_obstacle(&picture, faults);
        self.step_charge(tick.credited, charge_obstacle, &picture);
        if self.full.is_judged() {
            self.full.judge(tick.credited, self.full_fits());
        }
        self.cut_out = self.is_cut_out(&picture);
        self.cycles.pass(tick.credited);
        let heat_obstacle = self.heat_obstacle(&picture, faults, &offer);
        self.step_heat(tick.credited, heat_obstacle, &picture);

        self.contacts.command(self.heater(), self.charge_relay(), &self.sensing);

        let faults = match self.heat {
            Heat::Resting { .. } => faults.with(SystemFault::HeaterOverrun),
            Heat::Off { .. } | Heat::On { .. } => faults,
        };
        let faults = if self.cycles.is_spent() { faults.with(SystemFault::CyclesSpent) } else { faults };
        let (state, cause) = self.describe(charge_obstacle, heat_obstacle);
        let overdue = self.overdue.judge(tick.credited, self.offer.source_present, self.charge_relay(), cause);
        let faults = if overdue.is_some() { faults.with(SystemFault::ChargeOverdue) } else { faults };
        Outputs {
            heater: self.heater(),
            charge: self.charge_relay(),
            full: self.full.relay(self.charge_relay()),
            ceiling: self.charge_ceiling(inputs),
            alarm: alarm(&picture, faults),
            state,
            cause,
            overdue,
            faults: Faults { channels: picture.faults, system: faults, not_giving: self.offer.withheld },
        }
    }

    /// System faults as this step sees them. It latches nothing and clears nothing.
    fn find_faults(
        &mut self,
        credited: Millis,
        clock: Option<SystemFault>,
        inputs: &Inputs,
        picture: &Picture,
        offer: &Offer,
    ) -> Found {
        let mut faults = offer.faults;
        if let Some(clock) = clock {
            faults = faults.with(clock);
        }
        let trust = self.sensing.trust();
        if self.charge_line.refuses(inputs.charge_line, trust.good_run) {
            faults = faults.with(SystemFault::ChargeLineRefused);
        }
        if self.restarts > trust.restart_limit {
            faults = faults.with(SystemFault::RestartStorm);
        }
        if matches!(picture.checks, Group::Doubtful(_)) {
            faults = faults.with(SystemFault::ReferenceDoubtful);
        }
        if inputs.storage == Storage::Failing {
            faults = faults.with(SystemFault::StorageFailing);
        }

        let findings = self.contacts.judge(credited, inputs, picture, &self.sensing, offer.load);
        faults = faults.or(findings.faults);
        let mut standing = findings.standing;
        if picture.above_cutout >= Kelvins::ZERO {
            standing = standing.with(SystemFault::OverTemperature);
        }
        if picture.over_temperature {
            faults = faults.with(SystemFault::OverTemperature);
        }
        self.hot_by_air = picture.over_temperature && self.sensing.air_is_why(self.hot_by_air);
        Found { faults, standing, hot_by_air: self.hot_by_air }
    }

    /// Restarts are forgotten once their window has passed.
    fn count_up(&mut self, credited: Millis) {
        self.up = self.up.plus(credited);
        if self.up >= self.sensing.trust().restart_window {
            self.restarts = 0;
        }
    }

    /// Someone holds the button. This clears latched faults, except those whose cause stands, and tries again what was
    /// doubted.
    #[cold]
    fn reset_faults(&mut self, standing: SystemFaults) {
        self.latches.clear(standing);
        self.sensing.accept_jumps();
        self.power.forget_failures();
    }

    /// What forbids charge in every state, if anything.
    fn charge_obstacle(&self, picture: &Picture, faults: SystemFaults) -> Option<Cause> {
        let charge = &self.settings.charge;
        let disabling = faults.and(SystemFaults::DISABLING_CHARGE);
        let refused_by_line = SystemFaults::NONE.with(SystemFault::ChargeLineRefused);
        if let Some(fault) = disabling.without(refused_by_line).first() {
            return Some(Cause::System(fault));
        }
        if picture.checks == Group::Starting {
            return Some(Cause::StartUp);
        }
        match picture.cells {
            Group::Absent | Group::Starting => Some(Cause::StartUp),
            Group::Doubtful(fault) => Some(Cause::Channel(fault)),
            Group::Good { coldest, .. } if coldest <= charge.inhibit => Some(Cause::CellsCold),
            Group::Good { hottest, .. } if hottest >= charge.high_limit => Some(Cause::CellsHot),
            // The protection refuses cold cells too. The cold is the better answer, so it comes first.
            Group::Good { .. } if !disabling.is_empty() => Some(Cause::ChargeLineRefused),
            Group::Good { .. } if self.is_ceiling_too_low() => Some(Cause::CeilingTooLow),
            Group::Good { .. } => None,
        }
    }

    fn see_cells(&mut self, picture: &Picture) {
        self.cells = match picture.cells {
            Group::Good { coldest, hottest } => Some((coldest, hottest)),
            Group::Absent | Group::Starting | Group::Doubtful(_) => None,
        };
    }

    /// Whether, as of the last step, the sources that do not obey the ceiling could together give more than the cells
    /// may take. A source in two steps counts with the smaller step.
    #[must_use]
    pub(crate) fn is_ceiling_too_low(&self) -> bool {
        self.cells.is_some() && self.exceeds_ceiling(self.offer.unruled.reduced)
    }

    /// Most often there is no such current, so the ceiling need not be looked up.
    fn exceeds_ceiling(&self, current: Fraction) -> bool {
        current > Fraction::ZERO && current > self.allowed()
    }

    /// Whether the most that these sources can give stays within what the cells may take.
    fn full_fits(&self) -> Fit {
        match self.charge {
            Charge::Refused { .. } => Fit::Exceeds,
            Charge::Interrupted { .. } if self.cells.is_none() => Fit::Unknown,
            _ if self.exceeds_ceiling(self.offer.unruled.full) => Fit::Exceeds,
            // It was not measured in that time.
            Charge::Interrupted { .. } => Fit::Unknown,
            Charge::Soaking { .. } | Charge::Permitted => Fit::Fits,
        }
    }

    fn step_charge(&mut self, credited: Millis, obstacle: Option<Cause>, picture: &Picture) {
        let charge = &self.settings.charge;
        let (above_release, cool_again) = self.between_release_and_high(picture);
        // A reading that shows cold may be true, whatever is doubtful.
        let is_doubt = obstacle.is_some_and(is_doubt) && picture.coldest_shown > charge.inhibit;
        self.charge = match self.charge {
            Charge::Permitted if is_doubt => {
                Charge::Interrupted { open: Millis::ZERO, above: charge.soak, lasted: Millis::ZERO }
            }
            Charge::Permitted if obstacle.is_some() => Charge::Refused { open: Millis::ZERO },
            Charge::Permitted => Charge::Permitted,
            Charge::Soaking { open, above } if is_doubt => {
                Charge::Interrupted { open: open.plus(credited), above, lasted: Millis::ZERO }
            }
            Charge::Soaking { open, .. } if obstacle.is_some() => Charge::Refused { open: open.plus(credited) },
            // Once the soak is over, only the relay is waited for.
            Charge::Soaking { open, above } if !above_release && above < charge.soak => {
                Charge::Refused { open: open.plus(credited) }
            }
            Charge::Refused { open } if obstacle.is_some() || !above_release || !cool_again => {
                Charge::Refused { open: open.plus(credited) }
            }
            Charge::Refused { open } => Charge::Soaking { open: open.plus(credited), above: Millis::ZERO },
            Charge::Soaking { open, above } => {
                let (open, above) = (open.plus(credited), above.plus(credited));
                if above >= charge.soak && open >= charge.min_off {
                    Charge::Permitted
                } else {
                    Charge::Soaking { open, above }
                }
            }
            Charge::Interrupted { open, above, lasted } => {
                let (open, lasted) = (open.plus(credited), lasted.plus(credited));
                if lasted <= BRIEF && is_doubt {
                    Charge::Interrupted { open, above, lasted }
                } else if lasted > BRIEF || obstacle.is_some() {
                    Charge::Refused { open }
                } else if above >= charge.soak && open >= charge.min_off {
                    Charge::Permitted
                } else {
                    Charge::Soaking { open, above }
                }
            }
        };
    }

    /// Whether all cells are above release, and whether all are below the high release.
    fn between_release_and_high(&self, picture: &Picture) -> (bool, bool) {
        let charge = &self.settings.charge;
        match picture.cells {
            Group::Good { coldest, hottest } => (coldest > charge.release, hottest < charge.high_release),
            Group::Absent | Group::Starting | Group::Doubtful(_) => (false, false),
        }
    }

    fn is_cut_out(&self, picture: &Picture) -> bool {
        let again = self.settings.heater.cutout_hysteresis.reversed();
        picture.above_cutout >= Kelvins::ZERO || (self.cut_out && picture.above_cutout >= again)
    }

    /// What forbids heat in every state, if anything.
    fn heat_obstacle(&self, picture: &Picture, faults: SystemFaults, offer: &Offer) -> Option<Cause> {
        for group in [picture.cells, picture.pads] {
            match group {
                Group::Doubtful(fault) => return Some(Cause::Channel(fault)),
                Group::Starting => return Some(Cause::StartUp),
                Group::Absent | Group::Good { .. } => {}
            }
        }
        if picture.checks == Group::Starting {
            return Some(Cause::StartUp);
        }
        match faults.and(SystemFaults::DISABLING_HEAT).first() {
            Some(SystemFault::SupplyOutOfRange) => return Some(Cause::SupplyOutOfRange),
            Some(fault) => return Some(Cause::System(fault)),
            None => {}
        }
        self.unfed(offer.feed).or(self.worn())
    }

    /// The cause, if the relay would have to close but has no closing left.
    fn worn(&self) -> Option<Cause> {
        let has_to_close = self.heater() == Relay::Open && !self.cycles.may_close();
        has_to_close.then_some(Cause::System(SystemFault::CyclesSpent))
    }

    /// The cause, if the cut-out or a lack of energy forbids heat.
    const fn unfed(&self, feed: Feed) -> Option<Cause> {
        if self.cut_out {
            return Some(Cause::CutOut);
        }
        match feed {
            Feed::Qualified => None,
            Feed::Unproven => Some(Cause::StartUp),
            Feed::Settling => Some(Cause::SourceSettling),
            Feed::Pausing => Some(Cause::HeaterResting),
            Feed::Failing(fault) => Some(Cause::System(fault)),
            Feed::Nothing => Some(Cause::NoEnergy),
        }
    }

    fn step_heat(&mut self, credited: Millis, obstacle: Option<Cause>, picture: &Picture) {
        let heater = &self.settings.heater;
        let asks_for_heat = self.coldest_cell().is_some_and(|coldest| self.asks_for_heat(coldest));
        if self.heater() == Relay::Open && asks_for_heat {
            self.cycles.ask();
        }
        self.heat = match self.heat {
            Heat::On { ran, closed } => {
                let (ran, closed) = (ran.plus(credited), closed.plus(credited));
                if ran >= heater.max_run {
                    Heat::Resting { open: Millis::ZERO }
                } else if obstacle.is_some() || (closed >= heater.min_on && self.is_warm_enough(picture)) {
                    Heat::Off { open: Millis::ZERO, ran }
                } else {
                    Heat::On { ran, closed }
                }
            }
            Heat::Off { open, ran } => {
                let open = open.plus(credited);
                let ran = if open >= heater.rest { Millis::ZERO } else { ran };
                if obstacle.is_none() && open >= heater.min_off && asks_for_heat {
                    self.cycles.close();
                    Heat::On { ran, closed: Millis::ZERO }
                } else {
                    Heat::Off { open, ran }
                }
            }
            Heat::Resting { open } => {
                let open = open.plus(credited);
                if open >= heater.rest { Heat::Off { open, ran: Millis::ZERO } } else { Heat::Resting { open } }
            }
        };
    }

    /// Warm first, then charge. Until charge is permitted, all energy goes into heat, up to release or up to where the
    /// ceiling lets the sources charge.
    #[must_use]
    pub(crate) fn asks_for_heat(&self, coldest: Celsius) -> bool {
        self.aim.heats_from(self.phase(), self.settings.levels()).is_some_and(|from| coldest <= from)
    }

    const fn phase(&self) -> Phase {
        match self.charge {
            Charge::Refused { .. } => Phase::Refused,
            Charge::Soaking { .. } | Charge::Interrupted { .. } => Phase::Soaking,
            Charge::Permitted => Phase::Permitted,
        }
    }

    fn is_warm_enough(&self, picture: &Picture) -> bool {
        let heater = &self.settings.heater;
        let held = self.charge == Charge::Permitted && heater.hold == Hold::Never;
        held || matches!(picture.cells, Group::Good { coldest, .. } if coldest >= heater.stop)
    }

    /// The lesser of what the cells may take and what the sources have left after the heater's share; less what sources
    /// that do not obey could give.
    fn charge_ceiling(&self, inputs: &Inputs) -> Fraction {
        if self.charge != Charge::Permitted {
            return Fraction::ZERO;
        }
        if !self.offer.source_present {
            // No source whose budget could be overdrawn.
            return self.allowed();
        }
        let heat = if self.heater() == Relay::Closed { self.offer.load } else { Milliwatts::ZERO };
        // Without a reading, take the highest voltage that the bank can have: it leaves the least current.
        let bank = inputs.bank.unwrap_or(self.settings.heater.supply_max);
        let (feeds, allowed) = (self.settings.charge.feeds, self.allowed());
        // If the larger steps fit, leave room for them before they come on.
        let Unruled { reduced, full } = self.offer.unruled;
        let others = if full <= allowed { full } else { reduced };
        feeds.current(self.offer.budget.less(heat), bank, allowed).less(others)
    }

    /// The state and the cause to report.
    fn describe(&self, charge_obstacle: Option<Cause>, heat_obstacle: Option<Cause>) -> (State, Cause) {
        match charge_obstacle {
            Some(Cause::StartUp) => return (State::Starting, Cause::StartUp),
            Some(fault @ (Cause::Channel(_) | Cause::System(_))) => return (State::Faulted, fault),
            Some(_) | None => {}
        }
        let state = state_of(self.charge, self.heater());
        let cause = match state {
            State::Holding => Cause::HeldWarm,
            State::Permitting => Cause::Soaked,
            State::SoakingWarm | State::Soaking => Cause::AboveRelease,
            State::Warming => charge_obstacle.unwrap_or(Cause::BelowRelease),
            State::Waiting | State::Starting | State::Faulted => self.why_waiting(charge_obstacle, heat_obstacle),
        };
        (state, cause)
    }

    /// Cold cells wait for heat: the answer is what keeps the heater off. For other cells it is what keeps charge
    /// refused.
    fn why_waiting(&self, charge_obstacle: Option<Cause>, heat_obstacle: Option<Cause>) -> Cause {
        let cold = self.cells.is_some_and(|(coldest, _)| coldest <= self.settings.charge.release);
        if cold {
            heat_obstacle.unwrap_or(Cause::HeaterResting)
        } else {
            // Not cold, not soaking, no obstacle: the cells have not cooled below the high release yet.
            charge_obstacle.unwrap_or(Cause::CellsHot)
        }
    }

    /// Notes that the guard has taken something away, and returns the state and the cause to report.
    pub(crate) fn overruled(&mut self, heater: Relay, charge: Relay, full: Relay) -> (State, Cause) {
        if full == Relay::Open && self.full.relay(self.charge_relay()) == Relay::Closed {
            self.full.lose();
        }
        if let (Relay::Open, Heat::On { ran, closed }) = (heater, self.heat) {
            if closed.is_zero() {
                self.cycles.refund();
            }
            self.heat = Heat::Off { open: Millis::ZERO, ran };
        }
        if charge == Relay::Open && self.charge == Charge::Permitted {
            self.charge = Charge::Refused { open: Millis::ZERO };
        }
        // Otherwise a contact that rightly stays open would count as one that does not close.
        self.contacts.command(self.heater(), self.charge_relay(), &self.sensing);
        (state_of(self.charge, self.heater()), Cause::GuardOverruled)
    }

    /// The same without what can no longer decide anything: see [`crate::every_state`].
    #[cfg(test)]
    pub(crate) fn canonical(&mut self, horizons: Horizons) {
        let Horizons { age, pause } = horizons;
        self.clock.canonical();
        self.sensing.canonical(age);
        self.power.canonical();
        self.contacts.canonical();
        self.overdue.canonical();
        let (soak, longest_open) = (self.settings.charge.soak, self.settings.charge.min_off);
        match &mut self.charge {
            Charge::Permitted => {}
            Charge::Refused { open } => *open = (*open).min(longest_open),
            Charge::Soaking { open, above } => (*open, *above) = ((*open).min(longest_open), (*above).min(soak)),
            Charge::Interrupted { open, above, lasted } => {
                (*open, *above) = ((*open).min(longest_open), (*above).min(soak));
                *lasted = (*lasted).min(BRIEF.plus(Millis::from_millis(1)));
            }
        }
        match &mut self.heat {
            Heat::Off { open, .. } => *open = (*open).min(pause),
            Heat::On { closed, .. } => *closed = (*closed).min(self.settings.heater.min_on),
            Heat::Resting { .. } => {}
        }
        let trust = self.sensing.trust();
        self.up = self.up.min(trust.restart_window);
        self.restarts = self.restarts.min(trust.restart_limit.saturating_add(1));
    }

    /// Holds still what a [variant](crate::every_state) leaves out.
    #[cfg(test)]
    pub(crate) fn hold(&mut self, held: Held) {
        if held.closings {
            self.cycles.refill();
        }
        if held.waiting {
            self.overdue.forget();
        }
        if held.sags {
            self.power.forget_sags();
        }
    }

    const fn heater(&self) -> Relay {
        self.heat.relay()
    }

    const fn charge_relay(&self) -> Relay {
        self.charge.relay()
    }

    /// The latest good reading of each channel; nothing for a channel that is doubtful or not yet trusted.
    #[must_use]
    pub(crate) fn readings(&self) -> [Option<Celsius>; MAX_CHANNELS] {
        self.sensing.readings()
    }

    /// The low and the high end of each channel's reading, as acted on; nothing for a channel that is doubtful or not
    /// yet trusted.
    #[must_use]
    pub(crate) fn ranges(&self) -> [Option<(Celsius, Celsius)>; MAX_CHANNELS] {
        self.sensing.ranges()
    }

    /// The coldest cell, as the charge loop sees it: the low end of the coldest reading. Nothing unless all are good.
    #[must_use]
    pub(crate) const fn coldest_cell(&self) -> Option<Celsius> {
        match self.cells {
            Some((coldest, _)) => Some(coldest),
            None => None,
        }
    }

    /// What kept the heater off in the last step, whether or not the cells asked for heat: the cut-out, a lack of
    /// energy or of relay closings.
    #[must_use]
    pub(crate) fn heat_withheld(&self) -> Option<Cause> {
        self.unfed(self.offer.feed).or(self.worn())
    }

    /// The charge current that the cells may take, per capacity, as of the last step; zero unless all are good.
    #[must_use]
    pub(crate) fn allowed(&self) -> Fraction {
        self.cells.map_or(Fraction::ZERO, |(coldest, hottest)| self.ceiling.between(coldest, hottest))
    }

    /// What must survive a restart. Store it whenever it changes.
    #[must_use]
    pub(crate) fn memory(&self) -> Memory {
        let run = match self.heat {
            Heat::Off { open, ran } => self.parts.account(ran, Relay::Open, open),
            Heat::On { ran, .. } => self.parts.account(ran, Relay::Closed, Millis::ZERO),
            Heat::Resting { open } => self.parts.overrun(open),
        };
        let soaked = self.charge.quarters(self.settings.charge.soak);
        Memory {
            latched: self.latches.all(),
            restarts: self.restarts,
            soaked,
            waited: self.overdue.parts(),
            jumped: self.sensing.jumped(),
            doubt: self.power.doubt(),
            run,
            trial: self.contacts.kept_trial(),
        }
    }

    /// Who pays for the heater while it is on, as of the last step.
    pub(crate) fn shares(&self) -> Shares {
        self.power.shares(self.offer.load)
    }
}

fn alarm(picture: &Picture, faults: SystemFaults) -> Alarm {
    if picture.has_doubt || !faults.and(SystemFaults::ALARMING).is_empty() { Alarm::Sounding } else { Alarm::Quiet }
}

#[cfg(feature = "leap")]
mod leap;
#[cfg(test)]
mod tests;
