//! A replay of any length in a fixed number of bins.
//!
//! Bins start as wide as a step. When they run out, neighbours are joined and every bin is twice as wide. What a
//! bin keeps is what must not be lost in a picture however far away one stands: the lowest and the highest reading, and
//! how much of the time something was on.

use super::super::record::Logged;
use crate::season::{Channels, Moment};
use forewarm_core::quantity::Celsius;
use forewarm_core::settings::MAX_CHANNELS;
use forewarm_core::signals::Alarm;

/// Bins at most; between half of these and all are in use. About one to a dot of a printed page's width.
const MOST: usize = 1024;

/// What is shown as a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in super::super) enum Band {
    Charge,
    Heater,
    Alarm,
    LoggedCharge,
    LoggedHeater,
}

impl Band {
    pub(super) const ALL: [Self; 5] = [Self::Charge, Self::Heater, Self::Alarm, Self::LoggedCharge, Self::LoggedHeater];
}

/// The bins so far.
#[derive(Clone, Debug)]
pub(in super::super) struct Trace {
    /// Width of a bin, in milliseconds.
    pub(super) width: i64,
    plausible: (Celsius, Celsius),
    channels: Channels,
    pub(super) bins: Vec<Bin>,
    /// The step before, and which bands were on from then on.
    before: Option<(i64, u8)>,
}

/// What happened in the width of one bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bin {
    /// Lowest and highest reading of each channel, in thousandths of a degree; the other way round where there was none.
    ranges: [(i32, i32); MAX_CHANNELS],
    /// The same of what was logged and not believed.
    doubtful: [(i32, i32); MAX_CHANNELS],
    /// Time each band was on, and time there was, in milliseconds.
    on: [i64; Band::ALL.len()],
    time: i64,
}

/// The range of no reading.
const NONE: (i32, i32) = (i32::MAX, i32::MIN);

impl Bin {
    const EMPTY: Self =
        Self { ranges: [NONE; MAX_CHANNELS], doubtful: [NONE; MAX_CHANNELS], on: [0; Band::ALL.len()], time: 0 };

    /// Lowest and highest reading of a channel, in °C, if there was one.
    pub(super) fn range(&self, channel: usize) -> Option<(f64, f64)> {
        Self::celsius(self.ranges[channel])
    }

    /// The same of what was logged and not believed.
    pub(super) fn doubtful(&self, channel: usize) -> Option<(f64, f64)> {
        Self::celsius(self.doubtful[channel])
    }

    fn celsius((low, high): (i32, i32)) -> Option<(f64, f64)> {
        (low <= high).then(|| (f64::from(low) / 1000.0, f64::from(high) / 1000.0))
    }

    /// How much of the time a band was on, from 0 to 1.
    #[expect(clippy::cast_precision_loss, reason = "far below 2^53")]
    pub(super) fn part_on(&self, band: Band) -> f64 {
        if self.time == 0 { 0.0 } else { self.on[band as usize] as f64 / self.time as f64 }
    }

    fn join(&mut self, other: &Self) {
        for (range, more) in
            self.ranges.iter_mut().zip(other.ranges).chain(self.doubtful.iter_mut().zip(other.doubtful))
        {
            *range = (range.0.min(more.0), range.1.max(more.1));
        }
        for (on, more) in self.on.iter_mut().zip(other.on) {
            *on += more;
        }
        self.time += other.time;
    }
}

impl Trace {
    /// A trace of steps that lie `step` milliseconds apart, of temperatures that lie between the two of `plausible`.
    pub(in super::super) const fn new(step: u32, plausible: (Celsius, Celsius), channels: Channels) -> Self {
        Self { width: step as i64, plausible, channels, bins: Vec::new(), before: None }
    }

