//! `learner`: who practises here.

use std::io::{self, IsTerminal};
use std::process::ExitCode;

use anyhow::bail;
use serde_json::json;

use super::args::LearnerCommand;
use super::{say, unfinished};
use crate::shell::clock;
use crate::shell::paths::Paths;
use crate::shell::store::Store;

/// Runs the command.
pub(super) fn run(command: &LearnerCommand) -> anyhow::Result<ExitCode> {
    let mut store = Store::open(&Paths::from_env()?)?;
    match command {
        LearnerCommand::Add { name } => {
            let learner = store.add_learner(name, clock::now())?;
            say(&format!(
                "{0} is there. To practise as {0}: stavelark learner use \"{0}\"",
                learner.name
            ))?;
        }
        LearnerCommand::List { json } => {
            let current = store.current_learner()?;
            for learner in store.learners()? {
                let in_use = current.as_ref().is_some_and(|c| c.id == learner.id);
                if *json {
                    say(&json!({"name": learner.name, "in_use": in_use, "created": learner.created.to_string()}).to_string())?;
                } else {
                    say(&format!(
                        "{} {}",
                        if in_use { '>' } else { ' ' },
                        learner.name
                    ))?;
                }
            }
        }
        LearnerCommand::Use { name } => {
            let learner = store.use_learner(name)?;
            say(&format!("{} practises from now on.", learner.name))?;
        }
        LearnerCommand::Rename { old, new } => {
            let learner = store.rename_learner(old, new)?;
            say(&format!("{old} is now called {}.", learner.name))?;
        }
        LearnerCommand::Remove { name, yes } => {
            let learner = store.learner(name)?;
            if !yes && !confirmed(&learner.name)? {
                say("Nothing was removed.")?;
                return Ok(unfinished());
            }
            let backup = store.remove_learner(&learner.name)?;
            say(&format!(
                "{} is removed. A backup from before is at {}; delete that folder's files too if nothing is to be kept.",
                learner.name,
                backup.display()
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Asks at the terminal; without one it does not guess.
fn confirmed(name: &str) -> anyhow::Result<bool> {
    if !io::stdin().is_terminal() {
        bail!("this removes {name} and every answer: add --yes if that is meant");
    }
    say(&format!(
        "This removes {name} and every answer; a backup is made first. Type the name to go on:"
    ))?;
    let mut line = String::new();
    io::stdin().read_line(&mut line)?;
    Ok(line.trim().eq_ignore_ascii_case(name))
}
