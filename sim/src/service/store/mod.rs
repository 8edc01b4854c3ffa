//! Keeps what a controller says, in an SQLite file.
//!
//! A write-ahead log and full synchronisation make each row whole or absent, whenever the power goes. Who listens is
//! never stopped by a write that fails: what could not be kept is counted and reported. There is one writer at a time
//! (`lock`); anybody may read meanwhile.
//!
//! A row of telemetry is kept when something has changed, and otherwise once in a minute of the controller's clock. What
//! the columns mean is written in `schema`, and what is read back is the business of [`log`].

mod lock;
pub mod log;
mod schema;
#[cfg(test)]
mod tests;

use super::heard::Identity;
use super::reader::Tally;
use super::words::fault_names;
use crate::diagnostic::Problem;
use forewarm_core::journal::Counters;
use forewarm_core::settings::{MAX_CHANNELS, MAX_SOURCES};
use forewarm_core::signals::{Alarm, Line, Relay};
use forewarm_core::wire::record::{self, Fingerprint};
use forewarm_core::wire::service::{Kept, Origin, Telemetry};
use lock::Lock;
use rusqlite::{Connection, ErrorCode, OptionalExtension, Transaction, params};
use std::path::Path;

/// Time of the controller's clock between two rows if nothing changes (ms).
const EVERY_MS: i64 = 60_000;

/// Why nothing was heard for a while, or nothing kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absence {
    /// The line had vanished.
    Unplugged,
    /// The line was there, and nothing came over it.
    Silent,
    /// This program did not run.
    NotListening,
    /// The file took no rows.
    NotKept,
}

impl Absence {
    /// A stable name for the file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Unplugged => "unplugged",
            Self::Silent => "silent",
            Self::NotListening => "not_listening",
            Self::NotKept => "not_kept",
        }
    }

    /// What it means, for a person.
    #[must_use]
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Unplugged => "the line had vanished",
            Self::Silent => "the controller said nothing",
            Self::NotListening => "nobody listened",
            Self::NotKept => "the file took no rows",
        }
    }
}

/// Where somebody left off who listened before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LeftOff {
    /// On the controller's clock, since its start.
    pub controller_ms: i64,
    /// On the host's clock.
    pub host_utc_ms: i64,
    /// The number of that start, if it is known.
    pub start_number: Option<u32>,
    /// The number of the latest event that is kept.
    pub latest_event: Option<u32>,
}

/// Why something was not kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotKept {
    /// In words, as the rest of a sentence that begins with the name of the file.
    pub message: String,
    /// What to do.
    pub remedy: &'static str,
}

impl From<rusqlite::Error> for NotKept {
    fn from(error: rusqlite::Error) -> Self {
        let (message, remedy) = match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => ("no room is left on its disk".to_owned(), "make room; listening goes on"),
            Some(ErrorCode::SystemIoFailure) => {
                (format!("its disk does not take it: {error}"), "make room, or look at the disk; listening goes on")
            }
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
                ("another program holds it".to_owned(), "end what writes to it; readers may stay")
            }
            Some(ErrorCode::ReadOnly) => ("it has become read-only".to_owned(), "allow writing to it again"),
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                ("it is damaged".to_owned(), "begin another file with --keep, and look at the disk")
            }
            _ => (format!("it cannot be written: {error}"), "another file with --keep"),
        };
        Self { message, remedy }
    }
}

/// The controller that is connected, as far as the file knows it.
#[derive(Clone, Debug)]
struct Present {
    identity: Identity,
    controller: Option<i64>,
    row: Option<i64>,
    start: Option<Start>,
}

/// One start of it.
#[derive(Clone, Copy, Debug)]
struct Start {
    began_utc_ms: i64,
    row: Option<i64>,
    /// The moment of the latest row.
    kept_ms: Option<i64>,
}

const _: () = assert!(MAX_CHANNELS == 6 && MAX_SOURCES == 4, "the schema has a column for each");

