//! Whether one source can feed the heater alone, and whether the settings agree with that.
//!
//! The controller knows nothing of the wiring. It adds up the budgets of all sources that are present and, if the
//! policy permits, the bank's charge. It switches the heater on if that is enough. With a heater on the bank's bus it
//! is right. With a heater on a single source, the rest never reaches the heater.

use crate::conductor::{loop_ohm, ohm_per_m_20c};
use crate::figures::{fixed, plain, uncertain};
use crate::finding::{Finding, Part};
use crate::heater::{EXTRA_LOW_AC_V, Heater, not_sized};
use crate::portable::squared;
use crate::si;
use crate::site::{Circuit, Site};
use forewarm_core::settings::{BankUse, Settings};

/// Largest difference, as a part, between the source's voltage and the heater's stated voltage at which the plan still
/// uses the stated one: 1 % of power.
const SAME_V: f64 = 0.005;

/// The one source that feeds the heater.
pub(crate) struct Feed<'s> {
    /// Name of the source.
    name: &'s str,
    /// Its voltage (V); `None` if the file does not state it.
    volts: Option<f64>,
    /// Part of each volt that the cable leaves for the strongest heater.
    reach: f64,
    budget_w: f64,
    /// The other sources that have a heat budget.
    others: Vec<&'s str>,
    /// Whether the bank may give its charge for heat.
    is_bank_spent: bool,
    heater: Heater,
}

impl<'s> Feed<'s> {
    /// The feed of an installation whose sources have these `names`; `None` if the heater is on the bank.
    pub(crate) fn of(settings: &Settings, site: &Site, names: &'s [String]) -> Option<Self> {
        let source = site.fed_by?;
        let name = |index: usize| names.get(index).map_or("a source", String::as_str);
        let budgets_w = || settings.sources.iter().map(|source| si::watts(source.budget));
        let others = budgets_w().enumerate().filter(|&(index, budget_w)| index != source && budget_w > 0.0);
        let heater = Heater::of(settings, site.tolerance.pad_power);
        Some(Self {
            name: name(source),
            volts: site.feed_v(),
            reach: site.circuit.as_ref().map_or(1.0, |circuit| reach(circuit, &heater)),
            budget_w: budgets_w().nth(source).unwrap_or(0.0),
            others: others.map(|(index, _)| name(index)).collect(),
            is_bank_spent: settings.bank != BankUse::Never,
            heater,
        })
    }

    /// Dangerous if the settings spend the bank on heat that it cannot give.
    pub(crate) fn bank(&self) -> Option<Finding> {
        self.is_bank_spent.then(|| {
            Finding::danger(
                Part::Sources,
                format!(
                    "the bank cannot feed this heater, which hangs on {0} alone (circuit.fed_by), and bank.spend lets the controller \
                     count on it: it would switch the heater on where {0} cannot carry it",
                    self.name
                ),
                "bank.spend = \"never\"; or no fed_by, if the heater does hang on the bank",
            )
        })
    }

    /// Dangerous if nobody knows the source's voltage, or if the heater may not run at it.
    pub(crate) fn voltage(&self) -> Option<Finding> {
        let Self { name, heater, .. } = self;
        let (lowest_v, highest_v) = (heater.at_supply_min.supply_v, heater.at_supply_max.supply_v);
        let Some(volts) = self.volts else {
            return Some(Finding::danger(
                Part::Sources,
                format!(
                    "the heater hangs on {name} alone, and the file does not say at which voltage: its power goes with the square of that"
                ),
                format!("rated_v and rated_a of {name}, as its plate or data sheet has them"),
            ));
        };
        let left_v = volts * self.reach;
        if volts >= lowest_v && left_v < lowest_v {
            return Some(Finding::danger(
                Part::Sources,
                format!(
                    "{name}, which alone feeds the heater, has {} V, of which the cable leaves {} V with the heater on, and that may run \
                     from {} V on: it would go off as soon as it is on, again and again",
                    plain(volts),
                    fixed(left_v, 2),
                    plain(lowest_v)
                ),
                format!(
                    "a thicker or a shorter cable; or heater.supply_min_v = {}, if the heater may run at that",
                    fixed((left_v * 10.0).floor() / 10.0, 1)
                ),
            ));
        }
        (!(lowest_v..=highest_v).contains(&volts)).then(|| {
            Finding::danger(
                Part::Sources,
                format!(
                    "{name}, which alone feeds the heater, has {} V, and the heater may run from {} V to {} V only: the controller keeps \
                     it off",
                    plain(volts),
                    plain(lowest_v),
                    plain(highest_v)
                ),
                format!(
                    "a pad for {} V with its nominal_v, power_w, supply_min_v and supply_max_v; or the right rated_v of {name}",
                    plain(volts)
                ),
            )
        })
    }

