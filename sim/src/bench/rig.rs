//! The controller on the workbench: what it does with what is connected.
//!
//! The core itself decides. So the card expects what the controller will do, and not what somebody thinks that it does.

use super::socket::{End, Socket};
use crate::installation::Installation;
use crate::si;
use crate::site::Site;
use forewarm_core::fault::{ChannelFault, Faults, SystemFault};
use forewarm_core::quantity::{Fraction, Instant};
use forewarm_core::settings::{ChargeCurrent, MAX_CHANNELS, ValidSettings};
use forewarm_core::signals::{Alarm, Button, Inputs, Line, Outputs, Relay, Sample, Sources};
use forewarm_core::{Memory, Unit};

/// A controller with everything that can be connected to it.
#[derive(Clone, Debug)]
pub(super) struct Rig {
    pub(super) settings: ValidSettings,
    pub(super) sockets: Vec<Socket>,
    /// The source whose line is switched on where heat is wanted.
    pub(super) source: Option<usize>,
}

/// What is connected.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Connected {
    /// In the place of each channel's element (Ω).
    pub(super) ohm: Vec<f64>,
    /// Whether the line of the source is on.
    pub(super) source_on: bool,
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

    /// Every fault that stands, with its channel if it has one.
    pub(super) fn faults(&self) -> Vec<Fault> {
        let Faults { channels, system, .. } = self.outputs.faults;
        let of_channels =
            channels.into_iter().enumerate().filter_map(|(channel, fault)| Some(Fault::Channel(channel, fault?)));
        of_channels.chain(system.iter().map(Fault::System)).collect()
    }
}

/// A fault, and of which channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    Channel(usize, ChannelFault),
    System(SystemFault),
}

/// What somebody does to the inputs of the controller in a second.
pub(super) type Hand<'h> = &'h dyn Fn(u32, &mut Inputs);

/// Nothing.
pub(super) const HANDS_OFF: Hand = &|_, _| {};

impl Rig {
    pub(super) fn new(installation: &Installation, site: &Site) -> Self {
        let settings = installation.settings.clone();
        let seeds = 1..;
        let sockets = settings.channels.iter().zip(&site.mountings).zip(seeds);
        let sockets = sockets.map(|((channel, mounting), seed)| Socket::new(channel, mounting, &site.converter, seed));
        Self { sockets: sockets.collect(), source: source(&settings, site), settings }
    }

    /// How long that source must have been there before it is spent (s).
    pub(super) fn settles_s(&self) -> u32 {
        let settles_s = self.source.map_or(0.0, |source| si::seconds(self.settings.sources[source].settle));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most ten minutes")]
        let settles_s = settles_s.ceil() as u32;
        settles_s
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

    fn inputs(&self, connected: &Connected, end: End, second: u32) -> Inputs {
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
            sources: self
                .source
                .filter(|_| connected.source_on)
                .map_or(Sources::NONE, |source| Sources::NONE.with(source)),
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
