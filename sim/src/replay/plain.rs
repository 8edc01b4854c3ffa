//! Reads plain rows fast: whole lines without quotes, with nothing in them that the general path would have to judge.
//!
//! A row is plain if each cell that the replay uses is a number such as `-7.25`, a flag `0` or `1`, or empty, and the
//! time is a number or a date and time like the one before it. Any other row is left to the general path
//! ([`Records`](crate::csv_text::records::Records)), untouched. So this path has no errors, and nothing to report: it
//! reads a row as the general path would have read it, or not at all.

use super::assignment::{Flag, Number};
use super::clock::TimeFormat;
use super::rows::Row;
use jiff::Timestamp;

/// Reads plain rows.
pub(super) struct Plain {
    delimiter: u8,
    /// What to do with each cell, from left to right.
    cells: Vec<Cell>,
    time: Time,
}

/// What a cell is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Cell {
    Unused,
    Time,
    Number(Number),
    Flag(Flag),
}

/// How moments are read.
enum Time {
    /// As numbers in this format.
    Number(TimeFormat),
    /// As times of one day. At first there is none.
    Date(Option<Day>),
}

/// The columns of a log.
pub(super) struct Columns<'c> {
    pub(super) width: usize,
    pub(super) time: usize,
    pub(super) numbers: &'c [usize],
    pub(super) flags: &'c [usize],
}

impl Plain {
    /// For rows with these columns. `None` if a column has two uses, or if the delimiter could be part of a cell: such
    /// a log is rare, and the general path reads it.
    pub(super) fn new(columns: &Columns<'_>, delimiter: u8, format: TimeFormat) -> Option<Self> {
        let time = match format {
            TimeFormat::Rfc3339 => Time::Date(None),
            number => Time::Number(number),
        };
        let mut cells = vec![Cell::Unused; columns.width];
        let numbers = columns.numbers.iter().enumerate().map(|(place, &field)| (field, Cell::Number(place)));
        let flags = columns.flags.iter().enumerate().map(|(place, &field)| (field, Cell::Flag(place)));
        for (field, use_of_it) in numbers.chain(flags).chain([(columns.time, Cell::Time)]) {
            let cell = cells.get_mut(field)?;
            if *cell != Cell::Unused {
                return None;
            }
            *cell = use_of_it;
        }
        matches!(delimiter, b',' | b';' | b'\t').then_some(Self { delimiter, cells, time })
    }

    /// Reads the row that `text` begins with, except for its time, into `row`. Returns the length of its line and its
    /// moment (ms); `None` if it is not plain, or if `text` ends before the line does.
    #[inline]
    pub(super) fn read(&self, text: &[u8], row: &mut Row) -> Option<(usize, i64)> {
        if text.first() == Some(&b'#') {
            return None;
        }
        let (mut rest, mut millis) = (text, None);
        for (index, cell) in self.cells.iter().enumerate() {
            let length = match *cell {
                Cell::Number(place) => match number(rest) {
                    Some((value, length)) => {
                        row.set_number(place, value);
                        length
                    }
                    // An empty cell stays NaN. If there is something in it, its end is not where it should be.
                    None => 0,
                },
                Cell::Flag(place) => match rest.first()? {
                    digit @ (b'0' | b'1') => {
                        row.set_flag(place, *digit == b'1');
                        1
                    }
                    _ => 0,
                },
                Cell::Unused => {
                    let ends = |byte: u8| byte == self.delimiter || matches!(byte, b'\n' | b'\r' | b'"' | 0);
                    rest.iter().position(|&byte| ends(byte))?
                }
                Cell::Time => {
                    let (moment, length) = self.moment(rest)?;
                    millis = Some(moment);
                    length
                }
            };
            let is_last = index + 1 == self.cells.len();
            rest = match rest.get(length..)? {
                [b'\n', rest @ ..] | [b'\r', b'\n', rest @ ..] if is_last => rest,
                [sign, rest @ ..] if *sign == self.delimiter && !is_last => rest,
                _ => return None,
            };
        }
        Some((text.len() - rest.len(), millis?))
    }

    /// The moment (ms) at the start of `text`, and its length.
    #[inline]
    fn moment(&self, text: &[u8]) -> Option<(i64, usize)> {
        match &self.time {
            Time::Number(format) => {
                let (value, length) = number(text)?;
                Some((format.of_number(value).ok()?, length))
            }
            Time::Date(day) => day.as_ref()?.moment(text),
        }
    }

