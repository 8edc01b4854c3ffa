//! Sizes an installation before anything is bolted down.
//!
//! | module | answers |
//! |---|---|
//! | [`measurement`] | how wrong a channel can read: an uncertainty budget in the form of JCGM 100 |
//! | [`nearness`] | where the coldest place lies, and which thermometer would show it best |
//! | `pad` | whether the area of the pad withstands its power |
//! | [`placement`] | how the place of a thermometer shifts its reading |
//! | [`thresholds`] | which charge thresholds stay safe with these errors |
//! | [`ceiling`] | whether the charge-current ceiling stays safe with them |
//! | [`circuit`] | whether conductor, fuse, relay and coil carry what the heater draws |
//! | [`section`] | how warm the bank is, for a picture |
//! | [`cutout`] | whether the thermal cut-outs open in time, and not before the controller acts |
//! | [`sources`] | whether each source can give what the settings promise |
//! | [`thermal`] | whether the heater holds, how long warming up takes, and what both cost |
//! | `memory` | what was computed before, for the next |
//!
//! Nothing here fails: a plan is there to show that an installation cannot work, so it reports that as a finding.

pub mod ceiling;
pub mod circuit;
mod course;
pub mod cutout;
mod limits;
pub mod measurement;
mod memory;
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
use forewarm_core::settings::{BankUse, Settings};
pub use memory::Memory;
use serde::Serialize;
use thermal::{Detail, Shapes};

/// The inputs of a plan.
#[derive(Clone, Copy, Debug)]
pub struct Subject<'s> {
    /// What the fitter calls the installation.
    pub title: &'s str,
    /// Names of the channels, in the order of the settings.
    pub channels: &'s [String],
    /// Names of the sources, in the order of the settings.
    pub sources: &'s [String],
    /// What makes each source obey the charge-current ceiling, in the same order; `None` if nothing does.
    pub obeys: &'s [Option<String>],
    /// The controller's settings.
    pub settings: &'s Settings,
    /// The physical installation.
    pub site: &'s Site,
}

impl<'s> Subject<'s> {
    /// The inputs from an installation whose file describes its site; `None` for any other.
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
    /// Whether the installation passes: no finding is dangerous.
    pub ok: bool,
    /// Identifies the settings: a board that has them shows the same.
    pub settings_fingerprint: String,
    /// The findings, worst first.
    pub findings: Vec<Finding>,
    /// What the heater can do.
    pub thermal: thermal::Thermal,
    /// Where the coldest place of the bank is.
    pub coldest: nearness::Coldest,
    /// Thermometers and thresholds.
    pub measurement: thresholds::Measurement,
    /// The charge-current ceiling.
    pub ceiling: ceiling::Ceiling,
    /// What the heater draws.
    pub heater: Heater,
    /// Whether the plan must take the heater for one on mains; then it does not size the circuit.
    pub is_mains: bool,
    /// The one source that feeds the heater; `null` if the heater is on the bank, with all sources.
    pub heater_fed_by: Option<String>,
    /// Its circuit; `null` if the file does not describe it, or if the plan does not size it.
    pub circuit: Option<circuit::Report>,
    /// The thermal cut-outs in it.
    pub thermal_cutouts: cutout::Report,
    /// What feeds it.
    pub sources: Vec<sources::Source>,
    /// The cautions that every document states once.
    pub cautions: [&'static str; 3],
}

/// What bank, heater and box do with heat, whatever feeds them: the part of a plan that takes time.
#[derive(Clone, Debug)]
pub(crate) struct Study {
    thermal: thermal::Thermal,
    placements: Vec<placement::Placements>,
    coldest: nearness::Coldest,
    findings: Vec<Finding>,
}

impl Study {
    pub(crate) fn of(subject: Subject, within_h: Option<f64>, shapes: &Shapes) -> Self {
        Self::in_detail(subject, Detail::Report { within_h }, shapes)
    }

