//! `settings`: shows and sets.

use std::process::ExitCode;

use serde_json::json;

use super::args::Cli;
use super::{devices, say, say_row, warn};
use crate::shell::home::Home;
use crate::shell::settings::{DEFINITIONS, Scope, definition};

/// Runs the command.
pub(super) fn run(
    cli: &Cli,
    name: Option<&str>,
    value: Option<&str>,
    json: bool,
) -> anyhow::Result<ExitCode> {
    let wanted = name.map(definition).transpose()?;
    let mut home = Home::open(cli.learner.as_deref())?;
    if let (Some(wanted), Some(value)) = (wanted, value) {
        home.set(wanted.name, value)?;
        say(&format!("{} = {value}", wanted.name))?;
        if wanted.name == "microphone"
            && let Some(words) = devices::not_there_now(value)
        {
            warn(&words);
        }
        return Ok(ExitCode::SUCCESS);
    }
    for each in DEFINITIONS
        .iter()
        .filter(|d| wanted.is_none_or(|wanted| wanted.name == d.name))
    {
        let value = home.settings().value(each);
        let place = match each.scope {
            Scope::Learner => "learner",
            Scope::Machine => "machine",
        };
        if json {
            say_row(&json!({"name": each.name, "value": value, "set": home.settings().is_set(each), "scope": place, "values": each.values}).to_string())?;
        } else {
            say(&format!(
                "{} = {}\n    {} ({}; {place})",
                each.name,
                home.settings().written(each),
                each.about,
                each.values.join(", ")
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
