//! Which charge thresholds stay safe with the possible error of the cell channels.
//!
//! Charge is permitted only while *every* cell channel reads above the threshold. So each battery is as safe as the
//! best of the channels that answer for it, and the bank is as safe as its worst battery.

use super::measurement::{AIR_SEEN, Budget, Chain, GROWTH, Line};
use super::placement::Placements;
use crate::edit::{Edit, Home, Names};
use crate::figures::{fixed, plain, raised_to, uncertain};
use crate::finding::{Finding, Part, Remedy};
use crate::platinum::{Platinum, ohms};
use crate::si::written_c;
use crate::site::{LoopFrom, Mounting, ShareFrom, Site, Spot};
use forewarm_core::quantity::Celsius;
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Key, Role, Settings};
use serde::Serialize;
use std::fmt::Write;

/// Leads are near the heater. The plan assumes that they get no warmer than this, unless the file states warmer
/// surroundings (°C). Common practice, no source.
const LEADS_WARMEST_C: f64 = 40.0;

/// Least distance from inhibit to release (K). Common practice, no source: 2 to 3 K.
const HYSTERESIS_K: f64 = 2.0;

/// The plan recommends no lower inhibit threshold than this, however good the thermometers are (°C). Common practice,
/// no source.
const USUAL_INHIBIT_C: f64 = 5.0;

/// Highest cell temperature for charge that needs no second look (°C). Common practice, no source: makers allow 45 to
/// 60 °C.
const HOTTEST_C: f64 = 55.0;

/// Grain of recommended thresholds (K).
const GRAIN_K: f64 = 0.1;

/// The facts about the leads of a channel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LeadReport {
    /// Resistance there and back at 20 °C that the plan uses (Ω).
    pub loop_ohm_20c: f64,
    /// `measured` if it is `lead_loop_ohm` of the file, `cable` if it is computed from length and cross-section.
    pub from: &'static str,
    /// Length of the cable, one way (m).
    pub cable_m: f64,
    /// Cross-section of one conductor (mm²).
    pub cable_mm2: f64,
    /// The resistance that length and cross-section give, if the file states both and a measured loop (Ω).
    pub cable_ohm_20c: Option<f64>,
}

impl LeadReport {
    fn of(mounting: &Mounting) -> Self {
        let (from, cable_ohm_20c) = match mounting.loop_from {
            LoopFrom::Measured { cable_ohm } => ("measured", cable_ohm),
            LoopFrom::Cable => ("cable", None),
        };
        let Mounting { loop_ohm_20c, cable_m, cable_mm2, .. } = *mounting;
        Self { loop_ohm_20c, from, cable_m, cable_mm2, cable_ohm_20c }
    }

    /// The figure and its origin.
    pub(super) fn text(&self) -> String {
        let cable = format!("{} m of {} mm²", plain(self.cable_m), plain(self.cable_mm2));
        match (self.from, self.cable_ohm_20c) {
            ("cable", _) => format!("{} Ω, computed from {cable}", plain(self.loop_ohm_20c)),
            (_, Some(cable_ohm)) => {
                format!(
                    "{} Ω, measured (lead_loop_ohm); {cable} would have {} Ω",
                    plain(self.loop_ohm_20c),
                    plain(cable_ohm)
                )
            }
            (_, None) => format!("{} Ω, measured (lead_loop_ohm)", plain(self.loop_ohm_20c)),
        }
    }
}

/// How the air of the box changes the reading of a thermometer that is fixed to something else.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AirReport {
    /// Part of the element's surroundings that is air (%).
    pub share_pct: f64,
    /// `file` or `default`.
    pub from: &'static str,
    /// High charge limit (°C): the thermometer must find cells this hot.
    pub high_limit_c: f64,
    /// The air that may then be around it (°C).
    pub then_air_c: f64,
    /// How far its reading is then low (K).
    pub reads_low_k: f64,
}

impl AirReport {
    fn of(witness: &Witness, settings: &Settings) -> Option<Self> {
        let mounting = witness.chain.mounting;
        let share = mounting.air_beside()?;
        let (high_limit_c, chilled_k) = (written_c(settings.charge.high_limit), witness.placements.chilled_k.max(0.0));
        let from = match mounting.air_share_from {
            ShareFrom::File => "file",
            ShareFrom::Default => "default",
        };
        // The settings can hold a thousandth.
        let share_pct = (share * 1e8).round() / 1e6;
        Some(Self {
            share_pct,
            from,
            high_limit_c,
            then_air_c: high_limit_c - chilled_k,
            reads_low_k: share * chilled_k,
        })
    }

    /// The figure, its origin and its effect.
    pub(super) fn text(&self) -> String {
        let from = match self.from {
            "file" => "air_share_pct",
            _ => "from memory: the file has no air_share_pct",
        };
        let mut text = format!("Air that it sees: {} % ({from})", plain(self.share_pct));
        if self.share_pct > 0.0 {
            let _ = write!(
                text,
                ". With the box closed, warmer air makes it read high, as above, and colder air low: by up to {} K where cells are at the high \
                 limit of {} °C, in box air of {} °C",
                plain(raised_to(self.reads_low_k, 0.01)),
                plain(self.high_limit_c),
                fixed(self.then_air_c, 0),
            );
        }
        text
    }
}

/// The error of one cell channel.
#[derive(Clone, Debug, Serialize)]
pub struct ChannelError {
    /// Name of the channel.
    pub channel: String,
    /// The batteries that the channel answers for, counted from 1.
    pub batteries: Vec<usize>,
    /// Its leads.
    pub leads: LeadReport,
    /// Effect of the air on it; `null` if the thermometer hangs in the air.
    pub air: Option<AirReport>,
    /// Its budget where it shows the inhibit threshold, while permission is kept.
    pub at_inhibit: Budget,
    /// Its budget where it shows the release threshold, when permission is given.
    pub at_release: Budget,
}

/// Thresholds that go together (°C).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Set {
    /// Charge is refused at or below.
    pub inhibit_c: f64,
    /// Charge is permitted above.
    pub release_c: f64,
    /// The heater goes on at or below, while charge is permitted.
    pub heater_start_c: f64,
    /// The heater goes off at or above.
    pub heater_stop_c: f64,
}

/// What the errors require of the thresholds.
#[derive(Clone, Debug, Serialize)]
pub struct Thresholds {
    /// Charging a colder cell harms it (°C); includes the tolerance of this limit.
    pub hard_limit_c: f64,
    /// The thresholds of the file.
    pub file: Set,
    /// Guard band at the file's inhibit threshold (K).
    pub guard_band_inhibit_k: f64,
    /// Guard band at the file's release threshold (K).
    pub guard_band_release_k: f64,
    /// Hard limit plus guard band, rounded up (°C).
    pub least_inhibit_c: f64,
    /// The same for release, at least a useful hysteresis above the least inhibit threshold (°C).
    pub least_release_c: f64,
    /// Inhibit threshold at which no cell falls to its hard limit, even with every error at its limit at once (°C).
    pub limit_inhibit_c: f64,
    /// The same for release (°C).
    pub limit_release_c: f64,
    /// These limit thresholds, or higher ones if the file's or the usual ones are higher; `null` if the settings allow
    /// none so high.
    pub recommended: Option<Set>,
    /// Whether both thresholds of the file are at or above the least ones.
    pub covered: bool,
    /// Whether they stay safe even with every error at its limit at once.
    pub covered_at_the_limits: bool,
}

