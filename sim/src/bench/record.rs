//! What was tried at the bench, and what came of it: a file that is begun, broken off and gone on with.

use super::card::{Bench, Card, Expect, Step};
use crate::diagnostic::Problem;
use crate::figures::fixed;
use crate::portable::squared;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// What came of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// What must follow has followed.
    Pass,
    /// It has not.
    Fail,
    /// It was not tried.
    Skipped,
}

impl Verdict {
    /// The word for a person.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Skipped => "not tried",
        }
    }
}

/// One step that was gone through.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Its number on the card: `3.2`.
    pub step: String,
    /// What was done, as on the card.
    pub how: String,
    /// What had to follow, as on the card.
    pub expected: String,
    /// What followed, in words or as a number with its unit.
    pub measured: String,
    /// What came of it.
    pub verdict: Verdict,
    /// When, in universal time.
    pub at: String,
    /// What a thermometer read in ice; `null` for every other step.
    pub ice: Option<Ice>,
}

/// Readings of a thermometer in ice.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ice {
    /// Name of the channel.
    pub channel: String,
    /// Mean (°C).
    pub mean_c: f64,
    /// Standard deviation of one reading (K); 0 for a single one.
    pub deviation_k: f64,
    /// How many.
    pub count: u32,
    /// Smallest difference that it shows (K).
    pub resolution_k: f64,
}

/// The record of one card.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// What the fitter calls the installation.
    pub title: String,
    /// Identifies the settings.
    pub settings_fingerprint: String,
    /// Identifies them without the offsets of thermometers.
    pub uncalibrated_fingerprint: String,
    /// What the card was made for. Whoever reads the record makes the same card of it.
    pub bench: Bench,
    /// Who tried it.
    pub tried_by: String,
    /// When it was begun, in universal time.
    pub begun: String,
    /// The steps that were gone through, in their order.
    pub entries: Vec<Entry>,
}

impl Record {
    /// A record of `card` without any step.
    #[must_use]
    pub fn begin(card: &Card, tried_by: &str) -> Self {
        Self {
            title: card.title.clone(),
            settings_fingerprint: card.settings_fingerprint.clone(),
            uncalibrated_fingerprint: card.uncalibrated.clone(),
            bench: card.bench,
            tried_by: tried_by.to_owned(),
            begun: now(),
            entries: Vec::new(),
        }
    }

    /// Reads a record, which messages call `file`, and checks that it is one of `card`. Where only offsets were added since, what meters and
    /// eyes have found stays, and what the controller shows is tried again.
    ///
    /// # Errors
    /// As [`Record::read`] and [`Record::fits`].
    pub fn resume(file: &str, text: &str, card: &Card) -> Result<Self, Problem> {
        let mut record = Self::read(file, text)?;
        record.go_on_calibrated(card);
        record.fits(file, card).map(|()| record)
    }

    /// Where `card` has the same settings but for offsets, leaves out what the controller has shown without them.
    fn go_on_calibrated(&mut self, card: &Card) {
        if self.settings_fingerprint == card.settings_fingerprint || self.uncalibrated_fingerprint != card.uncalibrated
        {
            return;
        }
        self.settings_fingerprint.clone_from(&card.settings_fingerprint);
        let stays = |number: &str| {
            let found = card.steps().find(|(other, _)| other == number);
            found.is_some_and(|(_, step)| matches!(step.expect, Expect::Measured { .. } | Expect::Seen(_)))
        };
        self.entries.retain(|entry| stays(&entry.step));
    }

    /// Reads a record, which messages call `file`, of whatever card.
    ///
    /// # Errors
    /// No record; nothing else fails.
    pub fn read(file: &str, text: &str) -> Result<Self, Problem> {
        let none = |why: String| {
            Problem::error(file, format!("is no record of a bench: {why}"))
                .remedy("the file that `bench --record` has written; or another name, to begin a new one")
        };
        let record: Self = serde_json::from_str(text).map_err(|error| none(error.to_string()))?;
        if record.bench.is_possible() {
            Ok(record)
        } else {
            Err(none("nobody has such resistors at such a height".to_owned()))
        }
    }

    /// Whether this is a record of `card`. Messages call it `file`.
    ///
    /// # Errors
    /// Other settings; a card that has changed since.
    pub fn fits(&self, file: &str, card: &Card) -> Result<(), Problem> {
        let other = |what: String| {
            Problem::error(file, what)
                .because("its steps were tried with something else")
                .remedy("the file and the options with which it was begun; or another name, to begin a new record")
        };
        if self.settings_fingerprint != card.settings_fingerprint {
            return Err(other(format!(
                "is the record of other settings ({}, {}), and these are {}",
                self.title, self.settings_fingerprint, card.settings_fingerprint
            )));
        }
        for entry in &self.entries {
            let step = card.steps().find(|(number, _)| *number == entry.step).map(|(_, step)| step);
            if !step.is_some_and(|step| step.how == entry.how && step.expected() == entry.expected) {
                return Err(other(format!(
                    "has a step {} that this card does not have: the file or the options have changed",
                    entry.step
                )));
            }
        }
        Ok(())
    }

