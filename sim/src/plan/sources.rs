//! Whether each energy source can give what the settings promise to the heater.

use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to};
use crate::finding::{Finding, Part, Remedy};
use crate::heater::Heater;
use crate::portable::squared;
use crate::schedule::WEEK;
use crate::si;
use crate::site::{Presence, Site, Supply};
use forewarm_core::quantity::Milliamps;
use forewarm_core::settings::{BankUse, Settings};
use serde::Serialize;

/// One source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Source {
    /// Name of the source.
    pub source: String,
    /// What the settings allow heater and charge together (W).
    pub budget_w: f64,
    /// The least that it gives while it counts as present (W).
    pub gives_w: f64,
    /// For a rated source, the part of its rating left for heater and charge, after derating and its other loads (W).
    pub headroom_w: Option<f64>,
    /// The part of the least of these that is left for charge (W), with the heater on at the highest supply voltage. A
    /// source that feeds the heater alone counts at its own voltage. A source that does not feed the heater has all of
    /// it left.
    pub left_for_charge_w: f64,
    /// What keeps its charge current at or below the ceiling, according to the file; `null` if nothing does.
    pub obeys: Option<String>,
}

/// Judges the sources of `settings`. `names` are their names, and `obeys` is what makes each obey the ceiling.
#[must_use]
pub fn judge(
    settings: &Settings,
    site: &Site,
    names: &[String],
    obeys: &[Option<String>],
    heater: &Heater,
) -> (Vec<Source>, Vec<Finding>) {
    let nominal_v = heater.at_nominal.supply_v;
    let mut sources = Vec::new();
    let mut findings = Vec::new();
    // A source that feeds the heater alone sets the heater's voltage.
    let most_v = heater.at_supply_max.supply_v;
    let feed_v = site.feed_v().map_or(most_v, |volts| volts.min(most_v));
    let most_w = |supply_v: f64| {
        let nominal = heater.at_nominal;
        nominal.power_w * squared(supply_v / nominal.supply_v) * (1.0 + heater.tolerance)
    };
    for (index, (source, supply)) in settings.sources.iter().zip(&site.supplies).enumerate() {
        let name = name(names, index);
        let feeds = match site.fed_by {
            None => Feeds::WithOthers,
            Some(fed_by) if fed_by == index => Feeds::Alone { most_w: most_w(feed_v) },
            Some(_) => Feeds::Nothing,
        };
        let heat_w = match feeds {
            Feeds::WithOthers => most_w(most_v),
            Feeds::Alone { most_w } => most_w,
            Feeds::Nothing => 0.0,
        };
        let budget_w = si::watts(source.budget);
        let gives_w = gives_w(supply);
        let headroom_w = supply.rating.map(|rating| rating.leaves_w(nominal_v));
        let can_w = headroom_w.map_or(gives_w, |headroom| headroom.min(gives_w));
        let found = Source {
            source: name,
            budget_w,
            gives_w,
            headroom_w,
            left_for_charge_w: (budget_w.min(can_w) - heat_w).max(0.0),
            obeys: obeys.get(index).cloned().flatten(),
        };
        findings.push(finding((index, &found), supply, heater, settings.bank, feeds));
        findings.extend(found.obeys.as_ref().map(|obeys| {
            let text = format!(
                "{} obeys the ceiling, by the file's word: {obeys}. Commissioning has to show it: nothing else does",
                found.source
            );
            Finding::fine(Part::Sources, text)
        }));
        sources.push(found);
    }
    findings.extend(against_ceiling(settings, site, names, nominal_v));
    (sources, findings)
}

