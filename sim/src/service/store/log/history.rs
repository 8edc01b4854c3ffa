//! What the file says of the last day or month as a whole: energy, and a course in bins.

use super::Log;
use crate::diagnostic::Problem;
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES, Role};
use rusqlite::{OptionalExtension, Row, params};
use serde::Serialize;

/// A row holds until the next one, and no longer than this: there is one a minute, so after it something is missing (ms).
const HOLDS_MS: i64 = 90_000;

/// Energy that was spent on heat.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Energy {
    /// From when on it is known (ms since 1970). Later than was asked for if nobody listened before.
    pub since_utc_ms: i64,
    /// By source, in the order of the settings (Wh).
    pub sources_wh: [f64; MAX_SOURCES],
    /// By the bank itself (Wh).
    pub bank_wh: f64,
    /// Time the heater was on (h).
    pub heater_on_h: f64,
}

/// A stretch of time in bins of one width. A bin in which nothing is known holds nothing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Course {
    /// The start of the first bin (ms since 1970).
    pub from_utc_ms: i64,
    /// The width of a bin (ms).
    pub bin_ms: i64,
    /// The lowest and the highest reading of the coldest cell in each (°C).
    pub coldest_c: Vec<Option<(f64, f64)>>,
    /// The share of the known time in which the heater was on.
    pub heater: Vec<Option<f64>>,
    /// The share of the known time in which charge was permitted.
    pub charge: Vec<Option<f64>>,
}

/// What is gathered for one bin.
#[derive(Clone, Copy)]
struct Bin {
    low: Option<i64>,
    high: Option<i64>,
    known_ms: i64,
    heater_ms: i64,
    charge_ms: i64,
}

const EMPTY: Bin = Bin { low: None, high: None, known_ms: 0, heater_ms: 0, charge_ms: 0 };

/// What one row of telemetry says.
struct Moment {
    utc_ms: i64,
    heats: bool,
    permits: bool,
    channels_mdegc: [Option<i64>; MAX_CHANNELS],
}

/// One row of totals: when, and the numbers of the sources, the bank and the time, as they are in the file.
type Totals = (i64, [i64; MAX_SOURCES + 2]);

#[expect(clippy::cast_precision_loss, reason = "far below 2^53, and shown to four digits")]
fn real(value: i64) -> f64 {
    value as f64
}

impl Log {
    /// Energy spent on heat from a moment on. Nothing if the file has no totals since.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn energy(&self, from_utc_ms: i64) -> Result<Option<Energy>, Problem> {
        self.difference(from_utc_ms).map_err(|error| self.unreadable(&error))
    }

    fn difference(&self, from_utc_ms: i64) -> rusqlite::Result<Option<Energy>> {
        let one = |end: &str| -> rusqlite::Result<Option<Totals>> {
            let question = format!(
                "SELECT host_utc_ms, source_1_energy_uj, source_2_energy_uj, source_3_energy_uj, source_4_energy_uj, bank_energy_uj, \
                 heater_on_ms FROM totals WHERE controller_id = ?1 AND {end} LIMIT 1"
            );
            let mut query = self.db.prepare_cached(&question)?;
            let read = |row: &Row<'_>| {
                let mut numbers = [0; MAX_SOURCES + 2];
                for (number, column) in numbers.iter_mut().zip(1..) {
                    *number = row.get(column)?;
                }
                Ok((row.get(0)?, numbers))
            };
            query.query_row(params![self.controller, from_utc_ms], read).optional()
        };
        let before = one("host_utc_ms <= ?2 ORDER BY rowid DESC")?;
        // The totals of a controller that was heard later count from then on.
        let Some((since_utc_ms, first)) =
            before.map_or_else(|| one("host_utc_ms > ?2 ORDER BY rowid"), |row| Ok(Some(row)))?
        else {
            return Ok(None);
        };
        let Some((_, last)) = one("?2 IS NOT NULL ORDER BY rowid DESC")? else { return Ok(None) };
        let grown = |index: usize| real((last[index] - first[index]).max(0));
        // A watt-hour is 3.6 × 10^9 µJ.
        let watt_hours = |index: usize| (grown(index) / 3.6e8).round() / 10.0;
        Ok(Some(Energy {
            since_utc_ms: since_utc_ms.max(from_utc_ms),
            sources_wh: std::array::from_fn(watt_hours),
            bank_wh: watt_hours(MAX_SOURCES),
            heater_on_h: (grown(MAX_SOURCES + 1) / 3.6e5).round() / 10.0,
        }))
    }

    /// The course of so many bins from a moment on.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn course(&self, from_utc_ms: i64, bin_ms: i64, bins: usize) -> Result<Course, Problem> {
        let settings = self.settings()?;
        let is_cell = |index: usize| {
            settings
                .as_ref()
                .is_none_or(|settings| settings.channels.get(index).is_some_and(|channel| channel.role == Role::Cell))
        };
        let cells: Vec<usize> = (0..MAX_CHANNELS).filter(|&index| is_cell(index)).collect();
        let gathered = self.gather(from_utc_ms, bin_ms, bins, &cells).map_err(|error| self.unreadable(&error))?;
        let share = |of: fn(&Bin) -> i64| -> Vec<Option<f64>> {
            let share =
                |bin: &Bin| (bin.known_ms > 0).then(|| (real(of(bin)) / real(bin.known_ms) * 1000.0).round() / 1000.0);
            gathered.iter().map(share).collect()
        };
        let degrees = |mdegc: i64| (real(mdegc) / 10.0).round() / 100.0;
        Ok(Course {
            from_utc_ms,
            bin_ms,
            coldest_c: gathered.iter().map(|bin| Some((degrees(bin.low?), degrees(bin.high?)))).collect(),
            heater: share(|bin| bin.heater_ms),
            charge: share(|bin| bin.charge_ms),
        })
    }

    fn gather(&self, from_utc_ms: i64, bin_ms: i64, bins: usize, cells: &[usize]) -> rusqlite::Result<Vec<Bin>> {
        let mut gathered = vec![EMPTY; bins];
        let to_utc_ms = from_utc_ms + bin_ms * i64::try_from(bins).unwrap_or(0);
        let mut query = self.db.prepare_cached(
            "SELECT host_utc_ms, heater_closed, charge_closed, channel_1_mdegc, channel_2_mdegc, channel_3_mdegc, channel_4_mdegc, \
             channel_5_mdegc, channel_6_mdegc FROM telemetry WHERE host_utc_ms BETWEEN ?1 AND ?2 \
             AND start_id IN (SELECT id FROM starts WHERE controller_id = ?3) ORDER BY host_utc_ms",
        )?;
        // One that began before the first bin reaches into it.
        let mut rows = query.query(params![from_utc_ms - HOLDS_MS, to_utc_ms, self.controller])?;
        let mut before: Option<Moment> = None;
        while let Some(row) = rows.next()? {
            let mut channels_mdegc = [None; MAX_CHANNELS];
            for (channel, column) in channels_mdegc.iter_mut().zip(3..) {
                *channel = row.get(column)?;
            }
            let moment = Moment { utc_ms: row.get(0)?, heats: row.get(1)?, permits: row.get(2)?, channels_mdegc };
            if let Some(before) = &before {
                spread(before, moment.utc_ms, (from_utc_ms, bin_ms), cells, &mut gathered);
            }
            before = Some(moment);
        }
        if let Some(last) = &before {
            spread(last, last.utc_ms + 1, (from_utc_ms, bin_ms), cells, &mut gathered);
        }
        Ok(gathered)
    }
}