/// The cell channels and their consequences.
#[derive(Clone, Debug, Serialize)]
pub struct Measurement {
    /// The cell channels, in the order of the file.
    pub channels: Vec<ChannelError>,
    /// What the channels require of the thresholds.
    pub thresholds: Thresholds,
}

struct Witness<'s> {
    index: usize,
    chain: Chain<'s>,
    placements: Placements,
    batteries: Vec<usize>,
}

/// The moment that a threshold is for.
#[derive(Clone, Copy)]
enum When {
    Given,
    Kept,
}

impl Witness<'_> {
    fn budget(&self, reading_c: f64, when: When) -> Budget {
        let placement = match when {
            When::Given => &self.placements.given,
            When::Kept => &self.placements.kept,
        };
        self.chain.budget(reading_c, placement)
    }
}

/// The guard band of the bank at a reading, and the channel that sets it: the smallest over the channels of a battery,
/// then the largest over the batteries.
fn guard<'w, 's>(
    witnesses: &'w [Witness<'s>],
    batteries: usize,
    (reading_c, when): (f64, When),
    band: impl Fn(&Budget) -> f64,
) -> Option<(f64, &'w Witness<'s>)> {
    let of_battery = |battery: usize| {
        witnesses
            .iter()
            .filter(|witness| witness.batteries.contains(&battery))
            .map(|witness| (band(&witness.budget(reading_c, when)), witness))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    (0..batteries).filter_map(of_battery).max_by(|a, b| a.0.total_cmp(&b.0))
}

/// The guard band of the bank at a reading while permission is kept (°C to K). `placements` are those of the channels
/// of `settings`.
pub(super) fn kept_band<'s>(
    settings: &'s Settings,
    site: &'s Site,
    placements: &[Placements],
) -> impl Fn(f64) -> f64 + use<'s> {
    let witnesses = witnesses(settings, site, placements);
    let count = site.battery.count;
    move |reading_c| {
        guard(&witnesses, count, (reading_c, When::Kept), |budget| budget.guard_band_k).map_or(0.0, |(band, _)| band)
    }
}

fn witnesses<'s>(settings: &'s Settings, site: &'s Site, placements: &[Placements]) -> Vec<Witness<'s>> {
    let leads_c = leads_c(site);
    settings
        .channels
        .iter()
        .zip(&site.mountings)
        .enumerate()
        .filter(|(_, (channel, _))| channel.role == Role::Cell)
        .map(|(index, (channel, mounting))| Witness {
            index,
            chain: Chain {
                channel,
                mounting,
                converter: &site.converter,
                leads_c,
                air_share_spread: site.tolerance.air_share,
            },
            placements: placements.get(index).cloned().unwrap_or_default(),
            batteries: answers_for(mounting.at, site.battery.count),
        })
        .collect()
}

/// The placements under other settings.
pub type Placed<'p> = dyn Fn(&Settings) -> Vec<Placements> + 'p;

/// Judges the thresholds of `settings`; `names` and `placements` are those of its channels. Without `placed`, nothing
/// confirms what it recommends.
#[must_use]
pub fn judge(
    settings: &Settings,
    site: &Site,
    names: &[String],
    placements: &[Placements],
    placed: Option<&Placed>,
) -> (Measurement, Vec<Finding>) {
    let witnesses = witnesses(settings, site, placements);
    let mut thresholds = thresholds(settings, site, &witnesses);
    if let Some(placed) = placed {
        thresholds.recommended =
            thresholds.recommended.and_then(|set| confirmed(set, &thresholds, settings, site, placed));
    }
    let name = |index: usize| names.get(index).map_or_else(|| format!("channel {}", index + 1), Clone::clone);
    let mut findings = vec![verdict(&thresholds, settings, site, &witnesses, &name)];
    findings.extend(if site.converter.one_reference {
        shared(&thresholds, settings, &witnesses)
    } else {
        of_each_module(&thresholds, settings)
    });
    findings.extend(unwatched(site.battery.count, &witnesses));
    findings.extend(witnesses.iter().filter_map(|witness| reads_no_cells(witness, &name(witness.index))));
    findings.extend(witnesses.iter().filter_map(|witness| hiding_heat(witness, settings, &name(witness.index))));
    findings.extend(witnesses.iter().filter_map(|witness| leads(witness, settings, &name(witness.index))));
    findings.extend(witnesses.iter().filter_map(|witness| disagreeing(witness, &name(witness.index))));
    let channels = witnesses
        .iter()
        .map(|witness| ChannelError {
            channel: name(witness.index),
            batteries: witness.batteries.iter().map(|battery| battery + 1).collect(),
            leads: LeadReport::of(witness.chain.mounting),
            air: AirReport::of(witness, settings),
            at_inhibit: witness.budget(thresholds.file.inhibit_c, When::Kept),
            at_release: witness.budget(thresholds.file.release_c, When::Given),
        })
        .collect();
    (Measurement { channels, thresholds }, findings)
}

/// The thresholds that are still safe with every error at its limit once they are set. Warmer thresholds send heat
/// further, so the channels then stand differently against the cells. `None` if the settings do not allow such
/// thresholds, or if none are found.
fn confirmed(mut set: Set, thresholds: &Thresholds, settings: &Settings, site: &Site, placed: &Placed) -> Option<Set> {
    /// Each round adds a part of the round before. For a channel far from the coldest place that part is six tenths,
    /// and the eighth round is already below the grain.
    const ROUNDS: usize = 12;
    if set == thresholds.file && thresholds.covered_at_the_limits {
        return Some(set);
    }
    for _ in 0..ROUNDS {
        let proposed = set.applied(settings);
        proposed.clone().validate().ok()?;
        let found = self::thresholds(&proposed, site, &witnesses(&proposed, site, &placed(&proposed)));
        if found.covered_at_the_limits {
            return Some(set);
        }
        set = found.recommended?;
    }
    None
}

impl Set {
    /// Distance from inhibit to release that stays when both move (K).
    fn hysteresis_k(self) -> f64 {
        (self.release_c - self.inhibit_c).max(HYSTERESIS_K)
    }

