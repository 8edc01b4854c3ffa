//! Schedules: when something happens, by the week.
//!
//! A schedule is days, and after them the times that hold on each of them: `mon-fri 07:30-08:30, sat,sun 10:00-12:00
//! 14:00-15:00`. Blanks and commas both separate. Days are `mon` to `sun`, ranges of them, which may run over the end
//! of the week, or `daily`. A time that ends before it begins runs past midnight.

use crate::diagnostic::excerpt;
use jiff::civil::DateTime;
use std::fmt;
use std::str::FromStr;

/// Parts of the week, to the minute. Monday 00:00 is minute 0.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Schedule {
    /// First minute of each slot and the minute after its last. In order, with a space between slots.
    slots: Vec<(u32, u32)>,
}

/// Minutes in a week.
pub const WEEK: u32 = 7 * DAY;

const DAY: u32 = 24 * 60;

const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// Why a text is not a [`Schedule`]. Each carries the part of the text that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ScheduleError {
    /// It is empty.
    Empty,
    /// A word that is not a day, a range of days or a time.
    NeitherDayNorTime(String),
    /// A semicolon where the next days begin: the part before it, and the part after it.
    Semicolon(String, String),
    /// A time without a day before it.
    NoDay(String),
    /// A day without a time after it.
    NoTime(String),
    /// Not a time, or a time outside the day.
    NotATime(String),
    /// A slot that ends when it begins. It could mean nothing or a whole day.
    NoLength(String),
    /// Two slots that share a minute.
    Overlap(String, String),
}

impl fmt::Display for ScheduleError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const FORM: &str = "write it as in \"mon-fri 07:30-08:30, sat,sun 10:00-12:00 14:00-15:00\"";
        match self {
            Self::Empty => write!(f, "an empty schedule; {FORM}"),
            Self::NeitherDayNorTime(word) => write!(
                f,
                "\"{}\" is neither a day nor a time; days are mon, tue, wed, thu, fri, sat, sun, ranges as mon-fri, and daily; {FORM}",
                excerpt(word)
            ),
            Self::Semicolon(before, after) if after.is_empty() => {
                write!(f, "a semicolon after \"{}\"; leave it out", excerpt(before))
            }
            Self::Semicolon(before, after) => write!(
                f,
                "a semicolon after \"{}\"; write a comma: \"{}, {}\"",
                excerpt(before),
                excerpt(before),
                excerpt(after)
            ),
            Self::NoDay(slot) => write!(f, "\"{}\" has no day before it; {FORM}", excerpt(slot)),
            Self::NoTime(day) => write!(f, "\"{}\" has no time after it; {FORM}", excerpt(day)),
            Self::NotATime(slot) => write!(
                f,
                "\"{}\" is not a time from 00:00 to 24:00, as in 07:30-08:30; a time that ends before it begins runs past midnight",
                excerpt(slot)
            ),
            Self::NoLength(slot) => {
                write!(f, "\"{}\" ends when it begins; a whole day is 00:00-24:00", excerpt(slot))
            }
            Self::Overlap(first, second) => write!(
                f,
                "the schedule overlaps itself: \"{first}\" and \"{second}\"; end the first before the second begins, or make one of them"
            ),
        }
    }
}

impl std::error::Error for ScheduleError {}

impl FromStr for Schedule {
    type Err = ScheduleError;

    fn from_str(text: &str) -> Result<Self, ScheduleError> {
        // This comes before the words. Otherwise the word before the sign would be blamed.
        if let Some((before, after)) = text.split_once(';') {
            let before = before.rsplit(',').next().unwrap_or_default().trim();
            let after = after.split([',', ';']).next().unwrap_or_default().trim();
            return Err(ScheduleError::Semicolon(before.to_owned(), after.to_owned()));
        }
        let mut named: Vec<Slot> = Vec::new();
        let mut days: Vec<u32> = Vec::new();
        // The latest word for a day, until a time follows it.
        let mut waiting: Option<&str> = None;
        for word in text.split([',', ' ', '\t', '\n', '\r']).filter(|word| !word.is_empty()) {
            if let Some(more) = days_of(word) {
                if waiting.replace(word).is_none() {
                    days.clear();
                }
                days.extend(more);
            } else if word.starts_with(|c: char| c.is_ascii_digit()) {
                if days.is_empty() {
                    return Err(ScheduleError::NoDay(word.into()));
                }
                waiting = None;
                let (from, to) = slot_of(word)?;
                named.extend(days.iter().map(|&day| Slot {
                    from: day * DAY + from,
                    to: day * DAY + to,
                    written: word,
                }));
            } else {
                return Err(ScheduleError::NeitherDayNorTime(word.into()));
            }
        }
        if let Some(day) = waiting {
            return Err(ScheduleError::NoTime(day.into()));
        }
        if named.is_empty() {
            return Err(ScheduleError::Empty);
        }
        joined(named)
    }
}

