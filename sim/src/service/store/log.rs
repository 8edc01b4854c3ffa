//! Reads what a [`Store`](super::Store) has kept, also while it goes on keeping.

mod history;

pub use history::{Course, Energy};

use super::schema;
use crate::diagnostic::Problem;
use crate::installation::Installation;
use forewarm_core::settings::{Role, Settings};
use forewarm_core::wire::record;
use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};
use std::fmt::Write as _;
use std::io::{self, Read};
use std::path::Path;

/// The first bytes of every SQLite file.
pub const MAGIC: [u8; 16] = *b"SQLite format 3\0";

/// Rows read at a time.
const BATCH: u32 = 500;

/// A file of telemetry, being read.
#[derive(Debug)]
pub struct Log {
    db: Connection,
    shown: String,
    controller: i64,
}

/// How the settings that a controller had compare with those of an installation file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    /// They are the same.
    Same,
    /// Channels and sources correspond, and something else differs.
    Alike,
    /// What channels or sources are differs, so a name in the file may belong to another thing in the log.
    Different,
    /// The log does not know them.
    Unknown,
}

impl Log {
    /// Opens the file at `path`. It tells of the controller that was heard last.
    ///
    /// # Errors
    /// A file that cannot be read or is something else, or in which there is nothing to read.
    pub fn open(path: &Path) -> Result<Self, Problem> {
        Self::open_if_any(path)?.ok_or_else(|| nothing(&path.display().to_string()))
    }

    /// The same, where nothing to read is no mistake.
    ///
    /// # Errors
    /// A file that cannot be read or is something else.
    pub fn open_if_any(path: &Path) -> Result<Option<Self>, Problem> {
        let shown = path.display().to_string();
        let db = connect(path).map_err(|error| schema::cannot_open(&shown, &error))?;
        if schema::is_ours(&db, &shown)? {
            return Ok(None);
        }
        let controller = db
            .query_row(
                "SELECT controller_id FROM starts WHERE id = (SELECT start_id FROM telemetry ORDER BY host_utc_ms DESC LIMIT 1)",
                [],
                |row| row.get(0),
            )
            .optional()
            .map_err(|error| schema::cannot_open(&shown, &error))?;
        Ok(controller.map(|controller| Self { db, shown, controller }))
    }

    fn unreadable(&self, error: &rusqlite::Error) -> Problem {
        schema::cannot_open(&self.shown, error)
    }

    /// How many controllers the file tells of besides this one.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn others(&self) -> Result<u32, Problem> {
        self.db
            .query_row("SELECT count(*) FROM controllers WHERE id != ?1", [self.controller], |row| row.get(0))
            .map_err(|error| self.unreadable(&error))
    }

    /// The settings that the controller had last, as far as the file knows.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn settings(&self) -> Result<Option<Settings>, Problem> {
        let bytes: Option<Vec<u8>> = self
            .db
            .query_row(
                "SELECT record FROM starts JOIN identities ON identity_id = identities.id JOIN settings ON settings_fingerprint = \
                 fingerprint WHERE starts.controller_id = ?1 ORDER BY starts.id DESC LIMIT 1",
                [self.controller],
                |row| row.get(0),
            )
            .optional()
            .map_err(|error| self.unreadable(&error))?;
        Ok(bytes.and_then(|bytes| record::decode(&bytes).ok()))
    }

    /// Compares the controller's settings with those of `installation`.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn fit(&self, installation: &Installation) -> Result<Fit, Problem> {
        let Some(theirs) = self.settings()? else { return Ok(Fit::Unknown) };
        let ours = &*installation.settings;
        let roles = |settings: &Settings| {
            let roles: Vec<_> = settings.channels.iter().map(|channel| std::mem::discriminant(&channel.role)).collect();
            (roles, settings.sources.len())
        };
        Ok(if theirs == *ours {
            Fit::Same
        } else if roles(&theirs) == roles(ours) {
            Fit::Alike
        } else {
            Fit::Different
        })
    }

    /// The rows as CSV under these names, as `forewarm replay` reads them.
    #[must_use]
    pub fn into_csv(self, names: Names) -> Csv {
        let Names { channels, sources } = names;
        let mut header = "time".to_owned();
        for (_, name) in &channels {
            let _ = write!(header, ",{}", cell(&format!("{name}_c")));
        }
        header += ",supply_v,bank_v,soc_pct";
        for name in &sources {
            let _ = write!(header, ",{}", cell(&format!("{name}_present")));
        }
        header += ",charge_line,discharge_line,heater,charge\n";
        Csv {
            log: self,
            channels: channels.into_iter().map(|(index, _)| index).collect(),
            sources: sources.len(),
            after: (i64::MIN, 0, 0),
            ready: header.into_bytes(),
            taken: 0,
            is_over: false,
        }
    }
}

/// What channels and sources are called.
#[derive(Clone, Debug)]
pub struct Names {
    /// The thermometers, each with its place in the settings. A check resistor is none of them: it has no temperature.
    channels: Vec<(usize, String)>,
    sources: Vec<String>,
}

impl Names {
    /// As `installation` calls them.
    #[must_use]
    pub fn of(installation: &Installation) -> Self {
        let channels = installation.channels.iter().zip(&installation.settings.channels).enumerate();
        let thermometers = channels.filter(|(_, (_, channel))| !matches!(channel.role, Role::Check(_)));
        Self {
            channels: thermometers.map(|(index, (name, _))| (index, name.clone())).collect(),
            sources: installation.sources.clone(),
        }
    }

