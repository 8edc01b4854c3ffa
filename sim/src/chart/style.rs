//! The look of pictures: the meaning of each colour and each kind of dashes.
//!
//! A colour means one thing. Outputs, temperatures and energy sources each have their own set, and no colour is in two
//! sets. Within a set, colours differ by equal steps of lightness in OKLab, so they also differ in black and white. The
//! hues come from a search, within the limits of their meanings. It put the nearest two of a set as far apart as
//! possible in OKLab, both for people who see all colours and for people who lack one kind of cone. Every colour has a
//! contrast with white of at least 3:1, and text has at least 4.5:1. The tests hold all of that.

use super::{Band, BandKind, LineKind, Series, SeriesKind};

/// The coldest place of any battery, and its range over many trials.
const COLDEST: &str = "#043051";
/// Readings of cells, one after the other.
const READINGS: [Stroke; 5] = [
    Stroke { colour: "#0479b2", dashes: "7 2" },
    Stroke { colour: "#9c470d", dashes: "3 2" },
    Stroke { colour: "#473788", dashes: "9 2 2 2" },
    Stroke { colour: "#085e7a", dashes: "5 3" },
    Stroke { colour: "#453a03", dashes: "2 3" },
];
/// The pad and the plate it warms.
const PLATE: Stroke = Stroke { colour: "#c25e55", dashes: "5 2" };
/// Air.
const AIR: Stroke = Stroke { colour: "#85919a", dashes: "1.5 1.5" };

/// Levels at which the controller acts: without a colour.
pub(crate) const THRESHOLD: Stroke = Stroke { colour: "#222222", dashes: "8 4" };
/// A pause of the log.
pub(super) const PAUSE: &str = "#f1f1f1";
/// Text, and text that matters less.
#[cfg(test)]
const INKS: [&str; 2] = ["#222222", "#5a636b"];

/// Charge, where it is permitted.
const CHARGE: &str = "#2ca470";
/// The heater, where it is on.
const HEATER: &str = "#9e6c10";
/// Charge, where it is refused.
const REFUSED: &str = "#86468c";
/// What another controller did.
const LOGGED: &str = "#584d45";
/// An alarm.
const ALARM: &str = "#6e1c03";

/// Energy sources in the order of their names.
const SOURCES: [&str; 4] = ["#057558", "#6a1449", "#6e8210", "#375c07"];
/// The bank, which gives energy and has a charge.
const BANK: &str = "#638adb";

/// A line's colour and its dashes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stroke {
    pub(crate) colour: &'static str,
    pub(crate) dashes: &'static str,
}

/// How a line of a season is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LineStyle {
    pub(super) stroke: Stroke,
    /// Width of the line through the middle; 0 where there is none.
    pub(super) width: f64,
    /// Opacity of the area between lowest and highest.
    pub(super) fill: f64,
}

/// The style of a line that is the `rank`th of its kind.
pub(super) fn line(kind: LineKind, rank: usize) -> LineStyle {
    let plain = |colour| Stroke { colour, dashes: "none" };
    match kind {
        LineKind::ColdestCell => LineStyle { stroke: plain(COLDEST), width: 1.8, fill: 0.75 },
        LineKind::CellReading => LineStyle { stroke: READINGS[rank % READINGS.len()], width: 1.4, fill: 0.3 },
        LineKind::Plate => LineStyle { stroke: PLATE, width: 1.2, fill: 0.16 },
        LineKind::Outside => LineStyle { stroke: AIR, width: 1.2, fill: 0.45 },
        LineKind::Trials => LineStyle { stroke: plain(COLDEST), width: 0.0, fill: 0.18 },
        LineKind::Charge => LineStyle { stroke: plain(BANK), width: 1.6, fill: 0.6 },
    }
}

/// The colour of a band; `sources` are the names of the sources in their order.
pub(super) fn band(band: &Band, sources: &[impl AsRef<str>]) -> &'static str {
    match band.kind {
        BandKind::Charge => CHARGE,
        BandKind::Refused => REFUSED,
        BandKind::Heater => HEATER,
        BandKind::Source => source(&band.name, sources),
        BandKind::Logged => LOGGED,
        BandKind::Alarm => ALARM,
    }
}

/// The colour of a part of an amount; `sources` are the names of the sources in their order.
pub(super) fn series(series: &Series, sources: &[impl AsRef<str>]) -> &'static str {
    match series.kind {
        SeriesKind::Source => source(&series.name, sources),
        SeriesKind::Bank => BANK,
        SeriesKind::Charged => CHARGE,
    }
}

