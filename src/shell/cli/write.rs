//! Files are written where asked, never over an existing one unless that is said.

use std::fs::{File, OpenOptions};
use std::io::ErrorKind;
use std::path::Path;

use anyhow::{Context, bail};

/// Opens a new file for writing; an existing one only with `force`.
pub fn create(path: &Path, force: bool) -> anyhow::Result<File> {
    let opened = OpenOptions::new()
        .write(true)
        .create(true)
        .create_new(!force)
        .truncate(force)
        .open(path);
    match opened {
        Ok(file) => Ok(file),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => bail!(
            "'{}' is there already: choose another name, or add --force to write over it",
            path.display()
        ),
        Err(error) => Err(error).with_context(|| {
            format!(
                "cannot write '{}': check that the folder exists and may be written",
                path.display()
            )
        }),
    }
}