    /// Learns from the general path that `field` is `millis`.
    #[inline]
    pub(super) fn learn(&mut self, field: &[u8], millis: i64) {
        if let Time::Date(day) = &mut self.time {
            *day = Day::of(field, millis);
        }
    }
}

/// Most digits of a number. So many are exact in an f64, and so is the power of ten below them. The quotient of the two
/// is then the number rounded once, as the general path rounds it (Clinger 1990).
const MOST_DIGITS: usize = 15;

const POWERS: [f64; MOST_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// The number at the start of `text`, and its length. Only the caller knows whether the cell ends there.
#[inline]
fn number(text: &[u8]) -> Option<(f64, usize)> {
    let start = usize::from(*text.first()? == b'-');
    let (mut value, point) = digits(text, start, 0);
    let (mut end, mut decimals) = (point, 0);
    if text.get(point) == Some(&b'.') {
        (value, end) = digits(text, point + 1, value);
        decimals = end - (point + 1);
        // `5.` is left to the general path.
        if decimals == 0 {
            return None;
        }
    }
    let whole = point - start;
    if whole == 0 || whole + decimals > MOST_DIGITS {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "15 digits at most: below 2^53")]
    let magnitude = value as f64 / POWERS.get(decimals)?;
    Some((if start == 1 { -magnitude } else { magnitude }, end))
}

/// Appends the digits of `text` from `at` on to `value`. Returns the place behind them too. Of more than
/// [`MOST_DIGITS`] it makes some number.
#[inline]
fn digits(text: &[u8], mut at: usize, mut value: i64) -> (i64, usize) {
    while let Some(digit) = text.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit <= 9) {
        value = value.wrapping_mul(10).wrapping_add(i64::from(digit));
        at += 1;
    }
    (value, at)
}

/// The start of a date up to its hours: `2025-01-31T`.
const DATE: usize = 11;
/// The times of day of one date, as `13:45:00` with up to three decimals, in one zone.
///
/// The general path reads the first time of each date. Every other time of that date lies as far from it as the
/// numbers say, so only the numbers need reading.
struct Day {
    date: [u8; DATE],
    zone: Zone,
    midnight_ms: i64,
}

impl Day {
    /// The day of a `field` that the general path has read as `millis`. `None` if the field has another form.
    #[cold]
    fn of(field: &[u8], millis: i64) -> Option<Self> {
        let (date, time) = field.split_first_chunk()?;
        let (of_day, length) = time_of_day(time)?;
        let midnight_ms = millis - of_day;
        // Every time of the day must be one that the general path accepts.
        let is_possible = |millis| Timestamp::from_millisecond(millis).is_ok();
        let zone = Zone::new(time.get(length..)?)
            .filter(|_| is_possible(midnight_ms) && is_possible(midnight_ms + 86_400_000))?;
        Some(Self { date: *date, zone, midnight_ms })
    }

    /// The moment (ms) of the date at the start of `text`, if it is of this day, and its length.
    #[inline]
    fn moment(&self, text: &[u8]) -> Option<(i64, usize)> {
        let (date, time) = text.split_first_chunk()?;
        if *date != self.date {
            return None;
        }
        let (of_day, length) = time_of_day(time)?;
        let zone = self.zone.starts(time.get(length..)?);
        zone.then_some((self.midnight_ms + of_day, DATE + length + self.zone.length))
    }
}

/// What follows a time: a zone offset, or nothing.
struct Zone {
    length: usize,
    /// Its bytes, the first one lowest, and ones where they are.
    bytes: u64,
    mask: u64,
}

impl Zone {
    fn new(text: &[u8]) -> Option<Self> {
        let is_offset = text.iter().all(|byte| matches!(byte, b'Z' | b'z' | b'+' | b'-' | b':' | b'0'..=b'9'));
        let (mut bytes, mut mask) = ([0; 8], [0; 8]);
        bytes.get_mut(..text.len()).filter(|_| is_offset)?.copy_from_slice(text);
        mask.get_mut(..text.len())?.fill(0xFF);
        Some(Self { length: text.len(), bytes: u64::from_le_bytes(bytes), mask: u64::from_le_bytes(mask) })
    }

    /// Whether `text` starts with this zone.
    #[inline]
    fn starts(&self, text: &[u8]) -> bool {
        text.first_chunk().is_some_and(|bytes| u64::from_le_bytes(*bytes) & self.mask == self.bytes)
    }
}

