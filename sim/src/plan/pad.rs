//! Whether the area of the pad withstands its power at the highest supply voltage that the heater may run on.

use crate::edit::{Edit, Home};
use crate::figures::{fixed, plain, raised_to, uncertain};
use crate::finding::{Finding, Part};
use crate::heater::{Draw, Heater};
use crate::site::Site;

/// Dangerous if the stated power exceeds what the pad may give. To be changed if only a pad at the strong end of its
/// tolerance exceeds it.
pub(super) fn judge(heater: &Heater, site: &Site) -> Finding {
    let Draw { supply_v, power_w, .. } = heater.at_supply_max;
    let area_cm2 = site.pad.area_m2() * 1e4;
    let most_w_per_cm2 = site.pad.most_w_per_m2 / 1e4;
    let strongest_w = power_w * (1.0 + heater.tolerance);
    let gives = format!(
        "the pad gives {} at {} V on {} cm², {} W/cm²",
        uncertain(power_w, power_w * heater.tolerance, "W").trim(),
        plain(supply_v),
        fixed(area_cm2, 0),
        fixed(power_w / area_cm2, 2),
    );
    let may = format!("it may give {} W/cm² (pad.most_w_per_cm2)", plain(most_w_per_cm2));
    // Down to the nominal power at which the strongest pad is safe.
    let nominal_w = heater.at_nominal.power_w * most_w_per_cm2 * area_cm2 / strongest_w;
    let nominal_w = if nominal_w < 10.0 { (nominal_w * 10.0).floor() / 10.0 } else { nominal_w.floor() };
    let change = format!(
        "a pad of at least {} cm², power_w = {} or less, or most_w_per_cm2 where the pad's maker allows more on a plate",
        fixed(raised_to(strongest_w / most_w_per_cm2, 10.0), 0),
        plain(nominal_w),
    );
    let less = || [vec![Edit::number(Home::Section("heater"), "power_w", nominal_w)]];
    if power_w > most_w_per_cm2 * area_cm2 {
        let text = format!("{gives}, and {may}: it overheats and can burn through");
        Finding::danger(Part::Thermal, text, change).with(less())
    } else if strongest_w > most_w_per_cm2 * area_cm2 {
        let text = format!("{gives}; {may}, and a pad at the strong end of its tolerance gives more");
        Finding::change(Part::Thermal, text, change).with(less())
    } else {
        Finding::fine(Part::Thermal, format!("{gives}, and {may}"))
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::{settings, site};
    use super::*;
    use crate::finding::Severity;

    #[test]
    fn a_pad_is_judged_at_the_highest_voltage_and_by_its_makers_figure() {
        // The starter's 120 W at 12.8 V are 164.8 W at 15 V, 181.3 W with a tolerance of 10 %.
        let judged = |area_cm2: f64, most_w_per_cm2: f64| {
            let mut site = site();
            (site.pad.length_m, site.pad.width_m) = (area_cm2 / 1e4 / 0.2, 0.2);
            site.pad.most_w_per_m2 = most_w_per_cm2 * 1e4;
            judge(&Heater::of(&settings(), 0.1), &site).severity
        };
        for (area_cm2, most, severity) in [
            (605.0, 0.3, Severity::Fine),
            (604.0, 0.3, Severity::Change),
            (550.0, 0.3, Severity::Change),
            (549.0, 0.3, Severity::Danger),
            (549.0, 0.31, Severity::Change),
            (549.0, 0.5, Severity::Fine),
            // At 12.8 V it would pass.
            (420.0, 0.3, Severity::Danger),
        ] {
            assert_eq!(judged(area_cm2, most), severity, "{area_cm2} cm², {most} W/cm²");
        }
    }

    #[test]
    fn what_is_proposed_for_a_pad_passes() {
        let (settings, mut site) = (settings(), site());
        (site.pad.length_m, site.pad.width_m) = (0.2, 0.1);
        let heater = Heater::of(&settings, 0.1);
        let change = judge(&heater, &site).change.expect("too small");
        assert!(change.starts_with("a pad of at least 610 cm², power_w = 39 or less"), "{change}");
        (site.pad.length_m, site.pad.width_m) = (0.305, 0.2);
        assert_eq!(judge(&heater, &site).severity, Severity::Fine);
    }
}
