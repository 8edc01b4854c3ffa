//! The report for a person.

use super::found::{OF_A_JOINT, OF_THE_REST};
use super::parameter::{AROUND_K, SWING_K};
use super::record::{Outside, Power, millis};
use super::{Found, Identified, Test};
use crate::diagnostic::{Problem, escaped};
use crate::figures::{fixed, plain};
use crate::layout::{Side, columns, write_wrapped};
use crate::replay::{Measured, Span};
use crate::site::Site;
use std::io::{self, Write};

/// What is taken for what the log does not show.
pub(super) fn assumptions(site: &Site, power: Power, outside: Outside, measured: &Measured) -> Vec<String> {
    let mut all = Vec::new();
    let tolerance = plain(site.tolerance.specific_heat * 100.0);
    let held = format!(
        "the heat capacity of the batteries is as planned, give or take {tolerance} %: without the heater's power a log shows ratios only, and \
         their mass gives it best; all other figures go with it"
    );
    match power {
        Power::Logged => {}
        Power::Switched { nominal_v, .. } => {
            all.push(held);
            if !measured.has.supply_v {
                all.push(format!(
                    "the heater's supply is always the same, {} V by the plan (no column supply_v)",
                    plain(nominal_v)
                ));
            }
        }
        Power::Off => all.extend([held, "the heater was off all the time, as --assume-heater-off says".to_owned()]),
    }
    if let Outside::Assumed(outside_c) = outside {
        let outside = plain(outside_c);
        all.push(format!(
            "the air around the box was {outside} °C all the time, as --assume-outside says, give or take {} K, and a swing of {} K over \
             the day",
            plain(AROUND_K[1]),
            plain(SWING_K[1])
        ));
    }
    if site.place.exposure > 0.0 {
        let wind = plain(site.place.design_wind_m_s);
        all.push(format!("the wind was that of the plan, {wind} m/s before shelter"));
    }
    if !measured.has.bank_a {
        all.push("no current warmed the batteries from within (no column bank_a)".to_owned());
    }
    all
}

/// What makes a log that no bank of this plan can have made.
const LOOK: &str = "a heater column that is inverted or cut off; units, such as °F, kW or mA; the sensor outside in the sun or inside the box; \
                    columns exchanged; the log of another installation";

fn heading(out: &mut dyn Write, text: &str) -> io::Result<()> {
    writeln!(out, "\n{text}")
}

fn item(out: &mut dyn Write, name: &str, value: &str) -> io::Result<()> {
    write_wrapped(out, &format!("  {name:<30}"), &escaped(value))
}

fn hours(hours: f64) -> String {
    format!("{} h", plain(hours))
}