/// The lowest temperature at which the charge-current ceiling allows each source that does not obey it, and any two
/// that are present together. A source in two steps charges from where the smaller step fits.
fn against_ceiling(settings: &Settings, site: &Site, names: &[String], nominal_v: f64) -> Vec<Finding> {
    let limits = Limits(settings);
    let mut findings = Vec::new();
    let mut unruled: Vec<(usize, Milliamps, Milliamps)> = Vec::new();
    for (index, (source, supply)) in settings.sources.iter().zip(&site.supplies).enumerate() {
        let (Some(reduced), Some(most)) = (source.charge.reduced(), source.charge.most()) else { continue };
        if most.is_zero() {
            continue;
        }
        let name = name(names, index);
        findings.push(limits.charges(&name, "gives", "charges", reduced));
        if source.charge.has_steps() {
            findings.push(limits.in_full(&name, "gives", "it keeps", most));
            findings.push(Finding::fine(
                Part::Sources,
                format!(
                    "the larger step of {name} needs a normally open contact that closes for the full charge permit; if that contact \
                     welds, {name} gives up to {} A wherever charge is permitted, and nothing here finds it: try it on the bench, and \
                     once a year",
                    amps(most)
                ),
            ));
        }
        if let Presence::Sun { .. } = supply.presence {
            // Just below its threshold the source is not present, and its power does not count.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most kilowatts over volts")]
            let unseen = Milliamps::from_milliamps((gives_w(supply) / nominal_v * 1000.0).ceil() as u32).min(most);
            let charge = &settings.charge;
            if charge.charges_from(unseen).is_none_or(|from| from > charge.inhibit) {
                findings.push(Finding::change(
                    Part::Sources,
                    format!(
                        "{name} may give the bank {} A before it counts as present, and the ceiling at {} °C allows less: nobody would \
                         refuse that",
                        amps(unseen),
                        fixed(si::written_c(charge.inhibit), 1)
                    ),
                    "a lower sun_at_least_w_m2, or a charger whose current is held at the ceiling (obeys)",
                ));
            }
        }
        for &(other, more_reduced, more) in &unruled {
            if !may_meet(&site.supplies[other].presence, &supply.presence) {
                continue;
            }
            let both = format!("{} and {name} at once", self::name(names, other));
            let (together, in_all) = (reduced.plus(more_reduced), most.plus(more));
            if !limits.are_warmed_for(together) {
                if [reduced, more_reduced].into_iter().all(|one| limits.are_warmed_for(one)) {
                    findings.push(limits.charges(&both, "give", "charge", together));
                }
            } else if !limits.are_warmed_for(in_all) && [most, more].into_iter().all(|one| limits.are_warmed_for(one)) {
                findings.push(limits.in_full(&both, "give", "they keep", in_all));
            }
        }
        unruled.push((index, reduced, most));
    }
    findings
}

fn amps(current: Milliamps) -> String {
    plain(si::amps(current))
}

/// What the ceiling allows sources that do not obey it, up to the temperature that the heater gives the cells.
struct Limits<'a>(&'a Settings);

impl Limits<'_> {
    /// Where the cells may take `current`, if the heater brings them there: release or warmer. Otherwise the reason why
    /// not.
    fn where_allowed(&self, current: Milliamps) -> Result<String, String> {
        let Settings { charge, heater, .. } = self.0;
        match charge.charges_from(current) {
            Some(from) if from < heater.stop => {
                Ok(format!("from {} °C on", fixed(si::written_c(from.max(charge.release)), 1)))
            }
            from => Err(format!(
                "which the ceiling allows {}, and the heater stops at {} °C",
                from.map_or("at no temperature".to_owned(), |from| format!(
                    "from {} °C on",
                    fixed(si::written_c(from), 1)
                )),
                fixed(si::written_c(heater.stop), 1)
            )),
        }
    }

    /// A stop threshold beyond the temperature at which the cells may take `current`. `None` if they never may.
    fn warmer(&self, current: Milliamps) -> Option<Remedy> {
        let from_c = si::written_c(self.0.charge.charges_from(current)?);
        let stop_c = raised_to(from_c + 0.5, 0.5);
        Some(vec![Edit::number(Home::Section("heater"), "stop_c", stop_c)])
    }

    fn are_warmed_for(&self, current: Milliamps) -> bool {
        self.where_allowed(current).is_ok()
    }

    fn charges(&self, what: &str, gives: &str, charges: &str, current: Milliamps) -> Finding {
        let most = amps(current);
        match self.where_allowed(current) {
            Ok(from) => Finding::fine(
                Part::Sources,
                format!("{what} {charges} with up to {most} A {from}, as far as the ceiling goes"),
            ),
            Err(why) => Finding::change(
                Part::Sources,
                format!(
                    "{what} {gives} the bank up to {most} A, {why}: until something else warms the cells, charge is refused"
                ),
                "chargers that give less, chargers whose current is held at the ceiling (obeys), or a higher stop_c",
            )
            .with(self.warmer(current)),
        }
    }

    fn in_full(&self, what: &str, gives: &str, keeps: &str, current: Milliamps) -> Finding {
        let most = amps(current);
        match self.where_allowed(current) {
            Ok(from) => Finding::fine(
                Part::Sources,
                format!("{what} {gives} the bank up to {most} A {from}, with the full charge permit"),
            ),
            Err(why) => Finding::change(
                Part::Sources,
                format!(
                    "{what} {gives} the bank up to {most} A with the full charge permit, {why}: until something else warms the cells, \
                     {keeps} to the smaller step"
                ),
                "a smaller most_current_a, or a higher stop_c",
            )
            .with(self.warmer(current)),
        }
    }
}

