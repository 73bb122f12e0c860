//! Where files live. Source: XDG Base Directory Specification 0.8; `STAVELARK_HOME` puts everything into one folder.

use std::ffi::OsString;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

/// The folders of this program. None of them is made before [`make_private`] is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Paths {
    /// The learners' records.
    pub data: PathBuf,
    /// The machine's settings.
    pub config: PathBuf,
    /// The log.
    pub state: PathBuf,
}

/// No folder can be named.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("no home folder is known (HOME is not set): set STAVELARK_HOME to a folder of your own")]
pub struct NoHome;

impl Paths {
    /// Folders by the environment of this process. Errors: [`NoHome`].
    pub fn from_env() -> Result<Paths, NoHome> {
        Paths::from_lookup(|name| std::env::var_os(name))
    }

    /// Folders by any environment: unset or empty means the default, a relative XDG path is ignored.
    pub fn from_lookup(lookup: impl Fn(&str) -> Option<OsString>) -> Result<Paths, NoHome> {
        let set = |name| lookup(name).filter(|v| !v.is_empty()).map(PathBuf::from);
        if let Some(home) = set("STAVELARK_HOME") {
            let home = std::path::absolute(&home).unwrap_or(home);
            return Ok(Paths::in_folder(&home));
        }
        let home = set("HOME").filter(|path| path.is_absolute());
        let folder = |name, default: &str| {
            let base = set(name)
                .filter(|path| path.is_absolute())
                .or_else(|| home.as_ref().map(|home| home.join(default)))
                .ok_or(NoHome)?;
            Ok(base.join("stavelark"))
        };
        Ok(Paths {
            data: folder("XDG_DATA_HOME", ".local/share")?,
            config: folder("XDG_CONFIG_HOME", ".config")?,
            state: folder("XDG_STATE_HOME", ".local/state")?,
        })
    }

    /// Everything in one folder.
    pub fn in_folder(folder: &Path) -> Paths {
        Paths {
            data: folder.to_owned(),
            config: folder.to_owned(),
            state: folder.to_owned(),
        }
    }

    /// The store's file.
    pub fn database(&self) -> PathBuf {
        self.data.join("stavelark.sqlite3")
    }

    /// The folder of the store's backups.
    pub fn backups(&self) -> PathBuf {
        self.data.join("backups")
    }

    /// The machine's settings file.
    pub fn settings_file(&self) -> PathBuf {
        self.config.join("settings.toml")
    }
}

/// Makes a folder and what is missing above it, readable by its owner alone.
pub fn make_private(folder: &Path) -> io::Result<()> {
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn data_with(variables: &[(&str, &str)]) -> Result<PathBuf, NoHome> {
        let lookup = |name: &str| {
            let found = variables.iter().find(|(key, _)| *key == name);
            found.map(|(_, value)| OsString::from(value))
        };
        Paths::from_lookup(lookup).map(|paths| paths.data)
    }

    #[test]
    fn folders_follow_the_base_directory_specification() {
        // XDG Base Directory Specification 0.8: unset or empty is the default, relative is ignored.
        let home = ("HOME", "/home/ada");
        let default = Ok(PathBuf::from("/home/ada/.local/share/stavelark"));
        assert_eq!(data_with(&[home]), default);
        assert_eq!(data_with(&[home, ("XDG_DATA_HOME", "")]), default);
        assert_eq!(data_with(&[home, ("XDG_DATA_HOME", "here")]), default);
        let set = Ok(PathBuf::from("/data/stavelark"));
        assert_eq!(data_with(&[home, ("XDG_DATA_HOME", "/data")]), set);
        assert_eq!(data_with(&[("XDG_DATA_HOME", "/data")]), Err(NoHome));
    }

    #[test]
    fn one_variable_puts_everything_into_one_folder() {
        let both = [("STAVELARK_HOME", "/lark"), ("XDG_DATA_HOME", "/data")];
        assert_eq!(data_with(&both), Ok(PathBuf::from("/lark")));
        assert_eq!(data_with(&[("STAVELARK_HOME", "")]), Err(NoHome));
    }

    #[test]
    fn a_new_folder_is_its_owners_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a/b");
        make_private(&path).unwrap();
        make_private(&path).unwrap();
        for made in [&path, &folder.path().join("a")] {
            let mode = std::fs::metadata(made).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o700);
        }
    }
}
