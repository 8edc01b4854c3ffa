//! Whether the thermal cut-outs in the heater's circuit open in time, and not in use.
//!
//! They are the last to act, where nothing else can: the heater's relay has welded. It then heats for hours, and the cells come close to
//! the plate. A cut-out on the plate has to open before they are too hot. One on the pad stays with a pad that has come off. Each must
//! stay closed as long as the controller, which acts first, lets the heater run.

use super::circuit::{contact, rating_sold};
use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to};
use crate::finding::{Finding, Part, Remedy};
use crate::heater::Heater;
use crate::si;
use crate::site::{Contact, Resets, Site, ThermalCutout, Touches};
use crate::withstand::{CELL_C, PAD_C};
use forewarm_core::settings::Settings;
use serde::Serialize;

/// A cut-out that is still to be bought opens within so much of its mark (K). Bimetal discs are sold within 3 and within 5, from memory.
const BOUGHT_WITHIN_K: f64 = 3.0;

/// How far the plate goes on rising when the controller has cut the heater out (K). No source.
const OVERSHOOT_K: f64 = 2.0;

/// Marked temperatures on sale are this far apart (K). Common practice, no source.
const MARKS_K: f64 = 5.0;

/// A place that a thermal cut-out can touch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Bounds {
    /// The place.
    pub at: Touches,
    /// Up to here it must stay closed: so warm the controller lets the place get (°C).
    pub stays_closed_to_c: f64,
    /// Here it must have opened: so much bears what is there (°C).
    pub has_opened_at_c: f64,
}

impl Bounds {
    /// Those of one place.
    fn of(at: Touches, settings: &Settings, site: &Site, heater: &Heater) -> Self {
        let used_c = si::celsius(settings.heater.cutout_pad) + OVERSHOOT_K;
        let strongest_w = heater.at_supply_max.power_w * (1.0 + heater.tolerance);
        match at {
            Touches::Plate => Self { at, stays_closed_to_c: used_c, has_opened_at_c: CELL_C },
            // Its heat has to pass the bond.
            Touches::Pad => Self {
                at,
                stays_closed_to_c: used_c + strongest_w / (site.pad.area_m2() * site.pad.bond_w_per_m2_k),
                has_opened_at_c: PAD_C,
            },
        }
    }

    /// The lowest mark on sale that stays closed long enough (°C), for a cut-out that opens within so much of it. `None` if that one
    /// opens too late.
    fn mark_c(&self, within_k: f64) -> Option<f64> {
        let mark_c = raised_to(self.stays_closed_to_c + within_k, MARKS_K);
        (mark_c + within_k <= self.has_opened_at_c).then_some(mark_c)
    }
}

/// The thermal cut-outs of an installation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Report {
    /// What is asked of one at each place.
    pub bounds: [Bounds; 2],
    /// Those of the file.
    pub installed: Vec<Installed>,
}

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Installed {
    /// What it touches.
    pub at: Touches,
    /// Temperature at which it opens, as it is marked (°C).
    pub opens_c: f64,
    /// How far from that temperature it may open (K).
    pub within_k: f64,
    /// What closes it again.
    pub resets: Resets,
}

/// Judges them. Current and voltage are not judged for a heater on mains, whose circuit is licensed work.
#[must_use]
pub fn judge(settings: &Settings, site: &Site, heater: &Heater, is_mains: bool) -> (Report, Vec<Finding>) {
    let bounds = Touches::ALL.map(|at| Bounds::of(at, settings, site, heater));
    let [of_plate, of_pad] = &bounds;
    let cutouts = &site.thermal_cutouts;
    let mut findings = Vec::new();
    for (index, cutout) in cutouts.iter().enumerate() {
        let bounds = match cutout.at {
            Touches::Plate => of_plate,
            Touches::Pad => of_pad,
        };
        findings.push(temperature(index, cutout, bounds));
        if !is_mains {
            let rating = Contact { rated_a: cutout.rated_a, rated_v: cutout.rated_v, coil_w: 0.0 };
            let place = (&*named(cutout), Home::ThermalCutout(index), ["rated_a", "rated_v"]);
            // It seldom opens, so its whole rating counts.
            findings.push(contact(place, &rating, heater, heater.most_a, 1.0));
        }
    }
    findings.extend(missing(&bounds, cutouts, heater));
    let installed = cutouts.iter().map(|&ThermalCutout { at, opens_c, within_k, resets, .. }| Installed {
        at,
        opens_c,
        within_k,
        resets,
    });
    (Report { bounds, installed: installed.collect() }, findings)
}

