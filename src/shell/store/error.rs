//! What can go wrong with the store, each with its file and what to do.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

use crate::shell::words::fault;

/// A store that cannot be opened, read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder cannot be made or read.
    #[error("the folder {} cannot be used ({}): check its rights, or set STAVELARK_HOME to a folder you can write to", .folder.display(), fault(.source))]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file cannot be written.
    #[error("{} cannot be written: the disk or folder is read-only. Make it writable, or set STAVELARK_HOME to a folder you can write to", .file.display())]
    ReadOnly {
        /// The store.
        file: PathBuf,
    },
    /// No room.
    #[error("no room is left on the disk of {}: free some space and start again; what was recorded before is kept", .file.display())]
    Full {
        /// The store.
        file: PathBuf,
    },
    /// Not a store, or a damaged one.
    #[error("{} is damaged ({detail}): `stavelark data restore` goes back to the last backup and keeps the damaged file beside it", .file.display())]
    Damaged {
        /// The store.
        file: PathBuf,
        /// What was found.
        detail: String,
    },
    /// Written by a newer program.
    #[error("{} was written by a newer Stavelark (form {found}; this program knows {known}): update Stavelark, or set STAVELARK_HOME to another folder", .file.display())]
    Newer {
        /// The store.
        file: PathBuf,
        /// Its form.
        found: i64,
        /// The newest form this program knows.
        known: i64,
    },
    /// Another program has it, and the disk does not allow two.
    #[error("{} lies on a network disk and another Stavelark is using it: close the other one first", .file.display())]
    InUse {
        /// The store.
        file: PathBuf,
    },
    /// Another program kept it locked for longer than a write takes.
    #[error("{} is locked by another program: close it and try again", .file.display())]
    Busy {
        /// The store.
        file: PathBuf,
    },
    /// Nobody of that name.
    #[error("there is no learner '{name}'{}", remedy(.nearest))]
    NoSuchLearner {
        /// What was asked for.
        name: String,
        /// The most alike of the learners there are.
        nearest: Option<String>,
    },
    /// The name is taken.
    #[error(
        "there is already a learner '{name}': choose another name, or `stavelark learner rename` the first"
    )]
    LearnerExists {
        /// The name.
        name: String,
    },
    /// A name that cannot be typed or printed.
    #[error(
        "'{name}' cannot be a learner's name: use 1 to 60 characters without line breaks or control characters"
    )]
    BadName {
        /// The name.
        name: String,
    },
    /// A file stands where one is to be written.
    #[error("{} exists already: give another name", .file.display())]
    Exists {
        /// The file.
        file: PathBuf,
    },
    /// A backup or record that cannot be taken in.
    #[error("{} cannot be taken in: {problem}", .file.display())]
    BadFile {
        /// The file.
        file: PathBuf,
        /// What is wrong and what to do.
        problem: String,
    },
    /// There is nothing to go back to.
    #[error("there is no backup in {}: name a file, as in `stavelark data restore FILE`", .folder.display())]
    NoBackup {
        /// The folder of backups.
        folder: PathBuf,
    },
    /// Anything else the database said.
    #[error("the store {} failed ({source}): try again, and if it stays so, `stavelark data check` says more", .file.display())]
    Sql {
        /// The store.
        file: PathBuf,
        /// What the database said.
        source: rusqlite::Error,
    },
}

fn remedy(nearest: &Option<String>) -> String {
    match nearest {
        Some(name) => format!(": did you mean '{name}'? `stavelark learner list` shows all"),
        None => {
            ": `stavelark learner list` shows all, `stavelark learner add` makes one".to_owned()
        }
    }
}

impl StoreError {
    /// What a failure of the database means for the person at the screen.
    pub(super) fn from_sql(file: &Path, source: rusqlite::Error) -> StoreError {
        let file = file.to_owned();
        let Some(code) = source.sqlite_error_code() else {
            return StoreError::Sql { file, source };
        };
        match code {
            ErrorCode::DiskFull => StoreError::Full { file },
            ErrorCode::ReadOnly => StoreError::ReadOnly { file },
            ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase => StoreError::Damaged {
                file,
                detail: source.to_string(),
            },
            ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => StoreError::Busy { file },
            // A full or read-only disk also shows as a failed read or a file that cannot be made.
            ErrorCode::CannotOpen | ErrorCode::SystemIoFailure => match disk_of(&file) {
                Some(Disk {
                    read_only: true, ..
                }) => StoreError::ReadOnly { file },
                Some(Disk { full: true, .. }) => StoreError::Full { file },
                _ => StoreError::Sql { file, source },
            },
            _ => StoreError::Sql { file, source },
        }
    }

    /// What a failure of a file means.
    pub(super) fn from_io(file: &Path, source: io::Error) -> StoreError {
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::Full {
                file: file.to_owned(),
            },
            io::ErrorKind::ReadOnlyFilesystem => StoreError::ReadOnly {
                file: file.to_owned(),
            },
            _ => StoreError::Folder {
                folder: file.parent().unwrap_or(file).to_owned(),
                source,
            },
        }
    }
}

struct Disk {
    read_only: bool,
    full: bool,
}

fn disk_of(file: &Path) -> Option<Disk> {
    let folder = file.parent()?;
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some(Disk {
        read_only: disk.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY),
        // The database asks for whole pages and for a shared index of 32 KiB.
        full: disk.f_bavail.saturating_mul(disk.f_frsize) < 64 * 1024,
    })
}
