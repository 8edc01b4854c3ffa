//! A card on a terminal.

use super::card::{Card, Expect, Reading, Standing, Step};
use crate::diagnostic::escaped;
use crate::figures::{fixed, plain};
use crate::layout::write_wrapped;
use std::fmt::Write as _;
use std::io::{self, Write};

impl Step {
    /// How long it must stay as it is, if nothing at all shows before that somebody waited long enough (s).
    pub(super) fn stays_s(&self) -> Option<u32> {
        match &self.expect {
            // A controller that would switch something on a minute later looks the same until then.
            Expect::Outputs { heater: false, charge: false, faults, still_s, .. } if faults.is_empty() => {
                Some(*still_s)
            }
            _ => None,
        }
    }

    /// What must follow, in one line.
    #[must_use]
    pub fn expected(&self) -> String {
        match &self.expect {
            Expect::Measured { unit, low, high: Some(high) } => {
                let places = if *low < 10.0 { 2 } else { 1 };
                format!("{} to {} {unit}", fixed(*low, places), fixed(*high, places))
            }
            Expect::Measured { unit, low, high: None } => format!("at least {} {unit}", plain(*low)),
            Expect::Reads { low_c, high_c, .. } | Expect::Turns { low_c, high_c, .. } => {
                let bound = |t_c: f64| if t_c.is_finite() { fixed(t_c, 2) } else { "no reading".to_owned() };
                format!("shows {} to {} °C", bound(*low_c), bound(*high_c))
            }
            Expect::Outputs { told, state, cause, faults, reads, within_s, .. } => {
                let why = if faults.is_empty() { (*cause).to_owned() } else { Standing::told(faults) };
                let mut text = format!("{told} ({state}: {why}), within {}", duration(*within_s));
                if let Some(stays_s) = self.stays_s() {
                    let _ = write!(text, ", and still so after {}", duration(stays_s));
                }
                if let Some(Reading { channel, unit, low, high }) =
                    reads.as_ref().filter(|reads| reads.low.is_finite() && reads.high.is_finite())
                {
                    let _ = write!(text, "; {channel} reads {} to {} {unit}", fixed(*low, 2), fixed(*high, 2));
                }
                text
            }
            Expect::Seen(text) => text.clone(),
            Expect::Impossible(why) => format!("not to be tried: {why}"),
        }
    }
}

/// From here on a time is told in minutes (s).
const LONG_S: u32 = 300;

/// `25 s`, `47 min`
fn duration(seconds: u32) -> String {
    if seconds < LONG_S { format!("{seconds} s") } else { format!("{} min", seconds.div_ceil(60)) }
}

impl Card {
    /// What it is made for.
    pub(super) fn made_for(&self) -> String {
        format!(
            "For the settings {}. Resistors: {}. They go to the far end of each channel's own cable, in the place of its element. From part 2 \
             on the controller has power, from a bench supply with a current limit, and nothing else has: the pad's fuse stays out, chargers \
             and battery stay disconnected. Resistors that look cold would heat a real pad without end. Switch the controller off before each \
             resistor is exchanged, and after every {} times leave it on for {} min with every source off: else it reports restart_storm or \
             heater_overrun. After an alarm that stays, connect resistors of cool cells, switch the controller on and hold the reset button \
             for {} s.",
            self.settings_fingerprint,
            self.resistors,
            self.rest.0,
            plain(self.rest.1 / 60.0),
            plain(self.button_s)
        )
    }

    /// Writes it as text.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}: card for the workbench\n", escaped(&self.title))?;
        write_wrapped(out, "  ", &self.made_for())?;
        for (part, number) in self.parts.iter().zip(1..) {
            writeln!(out, "\n{number}  {}", part.title)?;
            for line in &part.lead {
                write_wrapped(out, "   ", &escaped(line))?;
            }
            for (step, nth) in part.steps.iter().zip(1..) {
                writeln!(out)?;
                write_wrapped(out, &format!("{:<6}", format!("{number}.{nth}")), &escaped(&step.how))?;
                write_wrapped(out, "      > ", &escaped(&step.expected()))?;
                if !matches!(step.expect, Expect::Impossible(_)) {
                    writeln!(out, "        measured ________________   pass [ ]  fail [ ]")?;
                }
            }
        }
        writeln!(out, "\nTried by ______________________   date ______________   signed ______________________")?;
        writeln!(out, "\nCautions")?;
        for caution in self.cautions {
            write_wrapped(out, "  ", caution)?;
        }
        Ok(())
    }
}