/// Whether two sources may be present together.
fn may_meet(one: &Presence, other: &Presence) -> bool {
    match (one, other) {
        (Presence::Never, _) | (_, Presence::Never) => false,
        (Presence::Weekly(one), Presence::Weekly(other)) => {
            (0..WEEK).any(|minute| one.is_on(minute) && other.is_on(minute))
        }
        _ => true,
    }
}

/// How a source feeds the heater.
#[derive(Clone, Copy)]
enum Feeds {
    /// The heater is on the bank's bus, with all sources.
    WithOthers,
    /// The heater is on this source alone, and takes at most this much (W).
    Alone { most_w: f64 },
    /// The heater is on another source.
    Nothing,
}

/// Name of a source.
fn name(names: &[String], index: usize) -> String {
    names.get(index).map_or_else(|| format!("source {}", index + 1), Clone::clone)
}

/// Whether the sources that feed the heater are present for long enough at a stretch to warm up from the design
/// minimum, which takes `warm_up_h`. `None` if they are, if the bank may supply the rest, or if sun or a log decides.
pub(super) fn long_enough(
    settings: &Settings,
    site: &Site,
    names: &[String],
    warm_up_h: Option<f64>,
) -> Option<Finding> {
    let warm_up_h = warm_up_h?;
    // A bank that does not feed the heater supplies nothing, whatever the policy.
    if settings.bank != BankUse::Never && site.fed_by.is_none() {
        return None;
    }
    let mut schedules = Vec::new();
    for (_, supply) in
        site.supplies.iter().enumerate().filter(|&(index, _)| site.fed_by.is_none_or(|fed_by| fed_by == index))
    {
        match &supply.presence {
            Presence::Weekly(schedule) => schedules.push(schedule),
            Presence::Never => {}
            Presence::Sun { .. } | Presence::Log(_) => return None,
        }
    }
    let is_there = |minute: u32| schedules.iter().any(|schedule| schedule.is_on(minute % WEEK));
    let total = (0..WEEK).filter(|&minute| is_there(minute)).count();
    if total == 0 {
        // Another finding reports this for each source already.
        return None;
    }
    // Twice round, for a stretch that runs over the end of the week.
    let (mut longest, mut stretch) = (0_u32, 0_u32);
    for minute in 0..2 * WEEK {
        stretch = if is_there(minute) { stretch + 1 } else { 0 };
        longest = longest.max(stretch.min(WEEK));
    }
    let longest_h = f64::from(longest) / 60.0;
    (longest < WEEK && longest_h < warm_up_h).then(|| {
        #[expect(clippy::cast_precision_loss, reason = "at most 10 080")]
        let total_h = total as f64 / 60.0;
        Finding::change(
            Part::Sources,
            format!(
                "from {} °C it takes {} h until charge is permitted, and {} there for {} h at a stretch, {} h a week: a bank as cold as \
                 that may stay without charge",
                plain(site.design_air_c()),
                fixed(warm_up_h, 1),
                site.fed_by.map_or_else(|| "the sources are".to_owned(), |index| format!("{}, which alone feeds the heater, is", name(names, index))),
                fixed(longest_h, 1),
                fixed(total_h, 1)
            ),
            match site.fed_by {
                None => "more power, more insulation, a source for longer, or a [bank] that may be spent on heat",
                Some(_) => "more power, more insulation, that source for longer, or a heater on the bank with all sources",
            },
        )
    })
}

/// Whether the source is ever present, according to the file.
fn is_ever_there(presence: &Presence) -> bool {
    match presence {
        Presence::Never => false,
        Presence::Weekly(schedule) => (0..WEEK).any(|minute| schedule.is_on(minute)),
        Presence::Sun { .. } | Presence::Log(_) => true,
    }
}

/// The least that a source gives while it counts as present.
fn gives_w(supply: &Supply) -> f64 {
    match supply.presence {
        Presence::Sun { at_least_w_m2 } => supply.power_w * (at_least_w_m2 / 1000.0).min(1.0),
        Presence::Weekly(_) | Presence::Log(_) | Presence::Never => supply.power_w,
    }
}

