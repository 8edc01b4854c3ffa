//! Copper conductors: their resistance and the current they carry.

/// A nominal cross-section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// Nominal cross-section (mm²): a name rather than a measurement.
    pub area_mm2: f64,
    /// Highest resistance at 20 °C (Ω/km), plain copper.
    pub ohm_per_km_20c: f64,
    /// Current that it may carry for hours in surroundings of 30 °C (A), with insulation for 70 °C; see [`capacity_a`].
    pub capacity_a: f64,
}

const fn size(area_mm2: f64, ohm_per_km_20c: f64, capacity_a: f64) -> Size {
    Size { area_mm2, ohm_per_km_20c, capacity_a }
}

/// The sizes a fitter can buy, small to large.
///
/// # Source
/// Resistance: IEC 60228, class 5 (flexible), plain copper; from memory and checked against three public restatements.
///
/// Current: IEC 60364-5-52:2009, two loaded conductors of one PVC cable in a thermally insulated wall (method A2), from
/// a public restatement up to 16 mm², larger sizes from memory. The insulated box, and the bundle behind a panel, are
/// no better than that wall. Below 1.5 mm²: flexible cords at their usual ratings, 3, 6 and 10 A, from memory.
#[rustfmt::skip]
pub const SIZES: [Size; 12] = [
    size(0.5, 39.0, 3.0),
    size(0.75, 26.0, 6.0),
    size(1.0, 19.5, 10.0),
    size(1.5, 13.3, 14.0),
    size(2.5, 7.98, 18.5),
    size(4.0, 4.95, 25.0),
    size(6.0, 3.30, 32.0),
    size(10.0, 1.91, 43.0),
    size(16.0, 1.21, 57.0),
    size(25.0, 0.780, 75.0),
    size(35.0, 0.554, 92.0),
    size(50.0, 0.386, 110.0),
];

/// Temperature coefficient of the resistance of annealed copper at 20 °C (1/K). Source: IEC 60028.
pub const COPPER_PER_K: f64 = 0.003_93;

/// Temperature that the insulation of an ordinary cable withstands for years (°C). Source: IEC 60364-5-52, PVC.
const INSULATION_C: f64 = 70.0;

/// Resistance of copper at `t_c` °C as a multiple of that at 20 °C.
#[must_use]
pub fn copper_factor(t_c: f64) -> f64 {
    1.0 + COPPER_PER_K * (t_c - 20.0)
}

/// Highest resistance of one conductor of `area_mm2` at 20 °C (Ω/m).
///
/// A size that the standard does not list gets the largest product of resistance and area of all listed sizes. So the
/// answer errs towards more.
#[must_use]
pub fn ohm_per_m_20c(area_mm2: f64) -> f64 {
    if let Some(listed) = listed(area_mm2) {
        return listed.ohm_per_km_20c / 1000.0;
    }
    let product = SIZES.iter().map(|size| size.ohm_per_km_20c * size.area_mm2).fold(0.0, f64::max);
    product / area_mm2 / 1000.0
}

/// Resistance there and back (Ω) of `length_m` of cable with `ohm_per_m_20c` in each conductor, at `t_c` °C.
#[must_use]
pub fn loop_ohm(length_m: f64, ohm_per_m_20c: f64, t_c: f64) -> f64 {
    2.0 * length_m * ohm_per_m_20c * copper_factor(t_c)
}

/// Current that a cable of two conductors of `area_mm2` may carry for hours in surroundings of `t_c` °C (A). This is
/// the figure of the next smaller listed size. It is zero if the surroundings are as warm as the insulation may become.
///
/// Cooler surroundings than 30 °C earn no credit: a fuse does not know the season.
///
/// # Source
/// [`SIZES`]. For warmer surroundings: heat goes with the square of the current and with the temperature difference.
/// The factors of IEC 60364-5-52 follow from that (0.87 at 40 °C).
#[must_use]
pub fn capacity_a(area_mm2: f64, t_c: f64) -> f64 {
    let smaller = SIZES.iter().rev().find(|size| size.area_mm2 <= area_mm2 * (1.0 + 1e-9));
    let at_30 = smaller.map_or(SIZES[0].capacity_a * area_mm2 / SIZES[0].area_mm2, |size| size.capacity_a);
    at_30 * ((INSULATION_C - t_c) / (INSULATION_C - 30.0)).clamp(0.0, 1.0).sqrt()
}

fn listed(area_mm2: f64) -> Option<&'static Size> {
    SIZES.iter().find(|size| (size.area_mm2 - area_mm2).abs() < 1e-9 * size.area_mm2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn more_copper_never_resists_more_nor_carries_less(a in 0.05..70.0_f64, b in 0.05..70.0_f64, t in -40.0..90.0_f64) {
            let (thin, thick) = (a.min(b), a.max(b));
            // Between listed sizes the bound is above the trend; from one size to the next it must still fall.
            prop_assert!(ohm_per_m_20c(thin) >= ohm_per_m_20c(thick) * 0.95);
            prop_assert!(capacity_a(thin, t) <= capacity_a(thick, t));
        }

        #[test]
        fn an_unlisted_size_resists_no_less_than_the_next_larger_listed_one(a in 0.05..50.0_f64) {
            let larger = SIZES.iter().find(|size| size.area_mm2 >= a).unwrap();
            prop_assert!(ohm_per_m_20c(a) >= larger.ohm_per_km_20c / 1000.0);
        }
    }

    #[test]
    fn warm_surroundings_take_what_the_standard_says() {
        // IEC 60364-5-52, table of correction factors, PVC: two decimals.
        for (t, factor) in
            [(10.0, 1.0), (30.0, 1.0), (35.0, 0.94), (40.0, 0.87), (45.0, 0.79), (50.0, 0.71), (60.0, 0.50)]
        {
            let found = capacity_a(4.0, t) / 25.0;
            assert!((found - factor).abs() <= 0.005, "{t} °C: {found}");
        }
        assert!(capacity_a(4.0, 70.0) <= 0.0 && capacity_a(4.0, 200.0) <= 0.0);
    }
}
