//! What somebody sees who watches: the state of things, in the words and units of a message.
//!
//! Words come from the core and from [`words`]; nothing is judged here. Names end in their unit. What is not known is
//! nothing (`null`), and never a guess.

use crate::installation::Installation;
use crate::service::heard::Identity;
use crate::service::listen::Said;
use crate::service::words;
use forewarm_core::fault::{Facts, Faults, Severity, SystemFault};
use forewarm_core::journal::Counters;
use forewarm_core::quantity::{Celsius, Millivolts};
use forewarm_core::settings::{MAX_SOURCES, Role, Settings};
use forewarm_core::signals::{Alarm, Relay};
use forewarm_core::wire::service::Telemetry;
use serde::Serialize;
use std::mem::discriminant;
use std::time::{Duration, Instant};

/// A state is old once nothing has been heard for so long: four messages that should have come.
pub const OLD: Duration = Duration::from_secs(45);

/// What the installation file calls channels and sources.
#[derive(Clone, Debug)]
pub struct Names {
    title: String,
    channels: Vec<String>,
    sources: Vec<String>,
    settings: Settings,
}

impl Names {
    /// As `installation` calls them.
    #[must_use]
    pub fn of(installation: &Installation) -> Self {
        let spaced = |names: &[String]| names.iter().map(|name| name.replace('_', " ")).collect();
        Self {
            title: installation.title.clone(),
            channels: spaced(&installation.channels),
            sources: spaced(&installation.sources),
            settings: installation.settings.clone().into_inner(),
        }
    }

    /// Whether they are names of what a controller with these settings has. Another one's would mislead.
    fn fit(&self, settings: &Settings) -> bool {
        let roles = |settings: &Settings| -> Vec<_> {
            settings.channels.iter().map(|channel| discriminant(&channel.role)).collect()
        };
        roles(&self.settings) == roles(settings) && self.settings.sources.len() == settings.sources.len()
    }
}

/// Everything that is shown.
#[derive(Clone, Debug, Default, Serialize)]
pub struct View {
    /// When the controller said the state of things last, on this computer's own clock.
    #[serde(skip)]
    heard: Option<Instant>,
    /// The totals heard last, to see who has paid since.
    #[serde(skip)]
    totals: Option<Counters>,
    /// When the controller said the state of things last (ms since 1970).
    pub heard_utc_ms: Option<i64>,
    /// Why nothing is heard, if that is so. It stands until the state of things is heard again.
    pub lost: Option<String>,
    /// Why nothing is kept, if that is so.
    pub not_kept: Option<String>,
    /// Who the controller is.
    pub controller: Option<Controller>,
    /// The state of things.
    pub now: Option<Now>,
    /// What the fitter calls the installation.
    pub title: Option<String>,
    /// The names of all sources.
    pub sources: Vec<String>,
    /// Who has paid for heat between the last two readings of the totals: names of sources, or the bank.
    pub paid_by: Vec<String>,
}

/// Who a controller is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Controller {
    /// The board that it is built for.
    pub board: String,
    /// The version of its program.
    pub version: String,
    /// What whoever watches must know.
    pub caution: String,
}

impl From<&Identity> for Controller {
    fn from(identity: &Identity) -> Self {
        let Identity { version, board, caution, .. } = identity;
        Self { board: board.clone(), version: version.clone(), caution: caution.clone() }
    }
}

/// The state of things.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Now {
    /// The state, by its stable name.
    pub state: &'static str,
    /// The cause, by its stable name.
    pub cause: &'static str,
    /// The cause in words.
    pub why: String,
    /// `permitted`, `reduced` or `refused`.
    pub charge: &'static str,
    /// The most current, as a share of the capacity, that sources which obey it may give (1/h).
    pub ceiling_c_rate: f64,
    /// The same as a current (A).
    pub ceiling_a: Option<f64>,
    /// `on` or `off`.
    pub heater: &'static str,
    /// The coldest cell that is trusted (°C).
    pub coldest_cell_c: Option<f64>,
    /// Its name.
    pub coldest_cell: Option<String>,
    /// Every channel.
    pub channels: Vec<Channel>,
    /// At or below this coldest cell charge is refused (°C).
    pub inhibit_c: Option<f64>,
    /// Above this coldest cell, for long enough, charge is permitted (°C).
    pub release_c: Option<f64>,
    /// State of charge (%).
    pub soc_pct: Option<f64>,
    /// Voltage of the bank (V).
    pub bank_v: Option<f64>,
    /// Voltage of the heater's supply (V).
    pub supply_v: Option<f64>,
    /// The sources that are present, by name.
    pub present: Vec<String>,
    /// What the battery's protection allows.
    pub protection: &'static str,
    /// Whether somebody must come and look.
    pub alarm: bool,
    /// What stood in the way most, if charge is overdue.
    pub overdue: Option<&'static str>,
    /// The faults that stand.
    pub faults: Vec<Fault>,
}