    /// What decides these thresholds, if `found` recommends them.
    pub(super) fn decided_by(self, found: &Thresholds) -> String {
        const ERRORS: &str = "every error at its limit";
        let inhibit = if self.inhibit_c <= found.file.inhibit_c {
            "the file"
        } else if self.inhibit_c <= USUAL_INHIBIT_C {
            "custom"
        } else {
            ERRORS
        };
        let release = if self.release_c <= found.file.release_c {
            "the file"
        } else if self.release_c <= raised_to(self.inhibit_c + found.file.hysteresis_k(), GRAIN_K) {
            "its distance to inhibit"
        } else {
            ERRORS
        };
        match (inhibit, release) {
            ("the file", "the file") => "as in the file".to_owned(),
            (inhibit, release) => format!("inhibit by {inhibit}, release by {release}"),
        }
    }

    /// `settings` with these thresholds.
    fn applied(self, settings: &Settings) -> Settings {
        #[expect(clippy::cast_possible_truncation, reason = "tens of degrees")]
        let celsius = |t: f64| Celsius::from_millidegrees((t * 1000.0).round() as i32);
        let mut settings = settings.clone();
        settings.charge.inhibit = celsius(self.inhibit_c);
        settings.charge.release = celsius(self.release_c);
        settings.heater.start = celsius(self.heater_start_c);
        settings.heater.stop = celsius(self.heater_stop_c);
        settings
    }
}

fn leads_c(site: &Site) -> (f64, f64) {
    let warmest = site.circuit.map_or(LEADS_WARMEST_C, |circuit| circuit.cable_c.max(LEADS_WARMEST_C));
    // The leads may lie in the room or run through the outside. The worse of the two counts.
    let warmest = site.warmed_c().map_or(warmest, |room_c| room_c.max(warmest));
    (site.place.design_min_c.min(warmest), warmest)
}

/// The batteries whose coldest place a thermometer at this spot can show.
pub(super) fn answers_for(spot: Spot, count: usize) -> Vec<usize> {
    match spot {
        Spot::Base(battery)
        | Spot::Top(battery)
        | Spot::Side(battery)
        | Spot::End(battery)
        | Spot::Bottom(battery)
        | Spot::Terminal(battery)
        | Spot::Point(battery, _) => {
            vec![battery]
        }
        Spot::Between(battery) => (battery..count.min(battery + 2)).collect(),
        Spot::Plate | Spot::Air => (0..count).collect(),
    }
}

/// A temperature that the settings can hold, without the rounding errors that sums leave beyond the third decimal.
fn to_millidegrees(t: f64) -> f64 {
    (t * 1000.0).round() / 1000.0
}

fn thresholds(settings: &Settings, site: &Site, witnesses: &[Witness]) -> Thresholds {
    let (charge, heater) = (&settings.charge, &settings.heater);
    let file = Set {
        inhibit_c: written_c(charge.inhibit),
        release_c: written_c(charge.release),
        heater_start_c: written_c(heater.start),
        heater_stop_c: written_c(heater.stop),
    };
    let hard_limit_c = site.battery.hard_limit_c + site.tolerance.hard_limit_k;
    let band = |reading_c: f64, when: When, of: fn(&Budget) -> f64| {
        guard(witnesses, site.battery.count, (reading_c, when), of).map_or(0.0, |(band, _)| band)
    };
    // For a fixed placement, the guard band hardly grows with its threshold, so this settles at once. `confirmed` deals
    // with the placement under other thresholds.
    let least = |when: When, of: fn(&Budget) -> f64| {
        let mut at = hard_limit_c;
        for _ in 0..8 {
            at = hard_limit_c + band(at, when, of);
        }
        raised_to(at, GRAIN_K)
    };
    let likely: fn(&Budget) -> f64 = |budget| budget.guard_band_k;
    let limit: fn(&Budget) -> f64 = |budget| budget.worst_warm_k;
    let guard_band_inhibit_k = band(file.inhibit_c, When::Kept, likely);
    let guard_band_release_k = band(file.release_c, When::Given, likely);
    let least_inhibit_c = least(When::Kept, likely);
    let least_release_c = least(When::Given, likely).max(least_inhibit_c + HYSTERESIS_K);
    let hysteresis = file.hysteresis_k();
    let bears = |least_inhibit: f64, least_release: f64| {
        file.inhibit_c >= least_inhibit - 1e-9 && file.release_c >= least_release - 1e-9
    };
    let limit_inhibit_c = least(When::Kept, limit);
    let limit_release_c = least(When::Given, limit).max(limit_inhibit_c + HYSTERESIS_K);
    // The plan never lowers a higher threshold of the file.
    let recommended_inhibit = limit_inhibit_c.max(USUAL_INHIBIT_C).max(file.inhibit_c);
    let recommended_release =
        limit_release_c.max(raised_to(recommended_inhibit + hysteresis, GRAIN_K)).max(file.release_c);
    let recommended = Set {
        inhibit_c: recommended_inhibit,
        release_c: recommended_release,
        heater_start_c: to_millidegrees(file.heater_start_c + (recommended_inhibit - file.inhibit_c).max(0.0)),
        heater_stop_c: to_millidegrees(file.heater_stop_c + (recommended_release - file.release_c).max(0.0)),
    };
    let highest = |key: Key| {
        #[expect(clippy::cast_precision_loss, reason = "at most 45 000")]
        let highest = key.fact().maximum as f64 / 1000.0;
        highest
    };
    let is_allowed = recommended.inhibit_c <= highest(Key::Inhibit)
        && recommended.release_c <= highest(Key::Release)
        && recommended.heater_start_c <= highest(Key::HeaterStart)
        && recommended.heater_stop_c <= highest(Key::HeaterStop);
    Thresholds {
        hard_limit_c,
        file,
        guard_band_inhibit_k,
        guard_band_release_k,
        least_inhibit_c,
        least_release_c,
        limit_inhibit_c,
        limit_release_c,
        recommended: is_allowed.then_some(recommended),
        covered: bears(hard_limit_c + guard_band_inhibit_k, hard_limit_c + guard_band_release_k),
        covered_at_the_limits: bears(limit_inhibit_c, limit_release_c),
    }
}

