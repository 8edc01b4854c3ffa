//! One channel on the workbench, with resistors in the place of its element.
//!
//! They are connected at the far end of the channel's own cable, so that its leads are measured or taken away as they will be. The
//! converter may be anywhere within its specification, and as new: that is what the bench tries.

use crate::platinum::ohms;
use crate::rehearse::Probe;
use crate::site::{Converter, Mounting};
use crate::variation::Flaws;
use forewarm_core::quantity::Celsius;
use forewarm_core::rtd::{Leads, Measured, Thermometer};
use forewarm_core::settings::{Channel, Role};

/// Temperature of bench and leads (°C).
pub(super) const BENCH_C: f64 = 20.0;

/// One channel.
#[derive(Clone, Debug)]
pub(super) struct Socket {
    channel: Channel,
    thermometer: Thermometer,
    /// With every part of the converter at its cold end, as stated, and at its warm end.
    probes: [Probe; 3],
}

/// Which part of what is possible.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum End {
    Cold,
    Stated,
    Warm,
}

impl Socket {
    pub(super) fn new(channel: &Channel, mounting: &Mounting, converter: &Converter, seed: u64) -> Self {
        let is_two_wire = matches!(channel.leads, Leads::TwoWire { .. });
        let probe = |end: f64| {
            // In series with two wires, contacts can only add.
            let contact = if is_two_wire { end.max(0.0) } else { end };
            let flaws = Flaws {
                mismatch: end,
                contacts: [contact; 2],
                offset: end,
                gain: end,
                // A larger reference makes all that is compared with it smaller.
                reference: -end,
                ..Flaws::default()
            };
            let mut probe = Probe::new(channel, mounting, converter, &flaws, seed);
            probe.set_leads_at(BENCH_C);
            probe
        };
        Self { channel: *channel, thermometer: Thermometer::new(channel.element), probes: [-1.0, 0.0, 1.0].map(probe) }
    }

    const fn probe(&self, end: End) -> &Probe {
        let [cold, stated, warm] = &self.probes;
        match end {
            End::Cold => cold,
            End::Stated => stated,
            End::Warm => warm,
        }
    }

    /// What the converter puts out in step `step` with so much connected (Ω).
    pub(super) fn measures(&self, ohm: f64, end: End, step: u64) -> Measured {
        self.probe(end).holding(ohm).measure(0.0, step)
    }

    /// The least and the most that the converter can put out with so much connected (Ω).
    fn extremes(&self, ohm: f64) -> [Measured; 2] {
        let of = |end: End| {
            let probe = self.probe(end).holding(ohm);
            probe.extremes([0.0; 2], probe.noise_k())
        };
        [of(End::Cold)[0], of(End::Warm)[1]]
    }

    /// The least and the most that the controller can read with so much connected (°C). Beyond what platinum can have it is ±∞.
    pub(super) fn reads_c(&self, ohm: f64) -> [f64; 2] {
        self.extremes(ohm).map(|measured| self.celsius(measured))
    }

    /// The same as the check channel sees it (Ω).
    pub(super) fn measures_ohm(&self, ohm: f64) -> [f64; 2] {
        self.extremes(ohm).map(|measured| self.ohm(measured))
    }

    fn ohm(&self, Measured { element, lead }: Measured) -> f64 {
        let alone = element.less(lead).and_then(|ratio| ratio.of(self.channel.reference));
        alone.map_or(f64::INFINITY, |alone| ohms(alone) - ohms(self.channel.leads.known()))
    }

    fn celsius(&self, measured: Measured) -> f64 {
        let Measured { element, lead } = measured;
        let Some(ratio) = element.less(lead) else { return f64::NEG_INFINITY };
        let Some(all) = ratio.of(self.channel.reference) else { return f64::INFINITY };
        let Some(alone) = all.less(self.channel.leads.known()) else { return f64::NEG_INFINITY };
        match self.thermometer.celsius(alone) {
            Ok(t) => crate::si::celsius(t.raised(self.channel.offset)),
            Err(forewarm_core::rtd::OutOfRange::Below) => f64::NEG_INFINITY,
            Err(forewarm_core::rtd::OutOfRange::Above) => f64::INFINITY,
        }
    }

    /// Up to how much surely reads below `t`, and from how much on surely above it (Ω).
    pub(super) fn around_ohm(&self, t: Celsius) -> [f64; 2] {
        /// The controller itself allows for the rounding of a reading (K).
        const ROUNDING_K: f64 = 0.005;
        let t = crate::si::celsius(t);
        let below = self.first_ohm(|ohm| self.reads_c(ohm)[1] >= t - ROUNDING_K);
        let above = self.first_ohm(|ohm| self.reads_c(ohm)[0] > t + ROUNDING_K);
        [below, above]
    }

    /// Up to how much surely measures below `bound`, and from how much on surely above it (Ω): for a resistor that is no thermometer.
    pub(super) fn around_bound_ohm(&self, bound_ohm: f64) -> [f64; 2] {
        [
            self.first_ohm(|ohm| self.measures_ohm(ohm)[1] >= bound_ohm),
            self.first_ohm(|ohm| self.measures_ohm(ohm)[0] > bound_ohm),
        ]
    }

    /// The resistance from which on `holds` (Ω), which goes on to hold above it. To a micro-ohm.
    fn first_ohm(&self, holds: impl Fn(f64) -> bool) -> f64 {
        let (mut low, mut high) = (0.0, ohms(self.channel.reference));
        while high - low > 1e-6 {
            let middle = f64::midpoint(low, high);
            if holds(middle) { high = middle } else { low = middle }
        }
        high
    }

    /// Whether it has no thermometer but a fixed resistor.
    pub(super) const fn is_check(&self) -> bool {
        matches!(self.channel.role, Role::Check(_))
    }
}
