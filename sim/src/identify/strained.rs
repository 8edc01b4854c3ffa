//! What had to give way further than is known of it.
//!
//! A fit may move what stands in the way, such as the offset of a thermometer, by about as much as is known of it. Where it moves by far
//! more, something is not what it is taken for, and the parameters have moved with it.

use super::Fitted;
use super::parameter::{Parameter, Wave, What};
use crate::figures::fixed;
use crate::site::Site;
use serde::Serialize;

/// So many standard deviations are more than chance: one of four hundred goes beyond.
const BEYOND: f64 = 3.0;

/// What to look at where the plan of the bank itself gave way.
const LOOK_HEAT: &str = "heat than planned: are columns exchanged, and do the thermometers sit where the file says?";
const LOOK_AIR: &str = "of the air than planned: are columns exchanged, and do they sit where the file says?";

/// Something that gave way.
#[derive(Clone, Debug, Serialize)]
pub struct Strained {
    /// Its name.
    pub name: String,
    /// How far it gave way.
    pub value: f64,
    /// The unit of both.
    pub unit: &'static str,
    /// The standard deviation of what was known of it.
    pub known: f64,
    /// The same in words.
    #[serde(skip)]
    pub(super) text: String,
}

/// All that gave way, the furthest first.
pub(super) fn strained(site: &Site, names: &[String], fitted: &Fitted) -> Vec<Strained> {
    let values = fitted.parameters.iter().zip(&fitted.fit.state.values);
    let mut all: Vec<(f64, Strained)> =
        values.filter_map(|(one, value)| of(site, names, fitted, (one, *value))).collect();
    all.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    all.into_iter().map(|(_, strained)| strained).collect()
}

/// How far one parameter gave way, in standard deviations, and in words.
fn of(
    site: &Site,
    names: &[String],
    fitted: &Fitted,
    (parameter, value): (&Parameter, f64),
) -> Option<(f64, Strained)> {
    let known = parameter.known;
    let percent = |name: &str, before: &str, after: &str| {
        let value = 100.0 * (libm::exp(value) - 1.0);
        let (size, way) = (fixed(value.abs(), 0), if value > 0.0 { "more" } else { "less" });
        let text = format!("{before} {size} % {way} {after}");
        Strained { name: name.to_owned(), value, unit: "%", known: 100.0 * known, text }
    };
    let kelvins = |name: String, value: f64, text: String| Strained { name, value, unit: "K", known, text };
    let (value, strained) = match parameter.what {
        What::Power if known < 0.1 => {
            let before = "the logged power does not fit what the bank did, which was warmed by";
            (value, percent("logged_power", before, "than that: if it is computed and not measured, leave it out"))
        }
        What::Offset(channel) => {
            let name = &names[channel];
            let (size_k, way) = (fixed(value.abs(), 1), if value > 0.0 { "more" } else { "less" });
            let class_k = fixed(site.mountings[channel].class.tolerance_k(0.0), 2);
            let text = format!("{name} reads {size_k} K {way} than the rest says: its class allows {class_k} K");
            (value, kelvins(format!("offset_{name}"), value, text))
        }
        What::Around => {
            let way = if value > 0.0 { "warmer" } else { "colder" };
            let text = format!(
                "the air around the box was {} K {way} than logged or assumed: look where its sensor is",
                fixed(value.abs(), 1)
            );
            (value, kelvins("around".to_owned(), value, text))
        }
        What::Swing(Wave::Cosine) => {
            // Both parts together.
            let swing_k = libm::hypot(value, fitted.value(What::Swing(Wave::Sine)));
            let text = format!(
                "the air around the box swung by {} K over the day beside what was logged or assumed: its sensor is in the sun, on a wall, or \
                 inside",
                fixed(swing_k, 1)
            );
            (swing_k, kelvins("daily_swing".to_owned(), swing_k, text))
        }
        What::Film => (value, percent("film_of_air", "the air inside the box takes up", LOOK_HEAT)),
        What::Bond => (value, percent("bond_of_pad", "the bond of the pad conducts", LOOK_HEAT)),
        What::Share => (value, percent("air_share", "the thermometers see", LOOK_AIR)),
        What::Power
        | What::Swing(Wave::Sine)
        | What::Loss
        | What::Capacity
        | What::Contact(_)
        | What::Conduct
        | What::Lag(_) => return None,
    };
    let beyond = value.abs() / known;
    (beyond > BEYOND).then_some((beyond, strained))
}