fn verdict(
    thresholds: &Thresholds,
    settings: &Settings,
    site: &Site,
    witnesses: &[Witness],
    name: &impl Fn(usize) -> String,
) -> Finding {
    let Thresholds { hard_limit_c, file, .. } = *thresholds;
    let bands = format!(
        "the cells' limit {} °C plus the guard band of {} K at inhibit and {} K at release",
        plain(hard_limit_c),
        plain(raised_to(thresholds.guard_band_inhibit_k, 0.01)),
        plain(raised_to(thresholds.guard_band_release_k, 0.01)),
    );
    let stated = format!("inhibit {} °C and release {} °C", plain(file.inhibit_c), plain(file.release_c));
    let decisive = [(file.inhibit_c, When::Kept), (file.release_c, When::Given)]
        .into_iter()
        .filter_map(|at| {
            guard(witnesses, site.battery.count, at, |budget| budget.guard_band_k).map(|found| (found, at))
        })
        .max_by(|a, b| a.0.0.total_cmp(&b.0.0))
        .map(|((_, witness), (reading_c, when))| (witness, witness.budget(reading_c, when)));
    let largest = decisive.as_ref().and_then(|(witness, budget)| Some((*witness, budget.largest()?)));
    let cause = largest.map_or_else(String::new, |(witness, line)| {
        let spread_k = super::measurement::COVERAGE * line.u_k;
        let share =
            if spread_k > 0.0 { uncertain(line.bias_k, spread_k, "K") } else { format!("{} K", fixed(line.bias_k, 2)) };
        format!("; most of it is {} of channel {}: {share}", line.contribution, name(witness.index))
    });
    let better = largest.map_or("a better thermometer, mounting or wiring", |(witness, line)| better(witness, line));
    let proposal = thresholds.recommended.map_or_else(
        || format!("{better}: no threshold that the settings allow is high enough"),
        |set| format!("{}, or {better}", proposal(set, settings)),
    );
    let raised = || thresholds.recommended.map(|set| set.remedy(settings));
    if !thresholds.covered {
        Finding::danger(
            Part::Measurement,
            format!("{stated} do not cover what the thermometers can be wrong by: {bands}{cause}"),
            proposal,
        )
        .with(raised())
    } else if !thresholds.covered_at_the_limits {
        Finding::change(
            Part::Measurement,
            format!("{stated} cover {bands}, but not every error at its limit at once{cause}"),
            format!("to leave no doubt, {proposal}"),
        )
        .with(raised())
    } else {
        Finding::fine(Part::Measurement, format!("{stated} cover {bands}, and even every error at its limit at once"))
    }
}

/// A remedy for the largest contribution of a channel.
fn better(witness: &Witness, largest: &Line) -> &'static str {
    let of = |what: &str| largest.contribution.starts_with(what);
    if of("placement") {
        match witness.chain.mounting.at {
            Spot::Top(_) | Spot::Side(_) | Spot::End(_) | Spot::Terminal(_) | Spot::Point(..) => {
                "a longer charge.soak_min"
            }
            Spot::Plate | Spot::Base(_) | Spot::Between(_) | Spot::Bottom(_) | Spot::Air => {
                "a channel in a colder place (at = \"top\" or \"end\"), or a longer charge.soak_min"
            }
        }
    } else if of(AIR_SEEN) {
        "the element covered with foam, and a smaller air_share_pct"
    } else if of(GROWTH) {
        if witness.chain.mounting.r0_ohm < 500.0 {
            "four wires, or a Pt1000, a tenth as sensitive to contacts"
        } else {
            "four wires, or soldered joints and a smaller contact_growth_mohm"
        }
    } else if of("two leads") || of("contact") || of("leads") {
        "three wires or four, or a better connection"
    } else if of("element") {
        "an element of a better class, or a calibration"
    } else if of("reference") {
        "a better reference resistor, or a calibration of the whole channel"
    } else {
        "a better thermometer, mounting or wiring"
    }
}

impl Set {
    /// The settings to write: only those that change.
    pub(crate) fn remedy(self, settings: &Settings) -> Remedy {
        let (charge, heater) = (&settings.charge, &settings.heater);
        let lines = [
            ("charge", "inhibit_c", self.inhibit_c, charge.inhibit),
            ("charge", "release_c", self.release_c, charge.release),
            ("heater", "start_c", self.heater_start_c, heater.start),
            ("heater", "stop_c", self.heater_stop_c, heater.stop),
        ];
        let changed = lines.into_iter().filter(|(_, _, proposed, stated)| (proposed - written_c(*stated)).abs() > 1e-6);
        changed.map(|(section, key, proposed, _)| Edit::number(Home::Section(section), key, proposed)).collect()
    }
}

/// The lowest thresholds at which no error of the thermometers lets a cell fall to its hard limit, and that custom
/// allows. The heater's keep their distance to them.
pub(crate) fn least_set(found: &Thresholds) -> Set {
    let file = found.file;
    let inhibit_c = found.limit_inhibit_c.max(USUAL_INHIBIT_C);
    let release_c = found.limit_release_c.max(inhibit_c + HYSTERESIS_K);
    Set {
        inhibit_c,
        release_c,
        heater_start_c: to_millidegrees(file.heater_start_c + inhibit_c - file.inhibit_c),
        heater_stop_c: to_millidegrees(file.heater_stop_c + release_c - file.release_c),
    }
}

/// The same in words.
fn proposal(set: Set, settings: &Settings) -> String {
    let no_names = Names { channels: &[], sources: &[] };
    let edits = set.remedy(settings);
    let line = |edit: &Edit| format!("{} = {}", edit.place(&no_names), edit.value.as_deref().unwrap_or_default());
    edits.iter().map(line).collect::<Vec<_>>().join(", ")
}

/// How far off the reference, or a return that all channels share, may be before anything finds it. Comparing channels
/// finds neither, because all read wrong alike.
fn shared(thresholds: &Thresholds, settings: &Settings, witnesses: &[Witness]) -> Option<Finding> {
    let inhibit_c = thresholds.file.inhibit_c;
    let warmest = |reads: &dyn Fn(&Platinum) -> f64| {
        let of = witnesses.iter().map(|witness| reads(&Platinum::of(&witness.chain.channel.element)));
        of.fold(f64::NEG_INFINITY, f64::max)
    };
    if witnesses.is_empty() {
        return None;
    }
    // The best of several checks. What it lets through is a part of everything, or that number of ohms in a return.
    let checks = settings.channels.iter().filter_map(|channel| match channel.role {
        Role::Check(check) => Some((ohms(check.nominal), ohms(check.within))),
        Role::Cell | Role::Pad | Role::Ambient => None,
    });
    let unseen_k = |(nominal, within): (f64, f64)| {
        warmest(&|platinum| {
            let by_part = platinum.reads_above_k(inhibit_c, within / nominal, 0.0);
            by_part.max(platinum.reads_above_k(inhibit_c, 0.0, within))
        })
    };
    let Some((unseen_k, (nominal, within))) =
        checks.map(|check| (unseen_k(check), check)).min_by(|a, b| a.0.total_cmp(&b.0))
    else {
        let two_percent_k = warmest(&|platinum| platinum.reads_above_k(inhibit_c, 0.02, 0.0));
        return Some(Finding::change(
            Part::Measurement,
            format!(
                "no channel has the role check: nothing finds a reference resistor or a common return that changes in service. A reference 2 % \
                 low makes every channel read {} K warm at {} °C, and nothing stops it before one reads trust.plausible_high_c = {} °C",
                fixed(two_percent_k, 1),
                plain(inhibit_c),
                plain(written_c(settings.trust.plausible_high)),
            ),
            "a [[channel]] with role = \"check\": a fixed resistor at the converter's terminals",
        ));
    };
    let text = format!(
        "a reference resistor or a common return that changes in service is found by the check resistor ({} Ω within {} Ω) before it makes \
         any cell channel read more than {} K warm",
        plain(nominal),
        plain(within),
        plain(raised_to(unseen_k, 0.01)),
    );
    let change = "a smaller check_within_ohm with a better check resistor, or a higher inhibit_c";
    Some(unseen(thresholds, unseen_k, text, change))
}

