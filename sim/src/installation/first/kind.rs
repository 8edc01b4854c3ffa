//! The forms that an answer can have: how it is read, and what is said where it cannot be.

use super::sheet::{Sheet, quoted};
use super::{Refused, nearest};
use crate::decimal::Decimal;
use crate::diagnostic::excerpt;
use crate::schedule::Schedule;

/// The form of an answer, and what it changes.
#[derive(Debug)]
pub(super) enum Kind {
    /// Any text on one line; handed on in quotes.
    Text(fn(&mut Sheet, &str)),
    /// One word of several.
    Word { words: fn() -> Vec<&'static str>, set: fn(&mut Sheet, &str) },
    /// A number.
    Number { range: Range, set: fn(&mut Sheet, f64) },
    /// A number, or none.
    Offered { range: Range, set: fn(&mut Sheet, Option<f64>) },
    /// Measures with an x between them, or a word for them.
    Measures { count: usize, range: Range, words: &'static [(&'static str, [f64; 3])], set: fn(&mut Sheet, &[f64]) },
    /// Times of the week.
    Schedule(fn(&mut Sheet, &str)),
}

/// The numbers that can be, and their unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    /// Empty for a number of things.
    pub(super) unit: &'static str,
    pub(super) least: f64,
    pub(super) most: f64,
    pub(super) is_whole: bool,
}

/// An example of a schedule.
const SCHEDULE: &str = "mon-fri 07:30-08:30, sat 10:00-22:00";

/// Longest text of an answer, in characters.
const LONGEST: usize = 100;

impl Kind {
    /// What can be answered, in words.
    pub(super) fn choice(&self) -> String {
        match self {
            Self::Text(_) => "text".to_owned(),
            Self::Word { words, .. } => words().join(", "),
            Self::Number { range, .. } => range.words(),
            Self::Offered { range, .. } => format!("{}, or none", range.words()),
            Self::Measures { range, words, .. } => {
                let each = format!("each {}", range.words());
                words.iter().fold(each, |choice, (word, _)| choice + ", " + word)
            }
            Self::Schedule(_) => format!("as in {SCHEDULE}"),
        }
    }

    /// Reads `answer` and changes the file by it.
    pub(super) fn apply(&self, sheet: &mut Sheet, answer: &str) -> Result<(), Refused> {
        match self {
            Self::Text(set) => set(sheet, &quoted(text(answer)?)),
            Self::Word { words, set } => set(sheet, word(answer, &words())?),
            Self::Number { range, set } => set(sheet, range.read(answer)?),
            Self::Offered { range, set } => {
                let or_none = |refused: Refused| Refused { remedy: refused.remedy + ", or none", ..refused };
                let is_none = answer.eq_ignore_ascii_case("none");
                set(sheet, if is_none { None } else { Some(range.read(answer).map_err(or_none)?) });
            }
            Self::Measures { count, range, words, set } => set(sheet, &measures(answer, *count, range, words)?),
            Self::Schedule(set) => {
                let refused = |error: crate::schedule::ScheduleError| Refused::new(error.to_string(), SCHEDULE);
                answer.parse::<Schedule>().map_err(refused)?;
                set(sheet, answer);
            }
        }
        Ok(())
    }
}

impl Range {
    /// `1 to 8`, `5 to 1000 Ah`.
    fn words(&self) -> String {
        format!("{} to {} {}", self.least, self.most, self.unit).trim_end().to_owned()
    }

    fn read(&self, answer: &str) -> Result<f64, Refused> {
        let refused = |what: &str| {
            let kind = if self.is_whole { "a whole number" } else { "a number" };
            Refused::new(format!("\"{}\" is {what}", excerpt(answer)), format!("{kind} from {}", self.words()))
        };
        let text = answer.strip_suffix(self.unit).unwrap_or(answer).trim_end();
        if text.contains(',') {
            return Err(refused("written with a comma; a number here has a point"));
        }
        let decimal: Decimal = text.parse().map_err(|error: crate::decimal::NotDecimal| refused(&error.to_string()))?;
        let thousandths = decimal.parts(3).map_err(|_| refused("not a number of at most three decimals"))?;
        if self.is_whole && thousandths % 1000 != 0 {
            return Err(refused("not a whole number"));
        }
        #[expect(clippy::cast_precision_loss, reason = "what is beyond 2⁵³ is out of range")]
        let value = thousandths as f64 / 1000.0;
        if value < self.least {
            return Err(refused(format!("below {} {}", self.least, self.unit).trim_end()));
        }
        if value > self.most {
            return Err(refused(format!("above {} {}", self.most, self.unit).trim_end()));
        }
        Ok(value)
    }
}

fn text(answer: &str) -> Result<&str, Refused> {
    if answer.chars().any(char::is_control) {
        return Err(Refused::new("a text with a control character", "letters, digits and signs on one line"));
    }
    if answer.chars().count() > LONGEST {
        return Err(Refused::new(format!("a text of over {LONGEST} characters"), "a shorter one"));
    }
    Ok(answer)
}

fn word<'w>(answer: &str, words: &[&'w str]) -> Result<&'w str, Refused> {
    let found = words.iter().find(|word| word.eq_ignore_ascii_case(answer));
    found.copied().ok_or_else(|| {
        let all = words.join(", ");
        let remedy = match nearest(answer, words.iter().copied()) {
            Some(near) => format!("{near} (it may be {all})"),
            None => format!("one of {all}"),
        };
        Refused::new(format!("\"{}\" is no answer here", excerpt(answer)), remedy)
    })
}

fn measures(
    answer: &str,
    count: usize,
    range: &Range,
    words: &[(&'static str, [f64; 3])],
) -> Result<Vec<f64>, Refused> {
    if let Some((_, measures)) = words.iter().find(|(word, _)| word.eq_ignore_ascii_case(answer)) {
        return Ok(measures.to_vec());
    }
    let text = answer.strip_suffix(range.unit).unwrap_or(answer);
    let parts: Vec<&str> = text.split(['x', 'X', '×']).map(str::trim).collect();
    if parts.len() != count || parts.iter().any(|part| part.is_empty()) {
        let form = ["330", "172", "215"][..count].join("x");
        let words: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let words = if words.is_empty() { String::new() } else { format!("; or one of {}", words.join(", ")) };
        let message = format!("\"{}\" is not {count} measures", excerpt(answer));
        return Err(Refused::new(message, format!("{form}, in mm{words}")));
    }
    parts.into_iter().map(|part| range.read(part)).collect()
}
