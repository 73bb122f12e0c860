//! `learner`: who practises here.

use std::io::{self, IsTerminal};
use std::process::ExitCode;

use anyhow::bail;
use serde_json::json;

use super::args::LearnerCommand;
use super::{say, say_row, unfinished};
use crate::shell::clock;
use crate::shell::paths::Paths;
use crate::shell::store::Store;
use crate::shell::today::{UNNAMED, called};

/// Runs the command.
pub(super) fn run(command: &LearnerCommand) -> anyhow::Result<ExitCode> {
    let paths = Paths::from_env()?;
    let mut store = Store::open(&paths)?;
    match command {
        LearnerCommand::Add { name } => {
            let learner = store.add_learner(name, clock::now())?;
            say(&format!(
                "Added {0}. To practise as {0}: stavelark learner use \"{0}\"",
                learner.name
            ))?;
            name_the_first(&store)?;
        }
        LearnerCommand::List { json } => {
            let current = store.current_learner()?;
            for learner in store.learners()? {
                let in_use = current.as_ref().is_some_and(|c| c.id == learner.id);
                if *json {
                    say_row(&json!({"name": learner.name, "in_use": in_use, "created": learner.created.to_string()}).to_string())?;
                } else {
                    say(&format!(
                        "{} {}",
                        if in_use { '>' } else { ' ' },
                        learner.name
                    ))?;
                }
            }
            if !*json {
                name_the_first(&store)?;
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
        LearnerCommand::Remove {
            name,
            yes,
            purge_backups,
        } => {
            let learner = store.learner(name)?;
            let typed = format!(
                "This removes {name} and every answer; a backup is made first. Type the name to go on:"
            );
            if !yes && !asked(&typed, name)?.eq_ignore_ascii_case(&learner.name) {
                say("Nothing was removed.")?;
                return Ok(unfinished());
            }
            let backup = store.remove_learner(&learner.name)?;
            let purge = *purge_backups
                || !yes
                    && asked(
                        "The backups still hold this learner. Remove all of them, everyone's earlier copies with them? Type yes, or Enter to keep them:",
                        name,
                    )?
                    .eq_ignore_ascii_case("yes");
            if purge {
                let count = Store::purge_backups(&paths)?;
                say(&format!(
                    "{} is removed, and so {}.",
                    learner.name,
                    match count {
                        1 => "is the one backup".to_owned(),
                        n => format!("are all {n} backups"),
                    }
                ))?;
            } else {
                say(&format!(
                    "{} is removed. A backup from before is at {}",
                    learner.name,
                    backup.display()
                ))?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Who practised before any name was given is called by none: how that is mended.
fn name_the_first(store: &Store) -> anyhow::Result<()> {
    let mut learners = store.learners()?.into_iter();
    if learners.any(|learner| called(&learner.name).is_none()) {
        say(&format!(
            "'{UNNAMED}' has no name yet: stavelark learner rename {UNNAMED} NAME"
        ))?;
    }
    Ok(())
}

/// Asks at the terminal; without one it does not guess.
fn asked(question: &str, name: &str) -> anyhow::Result<String> {
    if !io::stdin().is_terminal() {
        bail!("this removes {name} and every answer: add --yes if that is meant");
    }
    say(question)?;
    let mut line = String::new();
    io::stdin().read_line(&mut line)?;
    Ok(line.trim().to_owned())
}
