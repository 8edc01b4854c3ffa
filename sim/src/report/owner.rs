//! One page for the owner: what it does, what it shows, what to do, and what never to do. In words that need no explanation.
//!
//! What the lamp does is what `firmware/src/lamp.rs` lets it do.

use super::settings::button_s;
use crate::figures::plain;
use crate::installation::Installation;
use crate::si::written_c;
use serde::Serialize;

/// The page.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Owner {
    /// What it does.
    pub does: [String; 2],
    /// What the lamp shows, and what that means.
    pub lamp: [(&'static str, &'static str); 4],
    /// What to do when the alarm is on, in order.
    pub alarm: [String; 5],
    /// What never to do.
    pub never: [&'static str; 6],
    /// What to look at now and then.
    pub look: [&'static str; 2],
}

const LAMP: [(&str, &str); 4] = [
    (
        "dark",
        "It waits, and nothing is heated or charged: there is no power to spare, or the warmth is still spreading. Or the small box \
         itself has no power.",
    ),
    ("slow blinking: a second on, a second off", "It warms the battery. Charging comes later."),
    ("on all the time", "Charging is allowed."),
    ("quick blinking, several times a second", "The alarm: something is wrong. See below."),
];

const NEVER: [&str; 6] = [
    "Never charge the battery some other way while it is cold. Not even once, not even a little.",
    "Never bridge or take out a fuse, a relay, or one of the small heat switches at the heater. They are there to prevent a fire.",
    "Never put in a bigger fuse than the one that was there.",
    "Never move, pull off or swap the thermometers. One that hangs loose says that the battery is warm when it is not.",
    "Never open the case of the batteries, lay things on it, or let it get wet.",
    "Never warm the battery with hot water, a flame, a stove or a hair dryer.",
];

const LOOK: [&str; 2] = [
    "Before winter: does the lamp ever light? Does it blink slowly on a cold day when there is power to spare?",
    "If the lamp stays dark for days although there is power to spare, call the person below.",
];

pub(super) fn page(installation: &Installation) -> Owner {
    let settings = &installation.settings;
    let inhibit = plain(written_c(settings.charge.inhibit));
    let release = plain(written_c(settings.charge.release));
    let button = button_s(settings);
    let plain_words = |text: &str| text.to_owned();
    Owner {
        does: [
            format!(
                "A battery like yours breaks if it is charged while it is cold. You cannot see the damage, and it can start a fire \
                 later. The small box with the lamp watches how warm the battery is. At {inhibit} °C or colder it stops all charging."
            ),
            format!(
                "When there is power to spare, it first warms the battery with a flat heater under it. When the battery is warmer than \
                 {release} °C all the way through, it lets the charging begin. That can take some hours. You do not have to do anything."
            ),
        ],
        lamp: LAMP,
        alarm: [
            plain_words(
                "If anything smells, smokes or is too hot to touch: keep away from it, get everybody out, and call the fire service.",
            ),
            plain_words("Switch off the chargers at their own switches, where you can, and leave them off."),
            plain_words("Write down the day, the time, and what the lamp does."),
            plain_words(
                "Call the person below the same day. The small box has switched off what it can, and waits for help.",
            ),
            format!(
                "Press the reset button only if that person tells you to: hold it down for {button} seconds. Pressing it mends nothing."
            ),
        ],
        never: NEVER,
        look: LOOK,
    }
}