/// Adds what a moment says, which holds until another, to the bins that it touches.
fn spread(moment: &Moment, until_utc_ms: i64, (from, width): (i64, i64), cells: &[usize], bins: &mut [Bin]) {
    let coldest = cells.iter().filter_map(|&cell| moment.channels_mdegc.get(cell).copied().flatten()).min();
    let until = until_utc_ms.min(moment.utc_ms + HOLDS_MS) - from;
    let mut at = (moment.utc_ms - from).max(0);
    while at < until {
        let Some(bin) = usize::try_from(at / width).ok().and_then(|index| bins.get_mut(index)) else { return };
        let end = until.min((at / width + 1) * width);
        bin.known_ms += end - at;
        bin.heater_ms += if moment.heats { end - at } else { 0 };
        bin.charge_ms += if moment.permits { end - at } else { 0 };
        if let Some(t) = coldest {
            bin.low = Some(bin.low.map_or(t, |low| low.min(t)));
            bin.high = Some(bin.high.map_or(t, |high| high.max(t)));
        }
        at = end;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::heard::Identity;
    use crate::service::store::Store;
    use crate::service::testing::telemetry;
    use forewarm_core::journal::Counters;
    use forewarm_core::signals::Relay;
    use forewarm_core::wire::service::Unfit;

    const NOON: i64 = 1_800_000_000_000;

    fn filled() -> (tempfile::TempDir, Log) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("log.sqlite");
        let mut store = Store::open(&path).expect("a new file");
        let identity = Identity {
            version: "1".to_owned(),
            board: "bench".to_owned(),
            settings: Err(Unfit::Unreadable),
            caution: "be careful".to_owned(),
        };
        store.meet(&identity, &[]).expect("room");
        store.started(Some(&identity), NOON);
        // Ten minutes of which the heater is on in the last four, after twenty of which nothing is known.
        for minute in 0..10_u32 {
            let mut now = telemetry(minute * 60_000);
            now.outputs.heater = if minute < 6 { Relay::Open } else { Relay::Closed };
            let at = i64::from(minute) * 60_000;
            assert!(store.telemetry(at, &now, NOON + at).expect("room"));
            let source_energy_uj = [0, u64::from(minute) * 360_000_000_000, 0, 0];
            let totals =
                Counters { source_energy_uj, heater_on_ms: u64::from(minute) * 360_000, ..Counters::default() };
            store.totals(&totals, NOON + at).expect("room");
        }
        drop(store);
        let log = Log::open(&path).expect("it holds telemetry");
        (folder, log)
    }

    #[test]
    fn a_share_is_of_the_time_that_is_known_and_a_bin_without_any_holds_nothing() {
        let (_folder, log) = filled();
        let course = log.course(NOON - 600_000, 300_000, 5).expect("it reads");
        assert_eq!(course.heater[..2], [None, None]);
        assert_eq!(course.heater[2], Some(0.0));
        // The sixth minute without heat, then three with it whole. The last row holds for a moment only.
        assert_eq!(course.heater[3], Some(0.75));
        assert_eq!(course.heater[4], None);
        assert_eq!(course.charge[3], Some(0.0));
        // What the telemetry of these minutes reads.
        assert_eq!(course.coldest_c[2], Some((-10.0, -10.0)));
        assert_eq!(course.coldest_c[0], None);
    }

    #[test]
    fn energy_is_what_the_totals_have_grown_by_since_and_says_from_when_it_is_known() {
        let (_folder, log) = filled();
        let energy = log.energy(NOON + 240_000).expect("it reads").expect("totals");
        assert_eq!((energy.since_utc_ms, energy.sources_wh[1], energy.bank_wh), (NOON + 240_000, 500.0, 0.0));
        assert!((energy.heater_on_h - 0.5).abs() < 1e-9);
        let early = log.energy(NOON - 1_000_000).expect("it reads").expect("totals");
        assert_eq!((early.since_utc_ms, early.sources_wh[1]), (NOON, 900.0));
    }
}