/// A thermometer and what it reads.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Channel {
    /// Which of the controller's channels it is.
    #[serde(skip)]
    pub index: usize,
    /// Its name.
    pub name: String,
    /// Its reading (°C). Nothing while it is not trusted.
    pub reading_c: Option<f64>,
}

/// A fault, with what its table says of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Its stable name.
    pub name: &'static str,
    /// The channel or source that it is about.
    pub of: Option<String>,
    /// Which channel that is, if it is one.
    #[serde(skip)]
    pub channel: Option<usize>,
    /// Whether it sounds the alarm.
    pub alarm: bool,
    /// What is wrong.
    pub meaning: &'static str,
    /// What to look at first.
    pub check_first: &'static str,
    /// What makes it go away.
    pub cleared_by: &'static str,
}

impl View {
    /// How long ago the controller said the state of things (ms).
    #[must_use]
    pub fn age_ms(&self) -> Option<u64> {
        self.heard.map(|heard| u64::try_from(heard.elapsed().as_millis()).unwrap_or(u64::MAX))
    }

    /// As if nothing had been heard for a while.
    #[cfg(test)]
    pub(super) fn grow_old(&mut self) {
        self.heard = self.heard.and_then(|heard| heard.checked_sub(OLD));
    }

    /// Takes in what is said. Returns whether there is something new to see.
    pub fn hear(&mut self, said: &Said<'_>, names: Option<&Names>) -> bool {
        match said {
            // It is there, and the state of things is still the one from before.
            Said::Connected { identity, .. } | Said::Restarted { identity, .. } => {
                self.controller = Some((*identity).into());
            }
            Said::Telemetry { utc_ms, telemetry, settings, .. } => {
                let named = Named { names: names.filter(|names| settings.is_none_or(|settings| names.fit(settings))) };
                self.sources = (0..settings.map_or(0, |settings| settings.sources.len()))
                    .map(|index| named.source(index))
                    .collect();
                self.title = named.names.map(|names| names.title.clone());
                self.now = Some(now(telemetry, *settings, &named));
                if telemetry.outputs.heater == Relay::Open {
                    self.paid_by.clear();
                }
                (self.heard, self.heard_utc_ms, self.lost) = (Some(Instant::now()), Some(*utc_ms), None);
            }
            Said::Totals { totals, .. } => self.pay(totals),
            Said::Lost { detail, because, .. } => self.lost = Some(format!("{}: {detail}", because.meaning())),
            Said::NotKept { not_kept } => self.not_kept = Some(not_kept.message.clone()),
            Said::KeptAgain { .. } => self.not_kept = None,
            Said::Events { .. } => return false,
        }
        true
    }

    /// Whose total has grown has paid.
    fn pay(&mut self, totals: &Counters) {
        let heats = self.now.as_ref().is_some_and(|now| now.heater == "on");
        if let Some(before) = self.totals.replace(*totals).filter(|_| heats) {
            let sources =
                (0..MAX_SOURCES).filter(|&index| totals.source_energy_uj[index] > before.source_energy_uj[index]);
            let name =
                |index: usize| self.sources.get(index).cloned().unwrap_or_else(|| format!("source {}", index + 1));
            let mut paid_by: Vec<String> = sources.map(name).collect();
            if totals.bank_energy_uj > before.bank_energy_uj {
                paid_by.push("the bank".to_owned());
            }
            // Energy that a relay has just begun to pass on is in the next reading.
            if !paid_by.is_empty() {
                self.paid_by = paid_by;
            }
        }
    }
}

/// Names where there are any, numbers otherwise.
struct Named<'n> {
    names: Option<&'n Names>,
}

impl Named<'_> {
    fn channel(&self, index: usize) -> String {
        let name = self.names.and_then(|names| names.channels.get(index));
        name.cloned().unwrap_or_else(|| format!("channel {}", index + 1))
    }

    fn source(&self, index: usize) -> String {
        let name = self.names.and_then(|names| names.sources.get(index));
        name.cloned().unwrap_or_else(|| format!("source {}", index + 1))
    }
}

fn degrees(t: Celsius) -> f64 {
    f64::from(t.as_millidegrees()) / 1000.0
}

fn volts(voltage: Millivolts) -> f64 {
    f64::from(voltage.as_millivolts()) / 1000.0
}