    /// Whether the plan must take the heater for one on mains: the file does not say that its source gives direct
    /// current.
    pub(crate) fn is_mains(&self) -> bool {
        self.heater.at_nominal.supply_v > EXTRA_LOW_AC_V
    }

    /// The finding in place of the circuit's size, for such a heater.
    pub(crate) fn mains(&self) -> Option<Finding> {
        self.is_mains().then(|| not_sized(self.heater.at_nominal.supply_v))
    }

    /// Voltage of the heater when its source is present (V), and the power that the controller then assumes (W). If the
    /// source's voltage is not known, both are at the highest voltage.
    fn load(&self) -> (f64, f64) {
        let nominal = self.heater.at_nominal;
        let volts = self.volts.unwrap_or(self.heater.at_supply_max.supply_v);
        (volts, nominal.power_w * squared(volts / nominal.supply_v))
    }

    /// Whether the source's own heat budget carries the heater. Dangerous if other budgets fill the gap in the
    /// controller's books: then the source is overloaded.
    pub(crate) fn budget(&self) -> Option<Finding> {
        let Self { name, budget_w, .. } = self;
        let (volts, load_w) = self.load();
        // Outside its voltage limits the heater does not run, whatever the budgets.
        let is_kept_off = self.volts.is_some() && self.voltage().is_some();
        if is_kept_off || *budget_w >= load_w {
            return None;
        }
        let text = format!(
            "{name} alone feeds the heater and may give up to {} W, less than that takes at {} V ({} W)",
            plain(*budget_w),
            plain(volts),
            fixed(load_w.ceil(), 0)
        );
        let change =
            format!("budget_w = {} of {name} if it can give that, or a smaller heater", fixed(load_w.ceil(), 0));
        let mut more = self.others.clone();
        more.extend(self.is_bank_spent.then_some("the bank"));
        Some(if more.is_empty() {
            Finding::change(Part::Sources, format!("{text}: it never heats"), change)
        } else {
            Finding::danger(
                Part::Sources,
                format!(
                    "{text}. The controller adds up all that it may spend: with {} it switches the heater on, and {name} is overloaded",
                    listed(&more, "or")
                ),
                change,
            )
        })
    }

    /// What the heat budgets of sources that do not feed the heater mean.
    pub(crate) fn others(&self) -> Option<Finding> {
        let Self { name, others, .. } = self;
        let they = match others.len() {
            0 => return None,
            1 => ("does", "has", "its line", "charges"),
            _ => ("do", "have", "their lines", "charge"),
        };
        let all = listed(others, "and");
        Some(Finding::change(
            Part::Sources,
            format!(
                "{all} {} not feed the heater, and {} a heat budget: without {name} the heater's supply is dead, and the controller then raises \
                 the alarm supply_out_of_range",
                they.0, they.1
            ),
            format!(
                "measure the heater's supply at its own feed, never at the bank. With budget_w = 0 there is no alarm, but without {name} \
                 {all} then {} nothing through a charger that obeys the ceiling. Where {all} may give the whole charge current, keep {} \
                 off the controller",
                they.3, they.2
            ),
        ))
    }

