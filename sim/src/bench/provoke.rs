//! How to provoke each fault, and what then happens: the core says it.

use super::card::{Begins, Expect, Part, Step};
use super::rig::{Connected, HANDS_OFF, Rig, Shown, standing};
use super::socket::End;
use super::substitutes::Steps;
use super::sweep::{permitted_after_s, warm_c};
use crate::figures::{fixed, plain};
use crate::installation::Installation;
use crate::platinum::{Platinum, ohms};
use crate::si;
use forewarm_core::fault::{ChannelFault, Disables, Facts, SystemFault};
use forewarm_core::quantity::{Fraction, Ratio};
use forewarm_core::rtd::Measured;
use forewarm_core::settings::{Reserve, Role};
use forewarm_core::signals::{Inputs, Line, Relay, Sample, Sources};

/// What the controller is doing when it is provoked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum From {
    /// Cells just below release, a source on: the heater is on.
    Warming,
    /// Cells warm, no source: charge is permitted.
    Permitted,
}

/// What provokes a fault on the bench.
enum Way {
    /// This, and the core says what follows within so many seconds.
    Hand { how: String, from: From, lasts_s: u32, does: Does },
    /// This is connected when it is switched on.
    Connected { how: String, connected: Connected, lasts_s: u32 },
    /// This, and a person sees what follows.
    Seen { how: String, sees: String },
    /// It is not provoked here, for this reason.
    Not(String),
}

/// What a hand does to the inputs, so many seconds after it began.
type Does = Box<dyn Fn(u32, &mut Inputs)>;

struct Provoking<'s> {
    steps: &'s Steps<'s>,
    names: &'s [String],
}

/// The part of the card.
pub(super) fn part(steps: &Steps, installation: &Installation) -> Part {
    let provoking = Provoking { steps, names: &installation.channels };
    // Telemetry shows what the controller asks for, and not what its wires do.
    let contacts = |doing: &str, sees: &str| {
        Step::anyhow(
            format!("{doing}: both contacts, with a meter, and again with the controller's own fuse out"),
            Expect::Seen(format!("{sees}; without its fuse both are open")),
        )
    };
    let mut found = vec![
        contacts("heating", "that of the heater's relay is closed, that of the charge relay open"),
        contacts("charging", "that of the charge relay is closed, that of the heater's relay open"),
    ];
    let mut not: Vec<String> = Vec::new();
    let of_channels = ChannelFault::ALL.into_iter().map(|fault| (fault.facts(), None, provoking.of_channel(fault)));
    let of_system =
        SystemFault::ALL.into_iter().map(|fault| (fault.facts(), Some(fault.disables()), provoking.of_system(fault)));
    for (facts, disables, ways) in of_channels.chain(of_system) {
        for way in ways {
            match provoking.step(facts, disables, way) {
                Ok(step) => found.push(step),
                Err(why) => not.push(format!("`{}`: {why}.", facts.name)),
            }
        }
    }
    // It ends by itself only a quarter of an hour later, and until then nothing else can be tried.
    found.sort_by_key(|step| step.how.starts_with(SystemFault::RestartStorm.facts().name));
    let rig = steps.rig;
    let mut lead = vec![
        format!(
            "Heating: every cell channel just below charge.release_c{}, until the heater is on. Charging: every cell channel at {}, every \
             source off, until charge is permitted, {} min. After a fault of less than a minute charge is permitted again without that wait.",
            steps.source.map_or_else(String::new, |name| format!(", {name} on")),
            steps.at(&provoking.with(|role| role == Role::Cell), warm_c(rig)),
            fixed(f64::from(permitted_after_s(rig)) / 60.0, 0)
        ),
        format!(
            "Between two steps put everything back, and hold the reset button for {} s.",
            plain(si::seconds(rig.settings.trust.button))
        ),
    ];
    if !not.is_empty() {
        lead.push("Not provoked here:".to_owned());
        lead.extend(not);
    }
    Part { title: "Faults".to_owned(), lead, steps: found }
}