fn source(name: &str, sources: &[impl AsRef<str>]) -> &'static str {
    let rank = sources.iter().position(|known| known.as_ref() == name).unwrap_or(0);
    SOURCES[rank % SOURCES.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::portable::squared;

    /// Lightness, chroma and hue (°) of each colour of a set, from dark to light.
    type Set = [(&'static str, f64, f64, f64)];

    const TEMPERATURES: &Set = &[
        (COLDEST, 0.30, 0.075, 247.0),
        (READINGS[4].colour, 0.35, 0.07, 96.0),
        (READINGS[2].colour, 0.40, 0.13, 288.0),
        (READINGS[3].colour, 0.45, 0.085, 228.0),
        (READINGS[1].colour, 0.50, 0.13, 48.0),
        (READINGS[0].colour, 0.55, 0.125, 240.0),
        (PLATE.colour, 0.60, 0.13, 27.0),
        (AIR.colour, 0.65, 0.02, 240.0),
    ];
    const OUTPUTS: &Set = &[
        (ALARM, 0.36, 0.12, 36.0),
        (LOGGED, 0.43, 0.02, 60.0),
        (REFUSED, 0.50, 0.13, 324.0),
        (HEATER, 0.57, 0.115, 76.0),
        (CHARGE, 0.64, 0.13, 160.0),
    ];
    const ENERGY: &Set = &[
        (SOURCES[1], 0.36, 0.13, 348.0),
        (SOURCES[3], 0.43, 0.115, 132.0),
        (SOURCES[0], 0.50, 0.1, 168.0),
        (SOURCES[2], 0.57, 0.13, 120.0),
        (BANK, 0.64, 0.13, 264.0),
    ];

    type Triple = [f64; 3];

    fn product(matrix: [Triple; 3], [x, y, z]: Triple) -> Triple {
        matrix.map(|[a, b, c]| a * x + b * y + c * z)
    }

    /// Linear red, green and blue of a colour in OKLab, and back. Source of the matrices: B. Ottosson, "A perceptual
    /// color space for image processing", 2020.
    fn linear([l, a, b]: Triple) -> Triple {
        let cones = [
            l + 0.396_337_777_4 * a + 0.215_803_757_3 * b,
            l - 0.105_561_345_8 * a - 0.063_854_172_8 * b,
            l - 0.089_484_177_5 * a - 1.291_485_548_0 * b,
        ];
        product(
            [
                [4.076_741_662_1, -3.307_711_591_3, 0.230_969_929_2],
                [-1.268_438_004_6, 2.609_757_401_1, -0.341_319_396_5],
                [-0.004_196_086_3, -0.703_418_614_7, 1.707_614_701_0],
            ],
            cones.map(|cone| cone * cone * cone),
        )
    }

    fn oklab(linear: Triple) -> Triple {
        let cones = product(
            [
                [0.412_221_470_8, 0.536_332_536_3, 0.051_445_992_9],
                [0.211_903_498_2, 0.680_699_545_1, 0.107_396_956_6],
                [0.088_302_461_9, 0.281_718_837_6, 0.629_978_700_5],
            ],
            linear.map(|part| part.clamp(0.0, 1.0)),
        );
        product(
            [
                [0.210_454_255_3, 0.793_617_785_0, -0.004_072_046_8],
                [1.977_998_495_1, -2.428_592_205_0, 0.450_593_709_9],
                [0.025_904_037_1, 0.782_771_766_2, -0.808_675_766_0],
            ],
            cones.map(libm::cbrt),
        )
    }

    /// What people without one kind of cone see. Source: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE
    /// Transactions on Visualization and Computer Graphics 15 (2009), severity 1.
    const SIGHTS: [[Triple; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [[0.152_286, 1.052_583, -0.204_868], [0.114_503, 0.786_281, 0.099_216], [-0.003_882, -0.048_116, 1.051_998]],
        [[0.367_322, 0.860_646, -0.227_968], [0.280_085, 0.672_501, 0.047_413], [-0.011_820, 0.042_940, 0.968_881]],
        [[1.255_528, -0.076_749, -0.178_779], [-0.078_411, 0.930_809, 0.147_602], [0.004_733, 0.691_367, 0.303_900]],
    ];

    /// Linear red, green and blue. Source: IEC 61966-2-1.
    fn parts(hex: &str) -> Triple {
        let part = |at: usize| {
            let encoded = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).expect("two digits")) / 255.0;
            if encoded <= 0.040_45 { encoded / 12.92 } else { libm::pow((encoded + 0.055) / 1.055, 2.4) }
        };
        [part(1), part(3), part(5)]
    }

    /// The contrast with white. Source: Web Content Accessibility Guidelines 2.2, relative luminance and contrast
    /// ratio.
    fn contrast(hex: &str) -> f64 {
        let [red, green, blue] = parts(hex);
        1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05)
    }

    fn distance(a: &str, b: &str, sight: [Triple; 3]) -> f64 {
        let [a, b] = [a, b].map(|hex| oklab(product(sight, parts(hex))));
        a.iter().zip(b).map(|(a, b)| squared(a - b)).sum::<f64>().sqrt()
    }

    #[test]
    fn colours_of_a_set_are_equal_steps_of_lightness_apart() {
        for set in [TEMPERATURES, OUTPUTS, ENERGY] {
            for &(hex, l, chroma, hue) in set {
                let hue = hue.to_radians();
                let derived = linear([l, chroma * libm::cos(hue), chroma * libm::sin(hue)]);
                for (derived, part) in derived.into_iter().zip(parts(hex)) {
                    // Half a step of an encoded part is at most 0.0045 in linear light.
                    assert!((derived - part).abs() < 0.0045, "{hex}: {derived} {part}");
                }
            }
            let step = (set[set.len() - 1].1 - set[0].1) / f64::from(u32::try_from(set.len() - 1).unwrap());
            for pair in set.windows(2) {
                assert!((pair[1].1 - pair[0].1 - step).abs() < 1e-9, "{pair:?}");
            }
        }
    }

    #[test]
    fn colours_are_told_apart_by_whoever_lacks_a_kind_of_cone_too() {
        let sets = [TEMPERATURES, OUTPUTS, ENERGY];
        let all: Vec<(usize, &str)> =
            sets.iter().enumerate().flat_map(|(rank, set)| set.iter().map(move |colour| (rank, colour.0))).collect();
        for (rank, (set, a)) in all.iter().enumerate() {
            for (other, b) in &all[..rank] {
                let sights = if set == other { &SIGHTS[..] } else { &SIGHTS[..1] };
                for sight in sights {
                    // Four times the smallest visible difference side by side, about 0.02.
                    let apart = distance(a, b, *sight);
                    assert!(apart >= 0.08, "{a} {b}: {apart}");
                }
            }
        }
    }

    #[test]
    fn text_and_marks_stand_out_from_white() {
        for (hex, ..) in [TEMPERATURES, OUTPUTS, ENERGY].concat() {
            assert!(contrast(hex) >= 3.0, "{hex}: {}", contrast(hex));
        }
        let layout = include_str!("page.css");
        for ink in INKS {
            assert!(contrast(ink) >= 4.5, "{ink}: {}", contrast(ink));
            // Text is not only on white paper: a pause, and a button under the pointer, are darker.
            assert!(contrast(ink) / contrast("#eeeeee") >= 4.5, "{ink}");
        }
        // No text has another colour.
        for (name, value) in layout.split(';').filter_map(|rule| rule.rsplit_once("--")?.1.split_once(':')) {
            if matches!(name, "ink" | "quiet") {
                assert!(INKS.contains(&value.trim()), "{name}: {value}");
            }
        }
    }

    #[test]
    fn a_source_keeps_its_colour_whatever_the_order_in_the_file() {
        let made = |name: &str| Series { name: name.to_owned(), kind: SeriesKind::Source, bins: vec![], days: vec![] };
        let names = ["engine", "mains", "solar", "wind"];
        let colours = names.map(|name| series(&made(name), &names));
        assert!(colours.iter().enumerate().all(|(rank, colour)| !colours[..rank].contains(colour)));
        let season = |order: [usize; 4]| {
            let amount = super::super::Amount {
                what: String::new(),
                flow: String::new(),
                band: 0,
                measure: super::super::Measure::WattHours,
                bin_s: 1,
                series: order.map(|rank| made(names[rank])).into(),
            };
            let mut season = super::super::tests::season(1, Vec::new());
            season.amounts = vec![amount];
            season
        };
        for order in [[0, 1, 2, 3], [3, 1, 0, 2], [2, 3, 1, 0]] {
            assert_eq!(super::super::source_names(&[season(order)]), names);
        }
    }
}
