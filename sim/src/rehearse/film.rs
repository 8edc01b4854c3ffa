//! Records a rehearsal for a chart, with the true temperatures and what the bank takes up.

use super::scenario::Scenario;
use super::stage::{BLOCK, Glimpse, Watcher};
use crate::bank::Flow;
use crate::chart::{LineKind, Season};
use crate::offer::Offer;
use crate::season::{self, BINS, Channels, Clock, Held, Moment, Wanted};
use crate::withheld::Withheld;
use forewarm_core::signals::Outputs;

/// Records what a chart shows of a season as it is played.
#[derive(Debug)]
pub struct Film {
    recorder: season::Film,
    looks_every: u64,
    sources: usize,
    /// What kept the outputs off over the span that is booked next, and what the bank took up in it (Ah).
    withheld: Withheld,
    charged_ah: f64,
}

impl Film {
    /// Ready to record a season of `scenario`, which came from `file`.
    #[must_use]
    pub fn new(scenario: &Scenario, file: &str) -> Self {
        let Scenario { title, channels, sources, settings, site, weather, .. } = scenario;
        // A picture shows no more. What lies in between, a change or a coldest moment, it is shown besides.
        let looks_every = scenario.steps_to(scenario.span_s).div_ceil(BINS as u64).next_multiple_of(BLOCK.into());
        let around = if site.room.is_some() { "room" } else { "outside" };
        let film = season::Film::new(Wanted {
            title,
            label: file,
            clock: Clock::local(weather.start),
            settings,
            channels: Channels::new(channels.iter().map(String::as_str), settings).cells(),
            sources,
            truths: &[
                (around, LineKind::Outside),
                ("plate", LineKind::Plate),
                ("coldest cell (true)", LineKind::ColdestCell),
            ],
            hard_limit_c: Some(site.battery.hard_limit_c),
            refused: "wanted, refused",
            logged: (false, false),
            charge: (true, true),
            // The film sees nothing that is crossed in one leap.
            step_ms: u32::try_from(looks_every * u64::from(scenario.step_ms)).unwrap_or(u32::MAX),
        });
        Self { recorder: film, looks_every, sources: sources.len(), withheld: Withheld::default(), charged_ah: 0.0 }
    }

    /// The recording of a season that was played for `span_s`.
    #[must_use]
    pub fn develop(self, span_s: f64) -> Season {
        self.recorder.develop(whole(span_s))
    }
}

impl Watcher for Film {
    const WATCHES: bool = true;
    const EXPLAINS: bool = true;

    fn looks_every(&self) -> u64 {
        self.looks_every
    }

    fn look(&mut self, glimpse: &Glimpse<'_>) {
        let at_s = whole(glimpse.at_s);
        self.recorder.truths(at_s, &[glimpse.outside_c, glimpse.plate_c, glimpse.coldest_c]);
        let Glimpse { unit, inputs, outputs, .. } = *glimpse;
        self.recorder.see(at_s, &Moment { at: at_s * 1000, unit, inputs, outputs }, Some(glimpse.charge));
    }

    fn withheld(&mut self, withheld: Withheld) {
        self.withheld = withheld;
    }

    fn charged(&mut self, charged_ah: f64) {
        self.charged_ah = charged_ah;
    }

    fn book(&mut self, from_s: f64, to_s: f64, outputs: &Outputs, offer: &Offer, flow: &Flow) {
        let at_s = whole(from_s);
        let refused = self.withheld.charge.filter(|_| flow.charge_wanted);
        self.recorder.hold(at_s, &Held { outputs, sources: offer.sources, refused, logged: (false, false) });
        let hours = (to_s - from_s) / 3600.0;
        let given_w = flow.heater_w_by_source[..self.sources].iter().chain([&flow.heater_w_bank]);
        let span = (at_s, whole(to_s));
        self.recorder.add(0, span, given_w.map(|power_w| power_w * hours));
        self.recorder.add(1, span, [self.charged_ah].into_iter());
    }
}

#[expect(clippy::cast_possible_truncation, reason = "seconds of a year")]
fn whole(seconds: f64) -> i64 {
    seconds as i64
}
