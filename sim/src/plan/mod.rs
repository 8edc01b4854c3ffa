//! Sizing an installation before anything is bolted down.
//!
//! | module | answers |
//! |---|---|
//! | [`measurement`] | how wrong a channel can read: an uncertainty budget in the form of JCGM 100 |
//! | [`nearness`] | where the coldest place lies, and which thermometer would show it best |
//! | `pad` | whether the pad bears on its area what it gives |
//! | [`placement`] | how a thermometer reads because of where it sits |
//! | [`thresholds`] | which charge thresholds stay safe with that |
//! | [`ceiling`] | whether the charge-current ceiling does |
//! | [`circuit`] | whether conductor, fuse, relay and coil stand what the heater draws |
//! | [`section`] | how warm the bank is, as a picture shows it |
//! | [`sources`] | whether each source can give what it is to give |
//! | [`thermal`] | whether the heater holds, how long warming up takes, what both cost |
//!
//! Nothing here fails: an installation that cannot work is what a plan is for, and so a finding.

pub mod ceiling;
pub mod circuit;
mod course;
mod limits;
pub mod measurement;
pub mod nearness;
mod pad;
pub mod placement;
pub mod section;
pub mod sources;
#[cfg(test)]
pub(crate) mod testing;
mod text;
pub mod thermal;
pub mod thresholds;

use crate::cautions::CAUTIONS;
use crate::feed::Feed;
use crate::finding::{Finding, Part};
use crate::fingerprint;
use crate::heater::{self, Heater};
use crate::installation::Installation;
use crate::site::Site;
use forewarm_core::settings::Settings;
use serde::Serialize;
use thermal::Shapes;

/// What a plan is made of.
#[derive(Clone, Copy, Debug)]
pub struct Subject<'s> {
    /// What the fitter calls the installation.
    pub title: &'s str,
    /// Names of the channels, in the order of the settings.
    pub channels: &'s [String],
    /// Names of the sources, in the order of the settings.
    pub sources: &'s [String],
    /// What makes each source obey the charge-current ceiling, in the same order; nothing where nothing does.
    pub obeys: &'s [Option<String>],
    /// What the controller is told.
    pub settings: &'s Settings,
    /// The installation as a thing of matter.
    pub site: &'s Site,
}

impl<'s> Subject<'s> {
    /// Of an installation whose file has its site; nothing of another.
    #[must_use]
    pub fn of(installation: &'s Installation) -> Option<Self> {
        Some(Self {
            title: &installation.title,
            channels: &installation.channels,
            sources: &installation.sources,
            obeys: &installation.obeys,
            settings: &installation.settings,
            site: installation.site.as_ref()?,
        })
    }
}

/// A plan. Its JSON form has the names of its fields, units in the names.
#[derive(Clone, Debug, Serialize)]
pub struct Plan {
    /// What the fitter calls the installation.
    pub title: String,
    /// Whether the installation passes: nothing that was found is dangerous.
    pub ok: bool,
    /// What tells the settings from all others: a board that has them shows the same.
    pub settings_fingerprint: String,
    /// What was found, the worst first.
    pub findings: Vec<Finding>,
    /// What the heater can do.
    pub thermal: thermal::Thermal,
    /// Where the coldest place of the bank lies.
    pub coldest: nearness::Coldest,
    /// Thermometers and thresholds.
    pub measurement: thresholds::Measurement,
    /// The charge-current ceiling.
    pub ceiling: ceiling::Ceiling,
    /// What the heater draws.
    pub heater: Heater,
    /// Whether the heater must be taken for one on mains: then its circuit is not sized.
    pub is_mains: bool,
    /// The one source that feeds it; `null` where it hangs on the bank, with all of them.
    pub heater_fed_by: Option<String>,
    /// Its circuit; `null` where the file says nothing of it, or where it is not sized.
    pub circuit: Option<circuit::Report>,
    /// What feeds it.
    pub sources: Vec<sources::Source>,
    /// What every document says once.
    pub cautions: [&'static str; 3],
}

impl Plan {
    /// Plans an installation. `within_h` is one warm-up time more to tell the heater's power for (h).
    #[must_use]
    pub fn of(subject: Subject, within_h: Option<f64>) -> Self {
        Self::in_shapes(subject, within_h, &Shapes::of(subject.site))
    }

    /// The same where the site has been cut into cells already.
    #[must_use]
    pub fn in_shapes(subject: Subject, within_h: Option<f64>, shapes: &Shapes) -> Self {
        let Subject { title, channels, sources: names, obeys, settings, site } = subject;
        let (thermal, placements, mut findings) = thermal::judge(settings, site, within_h, shapes);
        let (measurement, found) = thresholds::judge(settings, site, channels, &placements, &|settings| {
            thermal::placements(settings, site, shapes)
        });
        findings.extend(found);
        let band_k = thresholds::kept_band(settings, site, &placements);
        let (ceiling, found) = ceiling::Ceiling::judge(settings, &site.battery.maker_ceiling, &band_k);
        findings.push(found);
        let heater = Heater::of(settings, site.tolerance.pad_power);
        findings.push(pad::judge(&heater, site));
        let feed = Feed::of(settings, site, names);
        let is_mains = match &feed {
            Some(feed) => feed.is_mains(),
            None => heater::is_mains(heater.at_nominal.supply_v, &site.battery),
        };
        let circuit = if is_mains {
            findings.push(heater::not_sized(heater.at_nominal.supply_v));
            None
        } else {
            if feed.is_none() {
                findings.extend(circuit::bank_range(settings, site));
            }
            circuit::judge(settings, site).map(|(report, found)| {
                findings.extend(found);
                report
            })
        };
        findings.extend(feed.iter().flat_map(Feed::findings));
        let (sources, found) = sources::judge(settings, site, names, obeys, &heater);
        findings.extend(found);
        let warm_up_h = thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h);
        findings.extend(sources::long_enough(settings, site, names, warm_up_h.map(|hours| hours.value)));
        in_order(&mut findings);
        let coldest = nearness::Coldest::of(settings, site, channels, (&thermal, &placements), shapes);
        Self {
            title: title.to_owned(),
            ok: !findings.iter().any(|finding| finding.fails),
            settings_fingerprint: fingerprint::of(settings).to_string(),
            findings,
            thermal,
            coldest,
            measurement,
            ceiling,
            heater,
            is_mains,
            heater_fed_by: site.fed_by.and_then(|index| names.get(index).cloned()),
            circuit,
            sources,
            cautions: CAUTIONS,
        }
    }

    /// Adds that the winter of the file goes beyond what the site is designed for, as `beyond` tells.
    pub fn add_weather_beyond(&mut self, beyond: &str) {
        let text = format!("the winter of the file is harsher than what this plan looks at: {beyond}");
        self.findings.push(Finding::change(
            Part::Thermal,
            text,
            "design_min_c and design_wind_m_s as harsh as the winter",
        ));
        in_order(&mut self.findings);
    }
}

/// The worst first. Stable: within one severity they stay in the order of the parts, but for a headline.
fn in_order(findings: &mut [Finding]) {
    findings.sort_by_key(|finding| (finding.severity, !finding.headline));
}