/// How far off the reference of one converter module may be before another module's channel contradicts it. A check resistor shows
/// only the reference of its own module.
fn of_each_module(thresholds: &Thresholds, settings: &Settings) -> Option<Finding> {
    const OWN: &str =
        "each converter module has a reference resistor of its own, and a check resistor shows no other module's";
    match settings.channels.iter().filter(|channel| channel.role == Role::Cell).count() {
        0 => None,
        1 => Some(Finding::change(
            Part::Measurement,
            format!("{OWN}: nothing contradicts the only cell channel when its reference changes in service"),
            "a second [[channel]] with role = \"cell\"",
        )),
        _ => {
            let apart_k = f64::from(settings.trust.disagreement.as_millikelvins()) / 1000.0;
            let text = format!(
                "{OWN}; another cell channel contradicts one whose reference changes in service once they lie {} K apart",
                plain(apart_k),
            );
            let change = "a smaller trust.disagreement_k, or a higher inhibit_c";
            Some(unseen(thresholds, apart_k, text, change))
        }
    }
}

/// What a fault means that makes a cell channel read up to `unseen_k` warm before anything finds it.
fn unseen(thresholds: &Thresholds, unseen_k: f64, text: String, change: &str) -> Finding {
    let inhibit_c = thresholds.file.inhibit_c;
    let coldest_c = inhibit_c - thresholds.guard_band_inhibit_k - unseen_k;
    if coldest_c >= thresholds.hard_limit_c {
        return Finding::fine(Part::Measurement, text);
    }
    Finding::change(
        Part::Measurement,
        format!(
            "{text}; with the guard band of {} K that is a cell at {} °C, below its limit of {} °C, charged at charge.inhibit_c = {} °C",
            fixed(thresholds.guard_band_inhibit_k, 1),
            fixed(coldest_c, 1),
            plain(thresholds.hard_limit_c),
            plain(inhibit_c),
        ),
        change,
    )
}

/// Batteries that no cell channel answers for.
fn unwatched(count: usize, witnesses: &[Witness]) -> Option<Finding> {
    let missing: Vec<String> = (0..count)
        .filter(|battery| !witnesses.iter().any(|witness| witness.batteries.contains(battery)))
        .map(|battery| (battery + 1).to_string())
        .collect();
    (!missing.is_empty()).then(|| {
        let plural = if missing.len() == 1 { "battery" } else { "batteries" };
        Finding::danger(
            Part::Measurement,
            format!("no cell channel answers for {plural} {}: nobody knows when it is warm", missing.join(", ")),
            "a [[channel]] with role = \"cell\" at each battery, or between two",
        )
    })
}

/// A cell channel that does not show the cells: the air follows the weather and the plate follows the heater, but the
/// cells follow both hours later.
fn reads_no_cells(witness: &Witness, name: &str) -> Option<Finding> {
    const HEATER: &str = "it reads the heater, and permits charge while the cells are cold";
    let (sits, or_role) = match witness.chain.mounting.at {
        Spot::Air => {
            let mild = "hangs in the air: on a mild day it permits charge while the cells are cold";
            (mild.to_owned(), ", or role = \"ambient\"")
        }
        Spot::Plate => (format!("sits on the plate: {HEATER}"), ", or role = \"pad\""),
        Spot::Bottom(battery) => (format!("lies beneath battery {}: {HEATER}", battery + 1), ""),
        // A point at the joint means the same.
        Spot::Point(battery, [_, _, up_m]) if up_m <= 0.0 => {
            (format!("lies beneath battery {}: {HEATER}", battery + 1), "")
        }
        Spot::Base(_)
        | Spot::Between(_)
        | Spot::Top(_)
        | Spot::Side(_)
        | Spot::End(_)
        | Spot::Terminal(_)
        | Spot::Point(..) => return None,
    };
    Some(Finding::danger(
        Part::Measurement,
        format!("channel {name} has the role cell and {sits}"),
        format!("at = \"top\" or \"end\"{or_role}"),
    ))
}

/// A limit that is not too high by itself, but is too high when colder air lowers the reading.
fn hiding_heat(witness: &Witness, settings: &Settings, name: &str) -> Option<Finding> {
    let AirReport { high_limit_c, reads_low_k, .. } = AirReport::of(witness, settings)?;
    let most_c = -raised_to(reads_low_k - HOTTEST_C, GRAIN_K);
    (high_limit_c <= HOTTEST_C && high_limit_c + reads_low_k > HOTTEST_C).then(|| {
        Finding::change(
            Part::Measurement,
            format!(
                "channel {name} sees air, and reads up to {} K low where that is cold: cells may be at {} °C before charge is refused \
                 at charge.high_limit_c = {}",
                plain(raised_to(reads_low_k, 0.01)),
                fixed(high_limit_c + reads_low_k, 1),
                plain(high_limit_c),
            ),
            format!(
                "high_limit_c = {}, or the element covered with foam and a smaller air_share_pct",
                plain(most_c),
            ),
        )
        .with([vec![Edit::number(Home::Section("charge"), "high_limit_c", most_c)]])
    })
}

/// Lead resistance that stays in a 2-wire reading.
fn leads(witness: &Witness, settings: &Settings, name: &str) -> Option<Finding> {
    let (ohm, spread) = witness.chain.uncompensated_ohm();
    let budget = witness.budget(written_c(settings.charge.inhibit), When::Kept);
    let line = budget.lines.iter().find(|line| line.contribution == "two leads, not compensated")?;
    let warmest = line.bias_k + line.spread * line.sensitivity_k_per_unit;
    // Smaller than this, it is lost among the rest.
    if warmest < 0.1 {
        return None;
    }
    let mounting = witness.chain.mounting;
    let Leads::TwoWire { loop_at_20c, at } = witness.chain.channel.leads else { return None };
    let (warmest_c, stated_ohm) = (witness.chain.leads_c.1, ohms(loop_at_20c));
    // A figure within 1 % of the file's is not worth a proposal. Nor does the plan propose to change a measured one.
    let is_new = mounting.loop_from == LoopFrom::Cable
        && (mounting.loop_ohm_20c - stated_ohm).abs() > 0.01 * mounting.loop_ohm_20c;
    let (mut changes, mut edits) = (Vec::new(), Vec::new());
    let mut write = |key: &'static str, value: f64| {
        changes.push(format!("{key} = {}", plain(value)));
        edits.push(Edit::number(Home::Channel(witness.index), key, value));
    };
    if is_new {
        write("lead_loop_ohm", raised_to(mounting.loop_ohm_20c, 0.001));
    }
    if warmest_c > written_c(at) {
        write("lead_c", warmest_c);
    }
    let written = changes.join(" and ");
    let computed = if is_new { " (computed; a measured loop is better)" } else { "" };
    let or = if written.is_empty() { "" } else { ", or " };
    Some(Finding::change(
        Part::Measurement,
        format!(
            "channel {name} reads up to {} K warm: its two leads, {}, have {} more than the controller takes away, with leads from {} \
             °C to {} °C",
            plain(raised_to(warmest, 0.01)),
            LeadReport::of(mounting).text(),
            uncertain(ohm, spread, "Ω"),
            plain(witness.chain.leads_c.0),
            plain(warmest_c),
        ),
        format!("{written}{computed}{or}three wires or four"),
    )
    .with((!edits.is_empty()).then_some(edits)))
}