fn named(cutout: &ThermalCutout) -> String {
    format!("thermal cut-out on the {}", cutout.at.word())
}

/// Whether it opens in time, and not in use.
fn temperature(index: usize, cutout: &ThermalCutout, bounds: &Bounds) -> Finding {
    let which = format!("the {}", named(cutout));
    let (least_c, most_c) = (bounds.stays_closed_to_c, bounds.has_opened_at_c);
    // Another mark, or else another that opens closer to its mark.
    let fits = |within_k: f64| bounds.mark_c(within_k).map(|mark_c| (mark_c, within_k));
    let other = fits(cutout.within_k).or_else(|| fits(BOUGHT_WITHIN_K));
    let home = Home::ThermalCutout(index);
    let written =
        |(mark_c, within_k)| vec![Edit::number(home, "opens_c", mark_c), Edit::number(home, "within_k", within_k)];
    let another = other.map_or_else(
        || "a lower heater.cutout_pad_c, or one that opens closer to its mark".to_owned(),
        |(mark_c, within_k)| format!("one that opens at {} ± {} °C", plain(mark_c), plain(within_k)),
    );
    let (close, bears) = match cutout.at {
        Touches::Plate => ("cells come close to it where a welded relay heats them for hours, and ", "cells bear"),
        Touches::Pad => ("", "a film heater bears"),
    };
    if cutout.has_opened_at_c() > most_c {
        let text = format!(
            "{which} may stay closed up to {} °C; {close}{bears} {} °C (from memory)",
            plain(cutout.has_opened_at_c()),
            plain(most_c)
        );
        Finding::danger(Part::Circuit, text, another).with(other.map(written))
    } else if cutout.stays_closed_to_c() < least_c {
        let until = match cutout.resets {
            Resets::ByHand => "until somebody resets it",
            Resets::ByItself => "until it has cooled",
            Resets::Never => "until somebody replaces it",
        };
        let text = format!(
            "{which} may open from {} °C on, and the controller lets that place get {} °C warm: then no heat comes {until}",
            plain(cutout.stays_closed_to_c()),
            fixed(least_c, 0)
        );
        Finding::change(Part::Circuit, text, another).with(other.map(written))
    } else if cutout.resets == Resets::ByItself {
        let text = format!(
            "{which} closes again when it has cooled: with a welded relay it switches the heater on and off, until it welds too"
        );
        let change = "one that stays open until a hand resets it (resets = \"by_hand\", if it is one)";
        Finding::change(Part::Circuit, text, change).with([vec![Edit::word(home, "resets", Resets::ByHand.word())]])
    } else {
        let then = match cutout.resets {
            Resets::ByHand | Resets::ByItself => "stays open until somebody resets it",
            Resets::Never => "stays open until somebody replaces it",
        };
        let text = format!(
            "{which} opens at {} ± {} °C, above the {} °C that the controller lets that place get, and below the {} °C that {bears}; it {then}",
            plain(cutout.opens_c),
            plain(cutout.within_k),
            fixed(least_c, 0),
            plain(most_c)
        );
        Finding::fine(Part::Circuit, text)
    }
}

