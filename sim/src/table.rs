//! The table of resistance against temperature, with tolerances.
//!
//! Temperatures run in whole thousandths of a degree, so that even the thousandth row of a step of 0.1 °C is exact.
//! Resistances come from the core: the table shows what the controller computes with.

use crate::class::{Class, Construction, PER_KELVIN};
use crate::diagnostic::Problem;
use forewarm_core::quantity::{Celsius, Ohms};
use forewarm_core::rtd::{Element, RANGE_HIGH, RANGE_LOW};
use forewarm_core::settings::Thousandths;
use serde::{Serialize, Serializer};
use std::fmt::Write as _;
use std::io::{self, Write};

/// Longest table, in rows.
pub const MOST_ROWS: i64 = 1_000_000;

/// A table to be written.
#[derive(Clone, Debug)]
pub struct Table {
    label: String,
    element: Element,
    /// In thousandths of a degree, as is the step.
    from: i64,
    step: i64,
    count: i64,
    class: Class,
    construction: Construction,
}

/// One row.
#[derive(Clone, Copy, Debug)]
struct Row {
    millidegrees: i32,
    ohms: Ohms,
    tolerance: Option<Tolerance>,
}

#[derive(Clone, Copy, Debug)]
struct Tolerance {
    /// In steps of 0.1 µK.
    kelvins: i64,
    micro_ohms: u64,
}

impl Table {
    /// A table of `element`, called `label`, from `from` to at most `to` in steps of `step`, all in thousandths of a degree.
    ///
    /// # Errors
    /// A step that is not above zero, ends in the wrong order or outside −200…850 °C, more than [`MOST_ROWS`] rows, and an
    /// element whose resistance exceeds 16 384 Ω within the table. Nothing else fails.
    pub fn new(
        label: impl Into<String>,
        element: Element,
        (from, to, step): (i64, i64, i64),
        class: Class,
        construction: Construction,
    ) -> Result<Self, Problem> {
        let refuse = |option: &str, message: String, remedy: &str| Problem::error(option, message).remedy(remedy);
        for (option, value) in [("--from", from), ("--to", to)] {
            let low = i64::from(RANGE_LOW.as_millidegrees());
            let high = i64::from(RANGE_HIGH.as_millidegrees());
            if !(low..=high).contains(&value) {
                let message = format!("is {} °C, outside -200 to 850 °C, where the equation holds", Thousandths(value));
                return Err(refuse(option, message, &format!("{option} {}", Thousandths(value.clamp(low, high)))));
            }
        }
        if step <= 0 {
            return Err(refuse("--step", format!("is {} °C, not above zero", Thousandths(step)), "--step 1"));
        }
        if from > to {
            let message = format!("is {} °C, above --to ({} °C)", Thousandths(from), Thousandths(to));
            return Err(refuse("--from", message, &format!("--from {} --to {}", Thousandths(to), Thousandths(from))));
        }
        let rows = (to - from) / step + 1;
        if rows > MOST_ROWS {
            let message = format!("makes {rows} rows, more than {MOST_ROWS}");
            return Err(refuse("--step", message, "a larger step, or a shorter range"));
        }
        let table = Self { label: label.into(), element, from, step, count: rows, class, construction };
        if table.row(table.count - 1).is_none() {
            return Err(refuse("--to", "is too hot: the resistance there exceeds 16384 Ω".to_owned(), "a lower --to"));
        }
        Ok(table)
    }

    /// The row of this number. Every number below the count has a row, because resistance rises with temperature and
    /// that of the last row has been computed.
    fn row(&self, number: i64) -> Option<Row> {
        let millidegrees = i32::try_from(self.from + number * self.step).ok()?;
        let at = |millidegrees: i32| self.element.resistance(Celsius::from_millidegrees(millidegrees)).ok();
        let tolerance = self.class.tolerance(self.construction, millidegrees).and_then(|kelvins| {
            let reach = i32::try_from(kelvins / 10_000).ok()?;
            let span = at(millidegrees + reach)?.less(at(millidegrees - reach)?)?;
            Some(Tolerance { kelvins, micro_ohms: span.as_micro_ohms() / 2 })
        });
        Some(Row { millidegrees, ohms: at(millidegrees)?, tolerance })
    }

    fn rows(&self) -> impl Iterator<Item = Row> {
        (0..self.count).filter_map(|number| self.row(number))
    }

