//! The wiring figures, which come from outside: what they hold is in `tests/data/README.md`.

use crate::rows;

/// One row of `rtd_wiring_checks.csv`.
pub struct Figure {
    /// What it is; the end of some names is an element or a number of bits.
    pub name: String,
    /// What it was computed from, as `name=value` with blanks between.
    pub inputs: String,
    /// What came of it.
    pub value: f64,
    /// Half of its last printed digit.
    pub half_digit: f64,
}

/// All of them.
///
/// # Panics
/// When a row holds no number.
#[must_use]
pub fn figures() -> Vec<Figure> {
    let parse = |(line, cells): (usize, Vec<String>)| {
        let digits = &cells[2];
        let (mantissa, exponent) = digits.split_once('e').unwrap_or((digits, "0"));
        let decimals = mantissa.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let exponent: i32 = exponent.parse().unwrap_or_else(|_| panic!("line {line}: no exponent"));
        Figure {
            name: cells[0].clone(),
            inputs: cells[1].clone(),
            value: digits.parse().unwrap_or_else(|_| panic!("line {line}: no number: {digits}")),
            half_digit: 0.5 * 10_f64.powi(exponent - i32::try_from(decimals).expect("a few digits")),
        }
    };
    rows("rtd_wiring_checks.csv").into_iter().map(parse).collect()
}

impl Figure {
    /// The input called `name`, as it is written; nothing where there is none.
    #[must_use]
    pub fn word(&self, name: &str) -> Option<&str> {
        self.inputs.split(' ').find_map(|part| part.strip_prefix(name)?.strip_prefix('='))
    }

    /// The input called `name`.
    ///
    /// # Panics
    /// Where there is none.
    #[must_use]
    #[track_caller]
    pub fn input(&self, name: &str) -> f64 {
        let text = self.word(name).unwrap_or_else(|| panic!("{} {}: no {name}", self.name, self.inputs));
        text.parse().unwrap_or_else(|_| panic!("{} {}: {name} is no number", self.name, self.inputs))
    }

    /// The number of bits at the end of the name.
    ///
    /// # Panics
    /// Where there is none.
    #[must_use]
    #[track_caller]
    pub fn bits(&self) -> u32 {
        let bits = self.name.rsplit('_').next().and_then(|end| end.strip_suffix("bit"));
        bits.and_then(|bits| bits.parse().ok()).unwrap_or_else(|| panic!("{}: no bits", self.name))
    }
}