/// A slot of one day as it was written. It may run past the end of the week.
#[derive(Clone, Copy)]
struct Slot<'t> {
    from: u32,
    to: u32,
    written: &'t str,
}

impl fmt::Display for Slot<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", DAYS[(self.from / DAY % 7) as usize], self.written)
    }
}

fn days_of(word: &str) -> Option<Vec<u32>> {
    let day = |name: &str| (0..7_u32).zip(DAYS).find(|(_, day)| day.eq_ignore_ascii_case(name)).map(|(day, _)| day);
    if word.eq_ignore_ascii_case("daily") {
        return Some((0..7).collect());
    }
    match word.split_once('-') {
        None => day(word).map(|day| vec![day]),
        Some((from, to)) => {
            let (from, to) = (day(from)?, day(to)?);
            let days = (to + 7 - from) % 7 + 1;
            Some((from..from + days).map(|day| day % 7).collect())
        }
    }
}

/// First minute of a slot in its day, and the minute after its last. The latter lies beyond the day if the slot runs
/// past midnight.
fn slot_of(word: &str) -> Result<(u32, u32), ScheduleError> {
    let minute = |text: &str| {
        let (hour, minute) = text.split_once(':')?;
        let digits = |text: &str, least: usize| {
            let fits = (least..=2).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
            fits.then(|| text.parse::<u32>().ok())?
        };
        let (hour, minute) = (digits(hour, 1)?, digits(minute, 2)?);
        (minute < 60 && hour * 60 + minute <= DAY).then_some(hour * 60 + minute)
    };
    let (from, to) = word
        .split_once('-')
        .and_then(|(from, to)| Some((minute(from)?, minute(to)?)))
        .filter(|&(from, _)| from < DAY)
        .ok_or_else(|| ScheduleError::NotATime(word.into()))?;
    if from == to {
        return Err(ScheduleError::NoLength(word.into()));
    }
    Ok((from, if to < from { to + DAY } else { to }))
}

/// The slots in order. Those that touch become one.
fn joined(named: Vec<Slot>) -> Result<Schedule, ScheduleError> {
    let mut parts: Vec<(u32, u32, Slot)> = Vec::with_capacity(named.len() + 1);
    for slot in named {
        parts.push((slot.from, slot.to.min(WEEK), slot));
        if slot.to > WEEK {
            parts.push((0, slot.to - WEEK, slot));
        }
    }
    parts.sort_by_key(|&(from, to, _)| (from, to));
    let mut slots: Vec<(u32, u32)> = Vec::with_capacity(parts.len());
    // It is enough to compare neighbours: if any two slots overlap, two neighbours do.
    let mut before: Option<Slot> = None;
    for (from, to, slot) in parts {
        match slots.last_mut() {
            Some((_, end)) if from < *end => {
                let before = before.unwrap_or(slot);
                return Err(ScheduleError::Overlap(before.to_string(), slot.to_string()));
            }
            Some((_, end)) if from == *end => *end = to,
            _ => slots.push((from, to)),
        }
        before = Some(slot);
    }
    Ok(Schedule { slots })
}

impl Schedule {
    /// Whether `minute` of the week lies in a slot.
    #[must_use]
    pub fn is_on(&self, minute: u32) -> bool {
        self.slots.iter().any(|&(from, to)| (from..to).contains(&minute))
    }

    /// How many minutes a week it is on.
    #[must_use]
    pub fn minutes(&self) -> u32 {
        self.slots.iter().map(|&(from, to)| to - from).sum()
    }

