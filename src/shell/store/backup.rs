//! Backups, and the way back to one.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::error::StoreError;
use super::schema::{APPLICATION, NEWEST, form_of};
use super::{Store, disk};
use crate::shell::clock;
use crate::shell::paths::{Paths, make_private};

/// Automatic backups that are kept; those made before a migration or a removal stay until they are purged.
const KEPT: usize = 7;
const DAILY: &str = "daily";

impl Store {
    /// Writes a copy of the store to `path`, whole and consistent while others write. Errors: [`StoreError::Exists`].
    pub fn backup(&self, path: &Path) -> Result<(), StoreError> {
        if path.exists() {
            return Err(StoreError::Exists {
                file: path.to_owned(),
            });
        }
        let partial = with_suffix(path, ".partial");
        let _ = fs::remove_file(&partial);
        let written = self
            .connection
            .backup(rusqlite::MAIN_DB, &partial, None::<fn(_)>)
            .and_then(|()| {
                // One file that can be read where nothing can be written: no log beside it.
                let copy = Connection::open(&partial)?;
                copy.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))
            })
            .map_err(|error| StoreError::from_sql(path, error))
            .and_then(|()| self.seal(&partial, path));
        if written.is_err() {
            let _ = fs::remove_file(&partial);
        }
        written
    }

    /// Makes a finished copy durable and gives it its name.
    fn seal(&self, partial: &Path, path: &Path) -> Result<(), StoreError> {
        fs::File::open(partial)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(partial, path))
            .map_err(|source| StoreError::from_io(path, source))
    }

    /// A backup in the folder of backups, named by what it was made for and when.
    pub(super) fn backup_as(&self, reason: &str) -> Result<PathBuf, StoreError> {
        let folder = self.paths.backups();
        make_private(&folder).map_err(|source| StoreError::from_io(&folder, source))?;
        let stamp = clock::now().strftime("%Y%m%dT%H%M%S%.3fZ").to_string();
        let path = folder.join(format!("{stamp}-{reason}.sqlite3"));
        self.backup(&path)?;
        Ok(path)
    }

    /// Makes the day's backup if the last is a day old, and lets the oldest daily ones go. To be called after a sitting.
    pub fn backup_daily(&self) -> Result<(), StoreError> {
        let daily: Vec<PathBuf> = Store::backups(&self.paths)
            .into_iter()
            .filter(|path| path.to_string_lossy().contains(DAILY))
            .collect();
        let today = clock::now().strftime("%Y%m%d").to_string();
        let made_today = daily.iter().any(|path| {
            path.file_name()
                .is_some_and(|name| name.to_string_lossy().starts_with(&today))
        });
        if made_today {
            return Ok(());
        }
        // A damaged store must not push out the good copies.
        self.check_with("quick_check")?;
        self.backup_as(DAILY)?;
        for old in daily.iter().skip(KEPT - 1) {
            let _ = fs::remove_file(old);
        }
        Ok(())
    }

    /// The backups there are, newest first.
    pub fn backups(paths: &Paths) -> Vec<PathBuf> {
        let mut found: Vec<PathBuf> = fs::read_dir(paths.backups())
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| entry.path())
            .filter(|path| path.extension().is_some_and(|e| e == "sqlite3"))
            .collect();
        found.sort();
        found.reverse();
        found
    }

    /// Removes every backup and tells how many there were.
    pub fn purge_backups(paths: &Paths) -> Result<usize, StoreError> {
        let backups = Store::backups(paths);
        for path in &backups {
            fs::remove_file(path).map_err(|source| StoreError::from_io(path, source))?;
        }
        Ok(backups.len())
    }

    /// Goes back to a backup: `from`, or the newest. What is there now is kept, in the folder of backups if it can be
    /// read, else beside it as `….damaged`. Gives the backup used and where the former store is.
    /// Errors: [`StoreError::NoBackup`], [`StoreError::BadFile`], [`StoreError::Newer`].
    pub fn restore(
        paths: &Paths,
        from: Option<&Path>,
    ) -> Result<(PathBuf, Option<PathBuf>), StoreError> {
        let backup = match from {
            Some(path) => path.to_owned(),
            None => Store::backups(paths)
                .into_iter()
                .find(|path| checked_backup(path).is_ok())
                .ok_or_else(|| StoreError::NoBackup {
                    folder: paths.backups(),
                })?,
        };
        checked_backup(&backup)?;
        let file = paths.database();
        let healthy = match Store::open(paths) {
            Ok(store) if store.check().is_ok() => Some(store),
            Err(error @ (StoreError::InUse { .. } | StoreError::Busy { .. })) => return Err(error),
            _ => None,
        };
        if let Some(mut store) = healthy {
            let kept = store.backup_as("before-restore")?;
            store
                .connection
                .restore(rusqlite::MAIN_DB, &backup, None::<fn(_)>)
                .map_err(|error| StoreError::from_sql(&file, error))?;
            store.migrate()?;
            return Ok((backup, Some(kept)));
        }
        let lock = disk::is_network(&paths.data)
            .then(|| disk::Lock::take(&file))
            .transpose()?;
        // The copy is whole before anything is moved.
        let partial = with_suffix(&file, ".partial");
        let copy = || {
            fs::copy(&backup, &partial)?;
            fs::File::open(&partial)?.sync_all()
        };
        copy().map_err(|source| {
            let _ = fs::remove_file(&partial);
            StoreError::from_io(&file, source)
        })?;
        let kept = set_aside(&file)?;
        fs::rename(&partial, &file).map_err(|source| StoreError::from_io(&file, source))?;
        drop(lock);
        Store::open(paths)?.check()?;
        Ok((backup, kept))
    }
}

fn with_suffix(file: &Path, suffix: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Moves a damaged store, with its log, out of the way.
fn set_aside(file: &Path) -> Result<Option<PathBuf>, StoreError> {
    let stamp = clock::now().strftime("%Y%m%dT%H%M%S%.3fZ").to_string();
    let mut kept = None;
    for suffix in ["", "-wal", "-shm"] {
        let from = with_suffix(file, suffix);
        if from.exists() {
            let to = with_suffix(file, &format!(".{stamp}.damaged{suffix}"));
            fs::rename(&from, &to).map_err(|source| StoreError::from_io(file, source))?;
            kept.get_or_insert(to);
        }
    }
    Ok(kept)
}

/// Makes sure a file is a whole store that this program can read.
fn checked_backup(path: &Path) -> Result<(), StoreError> {
    let bad = |problem: &str| StoreError::BadFile {
        file: path.to_owned(),
        problem: problem.to_owned(),
    };
    if !path.is_file() {
        return Err(bad("there is no such file"));
    }
    let look = || {
        let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let application: i64 =
            connection.pragma_query_value(None, "application_id", |row| row.get(0))?;
        let form = form_of(&connection)?;
        let state: String =
            connection.pragma_query_value(None, "integrity_check", |row| row.get(0))?;
        Ok((application, form, state))
    };
    let (application, form, state) = look()
        .map_err(|_: rusqlite::Error| bad("it is no backup of Stavelark, or it is damaged"))?;
    if application != APPLICATION {
        return Err(bad("it is a database of another program"));
    }
    if form > NEWEST {
        return Err(StoreError::Newer {
            file: path.to_owned(),
            found: form,
            known: NEWEST,
        });
    }
    if state != "ok" {
        return Err(bad("it is damaged: use an older backup"));
    }
    Ok(())
}
