//! The store: learners, settings, sittings, answers, marks and tuning checks in one SQLite file.
//! In: values of `study`. Out: the same values, or a [`StoreError`] that names the file and what to do.
//!
//! Every write is one transaction. The log is written ahead and synchronised at checkpoints: what was committed survives
//! the program's death at any moment; after a power cut the last seconds may be missing, never more.

mod answers;
mod backup;
mod checks;
mod disk;
mod error;
mod exchange;
mod learners;
mod marks;
mod schema;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::civil::Date;
use rusqlite::{Connection, ErrorCode, Transaction, TransactionBehavior};

pub use answers::{AnswerFilter, AnswerId, NewSitting, SittingId};
pub use checks::TuningCheck;
pub use error::StoreError;
pub use exchange::misfit;
pub use learners::{CourseChoice, Learner, LearnerId};

use super::paths::{Paths, make_private};

/// How long a write waits for another program's.
const BUSY: Duration = Duration::from_secs(5);
/// Up to this size a store is looked through when it is opened: about a year of one learner, a few milliseconds.
const CHECKED_BYTES: u64 = 2 * 1024 * 1024;

/// An open store.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    paths: Paths,
    file: PathBuf,
    // Held as long as the store is open, on disks where two programs would harm each other.
    lock: Option<disk::Lock>,
}

impl Store {
    /// Opens the store and makes it, its folder included, when there is none; brings an older form up to date after a
    /// backup. Errors: [`StoreError`].
    pub fn open(paths: &Paths) -> Result<Store, StoreError> {
        let file = paths.database();
        make_private(&paths.data).map_err(|source| StoreError::from_io(&file, source))?;
        Store::open_on(paths, file, disk::is_network(&paths.data))
    }

    fn open_on(paths: &Paths, file: PathBuf, network: bool) -> Result<Store, StoreError> {
        let lock = network.then(|| disk::Lock::take(&file)).transpose()?;
        let connection = connect(&file, network)?;
        let mut store = Store {
            connection,
            paths: paths.clone(),
            file,
            lock,
        };
        store.migrate()?;
        store.check_small()?;
        Ok(store)
    }

    /// The file.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Whether the file lies on a network disk, where only one program may use it at a time: to be told once.
    pub fn on_network_disk(&self) -> bool {
        self.lock.is_some()
    }

    /// Looks through the whole file. Errors: [`StoreError::Damaged`].
    pub fn check(&self) -> Result<(), StoreError> {
        self.check_with("integrity_check")
    }

    /// Looks through a store of usual size each time it is opened; a school's would take too long.
    fn check_small(&self) -> Result<(), StoreError> {
        let small = std::fs::metadata(&self.file).is_ok_and(|file| file.len() <= CHECKED_BYTES);
        if small {
            self.check_with("quick_check")?;
        }
        Ok(())
    }

    fn check_with(&self, pragma: &str) -> Result<(), StoreError> {
        let mut found = Vec::new();
        self.sql(|c| {
            c.pragma_query(None, pragma, |row| {
                found.push(row.get::<_, String>(0)?);
                Ok(())
            })
        })?;
        if found == ["ok"] {
            return Ok(());
        }
        Err(StoreError::Damaged {
            file: self.file.clone(),
            detail: found.into_iter().next().unwrap_or_default(),
        })
    }

    fn sql<T>(
        &self,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        work(&self.connection).map_err(|error| StoreError::from_sql(&self.file, error))
    }

    /// Runs `work` in one transaction that takes the write lock first, so that what it reads stays true while it writes.
    fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let run = |connection: &mut Connection| {
            let transaction =
                connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = work(&transaction)?;
            transaction.commit()?;
            Ok(value)
        };
        run(&mut self.connection).map_err(|error| StoreError::from_sql(&self.file, error))
    }
}

/// Opens a database file for reading and writing.
fn connect(file: &Path, network: bool) -> Result<Connection, StoreError> {
    let open = || -> rusqlite::Result<Connection> {
        let connection = Connection::open(file)?;
        connection.busy_timeout(BUSY)?;
        // The log that is written ahead needs memory shared between programs, which a network disk does not give.
        let journal = if network { "DELETE" } else { "WAL" };
        connection.pragma_update_and_check(None, "journal_mode", journal, |_| Ok(()))?;
        connection.pragma_update(None, "synchronous", if network { "FULL" } else { "NORMAL" })?;
        connection.pragma_update(None, "foreign_keys", true)?;
        Ok(connection)
    };
    // Two programs that turn a new file to its journal at once: one is told "busy" there without having waited.
    let began = Instant::now();
    loop {
        match open() {
            Err(error)
                if error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy)
                    && began.elapsed() < BUSY =>
            {
                std::thread::sleep(Duration::from_millis(10));
            }
            opened => return opened.map_err(|error| StoreError::from_sql(file, error)),
        }
    }
}

/// Values as they are stored.
fn millis(at: Timestamp) -> i64 {
    at.as_millisecond()
}

fn from_millis(millis: i64) -> Timestamp {
    Timestamp::from_millisecond(millis).unwrap_or(if millis < 0 {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    })
}

fn day_text(day: Date) -> String {
    day.to_string()
}

fn day_from_text(text: &str) -> Option<Date> {
    text.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_network_disk_allows_one_program_and_no_shared_memory() {
        let folder = tempfile::tempdir().unwrap();
        let paths = Paths::in_folder(folder.path());
        let open = |network| Store::open_on(&paths, paths.database(), network);
        let mut first = open(true).unwrap();
        assert!(first.on_network_disk());
        assert!(matches!(open(true), Err(StoreError::InUse { .. })));
        let journal = |store: &Store| -> String {
            let connection = &store.connection;
            connection
                .pragma_query_value(None, "journal_mode", |row| row.get(0))
                .unwrap()
        };
        assert_eq!(journal(&first), "delete");
        first.add_learner("Wren", Timestamp::UNIX_EPOCH).unwrap();
        drop(first);
        // Moved to a local disk, the same file takes two programs.
        let (one, two) = (open(false).unwrap(), open(false).unwrap());
        assert_eq!((journal(&one), journal(&two)), ("wal".into(), "wal".into()));
        assert_eq!(two.learners().unwrap()[0].name, "Wren");
    }
}