    /// By their numbers: `channel_1`, `source_1`.
    #[must_use]
    pub fn by_number(settings: &Settings) -> Self {
        let channels = settings.channels.iter().enumerate();
        let thermometers = channels.filter(|(_, channel)| !matches!(channel.role, Role::Check(_)));
        Self {
            channels: thermometers.map(|(index, _)| (index, format!("channel_{}", index + 1))).collect(),
            sources: (1..=settings.sources.len()).map(|number| format!("source_{number}")).collect(),
        }
    }
}

fn nothing(shown: &str) -> Problem {
    Problem::error(shown, "holds no telemetry yet").remedy("`forewarm listen PORT --keep` with this file, for a while")
}

/// Opens a file for reading, also where nothing may be written beside it.
fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let readable = |db: Connection| {
        db.busy_timeout(std::time::Duration::from_secs(5))?;
        db.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))?;
        Ok(db)
    };
    Connection::open_with_flags(path, flags).and_then(readable).or_else(|error| {
        // A write-ahead log needs a file beside it, even to be read. Without that log, the file alone says everything.
        let mut ahead = path.as_os_str().to_owned();
        ahead.push("-wal");
        if Path::new(&ahead).exists() {
            return Err(error);
        }
        let text = path.to_string_lossy();
        let mut uri = "file:".to_owned();
        for letter in text.chars() {
            match letter {
                '?' | '#' | '%' => {
                    let _ = write!(uri, "%{:02x}", u32::from(letter));
                }
                letter => uri.push(letter),
            }
        }
        uri += "?immutable=1";
        Connection::open_with_flags(uri, flags | OpenFlags::SQLITE_OPEN_URI).and_then(readable)
    })
}

/// A cell of CSV, quoted where it must be.
fn cell(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// The rows as text, read while it is taken.
#[derive(Debug)]
pub struct Csv {
    log: Log,
    channels: Vec<usize>,
    sources: usize,
    /// The latest row: its time, its start, its moment.
    after: (i64, i64, i64),
    ready: Vec<u8>,
    taken: usize,
    is_over: bool,
}

impl Csv {
    fn refill(&mut self) -> rusqlite::Result<()> {
        let Self { log, channels, sources, after, ready, .. } = self;
        ready.clear();
        let mut query = log.db.prepare_cached(
            "SELECT host_utc_ms, start_id, controller_ms, channel_1_mdegc, channel_2_mdegc, channel_3_mdegc, channel_4_mdegc, \
             channel_5_mdegc, channel_6_mdegc, supply_mv, bank_mv, soc_permille, source_1_present, source_2_present, \
             source_3_present, source_4_present, charge_line_allows, discharge_line_allows, heater_closed, charge_closed \
             FROM telemetry WHERE (host_utc_ms, start_id, controller_ms) > (?1, ?2, ?3) \
             AND start_id IN (SELECT id FROM starts WHERE controller_id = ?4) \
             ORDER BY host_utc_ms, start_id, controller_ms LIMIT ?5",
        )?;
        let mut rows = query.query(params![after.0, after.1, after.2, log.controller, BATCH])?;
        let mut text = String::new();
        let mut latest = None;
        while let Some(row) = rows.next()? {
            latest = Some((row.get(0)?, row.get(1)?, row.get(2)?));
            line(&mut text, row, channels, *sources)?;
        }
        match latest {
            Some(latest) => *after = latest,
            None => self.is_over = true,
        }
        self.ready = text.into_bytes();
        self.taken = 0;
        Ok(())
    }
}

/// Writes one row.
fn line(text: &mut String, row: &Row<'_>, channels: &[usize], sources: usize) -> rusqlite::Result<()> {
    let time = Timestamp::from_millisecond(row.get(0)?).unwrap_or(Timestamp::UNIX_EPOCH);
    let _ = write!(text, "{time}");
    let mut thousandths = |index: usize| -> rusqlite::Result<()> {
        text.push(',');
        if let Some(value) = row.get::<_, Option<i64>>(index)? {
            let sign = if value < 0 { "-" } else { "" };
            let size = value.unsigned_abs();
            let _ = write!(text, "{sign}{}.{:03}", size / 1000, size % 1000);
        }
        Ok(())
    };
    for channel in channels {
        thousandths(3 + channel)?;
    }
    thousandths(9)?;
    thousandths(10)?;
    text.push(',');
    if let Some(permille) = row.get::<_, Option<i64>>(11)? {
        let _ = write!(text, "{}.{}", permille / 10, permille % 10);
    }
    for index in (12..12 + sources).chain(16..20) {
        let _ = write!(text, ",{}", row.get::<_, i64>(index)?);
    }
    text.push('\n');
    Ok(())
}

impl Read for Csv {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while self.taken == self.ready.len() {
            if self.is_over {
                return Ok(0);
            }
            self.refill().map_err(io::Error::other)?;
        }
        let rest = &self.ready[self.taken..];
        let length = rest.len().min(into.len());
        into[..length].copy_from_slice(&rest[..length]);
        self.taken += length;
        Ok(length)
    }
}