impl Provoking<'_> {
    fn rig(&self) -> &Rig {
        self.steps.rig
    }

    /// The channels that have a role.
    fn with(&self, is: impl Fn(Role) -> bool) -> Vec<usize> {
        let channels = &self.rig().settings.channels;
        channels.iter().enumerate().filter(|(_, channel)| is(channel.role)).map(|(index, _)| index).collect()
    }

    /// The step of the card; or why the fault is not provoked here.
    fn step(&self, facts: Facts, disables: Option<Disables>, way: Way) -> Result<Step, String> {
        let (how, expect, begins) = match way {
            Way::Hand { how, from, lasts_s, does } => {
                let (doing, begun) = match from {
                    From::Warming => ("heating", (Relay::Closed, Relay::Open)),
                    From::Permitted => ("charging", (Relay::Open, Relay::Closed)),
                };
                let expect = match self.begin(from) {
                    Some((connected, begins_s)) => {
                        let hand = |second: u32, inputs: &mut Inputs| {
                            if let Some(since) = second.checked_sub(begins_s) {
                                does(since, inputs);
                            }
                        };
                        let shown = self.rig().play(&connected, End::Stated, begins_s + lasts_s, &hand);
                        let before = shown.iter().rev().find(|shown| shown.from_s < begins_s);
                        if before.is_some_and(|shown| (shown.outputs.heater, shown.outputs.charge) == begun) {
                            self.expect(facts, shown, begins_s, lasts_s)
                        } else {
                            Expect::Impossible(format!("with these settings and resistors it does not come to {doing}"))
                        }
                    }
                    None => Expect::Impossible("no resistor surely stands where cells ask for heat".to_owned()),
                };
                (format!("{doing}, {how}"), expect, Begins::AtWork)
            }
            Way::Connected { how, connected, lasts_s } => {
                let shown = self.rig().play(&connected, End::Stated, lasts_s, HANDS_OFF);
                (how, self.expect(facts, shown, 0, lasts_s), Begins::SwitchedOn(connected))
            }
            Way::Seen { how, sees } => {
                let takes =
                    disables.map_or_else(String::new, |disables| format!("; it takes away {}", disables.words()));
                (how, Expect::Seen(format!("{sees}{takes}")), Begins::Anyhow)
            }
            Way::Not(why) => return Err(why),
        };
        Ok(Step { how: format!("{}: {how}", facts.name), expect, begins })
    }

    /// What is shown once the fault stands.
    fn expect(&self, facts: Facts, mut shown: Vec<Shown>, begins_s: u32, lasts_s: u32) -> Expect {
        let stands =
            |shown: &Shown| standing(&shown.outputs, self.names).iter().any(|standing| standing.fault == facts.name);
        let Some(at) = shown.iter().position(stands) else {
            return Expect::Impossible(format!(
                "with these settings it does not come within {} s",
                plain(lasts_s.into())
            ));
        };
        let found_s = shown[at].from_s;
        // A fault of another kind may follow.
        shown.truncate(at + 1);
        let mut expect = Expect::of(&[shown], self.names, None, 0);
        if let Expect::Outputs { within_s, .. } = &mut expect {
            *within_s = found_s.saturating_sub(begins_s).next_multiple_of(5) + 5;
        }
        expect
    }

    /// What is connected, and from when on the controller does that (s). `None` if it never does.
    fn begin(&self, from: From) -> Option<(Connected, u32)> {
        match from {
            From::Warming => {
                let cold: Vec<(usize, f64)> = self
                    .steps
                    .cold_cells()?
                    .into_iter()
                    .map(|(channel, substitute)| (channel, substitute.parts.ohm()))
                    .collect();
                let begins_s = 120 + self.rig().settles_s();
                Some((self.rig().connected(&cold, true), begins_s))
            }
            From::Permitted => Some((self.rig().connected(&self.warm(), false), permitted_after_s(self.rig()))),
        }
    }

    fn warm(&self) -> Vec<(usize, f64)> {
        let ohm =
            |channel: usize| Platinum::of(&self.rig().settings.channels[channel].element).ohms(warm_c(self.rig()));
        self.with(|role| role == Role::Cell).into_iter().map(|channel| (channel, ohm(channel))).collect()
    }

    fn of_channel(&self, fault: ChannelFault) -> Vec<Way> {
        let trust = &self.rig().settings.trust;
        let cells = self.with(|role| role == Role::Cell);
        match fault {
            ChannelFault::Missing => {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most ten minutes")]
                let lasts_s = si::seconds(trust.max_age) as u32 + 20;
                let does = Box::new(|_, inputs: &mut Inputs| inputs.channels.fill(Sample::None));
                let how = "pull the plug of the converter's data, or of its supply".to_owned();
                vec![Way::Hand { how, from: From::Permitted, lasts_s, does }]
            }
            ChannelFault::Converter => {
                vec![Way::Not(
                    "the converter reports it of itself; one that finds a broken wire reports this in place of `open`"
                        .to_owned(),
                )]
            }
            ChannelFault::Open => self.at_each(
                |name| format!("one wire off the element of {name}"),
                |bridged| Measured { element: Ratio::MAX, ..bridged },
            ),
            ChannelFault::Short => self.at_each(|name| format!("the element of {name} bridged"), |bridged| bridged),
            ChannelFault::OutOfRange => vec![Way::Not("shown above, beyond the plausible temperatures".to_owned())],
            ChannelFault::TooFast | ChannelFault::Jumped => {
                let Some(&cell) = cells.first() else { return Vec::new() };
                let socket = self.rig().sockets[cell].clone();
                let ohm = Platinum::of(&self.rig().settings.channels[cell].element).ohms(warm_c(self.rig()) + JUMP_K);
                let does = Box::new(move |second: u32, inputs: &mut Inputs| {
                    inputs.channels[cell] = Sample::Fresh(socket.measures(ohm, End::Stated, second.into()));
                });
                let what = if fault == ChannelFault::TooFast { "exchanged" } else { "exchanged, and left so" };
                let at = self.steps.at(&[cell], warm_c(self.rig()) + JUMP_K);
                let how = format!(
                    "the resistor of {} {what} for one that reads {} K more, {at}",
                    self.names[cell],
                    plain(JUMP_K)
                );
                vec![Way::Hand { how, from: From::Permitted, lasts_s: 60, does }]
            }
            ChannelFault::Stuck => {
                let after = trust.still_after.map_or_else(String::new, |after| {
                    format!(
                        "; resistors may show it on all channels after {} min: warmed between two fingers they end it",
                        plain(si::seconds(after) / 60.0)
                    )
                });
                vec![Way::Not(format!("it takes an hour and another thermometer that moves{after}"))]
            }
            ChannelFault::Disagreement => self.disagreement(),
            ChannelFault::Leads => self.leads(),
        }
    }

    /// The same at each thermometer: `shows` is what its converter puts out in place of a bridged element.
    fn at_each(&self, how: fn(&str) -> String, shows: fn(Measured) -> Measured) -> Vec<Way> {
        let of = |channel: usize| {
            let socket = self.rig().sockets[channel].clone();
            let does = Box::new(move |second: u32, inputs: &mut Inputs| {
                inputs.channels[channel] = Sample::Fresh(shows(socket.measures(0.0, End::Stated, second.into())));
            });
            let is_cell = self.rig().settings.channels[channel].role == Role::Cell;
            let from = if is_cell { From::Permitted } else { From::Warming };
            Way::Hand { how: how(&self.names[channel]), from, lasts_s: 20, does }
        };
        self.with(|role| !matches!(role, Role::Check(_))).into_iter().map(of).collect()
    }

    /// Two channels of one role, one of them with its own thermometer.
    fn disagreement(&self) -> Vec<Way> {
        let pair = [Role::Cell, Role::Pad]
            .into_iter()
            .map(|role| self.with(|other| other == role))
            .find(|channels| channels.len() > 1);
        let Some(&[first, second, ..]) = pair.as_deref() else {
            return vec![Way::Not("it takes two channels of one role".to_owned())];
        };
        let apart_k = si::kelvins(self.rig().settings.trust.disagreement) + 2.0;
        let ohm = |channel: usize, t_c: f64| Platinum::of(&self.rig().settings.channels[channel].element).ohms(t_c);
        let warm_c = warm_c(self.rig());
        let connected =
            self.rig().connected(&[(first, ohm(first, warm_c)), (second, ohm(second, warm_c + apart_k))], false);
        let how = format!(
            "switched on with {} at {} and {} at {}",
            self.names[first],
            self.steps.at(&[first], warm_c),
            self.names[second],
            self.steps.at(&[second], warm_c + apart_k)
        );
        vec![Way::Connected { how, connected, lasts_s: 60 }]
    }

    /// A lead that is not its cable's.
    fn leads(&self) -> Vec<Way> {
        let settings = &self.rig().settings;
        let of = |channel: usize| {
            let (_, most) = settings.channels[channel].leads.band()?;
            let more_ohm = (ohms(most) * 2.0).ceil() + 1.0;
            let reference_ohm = ohms(settings.channels[channel].reference);
            let socket = self.rig().sockets[channel].clone();
            let ohm = Platinum::of(&settings.channels[channel].element).ohms(warm_c(self.rig()));
            let does = Box::new(move |second: u32, inputs: &mut Inputs| {
                let Measured { element, lead } = socket.measures(ohm, End::Stated, second.into());
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "a few ohms of some thousands"
                )]
                let steps = (more_ohm / reference_ohm * f64::from(1_u32 << 30)) as u32;
                let lead = Ratio::from_steps(lead.as_steps() + steps);
                inputs.channels[channel] = Sample::Fresh(Measured { element, lead });
            });
            let how =
                format!("{} Ω more in that wire of {} whose lead is measured", plain(more_ohm), self.names[channel]);
            Some(Way::Hand { how, from: From::Permitted, lasts_s: 20, does })
        };
        let ways: Vec<Way> = self.with(|role| role == Role::Cell).into_iter().filter_map(of).collect();
        if ways.is_empty() { vec![Way::Not("no channel measures its leads".to_owned())] } else { ways }
    }

    fn of_system(&self, fault: SystemFault) -> Vec<Way> {
        let settings = &self.rig().settings;
        let trust = &settings.trust;
        let not = |why: &str| vec![Way::Not(why.to_owned())];
        let contact = |how: &str| {
            let sees = format!("{} within {} s", fault.facts().name, plain(si::seconds(trust.feedback) + 5.0));
            vec![Way::Seen { how: format!("only where the relay's contact is read: {how}"), sees }]
        };
        match fault {
            SystemFault::SettingsInvalid => not("`forewarm send` and the board refuse settings that do not validate"),
            SystemFault::ClockStalled | SystemFault::ClockJumped => not("it takes a board whose time base is broken"),
            SystemFault::StorageFailing => not("it takes a board whose memory is worn"),
            SystemFault::OverTemperature => not("shown above, far above the cut-out"),
            SystemFault::ReferenceDoubtful if self.with(|role| matches!(role, Role::Check(_))).is_empty() => {
                not("there is no check resistor")
            }
            SystemFault::ReferenceDoubtful => not("shown above, by the check resistor"),
            SystemFault::RestartStorm => {
                let minutes = plain(si::seconds(trust.restart_window) / 60.0);
                vec![Way::Seen {
                    how: format!(
                        "switch the controller off and on {} times within {minutes} min",
                        trust.restart_limit + 1
                    ),
                    sees: format!("restart_storm, which ends after {minutes} min"),
                }]
            }
            SystemFault::HeaterIneffective => self.ineffective(),
            SystemFault::PadNotFollowing => not(
                "with the plate's thermometer off the plate, once installed; on the bench `heater_ineffective` comes with it",
            ),
            SystemFault::HeaterWelded => self.welded(),
            SystemFault::HeaterNotClosing => contact("heating, the plug off the coil of the heater's relay"),
            SystemFault::ChargeWelded => contact("charge refused, the contact of the charge relay bridged"),
            SystemFault::ChargeNotClosing => contact("charging, the plug off the coil of the charge relay"),
            SystemFault::HeaterOverrun => not("it takes as long as heater.max_run_h"),
            SystemFault::ChargeOverdue => not(
                "it takes as long as charge.overdue_after_h; on a bench with sources on for so long it may stand beside what is expected, and takes nothing away",
            ),
            SystemFault::CyclesSpent => not("it takes as many closings as heater.max_cycles_per_day"),
            SystemFault::SupplySags | SystemFault::SourceNotGiving => {
                not("it takes a supply or a bank that gives way under the heater; `forewarm faults` plays it")
            }
            SystemFault::SupplyOutOfRange => {
                let low_v = si::volts(settings.heater.supply_min) - OUTSIDE_V;
                let supply = si::millivolts(low_v);
                let does = Box::new(move |_, inputs: &mut Inputs| inputs.supply = Some(supply));
                let how = format!("the heater's supply down to {} V on a bench supply", plain(low_v));
                vec![Way::Hand { how, from: From::Warming, lasts_s: 60, does }]
            }
            SystemFault::SourceUnsteady => {
                let Some((source, name)) = self.rig().source.zip(self.steps.source) else {
                    return not("there is no source");
                };
                let alone = Sources::NONE.with(source);
                let does = Box::new(move |second: u32, inputs: &mut Inputs| {
                    if second.is_multiple_of(2) {
                        inputs.sources = inputs.sources.without(alone);
                    }
                });
                let how = format!("the line of {name} off and on, each for a second");
                vec![Way::Hand { how, from: From::Warming, lasts_s: 180, does }]
            }
            SystemFault::BankBelowReserve => {
                let how = match settings.bank.reserve() {
                    None => return not("the bank is never spent"),
                    Some(Reserve::Voltage { floor, .. }) => format!(
                        "the bank's voltage down to {} V on a bench supply",
                        plain(si::volts(floor) - OUTSIDE_V)
                    ),
                    Some(Reserve::StateOfCharge { floor, .. }) => {
                        format!("a state of charge of {} % reported", plain((si::part(floor) * 100.0 - 1.0).max(0.0)))
                    }
                };
                let low = match settings.bank.reserve() {
                    Some(Reserve::Voltage { floor, .. }) => Some(si::millivolts(si::volts(floor) - OUTSIDE_V)),
                    _ => None,
                };
                let does = Box::new(move |_, inputs: &mut Inputs| {
                    inputs.bank = low.or(inputs.bank);
                    inputs.state_of_charge = Some(Fraction::ZERO);
                });
                vec![Way::Hand { how, from: From::Warming, lasts_s: 60, does }]
            }
            SystemFault::ChargeLineRefused => {
                let does = Box::new(|_, inputs: &mut Inputs| inputs.charge_line = Line::Refused);
                let how = "the line by which the battery's protection allows charge off".to_owned();
                vec![Way::Hand { how, from: From::Permitted, lasts_s: 20, does }]
            }
            SystemFault::DischargeLineRefused => {
                let does = Box::new(|_, inputs: &mut Inputs| inputs.discharge_line = Line::Refused);
                let how = "the line by which the battery's protection allows discharge off".to_owned();
                vec![Way::Hand { how, from: From::Warming, lasts_s: 20, does }]
            }
        }
    }

    /// The pad without current.
    fn ineffective(&self) -> Vec<Way> {
        let settings = &self.rig().settings;
        let Some(proof) = settings.heater.proof else { return vec![Way::Not("heater.proof_wh is not set".to_owned())] };
        let takes_s = si::joules(proof.energy) / si::watts(settings.heater.power);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hours")]
        let lasts_s = takes_s as u32 + 1200;
        let does = Box::new(|_, _: &mut Inputs| {});
        vec![Way::Hand { how: "left so: the pad has no power".to_owned(), from: From::Warming, lasts_s, does }]
    }

    /// A plate that stays warm although the heater is off.
    fn welded(&self) -> Vec<Way> {
        let settings = &self.rig().settings;
        let sees = format!("heater_welded within {} s", plain(si::seconds(settings.trust.feedback) + 5.0));
        let mut ways = vec![Way::Seen {
            how: "only where the relay's contact is read: heater off, the contact of its relay bridged".to_owned(),
            sees,
        }];
        let plates = self.with(|role| role == Role::Pad);
        if let (Some(cooling), Some(&plate)) = (settings.heater.cooling, plates.first()) {
            let over_c = warm_c(self.rig()) + si::kelvins(cooling.excess) + 2.0;
            let mut connected = self.warm();
            connected.push((plate, Platinum::of(&settings.channels[plate].element).ohms(over_c)));
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 12 h")]
            let lasts_s = si::seconds(cooling.after) as u32 + 600;
            ways.push(Way::Connected {
                how: format!(
                    "switched on with the cells at {} and {} at {}, every source off",
                    self.steps.at(&self.with(|role| role == Role::Cell), warm_c(self.rig())),
                    self.names[plate],
                    self.steps.at(&[plate], over_c)
                ),
                connected: self.rig().connected(&connected, false),
                lasts_s,
            });
        }
        ways
    }
}

/// How far a resistor is exchanged for another (K).
const JUMP_K: f64 = 3.0;

/// How far outside of its limits a voltage is (V).
const OUTSIDE_V: f64 = 0.3;
