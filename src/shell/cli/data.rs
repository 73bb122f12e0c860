//! `data`: the record as a whole.

use std::io::Write;
use std::process::ExitCode;

use anyhow::{Context, anyhow, bail};

use super::args::{Cli, DataCommand};
use super::{read, say, unfinished, warn, write};
use crate::shell::clock;
use crate::shell::home::Home;
use crate::shell::paths::Paths;
use crate::shell::store::{Store, StoreError, misfit};
use crate::shell::today::called;

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
            let store = Store::open(&paths)?;
            write::place(file, *force, |beside| Ok(store.backup(beside)?))?;
            say(&format!("Copied the record to '{}'.", file.display()))?;
        }
        DataCommand::Restore { file } => {
            if let Some(file) = file {
                read::there(file)?;
            }
            let (backup, former) = Store::restore(&paths, file.as_deref())?;
            say(&format!(
                "Went back to the record of '{}'.",
                backup.display()
            ))?;
            if let Some(former) = former {
                say(&format!(
                    "What was there before is kept as '{}'.",
                    former.display()
                ))?;
            }
        }
        DataCommand::Export { file, force } => {
            let mut home = Home::open(cli.learner.as_deref())?;
            let (store, learner) = home.parts();
            let record = store.export(learner, clock::now())?;
            write::whole(file, *force, |out| {
                serde_json::to_writer_pretty(&mut *out, &record)?;
                writeln!(out)
            })?;
            let whose = called(&learner.name).map(|name| format!(" of {name}"));
            say(&format!(
                "Wrote the record{} to '{}'.",
                whose.unwrap_or_default(),
                file.display()
            ))?;
        }
        DataCommand::Import { file, name } => {
            read::there(file)?;
            let text = std::fs::read_to_string(file)
                .with_context(|| format!("'{}' cannot be read", file.display()))?;
            if let Some(why) = misfit(&text) {
                bail!(
                    "'{}' is no record of a learner that can be taken in: {why}. `stavelark data export` writes one",
                    file.display()
                );
            }
            let record = serde_json::from_str(&text)
                .with_context(|| format!("'{}' is no JSON", file.display()))?;
            let taken_in = Store::open(&paths)?.import(file, record, name.as_deref());
            let learner = taken_in.map_err(|error| match error {
                StoreError::LearnerExists { name } => anyhow!(
                    "there is already a learner '{name}': take this record in under another name, with --name NAME"
                ),
                other => other.into(),
            })?;
            say(&format!(
                "Took in the record of {0}. To practise as {0}: stavelark learner use \"{0}\"",
                learner.name
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
