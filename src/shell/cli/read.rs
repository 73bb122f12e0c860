//! Files that are named to be read.

use std::path::Path;

use anyhow::bail;

use crate::shell::words::nearest;

/// Makes sure there is a file at `path`; else says so, with the nearest name in that folder.
pub fn there(path: &Path) -> anyhow::Result<()> {
    if path.is_dir() {
        bail!("'{}' is a folder: name a file in it", path.display());
    }
    if path.exists() {
        return Ok(());
    }
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let Ok(entries) = folder.read_dir() else {
        bail!("there is no file '{}', nor its folder", path.display());
    };
    let names: Vec<String> = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    let asked = path.file_name().unwrap_or_default().to_string_lossy();
    bail!(
        "there is no file '{}'{} Check the name and the folder",
        path.display(),
        nearest(&asked, names.iter().map(String::as_str))
    );
}