fn finding((index, found): (usize, &Source), supply: &Supply, heater: &Heater, bank: BankUse, feeds: Feeds) -> Finding {
    let Source { source, budget_w, .. } = found;
    let wrong = overloaded((index, found), supply, heater).or_else(|| match feeds {
        Feeds::WithOthers => lacking((index, found), supply, heater, bank),
        Feeds::Alone { most_w } => too_weak((index, found), supply, most_w),
        Feeds::Nothing => not_charging((index, found), supply),
    });
    if let Some(finding) = wrong {
        return finding;
    }
    if !is_ever_there(&supply.presence) {
        return Finding::change(
            Part::Sources,
            format!("{source} is never there: the file does not say when, and a rehearsal goes without it"),
            "a schedule, or sun_at_least_w_m2, or a log",
        );
    }
    let left = watts(found.left_for_charge_w);
    Finding::fine(
        Part::Sources,
        match feeds {
            Feeds::Nothing => format!("{source} does not feed the heater; {left} are for charge"),
            Feeds::WithOthers | Feeds::Alone { .. } => {
                format!(
                    "{source} may give up to {}, and can; with the heater on {left} are left for charge",
                    watts(*budget_w)
                )
            }
        },
    )
}

/// Writes a number of a source.
fn written(index: usize, key: &'static str, value: f64) -> Remedy {
    vec![Edit::number(Home::Source(index), key, value)]
}

fn watts(power: f64) -> String {
    format!("{} W", plain(power.round()))
}

/// A source whose budget exceeds what its rating leaves.
fn overloaded((index, found): (usize, &Source), supply: &Supply, heater: &Heater) -> Option<Finding> {
    let Source { source, budget_w, headroom_w, .. } = found;
    let (rating, headroom) = (supply.rating?, (*headroom_w)?);
    (*budget_w > headroom).then(|| {
        let left = format!(
            "{} A × {} V, {} % of it, less {} of other loads, leave {}",
            plain(rating.rated_a),
            plain(rating.rated_v.unwrap_or(heater.at_nominal.supply_v)),
            plain(rating.derate * 100.0),
            watts(rating.other_loads_w),
            watts(headroom)
        );
        Finding::change(
            Part::Sources,
            format!("{source} is to give up to {}, but {left}: it would be overloaded for hours", watts(*budget_w)),
            format!("budget_w = {}", fixed(headroom.floor(), 0)),
        )
        .with([written(index, "budget_w", headroom.floor())])
    })
}

/// `gives 60 W`, as a least value.
fn least(found: &Source, supply: &Supply) -> String {
    match supply.presence {
        Presence::Sun { at_least_w_m2 } => {
            format!("counts as present from {} W/m² on, where it gives {}", plain(at_least_w_m2), watts(found.gives_w))
        }
        _ => format!("gives {}", watts(found.gives_w)),
    }
}

/// Least irradiance at which a panel gives `most_w` (W/m²); `None` if it never does.
fn sun_for(supply: &Supply, most_w: f64) -> Option<f64> {
    let is_enough = matches!(supply.presence, Presence::Sun { .. }) && supply.power_w > most_w;
    is_enough.then(|| (most_w / supply.power_w * 1000.0).ceil())
}

/// A source that shares the heater with others and cannot carry it alone.
fn lacking((index, found): (usize, &Source), supply: &Supply, heater: &Heater, bank: BankUse) -> Option<Finding> {
    let Source { source, budget_w, gives_w, .. } = found;
    let budget = watts(*budget_w);
    let most_w = heater.at_supply_max.power_w * (1.0 + heater.tolerance);
    // Another source supplies the shortfall only up to what the heater can take.
    if budget_w > gives_w && most_w > *gives_w {
        let given = format!("budget_w = {}", fixed(gives_w.floor(), 0));
        let sun = sun_for(supply, most_w);
        let change = match sun {
            Some(sun) => {
                let sun = fixed(sun, 0);
                format!("sun_at_least_w_m2 = {sun}, from which on it carries the heater alone, or {given}")
            }
            None => given,
        };
        let less = written(index, "budget_w", gives_w.floor());
        let text = format!(
            "{source} {}, less than its budget of {budget}: the bank gives the rest of the heat",
            least(found, supply)
        );
        let sun = sun.map(|sun| written(index, "sun_at_least_w_m2", sun));
        return Some(Finding::change(Part::Sources, text, change).with(sun).with([less]));
    }
    if bank != BankUse::Never {
        return None;
    }
    if *budget_w < heater.at_supply_min.power_w {
        return Some(Finding::change(
            Part::Sources,
            format!(
                "{source} may give up to {budget}, less than the heater takes at its lowest supply ({}): alone it never heats",
                watts(heater.at_supply_min.power_w)
            ),
            "a smaller heater, a source beside it, or a [bank] that may make up the rest",
        ));
    }
    // The controller calculates with the stated power, without a tolerance.
    let reckoned_w = heater.at_supply_max.power_w;
    (*budget_w < reckoned_w).then(|| {
        Finding::change(
            Part::Sources,
            format!(
                "{source} may give up to {budget}, less than the heater can take at {} V ({}): then it heats no more",
                plain(heater.at_supply_max.supply_v),
                watts(reckoned_w)
            ),
            format!("budget_w = {} if it can give that, or a smaller heater", fixed(reckoned_w.ceil(), 0)),
        )
        .with([written(index, "budget_w", reckoned_w.ceil())])
    })
}