    /// Notes that somebody else goes on with it.
    pub fn go_on(&mut self, tried_by: &str) {
        if !tried_by.is_empty() && self.tried_by.split(", ").all(|name| name != tried_by) {
            let before = std::mem::take(&mut self.tried_by);
            self.tried_by = if before.is_empty() { tried_by.to_owned() } else { format!("{before}, {tried_by}") };
        }
    }

    /// Whether a step has been gone through. One that has failed is tried again.
    #[must_use]
    pub fn has(&self, number: &str) -> bool {
        self.entries.iter().any(|entry| entry.step == number && entry.verdict != Verdict::Fail)
    }

    /// How many steps have this verdict.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.entries.iter().filter(|entry| entry.verdict == verdict).count()
    }

    /// Notes what came of a step, in place of what came of it before.
    pub fn add(&mut self, number: &str, step: &Step, found: Found) {
        let Found { measured, verdict, ice } = found;
        let entry = Entry {
            step: number.to_owned(),
            how: step.how.clone(),
            expected: step.expected(),
            measured,
            verdict,
            at: now(),
            ice,
        };
        match self.entries.iter_mut().find(|before| before.step == number) {
            Some(before) => *before = entry,
            None => self.entries.push(entry),
        }
    }
}

fn now() -> String {
    Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

impl Card {
    /// Every step with its number.
    pub fn steps(&self) -> impl Iterator<Item = (String, &Step)> {
        self.parts.iter().zip(1..).flat_map(|(part, number)| {
            part.steps.iter().zip(1..).map(move |(step, nth): (&Step, u32)| (format!("{number}.{nth}"), step))
        })
    }
}

/// What came of a step.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// What followed.
    pub measured: String,
    /// Whether that is what must follow.
    pub verdict: Verdict,
    /// What a thermometer read in ice.
    pub ice: Option<Ice>,
}

impl Found {
    /// Words, and what they mean.
    #[must_use]
    pub fn told(measured: impl Into<String>, verdict: Verdict) -> Self {
        Self { measured: measured.into(), verdict, ice: None }
    }
}

impl Step {
    /// What a number that was measured comes to; `None` where no number is asked for. `text` is how it was typed, which shows how finely.
    #[must_use]
    pub fn judge(&self, value: f64, text: &str) -> Option<Found> {
        let (low, high, unit) = match &self.expect {
            Expect::Measured { unit, low, high } => (*low, high.unwrap_or(f64::INFINITY), *unit),
            Expect::Reads { low_c, high_c, .. } | Expect::Turns { low_c, high_c, .. } => (*low_c, *high_c, "°C"),
            Expect::Outputs { .. } | Expect::Seen(_) | Expect::Impossible(_) => return None,
        };
        let verdict = if (low..=high).contains(&value) { Verdict::Pass } else { Verdict::Fail };
        let decimals = text.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        #[expect(clippy::cast_precision_loss, reason = "a few digits")]
        let resolution_k = libm::exp10(-(decimals.min(9) as f64));
        let ice = self.ice_channel().map(|channel| Ice {
            channel: channel.to_owned(),
            mean_c: value,
            deviation_k: 0.0,
            count: 1,
            resolution_k,
        });
        Some(Found { measured: format!("{text} {unit}"), verdict, ice })
    }

    /// The same for readings that the controller has sent (°C). `None` without any.
    #[must_use]
    pub fn judge_readings(&self, readings_c: &[f64]) -> Option<Found> {
        let Expect::Reads { low_c, high_c, .. } = &self.expect else { return None };
        let count = u32::try_from(readings_c.len()).ok().filter(|count| *count > 0)?;
        let mean_c = readings_c.iter().sum::<f64>() / f64::from(count);
        let squares: f64 = readings_c.iter().map(|reading| squared(reading - mean_c)).sum();
        let deviation_k = if count > 1 { (squares / f64::from(count - 1)).sqrt() } else { 0.0 };
        let verdict = if (*low_c..=*high_c).contains(&mean_c) { Verdict::Pass } else { Verdict::Fail };
        let ice = self.ice_channel().map(|channel| Ice {
            channel: channel.to_owned(),
            mean_c,
            deviation_k,
            count,
            // Telemetry is in millikelvins.
            resolution_k: 0.001,
        });
        Some(Found { measured: format!("{} °C, mean of {count}", fixed(mean_c, 3)), verdict, ice })
    }

    /// The channel whose thermometer is in ice in this step.
    fn ice_channel(&self) -> Option<&str> {
        match &self.expect {
            Expect::Reads { channel, in_ice: true, .. } => Some(channel),
            _ => None,
        }
    }
}