impl Identified {
    /// Writes what differs from the plan, then the figures behind it.
    ///
    /// # Errors
    /// The errors of `out`; nothing else fails.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}", escaped(&self.title))?;
        if let Some(reason) = self.unsound() {
            writeln!(out)?;
            write_wrapped(out, "", &format!("{reason}: no figure below can be relied on"))?;
            write_wrapped(out, "  look for: ", self.look())?;
        } else {
            self.write_found(out)?;
        }
        self.write_residuals(out)?;
        self.write_log(out)?;
        heading(out, "Not in the log, so assumed")?;
        for assumption in &self.assumptions {
            write_wrapped(out, "  ", &escaped(assumption))?;
        }
        heading(out, "Cautions")?;
        for caution in self.cautions {
            write_wrapped(out, "  ", caution)?;
        }
        Ok(())
    }

    /// Why no figure can be relied on, if so.
    fn unsound(&self) -> Option<String> {
        if !self.follows {
            Some(format!("the model cannot follow this log ({} K is left)", about(self.residual_sd_k)))
        } else if !self.settled {
            Some("the search for the parameters did not settle".to_owned())
        } else {
            None
        }
    }

    /// The problem of a log of which nothing can be said, if so.
    #[must_use]
    pub fn problem(&self) -> Option<Problem> {
        let reason = self.unsound()?;
        let problem =
            Problem::error(&self.log, reason).because("figures of such a fit would blame the bank for something else");
        Some(problem.remedy(self.look()))
    }

    const fn look(&self) -> &'static str {
        if self.follows {
            "a longer log, or one with the heater on and off more often; or fewer columns of it"
        } else {
            LOOK
        }
    }

    fn write_found(&self, out: &mut dyn Write) -> io::Result<()> {
        heading(out, "What differs from the plan")?;
        for name in &self.left_out_thermometers {
            let text = format!(
                "{name} does not show what the model says ({} K is left): look at the thermometer before the battery; the rest is found \
                 without it",
                about(self.left_k)
            );
            write_wrapped(out, "  ", &escaped(&text))?;
        }
        for strained in &self.strained {
            write_wrapped(out, "  ", &escaped(&strained.text))?;
        }
        if !self.strained.is_empty() && !self.differences.is_empty() {
            write_wrapped(out, "  ", "Clear that up first: what follows may come of it, and not of the bank.")?;
        }
        if self.differences.is_empty() {
            let text = if self.parameters.iter().any(|found| found.identifiable) {
                "nothing that this log shows differs by more than the plan allows for"
            } else {
                "nobody can say: this log shows none of the parameters"
            };
            write_wrapped(out, "  ", text)?;
        }
        for difference in &self.differences {
            write_wrapped(out, "  ", &escaped(&difference.text))?;
            write_wrapped(out, "    look for: ", difference.look)?;
        }
        heading(out, "Parameters")?;
        self.write_parameters(out)?;
        self.write_tests(out)
    }

    fn write_residuals(&self, out: &mut dyn Write) -> io::Result<()> {
        heading(out, "How well the model follows the log")?;
        item(out, "reading minus model", &format!("{} K, standard deviation", fixed(self.residual_sd_k, 3)))?;
        for one in &self.thermometers {
            let noise = fixed(one.white_k, 3);
            // A wander that hardly shows has no time to speak of.
            let wander = if one.wander_k > 0.2 * one.residual_sd_k {
                format!(
                    ", and {} K that wander within {} h",
                    fixed(one.wander_k, 3),
                    roughly(one.wander_forgets_s / 3600.0)
                )
            } else {
                String::new()
            };
            let shown = format!("{} K: {noise} K from reading to reading{wander}", fixed(one.residual_sd_k, 3));
            item(out, &format!("  {}", one.channel), &shown)?;
        }
        let white = match self.white {
            Some(true) => "yes: what is left cannot be foretold from what came before",
            Some(false) => {
                "no: something acts that the model does not have, such as sun on the box, an open lid, a charge; the intervals may be too \
                 narrow"
            }
            None => "too few readings to say",
        };
        item(out, "white", white)
    }

    fn write_parameters(&self, out: &mut dyn Write) -> io::Result<()> {
        let mut rows = vec![["", "planned", "found", "95 % interval", "unit"].map(str::to_owned).to_vec()];
        let row = |found: &Found| {
            let (value, within) = if found.identifiable {
                (found.shown(found.value), format!("{} to {}", found.shown(found.low), found.shown(found.high)))
            } else {
                ("-".to_owned(), "this log does not show it".to_owned())
            };
            vec![escaped(&found.words), found.shown(found.planned), value, within, found.unit.to_owned()]
        };
        rows.extend(self.parameters.iter().map(row));
        let side = |column| if matches!(column, 0 | 4) { Side::Left } else { Side::Right };
        columns(&rows, side).iter().try_for_each(|line| writeln!(out, "{line}"))?;
        let [joint, rest] = [OF_A_JOINT, OF_THE_REST].map(|part| plain(part * 100.0));
        let aside = format!(
            "The intervals cover chance only. Errors of the model itself come on top: up to {joint} % of a joint and {rest} % of the \
             others; what is said above allows for both. A lag of less than two minutes looks to the model like the battery that \
             the thermometer sits on."
        );
        write_wrapped(out, "  ", &aside)
    }

    fn write_tests(&self, out: &mut dyn Write) -> io::Result<()> {
        if self.tests.is_empty() {
            return Ok(());
        }
        heading(out, "Tests that would show the rest")?;
        for test in &self.tests {
            write_wrapped(out, "  ", &escaped(&test.shown()))?;
        }
        Ok(())
    }

    fn write_log(&self, out: &mut dyn Write) -> io::Result<()> {
        heading(out, "Log")?;
        item(out, "file", &self.log)?;
        let rejected = match self.rows_rejected {
            0 => String::new(),
            count => format!(", {count} of them could not be used"),
        };
        item(out, "rows", &format!("{}{rejected}", self.rows_read))?;
        item(out, "compared", &format!("{} readings of each thermometer at most", self.rows_compared))?;
        if self.rows_left_out > 0 {
            item(
                out,
                "left out",
                &format!("{} rows, beside pauses or within the first 20 min of a part", self.rows_left_out),
            )?;
        }
        if let Some(back_s) = self.clock_back_s {
            item(out, "clock", &format!("went back by up to {}: a part begins anew there", span_s(back_s)))?;
        }
        for [from_s, to_s] in self.parts_s.iter().take(10) {
            item(out, "part", &format!("{}, {}", self.dial.show(millis(*from_s)), span_s(to_s - from_s)))?;
        }
        if self.parts_s.len() > 10 {
            item(out, "", &format!("and {} more", self.parts_s.len() - 10))?;
        }
        for used in &self.columns {
            let unit = used.unit.map_or_else(String::new, |unit| format!(" ({unit})"));
            item(out, &used.what, &format!("{}{unit}", used.column))?;
        }
        Ok(())
    }
}

impl Test {
    /// The test as a sentence.
    fn shown(&self) -> String {
        let what = self.parameters.join(", ");
        let (Some(heat_h), Some(off_h)) = (self.heat_h, self.off_h) else {
            let longest = hours(Self::LONGEST_H);
            return format!("{what}: no test of up to {longest} shows this with these thermometers");
        };
        let also = self.log_also.map_or_else(String::new, |also| format!(", and {also}"));
        format!(
            "{what}: begin with the bank as cold as what is around it, heat for {}, then leave it off for {}; log every {} s{also}",
            hours(heat_h),
            hours(off_h),
            plain(self.log_every_s)
        )
    }
}

/// To two significant digits.
fn about(kelvins: f64) -> String {
    let places = match kelvins {
        10.0.. => 0,
        1.0.. => 1,
        _ => 2,
    };
    fixed(kelvins, places)
}

/// To one significant digit.
fn roughly(value: f64) -> String {
    let grain = libm::exp10(libm::log10(value.max(1e-2)).floor());
    plain((value / grain).round() * grain)
}

fn span_s(seconds: f64) -> String {
    Span(millis(seconds)).to_string()
}