/// A source that feeds the heater alone but cannot. No budget limits what is connected to it, and no other source
/// supplies the rest. `feed` judges whether its budget carries the heater.
fn too_weak((index, found): (usize, &Source), supply: &Supply, most_w: f64) -> Option<Finding> {
    // What its rating leaves, if that is less than what it gives.
    let rated_w = found.headroom_w.filter(|headroom_w| *headroom_w < found.gives_w);
    (most_w > rated_w.unwrap_or(found.gives_w)).then(|| {
        let can = match rated_w {
            Some(left_w) => format!("has {} left of its rating", watts(left_w)),
            None => least(found, supply),
        };
        let sun = sun_for(supply, most_w).filter(|_| rated_w.is_none());
        let change = match sun {
            Some(sun) => {
                let sun = fixed(sun, 0);
                format!("sun_at_least_w_m2 = {sun}, from which on it carries the heater, or a smaller heater")
            }
            None => "a smaller heater, or a source that can give as much".to_owned(),
        };
        let then = if rated_w.is_some() { "it is overloaded for hours" } else { "its voltage sags, or it goes off" };
        Finding::change(
            Part::Sources,
            format!(
                "{} {can}, and the heater, which hangs on it alone, may take {} with its tolerance: {then}",
                found.source,
                watts(most_w)
            ),
            change,
        )
        .with(sun.map(|sun| written(index, "sun_at_least_w_m2", sun)))
    })
}