    /// The same as far as findings need it. A fifth of the work.
    pub(crate) fn for_findings(subject: Subject, shapes: &Shapes) -> Self {
        Self::in_detail(subject, Detail::Findings, shapes)
    }

    fn in_detail(subject: Subject, detail: Detail, shapes: &Shapes) -> Self {
        let Subject { channels, settings, site, .. } = subject;
        let (thermal, placements, findings) = thermal::judge(settings, site, detail, shapes);
        let looks = matches!(detail, Detail::Report { .. });
        let coldest = nearness::Coldest::of(settings, site, channels, (&thermal, &placements), shapes, looks);
        Self { thermal, placements, coldest, findings }
    }

    /// Everything that a study depends on, as text. Two subjects with one text have one study.
    pub(crate) fn basis(subject: Subject) -> String {
        let Subject { channels, settings, site, .. } = subject;
        let mut settings = settings.clone();
        // What feeds the heater, what it feeds besides, and when; and the winter that is rehearsed.
        settings.sources.clear();
        (settings.bank, settings.giving) = (BankUse::Never, None);
        let Site {
            battery,
            plate,
            pad,
            enclosure,
            place,
            room,
            mountings,
            converter,
            thermal_cutouts,
            tolerance,
            supplies: _,
            fed_by: _,
            load: _,
            circuit: _,
            winter: _,
        } = site;
        let bodies = (battery, plate, pad, enclosure, place, room);
        format!("{channels:?} {settings:?} {bodies:?} {mountings:?} {converter:?} {thermal_cutouts:?} {tolerance:?}")
    }
}

impl Plan {
    /// Plans an installation. `within_h` is one more warm-up time (h) to report the heater's power for.
    #[must_use]
    pub fn of(subject: Subject, within_h: Option<f64>) -> Self {
        Self::in_shapes(subject, within_h, &Shapes::of(subject.site))
    }

    /// The same for a site that is already cut into cells.
    #[must_use]
    pub fn in_shapes(subject: Subject, within_h: Option<f64>, shapes: &Shapes) -> Self {
        Self::on(subject, &Study::of(subject, within_h, shapes), Some(shapes))
    }

    /// The same on a study of this site, or of one with the same [`Study::basis`]. Without `shapes` it recommends
    /// thresholds that may not be the last word: warmer ones can ask for still warmer ones.
    pub(crate) fn on(subject: Subject, study: &Study, shapes: Option<&Shapes>) -> Self {
        let Subject { title, channels, sources: names, obeys, settings, site } = subject;
        let Study { thermal, placements, coldest, findings } = study.clone();
        let mut findings = findings;
        let placed = shapes.map(|shapes| |settings: &Settings| thermal::placements(settings, site, shapes));
        let placed = placed.as_ref().map(|placed| placed as &thresholds::Placed);
        let (measurement, found) = thresholds::judge(settings, site, channels, &placements, placed);
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
        let (thermal_cutouts, found) = cutout::judge(settings, site, &heater, is_mains);
        findings.extend(found);
        findings.extend(feed.iter().flat_map(Feed::findings));
        let (sources, found) = sources::judge(settings, site, names, obeys, &heater);
        findings.extend(found);
        let warm_up_h = thermal.warm_ups.first().and_then(|warm_up| warm_up.permitted_h);
        findings.extend(sources::long_enough(settings, site, names, warm_up_h.map(|hours| hours.value)));
        in_order(&mut findings);
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
            thermal_cutouts,
            sources,
            cautions: CAUTIONS,
        }
    }

    /// Adds the finding that the winter of the file exceeds the site's design, in the words of `beyond`.
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

/// Sorts the worst first. The sort is stable: within one severity, findings stay in the order of the parts, except for
/// a headline.
fn in_order(findings: &mut [Finding]) {
    findings.sort_by_key(|finding| (finding.severity, !finding.headline));
}