/// The time of day (ms) at the start of `text`, and its length.
#[inline]
fn time_of_day(text: &[u8]) -> Option<(i64, usize)> {
    let (time, rest) = text.split_first_chunk()?;
    let values = u64::from_le_bytes(*time) ^ u64::from_le_bytes(*b"00:00:00");
    // The first constant sets the top bit of every byte that is no digit, or that is no colon where a colon belongs.
    // A carry only reaches bytes behind such a one.
    let others = (values.wrapping_add(0x7676_7F76_767F_7676) | values) & 0x8080_8080_8080_8080;
    let pairs = values.wrapping_mul(10).wrapping_add(values >> 8).to_le_bytes();
    let (hours, minutes, seconds) = (i64::from(pairs[0]), i64::from(pairs[3]), i64::from(pairs[6]));
    if others != 0 || hours > 23 || minutes > 59 || seconds > 59 {
        return None;
    }
    let (thousandths, fraction) = if rest.first() == Some(&b'.') { thousandths(rest.get(1..)?)? } else { (0, 0) };
    Some((((hours * 60 + minutes) * 60 + seconds) * 1000 + thousandths, time.len() + fraction))
}

/// Up to three decimals at the start of `text`, in thousandths, and their length with the point before them. More would
/// be parts of a millisecond, which the general path cuts.
fn thousandths(text: &[u8]) -> Option<(i64, usize)> {
    let (value, count) = digits(text, 0, 0);
    let scale = [100, 10, 1].get(count.checked_sub(1)?)?;
    Some((value * scale, count + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::csv_text::cells;
    use proptest::prelude::*;

    /// For the columns time, a number, one that is not used, a flag.
    fn plain(format: TimeFormat) -> Plain {
        let columns = Columns { width: 4, time: 0, numbers: &[1], flags: &[3] };
        Plain::new(&columns, b',', format).unwrap()
    }

    /// The bytes, moment, number and flag of a row that is read after `2025-01-31T00:00:00Z`.
    fn read(text: &str, format: TimeFormat) -> Option<(usize, i64, f64, Option<bool>)> {
        let mut plain = plain(format);
        plain.learn(b"2025-01-31T00:00:00Z", 1_738_281_600_000);
        let mut row = Row::new(0);
        let (length, millis) = plain.read(text.as_bytes(), &mut row)?;
        Some((length, millis, row.numbers[0], row.flag(0)))
    }

    #[test]
    fn the_rows_of_a_usual_log_are_plain() {
        let epoch = |text| read(text, TimeFormat::EpochSeconds);
        assert_eq!(epoch("1738281601,-7.25,x y,1\nnext"), Some((23, 1_738_281_601_000, -7.25, Some(true))));
        assert_eq!(epoch("1738281601.5,12,,0\r\nnext"), Some((20, 1_738_281_601_500, 12.0, Some(false))));
        let (_, _, number, flag) = epoch("1738281601,,,\nnext").unwrap();
        assert!(number.is_nan() && flag.is_none());
        let date = |text| read(text, TimeFormat::Rfc3339).map(|(_, millis, ..)| millis);
        assert_eq!(date("2025-01-31T00:00:01Z,1,,\nnext"), Some(1_738_281_601_000));
        assert_eq!(date("2025-01-31T23:59:59.25Z,1,,\nnext"), Some(1_738_367_999_250));
    }

    #[test]
    fn rows_with_something_to_judge_are_not() {
        for row in [
            "1,-7.25,x,1",           // does not end
            "1,-7.25,x,1\r",         // neither
            "1,-7.25,x\nnext",       // a cell too few
            "1,-7.25,x,1,2\nnext",   // a cell too many
            "1,\"-7.25\",x,1\nnext", // quotes
            "1,-7.25,\"x,y\",1\nnext",
            "1,-7.25,x\0y,1\nnext", // no text
            "1,-7.25,x\ry,1\nnext", // a line end within the line
            "1,7e1,x,1\nnext",      // other forms of number and flag
            "1,7.,x,1\nnext",
            "1,.7,x,1\nnext",
            "1,-,x,1\nnext",
            "1, 7,x,1\nnext",
            "1,NaN,x,1\nnext",
            "1,7,x,2\nnext",
            "1,7,x,10\nnext",
            "1,7,x,on\nnext",
            ",7,x,1\nnext", // no time
            "x,7,x,1\nnext",
            "#1,7,x,1\nnext", // a comment
            "\nnext",
        ] {
            assert_eq!(read(row, TimeFormat::ElapsedSeconds), None, "{row:?}");
        }
        for time in [
            "2025-02-01T00:00:01Z", // another day
            "2025-01-31 00:00:01Z", // another form
            "2025-01-31T00:00:01",
            "2025-01-31T00:00:01+01:00",
            "2025-01-31T00:00:01Zx",
            "2025-01-31T00:00Z",
            "2025-01-31T00:00:60Z", // a leap second
            "2025-01-31T24:00:00Z",
            "2025-01-31T00:00:01.0005Z", // part of a millisecond
            "2025-01-31T00:00:01.Z",
        ] {
            assert_eq!(read(&format!("{time},1,,\nnext"), TimeFormat::Rfc3339), None, "{time}");
        }
    }

    #[test]
    fn a_column_of_two_uses_and_an_odd_delimiter_are_left_to_the_general_path() {
        let columns = |numbers, flags| Columns { width: 3, time: 0, numbers, flags };
        let format = TimeFormat::EpochSeconds;
        assert!(Plain::new(&columns(&[1, 2], &[]), b';', format).is_some());
        assert!(Plain::new(&columns(&[1], &[1]), b',', format).is_none());
        assert!(Plain::new(&columns(&[0, 1], &[]), b',', format).is_none());
        assert!(Plain::new(&columns(&[1], &[]), b' ', format).is_none());
    }

    /// The zone of a date, as a pattern.
    const ZONE: &str = "|Z|z|[+-]0[0-9]:[0-5][0-9]|[+-]0[0-9]";

    proptest! {
        #[test]
        fn a_number_is_that_of_the_general_path_to_the_last_bit(
            text in "-?[0-9]{0,9}(\\.[0-9]{0,9})?", long in "-?[0-9]{1,18}\\.[0-9]{0,20}", after in "[,\n\r;x ]{1,9}",
        ) {
            for text in [text, long] {
                let line = format!("{text}{after}");
                if let Some((value, length)) = number(line.as_bytes()) {
                    prop_assert_eq!(length, text.len());
                    prop_assert_eq!(Some(value.to_bits()), cells::number(text.as_bytes()).map(f64::to_bits));
                }
            }
        }

        #[test]
        fn every_number_of_up_to_15_digits_is_read(whole in 0..1_000_000_000_u64, decimals in "[0-9]{1,6}") {
            let plain = [format!("{whole},aaaaaaa"), format!("-{whole}.{decimals},aaaaaaa")];
            for text in plain {
                let (number, _) = text.split_once(',').unwrap();
                let read = super::number(text.as_bytes()).map(|(value, _)| value.to_bits());
                prop_assert_eq!(read, Some(number.parse::<f64>().unwrap().to_bits()));
            }
        }

        #[test]
        fn a_time_of_a_known_day_is_that_of_the_general_path(
            day in -719_000..2_932_000_i32,
            first in (0..24, 0..60, 0..60),
            sign in "[T ]",
            fraction in "(\\.[0-9]{1,3})?",
            zone in ZONE,
            others in proptest::collection::vec(((0..25, 0..61, 0..61), "(\\.[0-9]{1,4})?", ZONE), 8),
        ) {
            let format = TimeFormat::Rfc3339;
            let midnight = Timestamp::from_second(i64::from(day) * 86_400).unwrap();
            let date = midnight.to_zoned_datetime(jiff::tz::TimeZone::UTC).strftime("%Y-%m-%d").to_string();
            let write = |(h, m, s): (i32, i32, i32), fraction: &str, zone: &str| {
                format!("{date}{sign}{h:02}:{m:02}:{s:02}{fraction}{zone}")
            };
            let first = write(first, &fraction, &zone);
            let known = Day::of(first.as_bytes(), format.parse(first.as_bytes()).unwrap()).unwrap();
            for (time, other_fraction, other_zone) in others {
                for (fraction, zone) in [(&fraction, &zone), (&other_fraction, &zone), (&fraction, &other_zone)] {
                    let text = write(time, fraction, zone);
                    let line = format!("{text},aaaaaaaa");
                    let read = known.moment(line.as_bytes()).filter(|(_, length)| *length == text.len());
                    if let Some((millis, _)) = read {
                        prop_assert_eq!(Ok(millis), format.parse(text.as_bytes()), "{}", text);
                        continue;
                    }
                    let (h, m, s) = time;
                    let is_odd = h == 24 || m == 60 || s == 60 || fraction.len() == 5 || zone == &other_zone;
                    prop_assert!(is_odd, "{} is plain", text);
                }
            }
        }
    }
}
