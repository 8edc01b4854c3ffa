//! The letters of a matrix: states, and what came of a scene.

use super::matrix::Matrix;
use super::scene::{Cell, Verdict};
use forewarm_core::signals::State;

/// How each state is headed.
pub(super) const fn letter(state: State) -> char {
    match state {
        State::Starting => 'S',
        State::Waiting => 'W',
        State::Warming => 'H',
        State::SoakingWarm => 'k',
        State::Soaking => 'K',
        State::Holding => 'c',
        State::Permitting => 'C',
        State::Faulted => 'F',
    }
}

/// What is on in a state, for somebody who does not know the controller's words.
pub(super) const fn glossary(state: State) -> &'static str {
    match state {
        State::Starting => "starting (both off)",
        State::Waiting => "waiting (both off)",
        State::Warming => "warming (heater on)",
        State::SoakingWarm => "soaking, heater on",
        State::Soaking => "soaking, heater off (warm, charge not yet permitted)",
        State::Holding => "charge permitted, heater on",
        State::Permitting => "charge permitted, heater off",
        State::Faulted => "faulted (the converter of the first cell thermometer already reports a fault; both off)",
    }
}

/// What is said under the signs.
pub(super) const SIGN_NOTES: [&str; 2] = [
    "Blank: the state is not reached at this temperature.",
    "What is reported in a state anyway does not count: in F, a further fault of the same thermometer shows as not reported.",
];

/// How a scene is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    Reported,
    Silent,
    CutOut,
    Blind,
    BlindWithHarm,
    Harm,
}

impl Sign {
    pub(super) const ALL: [Self; 6] =
        [Self::Reported, Self::Silent, Self::CutOut, Self::Blind, Self::BlindWithHarm, Self::Harm];

    pub(super) fn of(cell: &Cell) -> Self {
        match cell.verdict {
            Verdict::Unsafe => Self::Harm,
            Verdict::Undetectable if cell.harm.is_any() => Self::BlindWithHarm,
            Verdict::Undetectable => Self::Blind,
            Verdict::Safe if cell.cut_out => Self::CutOut,
            Verdict::Safe if cell.found.is_some() => Self::Reported,
            Verdict::Safe => Self::Silent,
        }
    }

    pub(super) const fn letter(self) -> char {
        match self {
            Self::Reported => '+',
            Self::Silent => '.',
            Self::CutOut => 'o',
            Self::Blind => '?',
            Self::BlindWithHarm => '!',
            Self::Harm => 'X',
        }
    }

    pub(super) const fn meaning(self) -> &'static str {
        match self {
            Self::Reported => "reported, and no limit passed",
            Self::Silent => "no limit passed, and not reported within 8 h: the installation may not work as it should",
            Self::CutOut => "no limit passed, because the heater's thermal cut-out opened",
            Self::Blind => "cannot be found here; no temperature limit passed within 8 h",
            Self::BlindWithHarm => "cannot be found here, or not in time, and a part passed its limit",
            Self::Harm => "a part passed its limit, although the inputs here can show the fault",
        }
    }

    /// How many scenes of `matrix` have it.
    pub(super) fn count(self, matrix: &Matrix) -> usize {
        matrix.cells.iter().filter(|cell| Self::of(cell) == self).count()
    }
}

/// A time, short.
pub(super) fn span(seconds: f64) -> String {
    let (number, unit) = parts(seconds);
    format!("{number} {unit}")
}

/// From the shortest to the longest time.
pub(super) fn range(least_s: f64, most_s: f64) -> String {
    let ((least, unit), (most, other)) = (parts(least_s), parts(most_s));
    match unit == other {
        true if least == most => span(most_s),
        true => format!("{least} … {most} {unit}"),
        false => format!("{least} {unit} … {most} {other}"),
    }
}

fn parts(seconds: f64) -> (String, &'static str) {
    match seconds {
        s if s < 120.0 => (format!("{s:.0}"), "s"),
        s if s < 7200.0 => (format!("{:.0}", s / 60.0), "min"),
        s => (format!("{:.1}", s / 3600.0), "h"),
    }
}