/// What no cut-out of the file does.
fn missing(bounds: &[Bounds; 2], cutouts: &[ThermalCutout], heater: &Heater) -> Option<Finding> {
    let [of_plate, of_pad] = bounds;
    let touches = |at| cutouts.iter().any(|cutout| cutout.at == at);
    // The plate is no warmer than the pad that heats it.
    let covers_plate = |cutout: &ThermalCutout| cutout.has_opened_at_c() <= of_plate.has_opened_at_c;
    let is_plate_covered = touches(Touches::Plate) || cutouts.iter().any(covers_plate);
    let text = match (is_plate_covered, touches(Touches::Pad)) {
        (true, true) => return None,
        _ if cutouts.is_empty() => {
            "the file names no thermal cut-out in the heater's circuit: if the heater's relay welds, nothing else stops the heat"
        }
        (true, false) => {
            "no thermal cut-out touches the pad: one on the plate does not see a pad that has come off, which gets much hotter"
        }
        (false, _) => "no thermal cut-out opens before the plate is too hot for the cells",
    };
    let mut new = Vec::new();
    if !touches(Touches::Pad) {
        new.extend(of_pad.mark_c(BOUGHT_WITHIN_K).map(|mark_c| (Touches::Pad, mark_c)));
    }
    let covers = |(_, mark_c): &(Touches, f64)| mark_c + BOUGHT_WITHIN_K <= of_plate.has_opened_at_c;
    if !is_plate_covered && !new.iter().any(covers) {
        new.extend(of_plate.mark_c(BOUGHT_WITHIN_K).map(|mark_c| (Touches::Plate, mark_c)));
    }
    if new.is_empty() {
        let change = format!(
            "a lower heater.cutout_pad_c: no cut-out fits between the {} °C that the controller lets the plate get and the {} °C that cells bear",
            fixed(of_plate.stays_closed_to_c, 0),
            plain(of_plate.has_opened_at_c)
        );
        return Some(Finding::change(Part::Circuit, text, change));
    }
    let places: Vec<String> = new
        .iter()
        .map(|(at, mark_c)| {
            format!("one on the {} that opens at {} ± {} °C", at.word(), plain(*mark_c), plain(BOUGHT_WITHIN_K))
        })
        .collect();
    let change = format!(
        "in series with the pad itself, not with a relay's coil: {}; it stays open until a hand resets it, and is rated for at least {} A \
         at {} V direct current ([[thermal_cutout]])",
        places.join(", and "),
        fixed(heater.most_a, 1),
        plain(heater.at_supply_max.supply_v)
    );
    let written = |[rated_a, rated_v]: [f64; 2]| {
        let of_one = |(nth, &(at, opens_c)): (usize, &(Touches, f64))| {
            let home = Home::ThermalCutout(cutouts.len() + nth);
            let number = |key, value| Edit::number(home, key, value);
            [
                Edit::word(home, "at", at.word()),
                number("opens_c", opens_c),
                number("within_k", BOUGHT_WITHIN_K),
                Edit::word(home, "resets", Resets::ByHand.word()),
                number("rated_a", rated_a),
                number("rated_v", rated_v),
            ]
        };
        new.iter().enumerate().flat_map(of_one).collect::<Remedy>()
    };
    Some(Finding::change(Part::Circuit, text, change).with(rating_sold(heater.most_a, heater).map(written)))
}

#[cfg(test)]
mod tests {
    use super::super::testing::{cutouts, settings, site};
    use super::*;
    use crate::finding::Severity;
    use forewarm_core::quantity::{Celsius, Milliwatts};
    use proptest::prelude::*;

    fn judged(cutouts: Vec<ThermalCutout>) -> Vec<Finding> {
        let (settings, site) = (settings(), Site { thermal_cutouts: cutouts, ..site() });
        judge(&settings, &site, &Heater::of(&settings, site.tolerance.pad_power), false).1
    }

    /// The worst finding.
    fn worst(cutouts: Vec<ThermalCutout>) -> (Severity, String) {
        let found = judged(cutouts);
        let worst = found.into_iter().min_by_key(|finding| finding.severity).expect("a finding");
        (worst.severity, worst.text)
    }

    fn on(at: Touches) -> ThermalCutout {
        cutouts().into_iter().find(|cutout| cutout.at == at).expect("one on each")
    }

    #[test]
    fn both_at_their_places_are_fine() {
        assert_eq!(worst(cutouts()).0, Severity::Fine);
    }

    /// The controller cuts out at 50 °C, and the plate rises 2 K more. Cells bear 60 °C.
    #[test]
    fn it_opens_after_the_controller_has_acted_and_before_the_cells_are_too_hot() {
        let pad = on(Touches::Pad);
        let plate = |opens_c, within_k| vec![ThermalCutout { opens_c, within_k, ..on(Touches::Plate) }, pad];
        for (opens_c, within_k, severity) in [
            (55.0, 3.0, Severity::Fine),
            (54.9, 3.0, Severity::Change),
            (57.0, 3.0, Severity::Fine),
            (57.1, 3.0, Severity::Danger),
            (56.0, 4.0, Severity::Fine),
            (56.0, 4.1, Severity::Danger),
            (55.0, 5.0, Severity::Change),
        ] {
            assert_eq!(worst(plate(opens_c, within_k)).0, severity, "{opens_c} ± {within_k}");
        }
    }