    /// How the heater is fed, if nothing is wrong.
    fn given(&self) -> Option<Finding> {
        let volts = self.volts?;
        let nominal = self.heater.at_nominal;
        let (_, load_w) = self.load();
        let text = format!(
            "the heater hangs on {} alone: at {} V it takes {}",
            self.name,
            plain(volts),
            uncertain(load_w, load_w * self.heater.tolerance, "W")
        );
        if (volts / nominal.supply_v - 1.0).abs() <= SAME_V {
            return Some(Finding::fine(Part::Sources, text));
        }
        Some(Finding::change(
            Part::Sources,
            format!(
                "{text}, and this plan reckons with its {} W at {} V",
                plain(nominal.power_w),
                plain(nominal.supply_v)
            ),
            format!(
                "heater.nominal_v = {} and power_w = {}: the same pad at the voltage that it has",
                plain(volts),
                plain((load_w * 10.0).floor() / 10.0)
            ),
        ))
    }

    /// All findings.
    pub(crate) fn findings(&self) -> Vec<Finding> {
        let wrong = [self.bank(), self.voltage(), self.budget()];
        let given = if wrong.iter().all(Option::is_none) { self.given() } else { None };
        wrong.into_iter().chain([self.others(), given]).flatten().collect()
    }
}

/// Part of each volt that the cable leaves for the strongest heater. If no conductor is chosen yet, the cable has the
/// allowed drop.
fn reach(circuit: &Circuit, heater: &Heater) -> f64 {
    let Some(mm2) = circuit.cable_mm2 else { return 1.0 - circuit.drop };
    let line_ohm = loop_ohm(circuit.cable_m, ohm_per_m_20c(mm2), circuit.cable_c);
    let strongest_s = heater.at_nominal.current_a / heater.at_nominal.supply_v * (1.0 + heater.tolerance);
    1.0 / (1.0 + line_ohm * strongest_s)
}

