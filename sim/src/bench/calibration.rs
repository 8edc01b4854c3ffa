//! What readings in ice say of a thermometer: the offset that puts it right, and how well that is known.

use super::record::{Ice, Record, Verdict};
use super::water::ICE_OFF_K;
use crate::edit::{Edit, Home};
use crate::figures::fixed;
use crate::installation::Installation;
use crate::layout::write_wrapped;
use crate::si;
use crate::site::Site;
use serde::Serialize;
use std::io::{self, Write};

/// The offset of one channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Calibration {
    /// Name of the channel.
    pub channel: String,
    /// Its number, from 0.
    pub index: usize,
    /// The offset in the file (K).
    pub before_k: f64,
    /// The offset that makes it read 0 °C in ice (K).
    pub offset_k: f64,
    /// Standard uncertainty of what it then reads between 0 °C and release (K).
    pub standard_k: f64,
    /// Its parts, in words.
    pub parts: Vec<(&'static str, f64)>,
}

impl Calibration {
    /// Those of a record.
    ///
    /// # Source
    /// JCGM 100:2008 (GUM), 4.3.7 for what has limits, 4.2.3 for a mean, 5.1.2 for the sum.
    #[must_use]
    pub fn of(record: &Record, installation: &Installation) -> Vec<Self> {
        let Some(site) = &installation.site else { return Vec::new() };
        let of_channel = |(index, name): (usize, &String)| {
            // What failed is another place, or another thermometer.
            let passed = record.entries.iter().filter(|entry| entry.verdict == Verdict::Pass);
            let ice = passed.filter_map(|entry| entry.ice.as_ref()).find(|ice| ice.channel == *name)?;
            Some(Self::from(index, ice, installation, site))
        };
        installation.channels.iter().enumerate().filter_map(of_channel).collect()
    }

    fn from(index: usize, ice: &Ice, installation: &Installation, site: &Site) -> Self {
        let before_k = si::kelvins(installation.settings.channels[index].offset);
        let release_c = si::celsius(installation.settings.charge.release);
        let (_, growing) = site.mountings[index].class.terms_k();
        let rectangular = |half_width: f64| half_width / 3_f64.sqrt();
        let parts = vec![
            ("the ice", rectangular(ICE_OFF_K)),
            ("noise of the readings", ice.deviation_k / f64::from(ice.count).sqrt()),
            ("the last digit", rectangular(ice.resolution_k / 2.0)),
            ("the element's slope, by its class, from 0 °C to release", rectangular(growing * release_c)),
        ];
        let standard_k = parts.iter().map(|(_, part_k)| part_k * part_k).sum::<f64>().sqrt();
        // A setting has thousandths.
        let offset_k = ((before_k - ice.mean_c) * 1e3).round() / 1e3;
        Self { channel: ice.channel.clone(), index, before_k, offset_k, standard_k, parts }
    }

    /// The changes of the file.
    #[must_use]
    pub fn edits(&self) -> Vec<Edit> {
        let home = Home::Channel(self.index);
        // Not better than what was found.
        let calibrated_mk = (self.standard_k * 1e3).ceil();
        vec![Edit::number(home, "offset_k", self.offset_k), Edit::number(home, "calibrated_mk", calibrated_mk)]
    }

    /// Writes it as text: `battery_1: offset_k = -0.213 (it was 0.000), ± 0.070 K (k = 2)`, and what that is made of.
    ///
    /// # Errors
    /// The errors of `out`; nothing else fails.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        let parts: Vec<String> =
            self.parts.iter().map(|(what, part_k)| format!("{what} {} K", fixed(*part_k, 4))).collect();
        let text = format!(
            "offset_k = {} (it was {}), ± {} K (k = 2): {}",
            fixed(self.offset_k, 3),
            fixed(self.before_k, 3),
            fixed(2.0 * self.standard_k, 3),
            parts.join(", ")
        );
        write_wrapped(out, &format!("{}: ", self.channel), &text)
    }
}