/// A measured lead resistance that the stated cable cannot have. The plan uses the measured one all the same.
fn disagreeing(witness: &Witness, name: &str) -> Option<Finding> {
    let mounting = witness.chain.mounting;
    let cable_ohm = mounting.loop_from.contradicted(mounting.loop_ohm_20c)?;
    let platinum = Platinum::of(&witness.chain.channel.element);
    let warm_k = platinum.reads_above_k(0.0, 0.0, cable_ohm - mounting.loop_ohm_20c);
    let reads = if warm_k > 0.0 { "warm" } else { "cold" };
    Some(Finding::change(
        Part::Measurement,
        format!(
            "lead figures of channel {name} do not agree: {}. The plan goes by what was measured; if the cable is right, the channel \
             reads {} K {reads} besides",
            LeadReport::of(mounting).text(),
            fixed(warm_k.abs(), 2),
        ),
        "measure the loop again with the far end bridged, less the meter's own leads, and correct whichever of lead_loop_ohm, cable_m \
         (one way) and cable_mm2 is wrong",
    ))
}

#[cfg(test)]
mod tests {
    use super::super::placement::Placement;
    use super::super::testing::{names, settings, site};
    use super::*;
    use crate::class::Class;
    use crate::finding::Severity;
    use crate::site::Battery;
    use forewarm_core::quantity::{Kelvins, Ohms};
    use forewarm_core::rtd::Element;
    use forewarm_core::settings::{Channel, Check};

    const NAMES: [&str; 4] = ["low", "high", "plate", "air"];

    fn judged(settings: &Settings, site: &Site, kept: &[f64]) -> (Measurement, Vec<Finding>) {
        let placements: Vec<Placements> = kept
            .iter()
            .map(|&warm_bias_k| {
                let kept = Placement { warm_bias_k, ..Placement::default() };
                Placements { given: kept.clone(), kept, chilled_k: 0.0 }
            })
            .collect();
        judge(settings, site, &names(&NAMES), &placements, Some(&|_| placements.clone()))
    }

    /// Placements that grow with the release threshold by so much a kelvin.
    fn judged_growing(settings: &Settings, site: &Site, warm_k: f64, growth: f64) -> Measurement {
        let placed = |settings: &Settings| {
            let warm_bias_k = warm_k + growth * (written_c(settings.charge.release) - 8.0);
            let kept = Placement { warm_bias_k, ..Placement::default() };
            vec![Placements { given: kept.clone(), kept, chilled_k: 0.0 }; NAMES.len()]
        };
        judge(settings, site, &names(&NAMES), &placed(settings), Some(&placed)).0
    }

    #[test]
    fn what_is_recommended_passes_its_own_check_where_the_placement_grows_with_the_thresholds() {
        let (settings, site) = (settings(), site());
        let before = judged_growing(&settings, &site, 5.0, 0.3).thresholds;
        let set = before.recommended.expect("within what the settings allow");
        assert!(
            set.inhibit_c > before.limit_inhibit_c + 0.1,
            "the placement at the file's thresholds would do: {set:?}"
        );
        let after = judged_growing(&set.applied(&settings), &site, 5.0, 0.3).thresholds;
        assert!(after.covered_at_the_limits, "{after:?}");
        assert_eq!(after.recommended, Some(set), "a second plan has nothing to add");
        let written = serde_json::to_string(&set).unwrap();
        assert!(written.split([',', ':', '}']).all(|number| number.len() < 18), "{written}");
        let slowly = judged_growing(&settings, &site, 5.0, 0.6).thresholds.recommended;
        assert!(slowly.is_some_and(|slowly| slowly.inhibit_c > set.inhibit_c), "{slowly:?}");
        // A placement that grows as fast as the thresholds is never covered.
        assert_eq!(judged_growing(&settings, &site, 5.0, 1.0).thresholds.recommended, None);
    }

    #[test]
    fn thresholds_that_do_not_cover_the_guard_band_fail_the_check() {
        let (settings, site) = (settings(), site());
        let (fine, findings) = judged(&settings, &site, &[0.0; 4]);
        assert!(fine.thresholds.covered && findings.iter().all(|finding| !finding.fails), "{findings:?}");
        // The guard band without placement is known from the same run: 5 °C just bears this much, and no more.
        let left = 5.0 - fine.thresholds.guard_band_inhibit_k;
        let (_, findings) = judged(&settings, &site, &[left - 0.01; 4]);
        assert!(findings.iter().all(|finding| !finding.fails), "{findings:?}");
        let (found, findings) = judged(&settings, &site, &[left + 0.01; 4]);
        assert!(!found.thresholds.covered);
        assert!(findings[0].fails && findings[0].severity == Severity::Danger, "{findings:?}");
    }

    #[test]
    fn what_is_recommended_passes_its_own_check() {
        let site = site();
        for warm in [0.0, 2.0, 4.0, 6.0] {
            let before = settings();
            let (found, _) = judged(&before, &site, &[warm; 4]);
            let set = found.thresholds.recommended.expect("within what the settings allow");
            let after = set.applied(&before);
            after.clone().validate().expect("settings that hold");
            let (found, findings) = judged(&after, &site, &[warm; 4]);
            assert!(found.thresholds.covered_at_the_limits, "{warm} K: {found:?}");
            assert_eq!(findings[0].severity, Severity::Fine);
            assert_eq!(found.thresholds.recommended, Some(set), "a second plan has nothing to add");
        }
    }