    /// Writes the table for a person, aligned on the decimal point.
    ///
    /// # Errors
    /// Those of `out`; nothing else fails.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        let (class, (low, high)) = (self.class.name(), self.class.range(self.construction));
        let construction = self.construction.name();
        writeln!(out, "{}, {} Ω at 0 °C, class {class} {construction}", self.label, trimmed(self.element.r0()))?;
        writeln!(out)?;
        writeln!(out, "{:>9}  {:>12}  {:>9}  {:>9}", "t / °C", "R / Ω", "± / K", "± / Ω")?;
        let degrees = decimals(self.from).max(if self.count > 1 { decimals(self.step) } else { 0 });
        let ohms = self.ohm_decimals();
        let mut complete = true;
        let mut line = String::new();
        for row in self.rows() {
            line.clear();
            let t = fixed(i128::from(row.millidegrees), 3, degrees);
            let r = fixed(i128::from(row.ohms.as_micro_ohms()), 6, ohms);
            let _ = write!(line, "{t:>9}  {r:>12}");
            if let Some(tolerance) = row.tolerance {
                let k = fixed(i128::from(tolerance.kelvins), 7, 3);
                let r = fixed(i128::from(tolerance.micro_ohms), 6, ohms);
                let _ = write!(line, "  {k:>9}  {r:>9}");
            } else {
                complete = false;
            }
            line.push('\n');
            out.write_all(line.as_bytes())?;
        }
        if !complete {
            writeln!(out)?;
            writeln!(
                out,
                "Class {class} holds for {construction} from {low} to {high} °C. No tolerance is given outside that range."
            )?;
        }
        Ok(())
    }

    /// Enough decimals that the last stands for at most 3 mK and that neighbouring rows differ. The resistance itself
    /// is good to one more than ever appears: 4 µΩ in 100 Ω.
    fn ohm_decimals(&self) -> u32 {
        let coarse = match self.element.r0().as_micro_ohms() / 1_000_000 {
            0..20 => 4,
            20..200 => 3,
            200..2000 => 2,
            _ => 1,
        };
        if self.step < 10 { coarse + 1 } else { coarse }
    }
}

/// `{element, r0_ohm, class, construction, rows: [{celsius, ohms, tolerance_k}]}`; the tolerance is `null` where its class does
/// not hold.
impl Serialize for Table {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Shape<'t> {
            element: &'t str,
            r0_ohm: f64,
            class: &'static str,
            construction: &'static str,
            rows: Rows<'t>,
        }
        Shape {
            element: &self.label,
            r0_ohm: ohms_f64(self.element.r0()),
            class: self.class.name(),
            construction: self.construction.name(),
            rows: Rows(self),
        }
        .serialize(serializer)
    }
}

/// Made one after another: a table may have a million.
struct Rows<'t>(&'t Table);

impl Serialize for Rows<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.0.rows())
    }
}

impl Serialize for Row {
    #[expect(clippy::cast_precision_loss, reason = "below 2^53")]
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Shape {
            celsius: f64,
            ohms: f64,
            tolerance_k: Option<f64>,
        }
        Shape {
            celsius: f64::from(self.millidegrees) / 1e3,
            ohms: ohms_f64(self.ohms),
            tolerance_k: self.tolerance.map(|tolerance| tolerance.kelvins as f64 / PER_KELVIN),
        }
        .serialize(serializer)
    }
}

#[expect(clippy::cast_precision_loss, reason = "below 2^34")]
fn ohms_f64(ohms: Ohms) -> f64 {
    ohms.as_micro_ohms() as f64 / 1e6
}

/// As many decimals as a number of thousandths needs.
const fn decimals(thousandths: i64) -> u32 {
    if thousandths % 1000 == 0 {
        0
    } else if thousandths % 100 == 0 {
        1
    } else if thousandths % 10 == 0 {
        2
    } else {
        3
    }
}

/// `value`, a number of 10^−`held` parts, with `shown` decimals, rounded half away from zero.
fn fixed(value: i128, held: u32, shown: u32) -> String {
    let drop = 10_u128.pow(held.saturating_sub(shown));
    let size = (value.unsigned_abs() + drop / 2) / drop;
    let one = 10_u128.pow(shown);
    let sign = if value < 0 && size > 0 { "-" } else { "" };
    if shown == 0 {
        format!("{sign}{size}")
    } else {
        format!("{sign}{}.{:0width$}", size / one, size % one, width = shown as usize)
    }
}

/// A resistance with as many decimals as it needs, at most four.
fn trimmed(ohms: Ohms) -> String {
    let text = fixed(i128::from(ohms.as_micro_ohms()), 6, 4);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_is_to_nearest_and_zero_has_no_sign() {
        assert_eq!(fixed(335_305_004, 6, 2), "335.31");
        assert_eq!(fixed(-1_500, 3, 0), "-2");
        assert_eq!(fixed(-400, 3, 0), "0");
        assert_eq!(fixed(1_085_000, 7, 3), "0.109");
        assert_eq!(fixed(50, 3, 3), "0.050");
    }
}
