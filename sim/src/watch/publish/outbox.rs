//! The events that a broker has not acknowledged yet, on disk.
//!
//! They are in the file anyhow. What is added is a row that says how far each broker is. So events survive the loss of
//! the broker, of power, and of this program; one whose acknowledgement was lost goes out again.

use crate::service::store::NotKept;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use serde::Serialize;
use std::path::Path;
use std::time::Duration;

/// How long the listener may write before this gives up.
const BUSY: Duration = Duration::from_secs(5);

const TABLE: &str = "CREATE TABLE IF NOT EXISTS published (
  broker TEXT PRIMARY KEY,
  controller_id INTEGER NOT NULL,
  number INTEGER NOT NULL
) STRICT";

/// An event as it is sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub(super) struct Event {
    /// Which controller of the file it is from: another one counts its events anew.
    pub(super) controller: i64,
    /// Its number, which counts up.
    pub(super) number: i64,
    start: i64,
    controller_ms: i64,
    state: String,
    cause: String,
    heater: &'static str,
    charge: &'static str,
}

/// What is still to be sent to one broker.
#[derive(Debug)]
pub(super) struct Outbox {
    db: Connection,
    broker: String,
}

impl Outbox {
    /// Opens the file at `path`, which the listener has begun.
    pub(super) fn open(path: &Path, broker: &str) -> Result<Self, NotKept> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(path, flags)?;
        db.busy_timeout(BUSY)?;
        db.execute_batch(TABLE)?;
        Ok(Self { db, broker: broker.to_owned() })
    }

    /// The first event that has not been acknowledged.
    pub(super) fn next(&self) -> Result<Option<Event>, NotKept> {
        let mut query = self.db.prepare_cached(
            "SELECT controller_id, number, start_number, controller_ms, state, cause, heater_closed, charge_closed FROM events \
             WHERE (controller_id, number) > (SELECT coalesce(max(controller_id), -1), coalesce(max(number), -1) FROM published \
             WHERE broker = ?1) ORDER BY controller_id, number LIMIT 1",
        )?;
        let event = query.query_row([&self.broker], |row| {
            Ok(Event {
                controller: row.get(0)?,
                number: row.get(1)?,
                start: row.get(2)?,
                controller_ms: row.get(3)?,
                state: row.get(4)?,
                cause: row.get(5)?,
                heater: if row.get(6)? { "on" } else { "off" },
                charge: if row.get(7)? { "permitted" } else { "refused" },
            })
        });
        Ok(event.optional()?)
    }

    /// Notes that the broker has an event, and so all before it.
    pub(super) fn acknowledge(&self, event: &Event) -> Result<(), NotKept> {
        self.db.execute(
            "INSERT INTO published VALUES (?1, ?2, ?3) ON CONFLICT (broker) DO UPDATE SET controller_id = ?2, number = ?3",
            params![self.broker, event.controller, event.number],
        )?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::service::store::Store;

    #[test]
    fn each_broker_gets_every_event_in_order_and_goes_on_where_it_was() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("log.sqlite");
        drop(Store::open(&path).expect("a new file"));
        let outbox = Outbox::open(&path, "one").expect("it opens");
        assert_eq!(outbox.next().expect("it reads"), None);
        outbox.db.execute_batch("INSERT INTO controllers VALUES (1, 'bench', 0), (2, 'bench', 0)").expect("room");
        for (controller, number) in [(2, 1), (1, 9), (1, 10), (2, 2)] {
            let row =
                format!("INSERT INTO events VALUES ({controller}, {number}, 1, 5, 'waiting', 'cells_cold', 0, 0, 0)");
            outbox.db.execute_batch(&row).expect("room");
        }
        let take = |outbox: &Outbox| {
            let event = outbox.next().expect("it reads")?;
            outbox.acknowledge(&event).expect("room");
            Some((event.controller, event.number))
        };
        assert_eq!([take(&outbox), take(&outbox)], [Some((1, 9)), Some((1, 10))]);
        let again = Outbox::open(&path, "one").expect("it opens");
        assert_eq!([take(&again), take(&again), take(&again)], [Some((2, 1)), Some((2, 2)), None]);
        let other = Outbox::open(&path, "two").expect("it opens");
        assert_eq!(take(&other), Some((1, 9)), "the other broker has nothing yet");
        drop((outbox, again, other));
        assert!(Store::open(&path).is_ok(), "the listener goes on in it");
    }
}