    /// 120 W at 12.8 V are 181.3 W at 15 V with a tolerance of 10 %. All of it passes the bond.
    #[test]
    fn on_the_pad_it_stays_closed_while_the_pad_is_warmer_than_the_plate() {
        let pad = |opens_c| vec![on(Touches::Plate), ThermalCutout { opens_c, within_k: 5.0, ..on(Touches::Pad) }];
        let site = site();
        let above_k = 181.3 / (site.pad.area_m2() * site.pad.bond_w_per_m2_k);
        assert_eq!(worst(pad(57.1 + above_k)).0, Severity::Fine);
        assert_eq!(worst(pad(56.9 + above_k)).0, Severity::Change);
        assert_eq!(worst(pad(115.1)).0, Severity::Danger);
    }

    #[test]
    fn one_that_closes_by_itself_is_not_the_last_to_act() {
        let itself = |at| ThermalCutout { resets: Resets::ByItself, ..on(at) };
        for cutouts in [vec![itself(Touches::Plate), on(Touches::Pad)], vec![on(Touches::Plate), itself(Touches::Pad)]]
        {
            let (severity, text) = worst(cutouts);
            assert!(severity == Severity::Change && text.contains("closes again"), "{text}");
        }
    }

    #[test]
    fn its_contact_bears_the_heaters_current_at_its_direct_voltage() {
        // 12.085 A at 15 V.
        let rated = |rated_a, rated_v| vec![ThermalCutout { rated_a, rated_v, ..on(Touches::Plate) }, on(Touches::Pad)];
        assert_eq!(worst(rated(12.1, 15.0)).0, Severity::Fine);
        assert_eq!(worst(rated(12.0, 15.0)).0, Severity::Danger);
        assert_eq!(worst(rated(20.0, 14.9)).0, Severity::Danger);
    }

    #[test]
    fn what_is_missing_is_named() {
        assert_eq!(worst(vec![on(Touches::Plate)]).0, Severity::Change);
        assert!(worst(vec![on(Touches::Plate)]).1.contains("a pad that has come off"));
        assert!(worst(Vec::new()).1.contains("names no thermal cut-out"));
        // No mark is that close, but one could be: it opens before the cells are too hot, too.
        let pad = |opens_c, within_k| vec![ThermalCutout { opens_c, within_k, ..on(Touches::Pad) }];
        assert_eq!(worst(pad(58.0, 2.0)).0, Severity::Fine);
        assert_eq!(worst(pad(80.0, 5.0)).0, Severity::Change);
    }

    proptest! {
        /// Whatever the controller's limits, what is proposed for cut-outs that are missing or wrong is fine, or there is none.
        #[test]
        fn what_is_proposed_is_fine(cutout_pad_c in 30..80_i32, power_w in 5..900_u32, first in prop::option::of((prop::bool::ANY, 30.0..130.0_f64))) {
            let mut settings = settings();
            settings.heater.cutout_pad = Celsius::from_millidegrees(cutout_pad_c * 1000);
            settings.heater.power = Milliwatts::from_milliwatts(power_w * 1000);
            let mut site = Site { thermal_cutouts: Vec::new(), ..site() };
            if let Some((is_pad, opens_c)) = first {
                let at = if is_pad { Touches::Pad } else { Touches::Plate };
                site.thermal_cutouts.push(ThermalCutout { opens_c, rated_a: 200.0, ..on(at) });
            }
            let heater = Heater::of(&settings, site.tolerance.pad_power);
            for _ in 0..4 {
                let (_, findings) = judge(&settings, &site, &heater, false);
                let Some(finding) = findings.into_iter().find(|finding| !finding.is_fine()) else { return Ok(()) };
                let Some(remedy) = finding.remedies.first() else {
                    let change = finding.change.unwrap();
                    prop_assert!(change.contains("heater.cutout_pad_c"), "{}", change);
                    return Ok(());
                };
                for edit in remedy {
                    let Home::ThermalCutout(index) = edit.home else { panic!("{edit:?}") };
                    let value = edit.value.as_deref().unwrap();
                    let number = || value.parse::<f64>().unwrap();
                    if index == site.thermal_cutouts.len() {
                        site.thermal_cutouts.push(on(Touches::Plate));
                    }
                    let cutout = &mut site.thermal_cutouts[index];
                    match edit.key {
                        "at" => cutout.at = if value == "\"pad\"" { Touches::Pad } else { Touches::Plate },
                        "opens_c" => cutout.opens_c = number(),
                        "within_k" => cutout.within_k = number(),
                        "resets" => cutout.resets = Resets::ByHand,
                        "rated_a" => cutout.rated_a = number(),
                        "rated_v" => cutout.rated_v = number(),
                        key => panic!("{key}"),
                    }
                }
            }
            prop_assert!(false, "four changes do not mend it");
        }
    }
}