fn now(telemetry: &Telemetry, settings: Option<&Settings>, named: &Named<'_>) -> Now {
    let outputs = &telemetry.outputs;
    let count = settings.map_or(telemetry.readings.len(), |settings| settings.channels.len());
    let is_thermometer = |index: usize| {
        settings.is_none_or(|settings| {
            !matches!(settings.channels.get(index).map(|channel| &channel.role), Some(Role::Check(_)))
        })
    };
    let is_cell = |index: usize| {
        settings.is_none_or(|settings| settings.channels.get(index).is_some_and(|channel| channel.role == Role::Cell))
    };
    let coldest = words::coldest_cell(telemetry, settings);
    let coldest_index =
        coldest.and_then(|t| (0..count).find(|&index| is_cell(index) && telemetry.readings[index] == Some(t)));
    Now {
        state: outputs.state.name(),
        cause: outputs.cause.name(),
        why: words::cause(outputs),
        charge: match (outputs.charge, outputs.full) {
            (Relay::Open, _) => "refused",
            (Relay::Closed, Relay::Open) => "reduced",
            (Relay::Closed, Relay::Closed) => "permitted",
        },
        ceiling_c_rate: f64::from(outputs.ceiling.as_per_mille()) / 1000.0,
        ceiling_a: settings.map(|settings| {
            let capacity_mah = u64::from(settings.charge.capacity.as_milliamp_hours());
            // Rounded down: nobody may give more. Both factors have 32 bits.
            let ceiling_ma = u64::from(outputs.ceiling.as_per_mille()) * capacity_mah / 1000;
            u32::try_from(ceiling_ma).map_or(f64::INFINITY, f64::from) / 1000.0
        }),
        heater: if outputs.heater == Relay::Closed { "on" } else { "off" },
        coldest_cell_c: coldest.map(degrees),
        coldest_cell: coldest_index.map(|index| named.channel(index)),
        channels: (0..count)
            .filter(|&index| is_thermometer(index))
            .map(|index| Channel {
                index,
                name: named.channel(index),
                reading_c: telemetry.readings[index].map(degrees),
            })
            .collect(),
        inhibit_c: settings.map(|settings| degrees(settings.charge.inhibit)),
        release_c: settings.map(|settings| degrees(settings.charge.release)),
        soc_pct: telemetry.state_of_charge.map(|charge| f64::from(charge.as_per_mille()) / 10.0),
        bank_v: telemetry.bank.map(volts),
        supply_v: telemetry.supply.map(volts),
        present: (0..MAX_SOURCES)
            .filter(|&index| telemetry.sources.contains(index))
            .map(|index| named.source(index))
            .collect(),
        protection: words::protection(telemetry),
        alarm: outputs.alarm == Alarm::Sounding,
        overdue: outputs.overdue.map(forewarm_core::signals::Cause::meaning),
        faults: faults(&outputs.faults, named),
    }
}

fn faults(faults: &Faults, named: &Named<'_>) -> Vec<Fault> {
    let channels = faults.channels.iter().enumerate();
    let channels = channels.filter_map(|(index, fault)| {
        Some(Fault { channel: Some(index), ..fault_of((*fault)?.facts(), Some(named.channel(index))) })
    });
    // A source that does not give is named, where it is known which.
    let not_giving = (0..MAX_SOURCES).filter(|&index| faults.not_giving.contains(index));
    let names: Vec<String> = not_giving.map(|index| named.source(index)).collect();
    let system = faults.system.iter().map(|fault| {
        let of = (fault == SystemFault::SourceNotGiving && !names.is_empty()).then(|| names.join(", "));
        fault_of(fault.facts(), of)
    });
    let mut all: Vec<Fault> = system.chain(channels).collect();
    // What calls somebody comes first.
    all.sort_by_key(|fault| !fault.alarm);
    all
}

