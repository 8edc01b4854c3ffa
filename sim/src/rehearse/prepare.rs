//! Makes a scenario from what an installation names: its weather and its sources' logs, read and checked.

use super::scenario::Scenario;
use crate::diagnostic::{Problem, Severity};
use crate::installation::Installation;
use crate::offer::offers;
use crate::site::{Presence, WeatherSource};
use crate::weather::Weather;
use forewarm_core::Layer;
use std::path::Path;
use std::sync::OnceLock;

impl Scenario {
    /// Reads what the installation names: its weather and its sources' logs. Their paths start from the folder `base`.
    ///
    /// # Errors
    /// Reports what is wrong with the weather or a log, each with its place; weather without the irradiance that a
    /// source needs; an installation without a site.
    pub fn prepare(installation: &Installation, file: &str, base: &Path, step_ms: u32) -> Result<Self, Vec<Problem>> {
        let Some(site) = &installation.site else {
            let problem = Problem::error(file, "says nothing of the site: batteries, box, winter")
                .because("a season is played with the real things, not with settings alone")
                .remedy("the sections [battery], [pad], [box] and [site]; `forewarm new FILE` writes them with their meanings");
            return Err(vec![problem]);
        };
        let trust = &installation.settings.trust;
        let longest_ms = trust.max_step.as_millis().min(trust.max_age.as_millis());
        if step_ms > longest_ms {
            let message = format!("--step is {} s, longer than the controller is to wait", f64::from(step_ms) / 1000.0);
            let problem = Problem::usage(message)
                .because(
                    "beyond trust.max_step_s and trust.max_age_s it takes its clock or its thermometers to have failed",
                )
                .remedy(format!("--step {} or less", f64::from(longest_ms) / 1000.0));
            return Err(vec![problem]);
        }
        let winter = &site.winter;
        let weather = match &winter.weather {
            WeatherSource::ColdSpell(spell) => spell.weather(winter.from, winter.days, winter.offset_k),
            WeatherSource::File(path) => {
                let path = base.join(path);
                Weather::load(&path)?.season(&path.display().to_string(), winter.from, winter.days, winter.offset_k)
            }
        };
        let weather = weather.map_err(|problem| vec![problem])?;
        let span_s = i64::from(winter.days) * 86_400;
        let mut problems = Vec::new();
        if let WeatherSource::File(path) = &winter.weather {
            let named = site.supplies.iter().zip(&installation.sources);
            let following = named.filter(|(supply, _)| matches!(supply.presence, Presence::Sun { .. }));
            let following: Vec<&str> = following.map(|(_, name)| &**name).collect();
            problems = weather.lacks(&base.join(path).display().to_string(), &following, site.place.exposure);
        }
        let offers = match offers(&site.supplies, &site.load, &weather, span_s, &installation.sources, base) {
            Ok((offers, warnings)) => {
                problems.extend(warnings);
                offers
            }
            Err(more) => {
                problems.extend(more);
                Vec::new()
            }
        };
        if problems.iter().any(|problem| problem.severity == Severity::Error) {
            return Err(problems);
        }
        Ok(Self {
            title: installation.title.clone(),
            channels: installation.channels.clone(),
            sources: installation.sources.clone(),
            settings: installation.settings.clone(),
            site: site.clone(),
            weather,
            offers,
            span_s,
            step_ms,
            has_heater_supply: true,
            bank_measured: installation.bank_measured,
            broken: Vec::new(),
            has_contacts: false,
            thermal_cutouts: Vec::new(),
            layer: Layer::Both,
            shape: OnceLock::new(),
            warnings: problems,
        })
    }
}
