//! The tables, and how a file is opened that has them, or has others.
//!
//! Names of columns end in their unit: `_ms` milliseconds, `_utc_ms` milliseconds since 1970 on the host's clock,
//! `_mdegc` thousandths of a degree Celsius, `_mv` millivolts, `_uj` microjoules, `_permille` thousandths. `controller_ms`
//! counts from a start of the controller. Flags are 0 or 1. Channels and sources are numbered from 1, in the order of the
//! settings. Nothing (`NULL`) is what was not measured or not trusted.

use super::log;
use crate::diagnostic::Problem;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;
use std::time::Duration;

/// Version of the tables. A newer one may hold what is not known here.
pub(super) const VERSION: i64 = 1;

/// Marks the files of this program among all SQLite files.
pub(super) const APPLICATION: i64 = 0x464F_5257;

/// How long another program may hold the file before a write gives up.
const BUSY: Duration = Duration::from_secs(5);

const TABLES: &str = "
BEGIN IMMEDIATE;
CREATE TABLE controllers (
  id INTEGER PRIMARY KEY,
  board TEXT NOT NULL,
  first_seen_utc_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE identities (
  id INTEGER PRIMARY KEY,
  controller_id INTEGER NOT NULL REFERENCES controllers,
  seen_utc_ms INTEGER NOT NULL,
  version TEXT NOT NULL,
  settings_fingerprint TEXT,
  no_settings_because TEXT,
  caution TEXT NOT NULL
) STRICT;
CREATE TABLE settings (
  fingerprint TEXT PRIMARY KEY,
  record BLOB NOT NULL,
  origin TEXT NOT NULL,
  first_seen_utc_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE starts (
  id INTEGER PRIMARY KEY,
  controller_id INTEGER NOT NULL REFERENCES controllers,
  identity_id INTEGER NOT NULL REFERENCES identities,
  number INTEGER,
  began_utc_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE telemetry (
  start_id INTEGER NOT NULL REFERENCES starts,
  controller_ms INTEGER NOT NULL,
  host_utc_ms INTEGER NOT NULL,
  because TEXT NOT NULL,
  state TEXT NOT NULL,
  cause TEXT NOT NULL,
  faults TEXT NOT NULL,
  overdue_cause TEXT,
  alarm_sounds INTEGER NOT NULL,
  heater_closed INTEGER NOT NULL,
  charge_closed INTEGER NOT NULL,
  full_closed INTEGER NOT NULL,
  ceiling_c_rate_permille INTEGER NOT NULL,
  channel_1_mdegc INTEGER,
  channel_2_mdegc INTEGER,
  channel_3_mdegc INTEGER,
  channel_4_mdegc INTEGER,
  channel_5_mdegc INTEGER,
  channel_6_mdegc INTEGER,
  supply_mv INTEGER,
  bank_mv INTEGER,
  soc_permille INTEGER,
  source_1_present INTEGER NOT NULL,
  source_2_present INTEGER NOT NULL,
  source_3_present INTEGER NOT NULL,
  source_4_present INTEGER NOT NULL,
  charge_line_allows INTEGER NOT NULL,
  discharge_line_allows INTEGER NOT NULL,
  frames_dropped INTEGER NOT NULL,
  events_dropped INTEGER NOT NULL,
  PRIMARY KEY (start_id, controller_ms)
) STRICT, WITHOUT ROWID;
CREATE INDEX telemetry_by_time ON telemetry (host_utc_ms);
CREATE TABLE events (
  controller_id INTEGER NOT NULL REFERENCES controllers,
  number INTEGER NOT NULL,
  start_number INTEGER NOT NULL,
  controller_ms INTEGER NOT NULL,
  state TEXT NOT NULL,
  cause TEXT NOT NULL,
  heater_closed INTEGER NOT NULL,
  charge_closed INTEGER NOT NULL,
  full_closed INTEGER NOT NULL,
  PRIMARY KEY (controller_id, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE totals (
  controller_id INTEGER NOT NULL REFERENCES controllers,
  host_utc_ms INTEGER NOT NULL,
  heater_cycles INTEGER NOT NULL,
  charge_cycles INTEGER NOT NULL,
  full_cycles INTEGER NOT NULL,
  heater_on_ms INTEGER NOT NULL,
  source_1_energy_uj INTEGER NOT NULL,
  source_2_energy_uj INTEGER NOT NULL,
  source_3_energy_uj INTEGER NOT NULL,
  source_4_energy_uj INTEGER NOT NULL,
  bank_energy_uj INTEGER NOT NULL,
  refusals INTEGER NOT NULL,
  overrules INTEGER NOT NULL
) STRICT;
CREATE TABLE gaps (
  from_utc_ms INTEGER NOT NULL,
  to_utc_ms INTEGER NOT NULL,
  because TEXT NOT NULL,
  rows_not_kept INTEGER NOT NULL
) STRICT;
CREATE TABLE connections (
  id INTEGER PRIMARY KEY,
  opened_utc_ms INTEGER NOT NULL,
  heard_utc_ms INTEGER NOT NULL,
  line TEXT NOT NULL,
  program_version TEXT NOT NULL,
  bytes INTEGER NOT NULL DEFAULT 0,
  good_frames INTEGER NOT NULL DEFAULT 0,
  damaged_frames INTEGER NOT NULL DEFAULT 0,
  unknown_frames INTEGER NOT NULL DEFAULT 0,
  doubled_frames INTEGER NOT NULL DEFAULT 0,
  lost_bytes INTEGER NOT NULL DEFAULT 0,
  rows_not_kept INTEGER NOT NULL DEFAULT 0
) STRICT;
PRAGMA user_version = 1;
COMMIT;
";

/// One row, in the order of the columns.
pub(super) const INSERT_TELEMETRY: &str = "INSERT OR IGNORE INTO telemetry VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, \
                                           ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24, ?25, ?26, ?27, ?28, ?29, ?30)";

/// Refuses what is there and is no log, before anything is written.
pub(super) fn refuse_strangers(path: &Path) -> Result<(), Problem> {
    let shown = path.display().to_string();
    let problem = |message: &str| Problem::error(&shown, message).of_use().remedy("another name");
    match path.metadata() {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(problem(&format!("cannot be looked at: {error}"))),
        Ok(found) if found.is_dir() => return Err(problem("is a folder")),
        Ok(found) if !found.is_file() => return Err(problem("is not a regular file")),
        Ok(found) if found.len() == 0 => return Ok(()),
        Ok(_) => {}
    }
    let mut first = Vec::new();
    File::open(path)
        .and_then(|file| file.take(log::MAGIC.len() as u64).read_to_end(&mut first))
        .map_err(|error| problem(&format!("cannot be read: {error}")))?;
    if first == log::MAGIC { Ok(()) } else { Err(problem("is something else, so nothing is written to it")) }
}

/// Opens the file for writing, or begins it.
pub(super) fn open(path: &Path) -> Result<Connection, Problem> {
    let shown = path.display().to_string();
    let cannot = |error: rusqlite::Error| cannot_open(&shown, &error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(cannot)?;
    db.busy_timeout(BUSY).map_err(cannot)?;
    let is_new = is_ours(&db, &shown)?;
    db.pragma_update(None, "journal_mode", "wal").map_err(cannot)?;
    // Each row outlasts a loss of power. There is one a minute, so it costs nothing that anybody feels.
    db.pragma_update(None, "synchronous", "full").map_err(cannot)?;
    db.pragma_update(None, "foreign_keys", true).map_err(cannot)?;
    // A small memory is enough, for nothing is read twice.
    db.pragma_update(None, "cache_size", -512).map_err(cannot)?;
    db.pragma_update(None, "wal_autocheckpoint", 250).map_err(cannot)?;
    if is_new {
        db.pragma_update(None, "application_id", APPLICATION).map_err(cannot)?;
        db.execute_batch(TABLES).map_err(cannot)?;
    }
    Ok(db)
}

/// Refuses a database of another program or of a newer release. Returns whether nothing is in it yet.
pub(super) fn is_ours(db: &Connection, shown: &str) -> Result<bool, Problem> {
    let number = |pragma: &str| db.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let cannot = |error: rusqlite::Error| cannot_open(shown, &error);
    let version = number("user_version").map_err(cannot)?;
    let application = number("application_id").map_err(cannot)?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(cannot)?;
    let problem = |message: String, remedy: &str| Err(Problem::error(shown, message).of_use().remedy(remedy));
    if tables == 0 {
        Ok(true)
    } else if application != APPLICATION {
        problem("is a database of another program, so it is left as it is".to_owned(), "another name")
    } else if version > VERSION {
        let message =
            format!("was written by a newer release: its tables have version {version}, and this one knows {VERSION}");
        problem(message, "that release, or another name")
    } else if version < VERSION {
        problem(format!("has tables of version {version}, which no release has written"), "another name")
    } else {
        Ok(false)
    }
}

/// Why a file does not open.
pub(super) fn cannot_open(shown: &str, error: &rusqlite::Error) -> Problem {
    let (message, remedy) = match error.sqlite_error_code() {
        Some(ErrorCode::CannotOpen) => {
            ("cannot be opened or begun there".to_owned(), "whether the folder exists and may be written to")
        }
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::AuthorizationForStatementDenied) => {
            ("may not be written".to_owned(), "allow writing to it and to its folder, or another place")
        }
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            ("is held by another program".to_owned(), "end that program, then try again")
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            ("is damaged, so it is left as it is".to_owned(), "a copy of it, or another name")
        }
        Some(ErrorCode::DiskFull) => ("finds no room on its disk".to_owned(), "make room, or another disk"),
        _ => (format!("cannot be opened: {error}"), "another name"),
    };
    Problem::error(shown, message).of_use().remedy(remedy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_names_every_table_and_every_column_its_unit() {
        let page = include_str!("../../../docs/listen.md");
        let mut tables = 0;
        for line in TABLES.lines() {
            if let Some(name) = line.strip_prefix("CREATE TABLE ") {
                let name = name.trim_end_matches(" (");
                assert!(page.contains(&format!("`{name}`")), "{name} is not on the page");
                tables += 1;
            }
            let column = line.trim().split(' ').next().unwrap_or_default();
            let is_measured = ["channel_", "supply", "bank", "soc", "host", "opened", "heard", "began", "heater_on"]
                .iter()
                .any(|start| column.starts_with(start));
            let has_unit = ["_ms", "_mdegc", "_mv", "_uj", "_permille"].iter().any(|unit| column.ends_with(unit));
            assert!(!is_measured || has_unit, "{column} does not say its unit");
        }
        assert_eq!(tables, 9);
    }
}