/// A source that does not feed the heater and whose budget does not permit charge either.
fn not_charging((index, found): (usize, &Source), supply: &Supply) -> Option<Finding> {
    let can_w = found.headroom_w.map_or(found.gives_w, |headroom| headroom.min(found.gives_w));
    (found.budget_w <= 0.0 && can_w > 0.0 && is_ever_there(&supply.presence)).then(|| {
        Finding::change(
            Part::Sources,
            format!(
                "{} has a budget of 0 W: while it is there alone, the ceiling of the charge current is 0, and a charger that obeys it \
                 charges nothing",
                found.source
            ),
            format!(
                "budget_w = {}, what it can give for charge; or nothing, if it need not charge then",
                fixed(can_w.floor(), 0)
            ),
        )
        .with([written(index, "budget_w", can_w.floor())])
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{names, settings, site};
    use super::*;
    use crate::finding::Severity;
    use crate::site::Rating;
    use forewarm_core::quantity::Milliwatts;
    use forewarm_core::settings::ChargeCurrent;

    /// The first source with so much budget and supplied so.
    fn judged(budget_w: u32, supply: Supply) -> (Source, Finding) {
        let (mut settings, mut site) = (settings(), site());
        settings.sources[0].budget = Milliwatts::from_milliwatts(budget_w * 1000);
        site.supplies[0] = supply;
        let heater = Heater::of(&settings, site.tolerance.pad_power);
        let (mut sources, mut findings) = judge(&settings, &site, &names(&["engine", "mains"]), &[], &heater);
        (sources.remove(0), findings.remove(0))
    }

    fn weekly(power_w: f64, rating: Option<Rating>) -> Supply {
        Supply { power_w, rating, ..site().supplies.remove(0) }
    }

    #[test]
    fn an_alternator_is_not_asked_for_more_than_its_derated_rating_less_its_loads() {
        // 40 A × 12.8 V × 0.7 − 100 W = 258.4 W.
        let rating = Some(Rating { rated_a: 40.0, rated_v: None, derate: 0.7, other_loads_w: 100.0 });
        let (found, finding) = judged(258, weekly(500.0, rating));
        assert!((found.headroom_w.unwrap() - 258.4).abs() < 1e-9);
        assert_eq!(finding.severity, Severity::Fine, "{finding:?}");
        let (_, finding) = judged(259, weekly(500.0, rating));
        assert_eq!((finding.severity, finding.change.as_deref()), (Severity::Change, Some("budget_w = 258")));
        let none = Some(Rating { rated_a: 10.0, rated_v: None, derate: 0.5, other_loads_w: 100.0 });
        let (found, finding) = judged(200, weekly(500.0, none));
        assert_eq!(found.headroom_w, Some(0.0));
        assert_eq!(finding.change.as_deref(), Some("budget_w = 0"));
    }

    #[test]
    fn a_rating_counts_at_its_own_voltage() {
        // 20 A × 28 V × 0.7 − 100 W = 292 W, where the heater's 12.8 V would leave 79.2 W.
        let rating = Rating { rated_a: 20.0, rated_v: Some(28.0), derate: 0.7, other_loads_w: 100.0 };
        let (found, finding) = judged(291, weekly(500.0, Some(rating)));
        assert!((found.headroom_w.unwrap() - 292.0).abs() < 1e-9);
        assert_eq!(finding.severity, Severity::Fine, "{finding:?}");
        let (_, finding) = judged(293, weekly(500.0, Some(rating)));
        assert_eq!(finding.severity, Severity::Change, "{finding:?}");
        assert!(finding.text.contains("20 A × 28 V"), "{finding:?}");
        let (found, _) = judged(293, weekly(500.0, Some(Rating { rated_v: None, ..rating })));
        assert!((found.headroom_w.unwrap() - 79.2).abs() < 1e-9);
    }

    #[test]
    fn sources_that_never_stay_for_a_warm_up_are_told_unless_the_bank_makes_it_up() {
        let mut site = site();
        let weekly = |text: &str| Presence::Weekly(text.parse().expect("a schedule"));
        // Two and a half hours at a stretch, over the end of the week, by two sources in turn.
        site.supplies[0].presence = weekly("sun 22:00-24:00, wed 08:00-09:00");
        site.supplies[1].presence = weekly("mon 00:00-00:30");
        let names = names(&["engine", "mains"]);
        let told = |settings: &Settings, site: &Site, hours| long_enough(settings, site, &names, Some(hours));
        let mut settings = settings();
        settings.bank = BankUse::Never;
        assert_eq!(told(&settings, &site, 2.5), None);
        let finding = told(&settings, &site, 2.51).expect("told");
        assert!(
            finding.severity == Severity::Change && finding.text.contains("2.5 h at a stretch, 3.5 h a week"),
            "{finding:?}"
        );
        site.supplies[1].presence = Presence::Sun { at_least_w_m2: 100.0 };
        assert_eq!(told(&settings, &site, 9.0), None);
        site.supplies[1].presence = Presence::Never;
        assert!(told(&settings, &site, 2.4).is_some());
        settings.bank = BankUse::Always(forewarm_core::settings::Reserve::StateOfCharge {
            floor: forewarm_core::quantity::Fraction::from_per_mille(500),
            resume: forewarm_core::quantity::Fraction::from_per_mille(600),
        });
        assert_eq!(told(&settings, &site, 2.4), None);
        site.supplies[0].presence = weekly("daily 00:00-24:00");
        settings.bank = BankUse::Never;
        assert_eq!(told(&settings, &site, 400.0), None);
    }

    #[test]
    fn a_heater_on_one_source_counts_on_that_alone() {
        let (mut settings, mut site) = (settings(), site());
        let weekly = |text: &str| Presence::Weekly(text.parse().expect("a schedule"));
        site.supplies[0].presence = weekly("daily 00:00-24:00");
        site.supplies[1].presence = weekly("sat 10:00-14:00");
        site.fed_by = Some(1);
        let names = names(&["engine", "mains"]);
        settings.bank = BankUse::Always(forewarm_core::settings::Reserve::StateOfCharge {
            floor: forewarm_core::quantity::Fraction::from_per_mille(500),
            resume: forewarm_core::quantity::Fraction::from_per_mille(600),
        });
        assert_eq!(long_enough(&settings, &site, &names, Some(4.0)), None);
        let finding = long_enough(&settings, &site, &names, Some(4.1)).expect("told");
        assert!(finding.text.contains("mains, which alone feeds the heater, is there for 4.0 h"), "{finding:?}");

        // 181.3 W at most: no budget holds them, and no bank gives what the source has not got.
        let heater = Heater::of(&settings, site.tolerance.pad_power);
        let (sources, _) = judge(&settings, &site, &names, &[], &heater);
        assert!((sources[0].left_for_charge_w - 300.0).abs() < 1e-9, "the engine feeds no heat: {sources:?}");
        assert!((sources[1].left_for_charge_w - (600.0 - 164.794_921_875 * 1.1)).abs() < 1e-9, "{sources:?}");
        for (power_w, severity) in [(182.0, Severity::Fine), (181.0, Severity::Change)] {
            site.supplies[1].power_w = power_w;
            settings.sources[1].budget = Milliwatts::from_milliwatts(170_000);
            let (_, findings) = judge(&settings, &site, &names, &[], &heater);
            assert_eq!(findings[1].severity, severity, "{findings:?}");
            assert!(findings[0].text.contains("does not feed the heater"), "{findings:?}");
        }
        // At its own 13.8 V the heater takes 153.5 W at the most.
        site.supplies[1].rating = Some(Rating { rated_a: 40.0, rated_v: Some(13.8), derate: 1.0, other_loads_w: 0.0 });
        for (power_w, severity) in [(154.0, Severity::Fine), (153.0, Severity::Change)] {
            site.supplies[1].power_w = power_w;
            assert_eq!(judge(&settings, &site, &names, &[], &heater).1[1].severity, severity, "{power_w} W");
        }
        // The pad's tolerance counts against a rating as well: 153.5 W fit into 154 W of it and not into 153 W.
        site.supplies[1].power_w = 500.0;
        settings.sources[1].budget = Milliwatts::from_milliwatts(150_000);
        for (rated_a, severity) in [(154.0 / 13.8, Severity::Fine), (153.0 / 13.8, Severity::Change)] {
            site.supplies[1].rating = Some(Rating { rated_a, rated_v: Some(13.8), derate: 1.0, other_loads_w: 0.0 });
            let (_, findings) = judge(&settings, &site, &names, &[], &heater);
            assert_eq!(findings[1].severity, severity, "{findings:?}");
        }
        settings.sources[0].budget = Milliwatts::ZERO;
        let (_, findings) = judge(&settings, &site, &names, &[], &heater);
        assert!(
            findings[0].severity == Severity::Change && findings[0].text.contains("ceiling of the charge current is 0"),
            "{findings:?}"
        );
    }

    #[test]
    fn a_charger_that_does_not_obey_is_judged_by_where_the_ceiling_lets_it_charge() {
        let (mut settings, mut site) = (settings(), site());
        settings.charge.batteries = 2;
        let names = names(&["engine", "mains"]);
        let heater = Heater::of(&settings, site.tolerance.pad_power);
        let schedule = |text: &str| Presence::Weekly(text.parse().expect("a schedule"));
        let amps = |amps: u32| ChargeCurrent::UpTo(Milliamps::from_milliamps(amps * 1000));
        let mut told = |charge: [ChargeCurrent; 2], when: [Presence; 2]| {
            for ((source, supply), (charge, presence)) in
                settings.sources.iter_mut().zip(&mut site.supplies).zip(charge.into_iter().zip(when))
            {
                (source.charge, supply.presence) = (charge, presence);
            }
            against_ceiling(&settings, &site, &names, heater.at_nominal.supply_v)
        };
        let apart = || [schedule("mon 08:00-09:00"), schedule("tue 08:00-09:00")];
        let together = || [schedule("mon 08:00-09:00"), schedule("mon 08:30-08:40")];
        // Of 200 Ah, one of two batteries gone: 10 A at 5 °C, 30 A at 10 °C, 38 A at stop, 12 °C, 50 A at 15 °C.
        let found = told([amps(30), amps(40)], apart());
        assert_eq!((found.len(), found[0].severity), (2, Severity::Fine), "{found:?}");
        assert!(found[0].text.contains("up to 30 A from 10.0 °C on"), "{found:?}");
        assert_eq!(found[1].severity, Severity::Change);
        assert!(found[1].text.contains("40 A, which the ceiling allows from 12.5 °C on"), "{found:?}");
        let found = told([amps(15), amps(30)], apart());
        assert!(found.len() == 2 && found[0].text.contains("from 8.0 °C on"), "release comes first: {found:?}");
        let found = told([amps(20), amps(30)], together());
        assert!(found.len() == 3 && found[2].text.contains("50 A"), "{found:?}");
        assert!(told([ChargeCurrent::Obeys, amps(0)], together()).is_empty());
        // Just below 900 W/m² it gives nine tenths of its power, and the ceiling at inhibit is 10 A.
        let found = told([amps(20), amps(0)], [Presence::Sun { at_least_w_m2: 900.0 }, Presence::Never]);
        assert!(found.len() == 2 && found[1].text.contains("before it counts as present"), "{found:?}");
    }

    #[test]
    fn of_a_charger_in_two_steps_it_is_said_where_allowed_each_may_charge_and_what_a_welded_contact_does() {
        let (mut settings, mut site) = (settings(), site());
        settings.charge.batteries = 2;
        let names = names(&["engine", "mains"]);
        let heater = Heater::of(&settings, site.tolerance.pad_power);
        let amps = |amps: u32| Milliamps::from_milliamps(amps * 1000);
        let in_steps = |reduced, most| ChargeCurrent::InSteps { reduced: amps(reduced), most: amps(most) };
        let mut told = |charge: [ChargeCurrent; 2]| {
            for ((source, supply), charge) in settings.sources.iter_mut().zip(&mut site.supplies).zip(charge) {
                source.charge = charge;
                supply.presence = Presence::Weekly("mon 08:00-09:00".parse().expect("a schedule"));
            }
            against_ceiling(&settings, &site, &names, heater.at_nominal.supply_v)
        };
        // 10 A at 5 °C, 22 A at release, 8 °C, 30 A at 10 °C, 38 A at stop, 12 °C.
        let found = told([in_steps(15, 30), ChargeCurrent::Obeys]);
        assert_eq!(found.len(), 3, "{found:?}");
        assert!(found.iter().all(|finding| finding.severity == Severity::Fine), "{found:?}");
        assert!(found[0].text.contains("up to 15 A from 8.0 °C on"), "{found:?}");
        assert!(found[1].text.contains("up to 30 A from 10.0 °C on, with the full charge permit"), "{found:?}");
        assert!(found[2].text.contains("normally open") && found[2].text.contains("30 A wherever"), "{found:?}");
        let found = told([in_steps(15, 40), ChargeCurrent::Obeys]);
        assert_eq!((found[0].severity, found[1].severity), (Severity::Fine, Severity::Change));
        assert!(found[1].text.contains("from 12.5 °C on"), "{found:?}");
        let found = told([in_steps(39, 60), ChargeCurrent::Obeys]);
        assert!(found[0].severity == Severity::Change && found[0].text.contains("39 A"), "{found:?}");
        // 30 A together, 60 A in full.
        let found = told([in_steps(15, 30), in_steps(15, 30)]);
        assert_eq!(found.len(), 7, "{found:?}");
        assert!(
            found[6].severity == Severity::Change && found[6].text.contains("they keep to the smaller"),
            "{found:?}"
        );
        let found = told([in_steps(25, 30), in_steps(25, 30)]);
        assert!(found[6].text.contains("50 A") && found[6].text.contains("charge is refused"), "{found:?}");
    }

    #[test]
    fn a_source_that_is_never_there_is_not_fine() {
        for presence in [Presence::Never, Presence::Weekly(crate::schedule::Schedule::default())] {
            let (_, finding) = judged(400, Supply { presence, ..weekly(500.0, None) });
            assert!(finding.severity == Severity::Change && finding.text.contains("never there"), "{finding:?}");
        }
    }

    #[test]
    fn a_panel_counts_as_present_only_with_enough_sun_for_what_it_is_to_give() {
        // 400 W at 1000 W/m²: 60 W at 150 W/m². The heater takes up to 164.8 W × 1.1 = 181.3 W, which needs 453.2 W/m².
        let sun = |at_least_w_m2| Supply { presence: Presence::Sun { at_least_w_m2 }, ..weekly(400.0, None) };
        let (found, finding) = judged(400, sun(150.0));
        assert!((found.gives_w - 60.0).abs() < 1e-9);
        assert_eq!(finding.severity, Severity::Change);
        assert!(finding.change.as_ref().unwrap().starts_with("sun_at_least_w_m2 = 454,"), "{finding:?}");
        let (_, finding) = judged(400, sun(454.0));
        assert_eq!(finding.severity, Severity::Fine, "{finding:?}");
    }

    #[test]
    fn a_budget_below_the_heater_is_told_unless_the_bank_makes_it_up() {
        // 96.9 W at the lowest supply, 164.8 W at the highest.
        for (budget, part) in
            [(96, "alone it never heats"), (97, "then it heats no more"), (164, "then it heats no more")]
        {
            let (_, finding) = judged(budget, weekly(500.0, None));
            assert!(finding.severity == Severity::Change && finding.text.contains(part), "{budget} W: {finding:?}");
        }
        assert_eq!(judged(165, weekly(500.0, None)).1.severity, Severity::Fine);
        let mut settings = settings();
        settings.sources[0].budget = Milliwatts::from_milliwatts(50_000);
        settings.bank = BankUse::Always(forewarm_core::settings::Reserve::StateOfCharge {
            floor: forewarm_core::quantity::Fraction::from_per_mille(500),
            resume: forewarm_core::quantity::Fraction::from_per_mille(600),
        });
        let site = site();
        let heater = Heater::of(&settings, site.tolerance.pad_power);
        let (_, findings) = judge(&settings, &site, &names(&["engine", "mains"]), &[], &heater);
        assert_eq!(findings[0].severity, Severity::Fine, "{findings:?}");
    }
}