    /// Whether it is on, at second 0, which is `start`, and at each change before `span_s` (s).
    #[must_use]
    pub fn steps(&self, start: DateTime, span_s: i64) -> Vec<(i64, bool)> {
        let minute_of_week = i64::from(start.weekday().to_monday_zero_offset()) * 24 * 60
            + i64::from(start.hour()) * 60
            + i64::from(start.minute());
        let into_week_s = minute_of_week * 60 + i64::from(start.second());
        let mut steps = vec![(0, self.is_on(u32::try_from(minute_of_week).unwrap_or(0)))];
        let changes: Vec<u32> = self.changes().collect();
        let mut monday_s = -into_week_s;
        while monday_s < span_s && !changes.is_empty() {
            let at_s = |minute: u32| monday_s + i64::from(minute) * 60;
            let within = changes.iter().filter(|&&minute| (1..span_s).contains(&at_s(minute)));
            steps.extend(within.map(|&minute| (at_s(minute), self.is_on(minute))));
            monday_s += i64::from(WEEK) * 60;
        }
        steps
    }

    /// The minutes of the week, below [`WEEK`], at which it goes on or off, in order. Empty if it is on all week or
    /// never.
    pub fn changes(&self) -> impl Iterator<Item = u32> {
        let mut changes: Vec<u32> = self.slots.iter().flat_map(|&(from, to)| [from, to % WEEK]).collect();
        changes.sort_unstable();
        // Nothing changes where one slot ends with the week and another begins with it.
        changes.retain(|&minute| self.is_on(minute) != self.is_on(minute.checked_sub(1).unwrap_or(WEEK - 1)));
        changes.into_iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn schedule(text: &str) -> Schedule {
        text.parse().unwrap()
    }

    fn error(text: &str) -> ScheduleError {
        text.parse::<Schedule>().unwrap_err()
    }

    const fn at(day: u32, hour: u32, minute: u32) -> u32 {
        day * DAY + hour * 60 + minute
    }

    #[test]
    fn days_and_times_are_read_as_they_are_written() {
        let schedule = schedule("mon-fri 07:30-08:30, sat,sun 10:00-12:00 14:00-15:00");
        let mut expected: Vec<_> = (0..5).map(|day| (at(day, 7, 30), at(day, 8, 30))).collect();
        for day in 5..7 {
            expected.extend([(at(day, 10, 0), at(day, 12, 0)), (at(day, 14, 0), at(day, 15, 0))]);
        }
        assert_eq!(schedule.slots, expected);
        assert!(!schedule.is_on(at(0, 7, 29)) && schedule.is_on(at(0, 7, 30)));
        assert!(schedule.is_on(at(0, 8, 29)) && !schedule.is_on(at(0, 8, 30)));
    }

    #[test]
    fn a_range_of_days_may_run_over_the_end_of_the_week() {
        assert_eq!(schedule("sat-mon 6:00-07:00"), schedule("mon,sat,sun 06:00-07:00"));
        assert_eq!(schedule("DAILY 06:00-07:00"), schedule("mon-sun 06:00-07:00"));
        assert_eq!(schedule("wed-tue 06:00-07:00"), schedule("daily 06:00-07:00"));
        assert_eq!(schedule("wed-wed 06:00-07:00"), schedule("wed 06:00-07:00"));
    }

    #[test]
    fn a_slot_may_run_past_midnight_and_past_the_week() {
        assert_eq!(schedule("sun 22:00-06:00").slots, [(0, 360), (at(6, 22, 0), WEEK)]);
        assert_eq!(schedule("mon 22:00-24:00"), schedule("mon 22:00-00:00"));
        assert_eq!(schedule("mon 22:00-06:00"), schedule("mon 22:00-24:00, tue 00:00-06:00"));
    }

    #[test]
    fn a_change_is_where_it_goes_on_or_off_and_nowhere_else() {
        let changes = |text| schedule(text).changes().collect::<Vec<_>>();
        assert_eq!(schedule("daily 00:00-24:00").changes().count(), 0);
        assert_eq!(changes("mon 00:00-06:00 06:00-07:00"), [0, 420]);
        assert_eq!(changes("sun 22:00-06:00"), [360, at(6, 22, 0)]);
        assert_eq!(changes("sun 22:00-24:00"), [0, at(6, 22, 0)]);
        assert_eq!(Schedule::default().changes().count(), 0);
    }

    #[test]
    fn an_overlap_names_both_slots() {
        let overlap = |text, first: &str, second: &str| {
            assert_eq!(error(text), ScheduleError::Overlap(first.into(), second.into()), "{text}");
        };
        overlap("mon-fri 07:00-09:00, tue 08:59-10:00", "tue 07:00-09:00", "tue 08:59-10:00");
        overlap("daily 22:00-06:00, mon 05:00-07:00", "sun 22:00-06:00", "mon 05:00-07:00");
        overlap("mon-wed,tue 07:00-08:00", "tue 07:00-08:00", "tue 07:00-08:00");
        overlap("daily 00:00-24:00, fri 10:00-11:00", "fri 00:00-24:00", "fri 10:00-11:00");
        assert!(
            error("daily 22:00-06:00 05:00-07:00").to_string().contains("\"sun 22:00-06:00\" and \"mon 05:00-07:00\"")
        );
    }

    #[test]
    fn a_semicolon_is_named_with_its_place_and_the_comma_that_belongs_there() {
        let said = |text: &str| error(text).to_string();
        assert_eq!(
            said("mon 8:00-9:00; tue 10:00-11:00"),
            "a semicolon after \"mon 8:00-9:00\"; write a comma: \"mon 8:00-9:00, tue 10:00-11:00\""
        );
        assert!(
            said("sat 8:00-9:00, mon 8:00-9:00;tue 10:00-11:00; wed 1:00-2:00")
                .contains("\"mon 8:00-9:00, tue 10:00-11:00\"")
        );
        assert!(said("mon 8:00-9:00;").ends_with("leave it out"));
    }

    #[test]
    fn an_error_quotes_what_is_wrong() {
        for (text, part, words) in [
            ("", "", "empty"),
            (" , ,", "", "empty"),
            ("monday 07:00-08:00", "\"monday\"", "neither a day nor a time"),
            ("mon-fry 07:00-08:00", "\"mon-fry\"", "neither a day nor a time"),
            ("07:00-08:00", "\"07:00-08:00\"", "no day before it"),
            ("mon 07:00-08:00, tue", "\"tue\"", "no time after it"),
            ("mon", "\"mon\"", "no time after it"),
            ("mon 07:00", "\"07:00\"", "not a time"),
            ("mon 07:60-08:00", "\"07:60-08:00\"", "not a time"),
            ("mon 24:00-01:00", "\"24:00-01:00\"", "not a time"),
            ("mon 23:00-24:01", "\"23:00-24:01\"", "not a time"),
            ("mon 7-8", "\"7-8\"", "not a time"),
            ("mon 07:00-08:0", "\"07:00-08:0\"", "not a time"),
            ("mon 07:00-+8:00", "\"07:00-+8:00\"", "not a time"),
            ("mon 07:00-07:00", "\"07:00-07:00\"", "ends when it begins"),
            ("mon \u{1b}[31m", "\"\\u{1b}[31m\"", "neither a day nor a time"),
        ] {
            let message = error(text).to_string();
            assert!(message.contains(part) && message.contains(words), "{text}: {message}");
        }
    }

    proptest! {
        /// Compared with the slow way, which asks every slot as it was written about every minute.
        #[test]
        fn it_is_on_in_its_slots_and_nowhere_else(written in prop::collection::vec((0..7_u32, 0..DAY, 1..DAY), 1..8)) {
            let text: Vec<String> = written.iter().map(|&(day, from, length)| {
                let to = (from + length) % DAY;
                format!("{} {:02}:{:02}-{:02}:{:02}", DAYS[day as usize], from / 60, from % 60, to / 60, to % 60)
            }).collect();
            let mut covered = vec![0_u32; WEEK as usize];
            for &(day, from, length) in &written {
                for minute in 0..length {
                    covered[((day * DAY + from + minute) % WEEK) as usize] += 1;
                }
            }
            match text.join(", ").parse::<Schedule>() {
                Err(error) => {
                    prop_assert!(matches!(error, ScheduleError::Overlap(..)), "{}", error);
                    prop_assert!(covered.iter().any(|&slots| slots > 1), "{}", error);
                }
                Ok(schedule) => {
                    let mut changes = Vec::new();
                    for minute in 0..WEEK {
                        let here = covered[minute as usize];
                        prop_assert!(here <= 1, "minute {} lies in {} slots", minute, here);
                        prop_assert_eq!(schedule.is_on(minute), here == 1, "minute {}", minute);
                        if here != covered[((minute + WEEK - 1) % WEEK) as usize] {
                            changes.push(minute);
                        }
                    }
                    prop_assert_eq!(schedule.changes().collect::<Vec<_>>(), changes);
                }
            }
        }

        #[test]
        fn no_text_panics(text in any::<String>(), like in "[a-z]{0,4}[ ,-]?[0-9]{0,3}[:,-]?[0-9 :;,-]{0,12}") {
            let _ = text.parse::<Schedule>();
            let _ = like.parse::<Schedule>();
        }
    }
}