fn fault_of(facts: Facts, of: Option<String>) -> Fault {
    let Facts { name, ending: _, severity, meaning, cleared_by, check_first } = facts;
    Fault { name, of, channel: None, alarm: severity == Severity::Alarm, meaning, check_first, cleared_by }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::store::Absence;
    use crate::service::testing::telemetry;
    use forewarm_core::fault::ChannelFault;
    use forewarm_core::signals::Sources;
    use forewarm_core::wire::service::Unfit;

    fn said<'t>(telemetry: &'t Telemetry, settings: Option<&'t Settings>) -> Said<'t> {
        Said::Telemetry { utc_ms: 1, at_ms: 1, telemetry, settings, changed: true }
    }

    #[test]
    fn every_fault_comes_with_what_to_check_first_and_alarms_come_before_notices() {
        let mut heard = telemetry(5_000);
        heard.outputs.faults =
            Faults::NONE.with_system(SystemFault::BankBelowReserve).with_system(SystemFault::SourceNotGiving);
        heard.outputs.faults.not_giving = Sources::NONE.with(1);
        heard.outputs.faults.channels[2] = Some(ChannelFault::Open);
        let mut view = View::default();
        assert!(view.hear(&said(&heard, None), None));
        let faults = view.now.expect("something was heard").faults;
        let shown: Vec<_> = faults.iter().map(|fault| (fault.name, fault.of.as_deref(), fault.alarm)).collect();
        let expected = [
            ("source_not_giving", Some("source 2"), true),
            ("open", Some("channel 3"), true),
            ("bank_below_reserve", None, false),
        ];
        assert_eq!(shown, expected);
        assert_eq!(faults[1].check_first, ChannelFault::Open.facts().check_first);
    }

    #[test]
    fn who_pays_is_whose_total_has_grown_while_the_heater_was_on_and_nobody_once_it_is_off() {
        let mut view = View::default();
        let mut totals = Counters::default();
        let hear = |view: &mut View, totals: &Counters| view.hear(&Said::Totals { utc_ms: 2, totals }, None);
        let mut heard = telemetry(5_000);
        heard.outputs.heater = Relay::Closed;
        view.hear(&said(&heard, None), None);
        hear(&mut view, &totals);
        assert!(view.paid_by.is_empty(), "nobody knows yet");
        totals.source_energy_uj[1] += 5;
        hear(&mut view, &totals);
        assert_eq!(view.paid_by, ["source 2"]);
        totals.bank_energy_uj += 5;
        hear(&mut view, &totals);
        assert_eq!(view.paid_by, ["the bank"]);
        heard.outputs.heater = Relay::Open;
        view.hear(&said(&heard, None), None);
        assert!(view.paid_by.is_empty());
    }

    #[test]
    fn a_state_from_before_a_loss_stays_lost_and_keeps_its_moment_until_the_next_state() {
        let heard = telemetry(5_000);
        let mut view = View::default();
        view.hear(&said(&heard, None), None);
        view.hear(&Said::Lost { utc_ms: 2, because: Absence::Unplugged, detail: "no such device".to_owned() }, None);
        let (lost, since) = (view.lost.clone(), view.heard);
        assert!(lost.is_some());
        let identity = Identity {
            version: "1.2.3".to_owned(),
            board: "bench".to_owned(),
            settings: Err(Unfit::Missing),
            caution: String::new(),
        };
        let totals = Counters::default();
        for said in [
            Said::Connected { utc_ms: 3, identity: &identity, since: None },
            Said::Totals { utc_ms: 4, totals: &totals },
            Said::Restarted { utc_ms: 5, identity: &identity },
        ] {
            view.hear(&said, None);
            assert_eq!((&view.lost, view.heard, view.heard_utc_ms), (&lost, since, Some(1)), "{said:?}");
        }
        view.hear(&Said::Telemetry { utc_ms: 6, at_ms: 6, telemetry: &heard, settings: None, changed: true }, None);
        assert_eq!((view.lost, view.heard_utc_ms), (None, Some(6)));
    }

    #[test]
    fn names_of_another_installation_are_not_used() {
        let load = |name: &str| {
            let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(name);
            Installation::load(&path).expect("an example")
        };
        let (hut, boat) = (load("hut.toml"), load("boat.toml"));
        let heard = telemetry(5_000);
        let shown = |names: &Installation| {
            let mut view = View::default();
            view.hear(&said(&heard, Some(&hut.settings)), Some(&Names::of(names)));
            view.now.expect("something was heard").channels[0].name.clone()
        };
        assert_eq!(shown(&hut), hut.channels[0].replace('_', " "));
        assert_eq!(shown(&boat), "channel 1");
    }

    #[test]
    fn the_page_names_everything_that_is_sent() {
        fn names(value: &serde_json::Value, into: &mut Vec<String>) {
            match value {
                serde_json::Value::Object(members) => members.iter().for_each(|(name, value)| {
                    into.push(name.clone());
                    names(value, into);
                }),
                serde_json::Value::Array(values) => values.iter().for_each(|value| names(value, into)),
                _ => {}
            }
        }
        let mut heard = telemetry(5_000);
        heard.outputs.faults.channels[2] = Some(ChannelFault::Open);
        let controller = Controller { board: String::new(), version: String::new(), caution: String::new() };
        let mut view = View { controller: Some(controller), ..View::default() };
        view.hear(&said(&heard, None), None);
        let mut sent = Vec::new();
        names(&serde_json::to_value(&view).expect("an object"), &mut sent);
        assert!(sent.len() > 30, "{sent:?}");
        let page = include_str!("../../docs/serve.md");
        for name in sent {
            let is_there = page.contains(&format!("`{name}`")) || page.contains(&format!("`now.{name}`"));
            assert!(is_there, "{name} is not on the page");
        }
    }
}
