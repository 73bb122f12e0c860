//! Network disks: told by the file system's number, and kept to one program.
//! Source: Linux `statfs(2)`, `linux/magic.h`.

use std::fs::{File, OpenOptions};
use std::path::Path;

use rustix::fs::FlockOperation;

use super::error::StoreError;

/// AFS, CEPH, CIFS, CODA, FUSE (which may be anything), GPFS, Lustre, NCP, NFS, SMB, SMB2, 9P.
const NETWORK: [u32; 12] = [
    0x5346_414F,
    0x00C3_6400,
    0xFF53_4D42,
    0x7375_7245,
    0x6573_5546,
    0x4750_4653,
    0x0BD0_0BD0,
    0x564C,
    0x6969,
    0x517B,
    0xFE53_4D42,
    0x0102_1997,
];

/// Whether a folder lies on a disk that several machines may share.
pub(super) fn is_network(folder: &Path) -> bool {
    rustix::fs::statfs(folder).is_ok_and(|disk| NETWORK.contains(&(disk.f_type as u32)))
}

/// The right to be the only program on a store; given back when dropped.
#[derive(Debug)]
pub(super) struct Lock(#[allow(dead_code, reason = "held for its lock")] File);

impl Lock {
    /// Takes the lock beside `database`. Errors: [`StoreError::InUse`].
    pub(super) fn take(database: &Path) -> Result<Lock, StoreError> {
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(database.with_extension("lock"))
            .map_err(|source| StoreError::from_io(database, source))?;
        match rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Lock(file)),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(StoreError::InUse {
                file: database.to_owned(),
            }),
            Err(errno) => Err(StoreError::from_io(database, errno.into())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_program_is_turned_away_until_the_first_ends() {
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("store.sqlite3");
        let first = Lock::take(&database).unwrap();
        let second = Lock::take(&database).unwrap_err();
        assert!(matches!(second, StoreError::InUse { .. }));
        drop(first);
        Lock::take(&database).unwrap();
    }
}
