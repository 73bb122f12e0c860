//! The commands. Results go to stdout, everything else to stderr.
//! Exit codes: 0 done; 1 ended without what was asked; 2 could not run.

mod args;
mod course;
mod data;
mod devices;
mod edge;
mod hear;
mod hear_live;
mod learner;
mod plain;
mod plain_home;
mod plain_piano;
pub mod play;
mod practice;
mod progress;
mod read;
mod settings;
mod sheet;
mod tuning;
mod voice;
mod write;

use std::io::{self, ErrorKind, Write};
use std::process::ExitCode;

use clap::Parser;

use args::{Cli, Command};

use crate::shell::locale;
use crate::shell::words::fault;

/// Runs the program.
pub fn main() -> ExitCode {
    match run(&Cli::parse()) {
        Ok(code) => code,
        // A reader that has had enough is no error.
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            warn(&format!("stavelark: {}", in_words(&error)));
            ExitCode::from(2)
        }
    }
}

/// The error and its causes; a cause that its error has told already is not told twice.
fn in_words(error: &anyhow::Error) -> String {
    error.chain().fold(String::new(), |told, cause| {
        let cause = match cause.downcast_ref::<io::Error>() {
            Some(io) => fault(io),
            None => cause.to_string(),
        };
        match told.as_str() {
            "" => cause,
            before if before.contains(&cause) => told,
            before => format!("{before}: {cause}"),
        }
    })
}

fn run(cli: &Cli) -> anyhow::Result<ExitCode> {
    if cli.learner.several() && !matches!(cli.command, Some(Command::Sheet(_))) {
        anyhow::bail!("only `sheet` takes several learners: name one");
    }
    match &cli.command {
        Some(Command::Sheet(args)) => sheet::run(cli, args),
        None => practice::home(cli),
        Some(Command::Practice(args)) => practice::run(cli, args),
        Some(Command::Progress(args)) => progress::run(cli, args),
        Some(Command::Course { command }) => course::run(cli, command),
        Some(Command::Devices(args)) => devices::run(cli, args),
        Some(Command::Hear(args)) => hear::run(cli, args),
        Some(Command::Play(args)) => play::run(cli, args),
        Some(Command::Tuning(args)) => tuning::run(cli, args),
        Some(Command::Learner { command }) => learner::run(command),
        Some(Command::Settings { name, value, json }) => {
            settings::run(cli, name.as_deref(), value.as_deref(), *json)
        }
        Some(Command::Voice(args)) => voice::run(cli, args),
        Some(Command::Data { command }) => data::run(cli, command),
    }
}

/// Ended without what was asked.
fn unfinished() -> ExitCode {
    ExitCode::from(1)
}

/// Writes a line to stderr; a stderr that is gone is nobody's loss.
fn warn(text: &str) {
    let shown = locale::shown(text);
    let lines = edge::broken(&shown, edge::columns(&io::stderr()));
    let _gone = crate::shell::audio::tell(&format!("{lines}\n"));
}

/// Writes a line to stdout, broken between words where the terminal ends.
fn say(text: &str) -> io::Result<()> {
    let shown = locale::shown(text);
    let lines = edge::broken(&shown, edge::columns(&io::stdout()));
    writeln!(io::stdout(), "{lines}")
}

/// Writes a row to stdout as it is: for a program to read, or drawn.
fn say_row(text: &str) -> io::Result<()> {
    writeln!(io::stdout(), "{}", locale::shown(text))
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| {
        cause
            .downcast_ref::<io::Error>()
            .is_some_and(|io| io.kind() == ErrorKind::BrokenPipe)
    })
}
