//! Keeps in touch with one controller that is switched off and on, as it is at the bench.

use super::address::Address;
use super::heard::Heard;
use super::link::{Link, Trouble, Verdict};
use super::port::Port;
use super::reader::Reader;
use crate::bench::Controller;
use crate::diagnostic::Problem;
use forewarm_core::wire::record::Fingerprint;
use forewarm_core::wire::service::{Request, Telemetry};
use std::io;
use std::time::{Duration, Instant};

/// The wait before a line that has vanished is opened again.
const AGAIN: Duration = Duration::from_millis(500);

/// How long a controller that has just been switched on may take to say who it is.
const PATIENCE: Duration = Duration::from_secs(2);

/// A controller whose line may vanish with its power.
#[derive(Debug)]
pub struct Attended {
    address: Address,
    /// The settings that it must have.
    wanted: Fingerprint,
    link: Option<Link<Port>>,
    /// Its clock when it spoke last (ms), and when that was. A clock that has gone back has started again, and its controller has
    /// forgotten how often it is to speak.
    latest: Option<(u32, Instant)>,
    began: Instant,
    /// How far its clock has run ahead of ours. The times of a card are the controller's.
    ahead: Duration,
}

impl Attended {
    /// The controller at `address`, which must have the settings `wanted`.
    ///
    /// # Errors
    /// A line that cannot be opened: the first time that is a mistake. A controller with other settings. One that is switched off may be
    /// silent.
    pub fn at(address: &Address, wanted: Fingerprint) -> Result<Self, Problem> {
        let link = Some(Link::new(Port::open(address)?, Reader::default()));
        let (began, ahead) = (Instant::now(), Duration::ZERO);
        let mut attended = Self { address: address.clone(), wanted, link, latest: None, began, ahead };
        attended.greet()?;
        Ok(attended)
    }

    /// Asks the controller to speak in every step, once it has shown that it is the right one. Whether it answers.
    fn greet(&mut self) -> Result<bool, Problem> {
        let Some(link) = &mut self.link else { return Ok(false) };
        let identity = link.ask(&Request::Identify, PATIENCE, 1, |heard| match heard {
            Heard::Identity(identity) => Verdict::Answer(identity),
            other => Verdict::Aside(other),
        });
        let identity = match identity {
            Ok(identity) => identity,
            Err(Trouble::Unanswered) => return Ok(false),
            Err(Trouble::Vanished(_)) => {
                self.link = None;
                return Ok(false);
            }
        };
        if identity.settings != Ok(self.wanted) {
            let has = identity.settings.map_or_else(|_| "none that are fit".to_owned(), |has| has.to_string());
            return Err(Problem::error(
                &self.address.to_string(),
                format!("the controller has other settings than the card: {has}"),
            )
            .because("what it does would be held against what it was never told to do")
            .remedy("`forewarm send` with the file of the card; or the file that it has"));
        }
        if link.say(&Request::SendTelemetry { every: 1 }).is_err() {
            self.link = None;
        }
        Ok(self.link.is_some())
    }

    fn hear(&mut self) -> io::Result<Option<Telemetry>> {
        let Some(link) = &mut self.link else { return Ok(None) };
        Ok(link.hear()?.and_then(|heard| match heard {
            Heard::Telemetry(telemetry) => Some(*telemetry),
            _ => None,
        }))
    }
}

impl Controller for Attended {
    fn clock_s(&self) -> f64 {
        (self.began.elapsed() + self.ahead).as_secs_f64()
    }

    fn forget(&mut self) -> Result<(), Problem> {
        // What comes before an answer was on the line before its question.
        self.greet()?;
        if let Some(link) = &mut self.link {
            link.forget();
        }
        Ok(())
    }

    fn next(&mut self) -> Result<Option<Telemetry>, Problem> {
        if self.link.is_none() {
            let Ok(port) = Port::open(&self.address) else {
                std::thread::sleep(AGAIN);
                return Ok(None);
            };
            self.link = Some(Link::new(port, Reader::default()));
            self.latest = None;
            if !self.greet()? {
                return Ok(None);
            }
        }
        let Ok(heard) = self.hear() else {
            self.link = None;
            return Ok(None);
        };
        let Some(telemetry) = heard else { return Ok(None) };
        let (now_ms, now) = (telemetry.now.as_millis(), Instant::now());
        match self.latest.replace((now_ms, now)) {
            Some((before_ms, before)) if before_ms <= now_ms => {
                let passed = Duration::from_millis((now_ms - before_ms).into());
                self.ahead += passed.saturating_sub(now - before);
            }
            _ => {
                self.greet()?;
            }
        }
        Ok(Some(telemetry))
    }
}