/// An open file.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    present: Option<Present>,
    latest: Option<Telemetry>,
    connection: Option<i64>,
    latest_totals: Option<Counters>,
    // Last, so that it is dropped when the database is closed.
    _lock: Lock,
}

impl Store {
    /// Opens the file at `path` for the one writer, or begins it.
    ///
    /// # Errors
    /// What stands in the way, and what to do. A file that is something else is left as it is.
    pub fn open(path: &Path) -> Result<Self, Problem> {
        schema::refuse_strangers(path)?;
        let lock = Lock::take(path)?;
        let db = schema::open(path)?;
        Ok(Self { db, present: None, latest: None, connection: None, latest_totals: None, _lock: lock })
    }

    /// Notes that a line has been opened.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn connected(&mut self, line: &str, utc_ms: i64) -> Result<(), NotKept> {
        self.connection = None;
        self.db.execute(
            "INSERT INTO connections (opened_utc_ms, heard_utc_ms, line, program_version) VALUES (?1, ?1, ?2, ?3)",
            params![utc_ms, line, env!("CARGO_PKG_VERSION")],
        )?;
        self.connection = Some(self.db.last_insert_rowid());
        Ok(())
    }

    /// Notes what the line has carried since it was opened, and what was not kept.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn count(&mut self, tally: &Tally, rows_not_kept: u64, utc_ms: i64) -> Result<(), NotKept> {
        self.db.execute(
            "UPDATE connections SET heard_utc_ms = ?2, bytes = ?3, good_frames = ?4, damaged_frames = ?5, unknown_frames = ?6, \
             doubled_frames = ?7, lost_bytes = ?8, rows_not_kept = ?9 WHERE id = ?1",
            params![
                self.connection,
                utc_ms,
                integer(tally.bytes),
                integer(tally.good_frames),
                integer(tally.damaged_frames),
                integer(tally.unknown_frames),
                integer(tally.doubled_frames),
                integer(tally.lost_bytes),
                integer(rows_not_kept),
            ],
        )?;
        Ok(())
    }

    /// Meets a controller, which has these events. Returns where it was left off, if the file knows it.
    ///
    /// Controllers have no number of their own. One of another board is another one. So is one whose events contradict
    /// those that are kept, or whose count has gone back; a controller that has lost its memory counts as another, too.
    ///
    /// # Errors
    /// [`NotKept`]: then nothing is known of it, and it is taken for a new one.
    pub fn meet(&mut self, identity: &Identity, events: &[Kept]) -> Result<Option<LeftOff>, NotKept> {
        self.present = Some(Present { identity: identity.clone(), controller: None, row: None, start: None });
        self.latest = None;
        self.latest_totals = None;
        let known: Option<(i64, String)> = self
            .db
            .query_row("SELECT id, board FROM controllers ORDER BY id DESC LIMIT 1", [], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .optional()?;
        let Some((controller, _)) = known.filter(|(_, board)| *board == identity.board) else { return Ok(None) };
        if !self.agrees(controller, events)? {
            return Ok(None);
        }
        let start: Option<(i64, i64, Option<u32>)> = self
            .db
            .query_row(
                "SELECT id, began_utc_ms, number FROM starts WHERE controller_id = ?1 ORDER BY id DESC LIMIT 1",
                [controller],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )
            .optional()?;
        let latest_event =
            self.db
                .query_row("SELECT max(number) FROM events WHERE controller_id = ?1", [controller], |row| row.get(0))?;
        let moment = match start {
            None => None,
            Some((row, _, _)) => self
                .db
                .query_row(
                    "SELECT controller_ms, host_utc_ms FROM telemetry WHERE start_id = ?1 ORDER BY controller_ms DESC LIMIT 1",
                    [row],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )
                .optional()?,
        };
        let start = start.zip(moment).map(|((row, began_utc_ms, number), (controller_ms, host_utc_ms))| {
            let start = Start { began_utc_ms, row: Some(row), kept_ms: Some(controller_ms) };
            (start, LeftOff { controller_ms, host_utc_ms, start_number: number, latest_event })
        });
        if let Some(present) = &mut self.present {
            present.controller = Some(controller);
            present.start = start.map(|(start, _)| start);
        }
        Ok(start.map(|(_, left_off)| left_off))
    }

    /// Whether these may be events of the controller whose events are kept.
    fn agrees(&self, controller: i64, events: &[Kept]) -> rusqlite::Result<bool> {
        let latest: Option<u32> =
            self.db
                .query_row("SELECT max(number) FROM events WHERE controller_id = ?1", [controller], |row| row.get(0))?;
        // Storage that cannot be read tells no events.
        if let (Some(latest), Some(newest)) = (latest, events.iter().map(|kept| kept.number).max())
            && newest < latest
        {
            return Ok(false);
        }
        let mut kept_here = self.db.prepare_cached(
            "SELECT start_number, controller_ms, state, cause FROM events WHERE controller_id = ?1 AND number = ?2",
        )?;
        for kept in events {
            let row: Option<(u32, u32, String, String)> = kept_here
                .query_row(params![controller, kept.number], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
                })
                .optional()?;
            let event = &kept.event;
            let is_alike = row.is_none_or(|(start, at, state, cause)| {
                (start, at, &*state, &*cause)
                    == (kept.start, event.at.as_millis(), event.state.name(), event.cause.name())
            });
            if !is_alike {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Notes the settings in force.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn settings(&mut self, origin: Origin, bytes: &[u8], utc_ms: i64) -> Result<(), NotKept> {
        let origin = match origin {
            Origin::BuiltIn => "built_in",
            Origin::Stored => "stored",
        };
        self.db.execute(
            "INSERT OR IGNORE INTO settings (fingerprint, record, origin, first_seen_utc_ms) VALUES (?1, ?2, ?3, ?4)",
            params![record::fingerprint(bytes).to_string(), bytes, origin, utc_ms],
        )?;
        Ok(())
    }

    /// From now on everything belongs to another start, which began at this moment.
    pub fn started(&mut self, identity: Option<&Identity>, began_utc_ms: i64) {
        if let Some(present) = &mut self.present {
            if let Some(identity) = identity.filter(|identity| **identity != present.identity) {
                present.identity = identity.clone();
                present.row = None;
            }
            present.start = Some(Start { began_utc_ms, row: None, kept_ms: None });
            self.latest = None;
        }
    }

    /// Keeps a row of telemetry if it is due. Returns whether it was.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn telemetry(&mut self, at_ms: i64, telemetry: &Telemetry, utc_ms: i64) -> Result<bool, NotKept> {
        let Some(mut present) = self.present.clone() else { return Ok(false) };
        let kept_ms = present.start.and_then(|start| start.kept_ms);
        let changed = self.latest.as_ref().is_none_or(|latest| has_changed(latest, telemetry));
        let is_first = kept_ms.is_none();
        if !is_first && !changed && kept_ms.is_some_and(|kept| at_ms - kept < EVERY_MS) {
            return Ok(false);
        }
        let because = match (self.latest.is_none(), changed) {
            (true, _) => "first",
            (false, true) => "change",
            (false, false) => "minute",
        };
        let transaction = self.db.transaction()?;
        let start = place(&transaction, &mut present, at_ms, utc_ms)?;
        insert(&transaction, start, at_ms, utc_ms, because, telemetry)?;
        transaction.commit()?;
        if let Some(start) = &mut present.start {
            start.kept_ms = Some(at_ms);
        }
        self.present = Some(present);
        self.latest = Some(*telemetry);
        Ok(true)
    }

    /// Keeps events, and learns from them which start this is. Returns how many are new.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn events(&mut self, events: &[Kept], utc_ms: i64) -> Result<usize, NotKept> {
        let Some(mut present) = self.present.clone() else { return Ok(0) };
        let transaction = self.db.transaction()?;
        let controller = place_controller(&transaction, &mut present, utc_ms)?;
        let mut new = 0;
        {
            let mut insert = transaction.prepare_cached(
                "INSERT OR IGNORE INTO events (controller_id, number, start_number, controller_ms, state, cause, heater_closed, \
                 charge_closed, full_closed) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            )?;
            // A change is said in the step in which it is noted, so both have the same moment.
            let mut name = transaction.prepare_cached(
                "UPDATE starts SET number = ?2 WHERE id = ?1 AND number IS NULL AND EXISTS (SELECT 1 FROM telemetry WHERE \
                 start_id = ?1 AND controller_ms = ?3 AND state = ?4 AND cause = ?5)",
            )?;
            let start = present.start.and_then(|start| start.row);
            for Kept { number, start: start_number, event } in events {
                let at = event.at.as_millis();
                new += insert.execute(params![
                    controller,
                    number,
                    start_number,
                    at,
                    event.state.name(),
                    event.cause.name(),
                    closed(event.heater),
                    closed(event.charge),
                    closed(event.full),
                ])?;
                if let Some(start) = start {
                    name.execute(params![start, start_number, at, event.state.name(), event.cause.name()])?;
                }
            }
        }
        transaction.commit()?;
        self.present = Some(present);
        Ok(new)
    }

    /// Keeps the totals, if they have changed.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn totals(&mut self, totals: &Counters, utc_ms: i64) -> Result<(), NotKept> {
        let Some(mut present) = self.present.clone() else { return Ok(()) };
        if self.latest_totals.as_ref() == Some(totals) {
            return Ok(());
        }
        let transaction = self.db.transaction()?;
        let controller = place_controller(&transaction, &mut present, utc_ms)?;
        let Counters {
            heater_cycles,
            charge_cycles,
            full_cycles,
            heater_on_ms,
            source_energy_uj: [source_1, source_2, source_3, source_4],
            bank_energy_uj,
            refusals,
            overrules,
        } = *totals;
        transaction.execute(
            "INSERT INTO totals VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
            params![
                controller,
                utc_ms,
                heater_cycles,
                charge_cycles,
                full_cycles,
                integer(heater_on_ms),
                integer(source_1),
                integer(source_2),
                integer(source_3),
                integer(source_4),
                integer(bank_energy_uj),
                refusals,
                overrules,
            ],
        )?;
        transaction.commit()?;
        self.present = Some(present);
        self.latest_totals = Some(*totals);
        Ok(())
    }

    /// Notes a time of which nothing is kept.
    ///
    /// # Errors
    /// [`NotKept`].
    pub fn gap(&mut self, from_utc_ms: i64, to_utc_ms: i64, because: Absence, rows: u64) -> Result<(), NotKept> {
        self.db.execute(
            "INSERT INTO gaps (from_utc_ms, to_utc_ms, because, rows_not_kept) VALUES (?1, ?2, ?3, ?4)",
            params![from_utc_ms, to_utc_ms, because.name(), integer(rows)],
        )?;
        Ok(())
    }

    /// Lets the file grow to no more than so many pages: a disk that is full.
    #[cfg(test)]
    fn limit_pages(&self, pages: u32) {
        self.db.pragma_update(None, "max_page_count", pages).expect("a limit");
    }
}

