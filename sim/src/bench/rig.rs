//! The controller on the workbench: what it does with what is connected.
//!
//! The core itself decides. So the card expects what the controller will do, and not what somebody thinks that it does.

use super::card::Standing;
use super::resistors::Series;
use super::socket::{BENCH_C, End, Socket};
use crate::figures::plain;
use crate::installation::Installation;
use crate::platinum::{Platinum, ohms};
use crate::si;
use crate::site::Site;
use forewarm_core::fault::{ChannelFault, Faults, SystemFault};
use forewarm_core::quantity::{Fraction, Instant};
use forewarm_core::settings::{Channel, ChargeCurrent, MAX_CHANNELS, Role, ValidSettings};
use forewarm_core::signals::{Alarm, Button, Inputs, Line, Outputs, Relay, Sample, Sources};
use forewarm_core::{Memory, Unit};

/// A controller with everything that can be connected to it.
#[derive(Clone, Debug)]
pub(super) struct Rig {
    pub(super) settings: ValidSettings,
    pub(super) sockets: Vec<Socket>,
    /// In the place of each channel's element where nothing is tried (Ω): at a plate a resistor, else the thermometer itself.
    pub(super) own_ohm: Vec<f64>,
    /// The source whose line is switched on where heat is wanted.
    pub(super) source: Option<usize>,
}

/// What is connected.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Connected {
    /// In the place of each channel's element (Ω).
    pub(super) ohm: Vec<f64>,
    /// The source whose line is on.
    pub(super) source: Option<usize>,
}

/// What the controller shows from some second on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Shown {
    /// Since it was switched on (s).
    pub(super) from_s: u32,
    pub(super) outputs: Outputs,
}

impl Shown {
    /// Whether a person sees a difference. The ceiling follows the temperature all the time.
    fn looks_like(&self, outputs: &Outputs) -> bool {
        Outputs { ceiling: outputs.ceiling, ..self.outputs } == *outputs
    }
}

/// Every fault that stands, those of one name together.
pub(super) fn standing(outputs: &Outputs, names: &[String]) -> Vec<Standing> {
    let Faults { channels, system, .. } = outputs.faults;
    let of_channel = |(fault, name): (Option<ChannelFault>, &String)| {
        fault.map(|fault| Standing { fault: fault.facts().name, channel: Some(name.clone()) })
    };
    let of_channels = channels.into_iter().zip(names).filter_map(of_channel);
    let of_system = system.iter().map(|fault: SystemFault| Standing { fault: fault.facts().name, channel: None });
    let mut all: Vec<Standing> = of_channels.chain(of_system).collect();
    all.sort_by_key(|standing| standing.fault);
    all
}

/// What a plate reads where nothing is tried, about (°C).
const COOL_PLATE_C: f64 = 2.0;

/// What somebody does to the inputs of the controller in a second.
pub(super) type Hand<'h> = &'h dyn Fn(u32, &mut Inputs);

/// Nothing.
pub(super) const HANDS_OFF: Hand = &|_, _| {};

impl Rig {
    pub(super) fn new(installation: &Installation, site: &Site, series: Series) -> Self {
        let settings = installation.settings.clone();
        let seeds = 1..;
        let sockets = settings.channels.iter().zip(&site.mountings).zip(seeds);
        let sockets = sockets.map(|((channel, mounting), seed)| Socket::new(channel, mounting, &site.converter, seed));
        let own_ohm = |channel: &Channel| match channel.role {
            Role::Check(check) => ohms(check.nominal),
            // A plate in a warm room would be warmer than cold cells for hours: a relay that has welded.
            Role::Pad => series.nearest(Platinum::of(&channel.element).ohms(COOL_PLATE_C)),
            Role::Cell | Role::Ambient => Platinum::of(&channel.element).ohms(BENCH_C),
        };
        let own_ohm = settings.channels.iter().map(own_ohm).collect();
        Self { sockets: sockets.collect(), own_ohm, source: source(&settings, site), settings }
    }

