//! `data`: the record as a whole.

use std::io::Write;
use std::process::ExitCode;

use super::args::{Cli, DataCommand};
use super::{say, unfinished, warn, write};
use crate::shell::clock;
use crate::shell::home::Home;
use crate::shell::paths::Paths;
use crate::shell::store::{Store, StoreError};

/// Runs the command.
pub(super) fn run(cli: &Cli, command: &DataCommand) -> anyhow::Result<ExitCode> {
    let paths = Paths::from_env()?;
    match command {
        DataCommand::Check => {
            let checked = Store::open(&paths).and_then(|store| {
                store.check()?;
                Ok(store)
            });
            match checked {
                Ok(store) => say(&format!("{} is whole.", store.file().display()))?,
                Err(error @ StoreError::Damaged { .. }) => {
                    warn(&error.to_string());
                    return Ok(unfinished());
                }
                Err(error) => return Err(error.into()),
            }
        }
        DataCommand::Backup { file, force } => {
            // Refuses what is there already, and names a folder that cannot be written, before the copy.
            drop(write::create(file, *force)?);
            std::fs::remove_file(file)?;
            Store::open(&paths)?.backup(file)?;
            say(&format!("The record is copied to {}.", file.display()))?;
        }
        DataCommand::Restore { file } => {
            let (backup, former) = Store::restore(&paths, file.as_deref())?;
            say(&format!("The record is now that of {}.", backup.display()))?;
            if let Some(former) = former {
                say(&format!(
                    "What was there before is kept as {}.",
                    former.display()
                ))?;
            }
        }
        DataCommand::Export { file, force } => {
            let mut home = Home::open(cli.learner.as_deref())?;
            let (store, learner) = home.parts();
            let record = store.export(learner, clock::now())?;
            let mut out = write::create(file, *force)?;
            serde_json::to_writer_pretty(&mut out, &record)?;
            writeln!(out)?;
            out.sync_all()?;
            say(&format!(
                "The record of {} is written to {}.",
                learner.name,
                file.display()
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