    #[test]
    fn what_is_recommended_says_what_decides_it() {
        let site = site();
        let decided = |inhibit_c: f64, release_c: f64, warm_k: f64| {
            let mut settings = settings();
            let start = Set { inhibit_c, release_c, heater_start_c: inhibit_c + 0.2, heater_stop_c: release_c + 4.0 };
            settings = start.applied(&settings);
            let thresholds = judged(&settings, &site, &[warm_k; 4]).0.thresholds;
            thresholds.recommended.expect("within what the settings allow").decided_by(&thresholds)
        };
        assert_eq!(decided(5.0, 8.0, 0.0), "as in the file");
        assert_eq!(decided(3.0, 6.0, 0.0), "inhibit by custom, release by its distance to inhibit");
        assert_eq!(decided(3.0, 12.0, 0.0), "inhibit by custom, release by its distance to inhibit");
        let errors = decided(5.0, 5.5, 6.0);
        assert!(errors.starts_with("inhibit by every error at its limit"), "{errors}");
    }

    /// 2 % of 101.95 Ω is 2.04 Ω, at 0.3908 − 0.0012 Ω/K: 5.2 K (IEC 60751, its slope at 5 °C).
    #[test]
    fn what_makes_all_channels_read_wrong_alike_is_found_by_a_check_resistor_or_by_nothing() {
        let (mut settings, site) = (settings(), site());
        let told = |settings: &Settings| {
            let found = judged(settings, &site, &[0.0; 5]).1;
            found.into_iter().find(|finding| finding.text.contains("common return")).expect("it is told either way")
        };
        let check = |within: u32| {
            Role::Check(Check { nominal: Ohms::from_milliohms(100_000), within: Ohms::from_milliohms(within) })
        };
        settings.channels[3].role = Role::Ambient;
        settings.channels.truncate(4);
        let without = told(&settings);
        assert_eq!(without.severity, Severity::Change);
        assert!(
            without.text.contains("5.3 K warm at 5 °C") || without.text.contains("5.2 K warm at 5 °C"),
            "{}",
            without.text
        );
        settings.channels[3].role = check(300);
        let with = told(&settings);
        assert_eq!(with.severity, Severity::Fine, "{}", with.text);
        // 0.3 % of 101.95 Ω, at 0.3896 Ω/K: 0.785 K.
        assert!(with.text.contains("0.79 K warm"), "{}", with.text);
        settings.channels[3].role = check(2_000);
        assert_eq!(told(&settings).severity, Severity::Change, "5 K of nothing left");
    }

    /// Each module has a reference of its own, so only another cell channel answers for it.
    #[test]
    fn of_converter_modules_no_check_resistor_is_said_to_find_a_changed_reference() {
        let (mut settings, mut site) = (settings(), site());
        site.converter.one_reference = false;
        let told = |settings: &Settings| {
            let found = judged(settings, &site, &[0.0; 5]).1;
            assert!(!found.iter().any(|finding| finding.text.contains("by the check resistor")), "{found:?}");
            found.into_iter().find(|finding| finding.text.contains("each converter module")).expect("it is told")
        };
        settings.trust.disagreement = Kelvins::from_millikelvins(500);
        assert_eq!(told(&settings).severity, Severity::Fine);
        settings.trust.disagreement = Kelvins::from_millikelvins(6_000);
        assert_eq!(told(&settings).severity, Severity::Change, "6 of 5 K");
        settings.channels[1].role = Role::Ambient;
        settings.trust.disagreement = Kelvins::from_millikelvins(500);
        let lone = told(&settings);
        assert_eq!(
            (lone.severity, lone.change.as_deref()),
            (Severity::Change, Some("a second [[channel]] with role = \"cell\""))
        );
    }

    #[test]
    fn a_threshold_that_no_setting_allows_is_not_recommended() {
        let (found, findings) = judged(&settings(), &site(), &[20.0; 4]);
        assert_eq!(found.thresholds.recommended, None);
        assert!(
            findings[0].fails && findings[0].change.as_ref().unwrap().contains("no threshold that the settings allow")
        );
    }

    #[test]
    fn a_battery_is_as_safe_as_the_best_channel_that_answers_for_it() {
        let (settings, mut site) = (settings(), site());
        // The first channel answers for both batteries, the second for the second only.
        let band = |kept: &[f64], site: &Site| judged(&settings, site, kept).0.thresholds.guard_band_inhibit_k;
        let alike = band(&[0.0; 4], &site);
        assert!((band(&[0.0, 2.0, 0.0, 0.0], &site) - alike).abs() < 1e-9, "the first answers for both");
        assert!((band(&[2.0, 0.0, 0.0, 0.0], &site) - alike - 2.0).abs() < 1e-9, "nobody else answers for the first");
        site.mountings[0].at = Spot::Base(0);
        assert!((band(&[0.0, 2.0, 0.0, 0.0], &site) - alike - 2.0).abs() < 1e-9, "nobody else answers for the second");
    }

    #[test]
    fn a_battery_without_a_thermometer_is_named() {
        let mut site = site();
        site.battery = Battery { count: 4, ..site.battery };
        let (_, findings) = judged(&settings(), &site, &[0.0; 4]);
        let finding = findings.iter().find(|finding| finding.text.contains("answers for")).unwrap();
        assert!(finding.text.contains("batteries 3, 4"), "{finding:?}");
        assert!(finding.fails && finding.severity == Severity::Danger, "{finding:?}");
    }