    /// The resistors at the plates, in words: `plate 1000 Ω`.
    pub(super) fn plates_told(&self, names: &[String]) -> Vec<String> {
        let channels = names.iter().zip(&self.settings.channels).zip(&self.own_ohm);
        let plates = channels.filter(|((_, channel), _)| channel.role == Role::Pad);
        plates.map(|((name, _), ohm)| format!("{name} {} Ω", plain(*ohm))).collect()
    }

    /// How long that source must have been there before it is spent (s).
    pub(super) fn settles_s(&self) -> u32 {
        let settles_s = self.source.map_or(0.0, |source| si::seconds(self.settings.sources[source].settle));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most ten minutes")]
        let settles_s = settles_s.ceil() as u32;
        settles_s
    }

    /// Everything that is connected, with some channels exchanged.
    pub(super) fn connected(&self, chosen: &[(usize, f64)], source_on: bool) -> Connected {
        let mut ohm = self.own_ohm.clone();
        for (channel, chosen_ohm) in chosen {
            ohm[*channel] = *chosen_ohm;
        }
        Connected { ohm, source: self.source.filter(|_| source_on) }
    }

    /// What it shows from when it is switched on, for so many seconds, with the converter at that end of its specification.
    pub(super) fn play(&self, connected: &Connected, end: End, seconds: u32, hand: Hand) -> Vec<Shown> {
        let mut unit = Unit::new(&self.settings, Memory::default());
        let mut shown: Vec<Shown> = Vec::new();
        for second in 0..seconds {
            let mut inputs = self.inputs(connected, end, second);
            hand(second, &mut inputs);
            let outputs = unit.step(Instant::from_millis(second * 1000), &inputs);
            if !shown.last().is_some_and(|last| last.looks_like(&outputs)) {
                shown.push(Shown { from_s: second, outputs });
            }
        }
        shown
    }

    pub(super) fn inputs(&self, connected: &Connected, end: End, second: u32) -> Inputs {
        let mut channels = [Sample::None; MAX_CHANNELS];
        for ((sample, socket), ohm) in channels.iter_mut().zip(&self.sockets).zip(&connected.ohm) {
            *sample = Sample::Fresh(socket.measures(*ohm, end, second.into()));
        }
        let supply = Some(self.settings.heater.nominal);
        Inputs {
            channels,
            supply,
            bank: supply,
            state_of_charge: Some(Fraction::from_per_mille(900)),
            sources: connected.source.map_or(Sources::NONE, |source| Sources::NONE.with(source)),
            unsteady: Sources::NONE,
            charge_line: Line::Allowed,
            discharge_line: Line::Allowed,
            heater_feedback: None,
            charge_feedback: None,
            button: Button::Released,
            storage: forewarm_core::signals::Storage::Kept,
        }
    }
}

/// The source that can pay for the heater, and stands in the way of charge least.
fn source(settings: &ValidSettings, site: &Site) -> Option<usize> {
    let power = settings.heater.power;
    let pays = |index: &usize| settings.sources.get(*index).is_some_and(|source| source.budget >= power);
    let gives = |index: &usize| match settings.sources.get(*index).map(|source| source.charge) {
        None | Some(ChargeCurrent::Obeys) => 0.0,
        Some(charge) => charge.most().map_or(0.0, si::amps),
    };
    site.fed_by.or_else(|| (0..settings.sources.len()).filter(pays).min_by(|a, b| gives(a).total_cmp(&gives(b))))
}

/// Both outputs, in words.
pub(super) fn outputs_told(outputs: &Outputs) -> String {
    let word = |relay| if relay == Relay::Closed { "on" } else { "off" };
    let alarm = if outputs.alarm == Alarm::Sounding { ", alarm" } else { "" };
    format!("heater {}, charge {}{alarm}", word(outputs.heater), word(outputs.charge))
}
