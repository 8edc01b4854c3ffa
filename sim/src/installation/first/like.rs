//! The worked examples that a first file can start from.

use super::sheet::Sheet;

/// A worked example.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Like {
    /// Two batteries of 12 V in a boat shed.
    Hut,
    /// Three batteries of 24 V in a boat afloat.
    Boat,
    /// One battery of 12 V in a van, with a heater that the engine alone feeds.
    Van,
    /// Four batteries of 48 V on a mountain, unattended.
    Shelter,
}

/// The winter of the hut without its file of weather, which does not come along. The comments are those of a made-up
/// winter.
const HUT_WINTER: &str = "\
# Made-up weather of a cold coast, with a cold spell after six weeks.
[winter]
mean_c = -4
spell_c = -18
spell_from_day = 42
spell_days = 10
wind_m_s = 5
noon_w_m2 = 220
from = \"11-01\"
days = 180
";

impl Like {
    /// Every example.
    pub const ALL: [Self; 4] = [Self::Hut, Self::Boat, Self::Van, Self::Shelter];

    /// What the command line calls it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hut => "hut",
            Self::Boat => "boat",
            Self::Van => "van",
            Self::Shelter => "shelter",
        }
    }

    /// What it is, in one line.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Hut => "two batteries of 12 V, an engine, mains and sun",
            Self::Boat => "three batteries of 24 V afloat, an engine, shore power and wind",
            Self::Van => "one battery of 12 V, a heater that the engine alone feeds",
            Self::Shelter => "four batteries of 48 V, unattended, sun, wind and a fuel cell",
        }
    }

    /// Its text, as a file that stands alone.
    #[must_use]
    pub fn text(self) -> String {
        match self {
            Self::Hut => alone(include_str!("../../../demo/hut.toml")),
            Self::Boat => include_str!("../../../demo/boat.toml").to_owned(),
            Self::Van => include_str!("../../../demo/van.toml").to_owned(),
            Self::Shelter => include_str!("../../../demo/shelter.toml").to_owned(),
        }
    }
}

/// The demonstration without what it says of its file of weather.
fn alone(demonstration: &str) -> String {
    let about_the_weather = |line: &str| line.starts_with("# A year of hourly weather");
    let about_new = |line: &str| line.starts_with("# `forewarm new FILE`");
    let (mut kept, mut is_kept) = (String::new(), true);
    for line in demonstration.lines() {
        is_kept = (is_kept || about_new(line)) && !about_the_weather(line);
        if is_kept {
            kept.push_str(line);
            kept.push('\n');
        }
    }
    let mut sheet = Sheet::of(&kept);
    sheet.replace("winter", HUT_WINTER);
    sheet.text()
}