    #[test]
    fn leads_that_are_not_compensated_are_named_with_what_to_write() {
        let (mut settings, mut site) = (settings(), site());
        settings.channels[0].element = Element::pt100();
        settings.channels[0].leads = Leads::TwoWire { loop_at_20c: Ohms::ZERO, at: Celsius::from_millidegrees(20_000) };
        site.mountings[0] = Mounting { loop_ohm_20c: 0.78, class: Class::B, ..site.mountings[0] };
        let (_, findings) = judged(&settings, &site, &[0.0; 4]);
        let finding = findings.iter().find(|finding| finding.text.contains("two leads")).unwrap();
        let change = finding.change.as_ref().unwrap();
        assert!(change.contains("lead_loop_ohm = 0.78 and lead_c = 40"), "{change}");
        // And doing so helps.
        settings.channels[0].leads =
            Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(780), at: Celsius::from_millidegrees(40_000) };
        let (_, findings) = judged(&settings, &site, &[0.0; 4]);
        assert!(!findings.iter().any(|finding| finding.text.contains("two leads")), "{findings:?}");
    }

    /// At 5 °C a Pt100 has 0.3903 Ω/K (IEC 60751), and 4 mK come from the bend of its curve: 2 Ω are 5.13 K, more than an inhibit threshold
    /// of 5 °C has above a limit of 0 °C.
    #[test]
    fn contacts_that_may_gain_2_ohms_on_two_wires_of_a_pt100_are_not_covered_by_usual_thresholds() {
        let (mut settings, mut site) = (settings(), site());
        for (channel, mounting) in settings.channels.iter_mut().zip(&mut site.mountings).take(2) {
            channel.element = Element::pt100();
            channel.leads =
                Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(234), at: Celsius::from_millidegrees(40_000) };
            mounting.loop_from = LoopFrom::Measured { cable_ohm: None };
        }
        let (_, findings) = judged(&settings, &site, &[0.0; 4]);
        assert_eq!(findings[0].severity, Severity::Fine, "new contacts: {findings:?}");
        site.converter.contact_growth_ohm = 2.0;
        let (found, findings) = judged(&settings, &site, &[0.0; 4]);
        assert!(!found.thresholds.covered && findings[0].fails, "{findings:?}");
        let (text, change) = (&findings[0].text, findings[0].change.as_ref().unwrap());
        assert!(
            text.contains("most of it is contacts, growth of up to 2 Ω in service of channel low: 5.13 K"),
            "{text}"
        );
        assert!(change.contains("four wires") && !change.contains("three wires"), "{change}");
        // A tenth of it, where the element has ten times the resistance.
        for channel in settings.channels.iter_mut().take(2) {
            *channel = Channel { element: Element::pt1000(), reference: Ohms::from_milliohms(4_000_000), ..*channel };
        }
        let (_, findings) = judged(&settings, &site, &[0.0; 4]);
        assert!(!findings[0].fails, "{findings:?}");
    }

    #[test]
    fn a_measured_loop_is_never_proposed_to_be_another() {
        let (mut settings, mut site) = (settings(), site());
        settings.channels[0].element = Element::pt100();
        settings.channels[0].leads =
            Leads::TwoWire { loop_at_20c: Ohms::from_milliohms(2_200), at: Celsius::from_millidegrees(20_000) };
        let measured = Mounting { loop_ohm_20c: 2.2, class: Class::B, ..site.mountings[0] };
        for cable_ohm in [None, Some(2.565), Some(6.0), Some(0.5)] {
            site.mountings[0] = Mounting { loop_from: LoopFrom::Measured { cable_ohm }, ..measured };
            let (measurement, findings) = judged(&settings, &site, &[0.0; 4]);
            assert!((measurement.channels[0].leads.loop_ohm_20c - 2.2).abs() < 1e-9);
            // 2.2 Ω change by 0.17 Ω up to 40 °C, which is all that is left to take away.
            let finding = findings.iter().find(|finding| finding.text.contains("two leads")).expect("told");
            assert_eq!(finding.change.as_deref(), Some("lead_c = 40, or three wires or four"), "{finding:?}");
            let disagrees = findings.iter().any(|finding| finding.text.contains("do not agree"));
            assert_eq!(disagrees, cable_ohm.is_some_and(|ohm| !(2.0..3.0).contains(&ohm)), "{cable_ohm:?}");
        }
    }

    #[test]
    fn a_cell_channel_that_reads_no_cells_is_dangerous() {
        let told = |at: Spot| {
            let mut site = site();
            site.mountings[1].at = at;
            let findings = judged(&settings(), &site, &[0.0; 4]).1;
            findings.into_iter().find(|finding| finding.text.contains("has the role cell"))
        };
        let point = |up_m: f64| Spot::Point(1, [0.1, 0.0, up_m]);
        for at in
            [Spot::Base(1), Spot::Between(0), Spot::Top(1), Spot::Side(1), Spot::End(1), Spot::Terminal(1), point(0.05)]
        {
            assert_eq!(told(at), None);
        }
        for (at, where_to) in [
            (Spot::Air, "in the air"),
            (Spot::Plate, "on the plate"),
            (Spot::Bottom(1), "beneath battery 2"),
            (point(0.0), "beneath battery 2"),
        ] {
            let finding = told(at).expect("told");
            assert!(finding.fails && finding.severity == Severity::Danger, "{finding:?}");
            assert!(finding.text.contains("channel high") && finding.text.contains(where_to), "{finding:?}");
        }
    }

    #[test]
    fn a_high_limit_that_cold_air_lifts_out_of_bounds_is_told_with_one_that_is_not() {
        let (mut settings, mut site) = (settings(), site());
        site.mountings[0].air_share = 0.2;
        let told = |settings: &Settings, site: &Site| {
            let placements = vec![Placements { chilled_k: 12.0, ..Placements::default() }; NAMES.len()];
            let (found, findings) = judge(settings, site, &names(&NAMES), &placements, Some(&|_| placements.clone()));
            let low_k = found.channels[0].air.expect("it sees some").reads_low_k;
            assert!((low_k - 12.0 * site.mountings[0].air_share).abs() < 1e-9, "{low_k}");
            findings.into_iter().find(|finding| finding.text.contains("before charge is refused"))
        };
        assert_eq!(told(&settings, &site), None, "45 °C leaves room");
        settings.charge.high_limit = Celsius::from_millidegrees(54_000);
        let finding = told(&settings, &site).expect("54 °C and 2.4 K");
        assert!(finding.text.contains("channel low") && finding.text.contains("56.4 °C"), "{finding:?}");
        assert!(finding.change.as_ref().is_some_and(|way| way.starts_with("high_limit_c = 52.6,")), "{finding:?}");
        settings.charge.high_limit = Celsius::from_millidegrees(52_600);
        assert_eq!(told(&settings, &site), None);
        settings.charge.high_limit = Celsius::from_millidegrees(54_000);
        site.mountings[0].air_share = 0.0;
        site.mountings[1].air_share = 0.0;
        assert_eq!(told(&settings, &site), None);
    }

    #[test]
    fn the_share_of_air_is_printed_with_where_it_comes_from() {
        let mut site = site();
        let texts = |site: &Site| {
            let (found, _) = judged(&settings(), site, &[0.0; 4]);
            found.channels.iter().map(|channel| channel.air.map(|air| air.text())).collect::<Vec<_>>()
        };
        let from_memory = texts(&site)[0].clone().expect("it sees some");
        assert!(
            from_memory.starts_with("Air that it sees: 5 % (from memory: the file has no air_share_pct)"),
            "{from_memory}"
        );
        site.mountings[0] = Mounting { air_share: 0.12, air_share_from: ShareFrom::File, ..site.mountings[0] };
        let stated = texts(&site)[0].clone().expect("it sees some");
        assert!(stated.starts_with("Air that it sees: 12 % (air_share_pct)."), "{stated}");
        site.mountings[0].air_share = 0.0;
        assert_eq!(texts(&site)[0].as_deref(), Some("Air that it sees: 0 % (air_share_pct)"));
        site.mountings[0].at = Spot::Air;
        assert_eq!(texts(&site)[0], None, "air is its place");
    }

    #[test]
    fn a_doubtful_hard_limit_counts_whole() {
        let (settings, mut site) = (settings(), site());
        let before = judged(&settings, &site, &[0.0; 4]).0.thresholds;
        site.tolerance.hard_limit_k = 1.0;
        let after = judged(&settings, &site, &[0.0; 4]).0.thresholds;
        assert!((after.hard_limit_c - before.hard_limit_c - 1.0).abs() < 1e-9);
        assert!(after.least_inhibit_c > before.least_inhibit_c + 0.9);
    }
}