    #[inline]
    pub(in super::super) fn step(&mut self, moment: &Moment<'_>, logged: Logged) {
        self.stop(moment.at);
        let (low, high) = self.plausible;
        let readings = moment.unit.readings();
        let channels = self.channels.clone();
        let bin = self.bin(moment.at);
        for (channel, reading) in readings.into_iter().enumerate() {
            let (range, t) = match (reading, channels.doubtful(channel, moment)) {
                (Some(t), _) => (&mut bin.ranges[channel], t),
                // A temperature that cannot be would leave no room for those that can.
                (None, Some(t)) if (low..=high).contains(&t) => (&mut bin.doubtful[channel], t),
                (None, _) => continue,
            };
            let t = t.as_millidegrees();
            *range = (range.0.min(t), range.1.max(t));
        }
        let alarm = moment.outputs.alarm == Alarm::Sounding;
        let on = |band: Band, on: bool| u8::from(on) << band as u8;
        let bands = on(Band::Charge, moment.charge())
            | on(Band::Heater, moment.heater())
            | on(Band::Alarm, alarm)
            | on(Band::LoggedCharge, logged.charge == Some(true))
            | on(Band::LoggedHeater, logged.heater == Some(true));
        self.before = Some((moment.at, bands));
    }

    /// Takes the bands of the last step to have lasted until `at`.
    #[inline]
    pub(in super::super) fn stop(&mut self, at: i64) {
        let Some((since, bands)) = self.before.take() else { return };
        // Never more than a step, and bins are whole steps: no time runs over into the next bin.
        let bin = self.bin(since);
        bin.time += at - since;
        for (band, on) in bin.on.iter_mut().enumerate() {
            if bands & (1 << band) != 0 {
                *on += at - since;
            }
        }
    }

    /// The bin of the moment `at`.
    #[inline]
    fn bin(&mut self, at: i64) -> &mut Bin {
        let mut index = self.index(at);
        if index >= self.bins.len() {
            while index >= MOST {
                self.widen();
                index = self.index(at);
            }
            self.bins.resize(self.bins.len().max(index + 1), Bin::EMPTY);
        }
        &mut self.bins[index]
    }

    fn index(&self, at: i64) -> usize {
        usize::try_from(at / self.width).unwrap_or(0)
    }

    #[cold]
    fn widen(&mut self) {
        self.width *= 2;
        let joined = self.bins.chunks(2).map(|pair| {
            let mut bin = pair[0];
            pair[1..].iter().for_each(|other| bin.join(other));
            bin
        });
        self.bins = joined.collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn joining_bins_loses_no_extreme_and_no_time(
            steps in proptest::collection::vec((1..2000_i64, -40_000..60_000_i32, 0..32_u8), 1..400),
        ) {
            let mut trace = Trace::new(1000, (Celsius::MIN, Celsius::MAX), Channels::default());
            let mut at = 0;
            let mut on = [0; Band::ALL.len()];
            for &(gap, reading, bands) in &steps {
                let range = &mut trace.bin(at).ranges[0];
                *range = (range.0.min(reading), range.1.max(reading));
                trace.before = Some((at, bands));
                trace.stop(at + 1000);
                on.iter_mut().enumerate().for_each(|(band, on)| *on += i64::from(bands >> band & 1) * 1000);
                at += gap * 1000;
            }
            prop_assert!(trace.bins.len() <= MOST);
            let readings = || steps.iter().map(|(_, reading, _)| *reading);
            let low = trace.bins.iter().map(|bin| bin.ranges[0].0).min();
            let high = trace.bins.iter().map(|bin| bin.ranges[0].1).max();
            prop_assert_eq!((low, high), (readings().min(), readings().max()));
            for (band, on) in on.into_iter().enumerate() {
                prop_assert_eq!(trace.bins.iter().map(|bin| bin.on[band]).sum::<i64>(), on);
            }
            let time = steps.iter().map(|_| 1000).sum::<i64>();
            prop_assert_eq!(trace.bins.iter().map(|bin| bin.time).sum::<i64>(), time);
        }
    }
}
