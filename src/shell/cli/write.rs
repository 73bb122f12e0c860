//! Files are written where asked, never over an existing one unless that is said.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow, bail};

use crate::shell::words::fault;

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
        Err(error) => Err(cannot(path, &error)),
    }
}

/// Writes a file as a whole: until all of it is on the disk, what was there before stays as it was.
pub fn whole(
    path: &Path,
    force: bool,
    fill: impl FnOnce(&mut File) -> io::Result<()>,
) -> anyhow::Result<()> {
    place(path, force, |beside| {
        let mut file = File::create(beside).map_err(|error| cannot(path, &error))?;
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
    free(path, force)?;
    if path.is_dir() {
        bail!("'{}' is a folder: name a file in it", path.display());
    }
    let mut name = path.as_os_str().to_owned();
    name.push(".partial");
    let beside = PathBuf::from(name);
    let moved = || fs::rename(&beside, path).map_err(|error| cannot(path, &error));
    let done = make(&beside).and_then(|()| moved());
    if done.is_err() {
        let _nothing_there = fs::remove_file(&beside);
    }
    done
}

/// Refuses a name that is taken, unless `force`: before anything is made that could then not be written.
pub fn free(path: &Path, force: bool) -> anyhow::Result<()> {
    if path.exists() && !force {
        return taken(path);
    }
    Ok(())
}

/// Refuses a name that promises another form than the one `option` writes, which ends in one of `endings`.
pub fn form(path: &Path, option: &str, endings: &[&str]) -> anyhow::Result<()> {
    const FORMS: [&str; 9] = [
        "html", "htm", "pdf", "svg", "png", "json", "csv", "txt", "wav",
    ];
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    let is = |form: &&str| ending.eq_ignore_ascii_case(form);
    if endings.iter().any(is) || !FORMS.iter().any(is) {
        return Ok(());
    }
    bail!(
        "'{}' promises another form than {option} writes: name it '{}'",
        path.display(),
        path.with_extension(endings[0]).display()
    )
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

fn cannot(path: &Path, error: &io::Error) -> anyhow::Error {
    anyhow!(
        "cannot write '{}' ({}): check that the folder exists and may be written",
        path.display(),
        fault(error)
    )
}