/// Whether something has changed that a person would want to see in its moment.
#[must_use]
pub fn has_changed(before: &Telemetry, now: &Telemetry) -> bool {
    let what = |telemetry: &Telemetry| {
        let Telemetry { sources, charge_line, discharge_line, outputs, .. } = *telemetry;
        (
            (outputs.state, outputs.cause, outputs.faults, outputs.overdue, outputs.alarm),
            (outputs.heater, outputs.charge, outputs.full),
            (sources, charge_line, discharge_line),
        )
    };
    what(before) != what(now)
}

/// SQLite has no unsigned numbers.
fn integer(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

fn closed(relay: Relay) -> bool {
    relay == Relay::Closed
}

/// The row of the controller and of its identity, which are written with the first thing that belongs to them.
fn place_controller(transaction: &Transaction<'_>, present: &mut Present, utc_ms: i64) -> rusqlite::Result<i64> {
    let controller = if let Some(controller) = present.controller {
        controller
    } else {
        transaction.execute(
            "INSERT INTO controllers (board, first_seen_utc_ms) VALUES (?1, ?2)",
            params![present.identity.board, utc_ms],
        )?;
        *present.controller.insert(transaction.last_insert_rowid())
    };
    if present.row.is_none() {
        let Identity { version, board: _, settings, caution } = &present.identity;
        let (fingerprint, unfit) = match settings {
            Ok(fingerprint) => (Some(Fingerprint::to_string(fingerprint)), None),
            Err(unfit) => (None, Some(unfit.to_string())),
        };
        let known = transaction
            .query_row(
                "SELECT id FROM identities WHERE controller_id = ?1 AND version = ?2 AND settings_fingerprint IS ?3 AND \
                 no_settings_because IS ?4 AND caution = ?5",
                params![controller, version, fingerprint, unfit, caution],
                |row| row.get(0),
            )
            .optional()?;
        present.row = if known.is_some() {
            known
        } else {
            transaction.execute(
                "INSERT INTO identities (controller_id, seen_utc_ms, version, settings_fingerprint, no_settings_because, caution) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![controller, utc_ms, version, fingerprint, unfit, caution],
            )?;
            Some(transaction.last_insert_rowid())
        };
    }
    Ok(controller)
}

/// The row of the start.
fn place(transaction: &Transaction<'_>, present: &mut Present, at_ms: i64, utc_ms: i64) -> rusqlite::Result<i64> {
    let controller = place_controller(transaction, present, utc_ms)?;
    let start = present.start.get_or_insert(Start { began_utc_ms: utc_ms - at_ms, row: None, kept_ms: None });
    if let Some(row) = start.row {
        return Ok(row);
    }
    transaction.execute(
        "INSERT INTO starts (controller_id, identity_id, began_utc_ms) VALUES (?1, ?2, ?3)",
        params![controller, present.row, start.began_utc_ms],
    )?;
    Ok(*start.row.insert(transaction.last_insert_rowid()))
}

fn insert(
    transaction: &Transaction<'_>,
    start: i64,
    at_ms: i64,
    utc_ms: i64,
    because: &str,
    telemetry: &Telemetry,
) -> rusqlite::Result<()> {
    let Telemetry {
        now: _,
        readings,
        supply,
        bank,
        state_of_charge,
        sources,
        charge_line,
        discharge_line,
        outputs,
        frames_dropped,
        events_dropped,
    } = *telemetry;
    let channel = |index: usize| readings[index].map(forewarm_core::quantity::Celsius::as_millidegrees);
    let mut row = transaction.prepare_cached(schema::INSERT_TELEMETRY)?;
    // A moment that is there already is the same moment: nothing is lost by keeping the first row.
    row.execute(params![
        start,
        at_ms,
        utc_ms,
        because,
        outputs.state.name(),
        outputs.cause.name(),
        fault_names(&outputs.faults),
        outputs.overdue.map(forewarm_core::signals::Cause::name),
        outputs.alarm == Alarm::Sounding,
        closed(outputs.heater),
        closed(outputs.charge),
        closed(outputs.full),
        outputs.ceiling.as_per_mille(),
        channel(0),
        channel(1),
        channel(2),
        channel(3),
        channel(4),
        channel(5),
        supply.map(forewarm_core::quantity::Millivolts::as_millivolts),
        bank.map(forewarm_core::quantity::Millivolts::as_millivolts),
        state_of_charge.map(forewarm_core::quantity::Fraction::as_per_mille),
        sources.contains(0),
        sources.contains(1),
        sources.contains(2),
        sources.contains(3),
        charge_line == Line::Allowed,
        discharge_line == Line::Allowed,
        frames_dropped,
        events_dropped,
    ])?;
    Ok(())
}
