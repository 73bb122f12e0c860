//! Files are written where asked, never over an existing one unless that is said.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

/// Opens a new file that grows while it is read; an existing one only with `force`.
pub fn create(path: &Path, force: bool) -> anyhow::Result<File> {
    let opened = OpenOptions::new()
        .write(true)
        .create(true)
        .create_new(!force)
        .truncate(force)
        .open(path);
    match opened {
        Ok(file) => Ok(file),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => taken(path),
        Err(error) => Err(error).with_context(|| cannot(path)),
    }
}

/// Writes a file as a whole: until all of it is on the disk, what was there before stays as it was.
pub fn whole(
    path: &Path,
    force: bool,
    fill: impl FnOnce(&mut File) -> io::Result<()>,
) -> anyhow::Result<()> {
    place(path, force, |beside| {
        let mut file = File::create(beside).with_context(|| cannot(path))?;
        fill(&mut file)
            .and_then(|()| file.sync_all())
            .with_context(|| format!("'{}' could not be written", path.display()))
    })
}

/// Lets `make` write a file beside `path`, and moves it there when it is done.
pub fn place(
    path: &Path,
    force: bool,
    make: impl FnOnce(&Path) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    if path.exists() && !force {
        return taken(path);
    }
    if path.is_dir() {
        bail!("'{}' is a folder: name a file in it", path.display());
    }
    let mut name = path.as_os_str().to_owned();
    name.push(".partial");
    let beside = PathBuf::from(name);
    let done = make(&beside).and_then(|()| fs::rename(&beside, path).with_context(|| cannot(path)));
    if done.is_err() {
        let _nothing_there = fs::remove_file(&beside);
    }
    done
}

/// Says that the file stands there.
pub fn told(path: &Path) -> io::Result<()> {
    super::say(&format!("Wrote '{}'.", path.display()))
}

fn taken<T>(path: &Path) -> anyhow::Result<T> {
    bail!(
        "'{}' is there already: choose another name, or add --force to write over it",
        path.display()
    )
}

fn cannot(path: &Path) -> String {
    format!(
        "cannot write '{}': check that the folder exists and may be written",
        path.display()
    )
}