/// `a, b and c`.
fn listed(names: &[&str], last_word: &str) -> String {
    match names.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} {last_word} {last}", rest.join(", ")),
        _ => names.concat(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::Severity;
    use crate::plan::testing::{names, settings, site};
    use crate::site::Rating;
    use forewarm_core::quantity::{Fraction, Milliwatts};
    use forewarm_core::settings::Reserve;

    /// The starter's heater, 120 W at 12.8 V from 11.5 V to 15 V, on mains alone at 13.8 V, where it takes 139.5 W.
    fn fed() -> (Settings, Site) {
        let (mut settings, mut site) = (settings(), site());
        site.fed_by = Some(1);
        site.supplies[1].rating = Some(Rating { rated_a: 20.0, rated_v: Some(13.8), derate: 0.8, other_loads_w: 0.0 });
        budgets(&mut settings, [0, 200]);
        (settings, site)
    }

    fn budgets(settings: &mut Settings, watts: [u32; 2]) {
        for (source, watts) in settings.sources.iter_mut().zip(watts) {
            source.budget = Milliwatts::from_milliwatts(watts * 1000);
        }
    }

    fn found(settings: &Settings, site: &Site) -> Vec<Finding> {
        Feed::of(settings, site, &names(&["engine", "mains"])).expect("fed").findings()
    }

    #[test]
    fn a_source_of_the_heaters_voltage_with_enough_for_it_is_fine() {
        let (settings, mut site) = fed();
        site.supplies[1].rating = Some(Rating { rated_v: Some(12.8), ..site.supplies[1].rating.unwrap() });
        let found = found(&settings, &site);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].severity == Severity::Fine && found[0].text.contains("120 ± 12 W"), "{found:?}");
        assert!(Feed::of(&settings, &Site { fed_by: None, ..site }, &[]).is_none());
    }

    #[test]
    fn a_heater_at_another_voltage_than_its_power_is_stated_for_is_to_be_restated() {
        let (mut settings, mut site) = fed();
        let at = |settings: &Settings, site: &mut Site, volts: f64| {
            site.supplies[1].rating = Some(Rating { rated_v: Some(volts), ..site.supplies[1].rating.unwrap() });
            found(settings, site).remove(0)
        };
        assert_eq!(at(&settings, &mut site, 12.8).severity, Severity::Fine);
        // 120 W × (12 / 12.8)² = 105.47 W.
        let finding = at(&settings, &mut site, 12.0);
        assert_eq!(finding.severity, Severity::Change, "{finding:?}");
        assert!(finding.change.unwrap().starts_with("heater.nominal_v = 12 and power_w = 105.4:"));
        // A higher power than the plan uses is no better: the plate gets hotter. 120 W × (13.8 / 12.8)² = 139.48 W.
        let finding = at(&settings, &mut site, 13.8);
        assert_eq!(finding.severity, Severity::Change, "{finding:?}");
        assert!(finding.change.unwrap().starts_with("heater.nominal_v = 13.8 and power_w = 139.4:"));
        settings.heater.nominal = forewarm_core::quantity::Millivolts::from_millivolts(12_000);
        settings.heater.power = Milliwatts::from_milliwatts(105_400);
        assert_eq!(at(&settings, &mut site, 12.0).severity, Severity::Fine);
    }

    /// A heater on 16 cells in series is no mains heater at 51.2 V; on a source of its own nobody knows.
    #[test]
    fn a_heater_on_one_source_above_extra_low_voltage_is_on_mains_whatever_its_bank() {
        let (mut settings, mut site) = fed();
        site.battery.cells_in_series = 16;
        for (nominal_mv, is_mains) in [(50_000, false), (51_200, true)] {
            settings.heater.nominal = forewarm_core::quantity::Millivolts::from_millivolts(nominal_mv);
            let feed = Feed::of(&settings, &site, &[]).unwrap();
            assert_eq!((feed.is_mains(), feed.mains().is_some()), (is_mains, is_mains), "{nominal_mv} mV");
        }
    }

    #[test]
    fn a_bank_that_may_be_spent_on_a_heater_it_does_not_feed_is_dangerous() {
        let (mut settings, site) = fed();
        let reserve =
            Reserve::StateOfCharge { floor: Fraction::from_per_mille(500), resume: Fraction::from_per_mille(600) };
        for bank in [BankUse::Always(reserve), BankUse::WithSource(reserve)] {
            settings.bank = bank;
            let found = found(&settings, &site);
            assert_eq!((found.len(), found[0].severity), (1, Severity::Danger), "{found:?}");
            assert!(found[0].fails && found[0].text.contains("the bank cannot feed this heater"), "{found:?}");
        }
    }

    #[test]
    fn a_source_whose_voltage_is_unknown_or_beyond_the_heaters_limits_is_dangerous() {
        let (settings, mut site) = fed();
        let mut at = |rated_v: Option<f64>| {
            site.supplies[1].rating = Some(Rating { rated_v, ..site.supplies[1].rating.unwrap() });
            Feed::of(&settings, &site, &names(&["engine", "mains"])).unwrap().voltage().map(|finding| finding.severity)
        };
        // The limits themselves are permitted, as in the controller.
        for volts in [12.0, 13.8, 15.0] {
            assert_eq!(at(Some(volts)), None, "{volts} V");
        }
        // The voltage would be at the limit with the heater off, and below it with the heater on.
        assert_eq!(at(Some(11.5)), Some(Severity::Danger));
        for volts in [None, Some(11.4), Some(15.1), Some(48.0)] {
            assert_eq!(at(volts), Some(Severity::Danger), "{volts:?}");
        }
        site.supplies[1].rating = None;
        assert!(Feed::of(&settings, &site, &[]).unwrap().voltage().is_some());
    }

    #[test]
    fn a_budget_below_the_heater_is_dangerous_where_others_make_it_up_in_the_books_only() {
        let (mut settings, site) = fed();
        for (budgets_w, severity) in
            [([0, 140], None), ([0, 139], Some(Severity::Change)), ([1, 139], Some(Severity::Danger)), ([1, 140], None)]
        {
            budgets(&mut settings, budgets_w);
            let names = names(&["engine", "mains"]);
            let feed = Feed::of(&settings, &site, &names).unwrap();
            assert_eq!(feed.budget().map(|finding| finding.severity), severity, "{budgets_w:?}");
            assert_eq!(feed.others().is_some(), budgets_w[0] > 0, "{budgets_w:?}");
        }
    }
}
