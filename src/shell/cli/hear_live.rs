//! `hear --microphone`: the rows of `hear`, each as soon as its note is decided.

use std::io::Write;
use std::process::ExitCode;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use super::args::{Cli, HearArgs};
use super::hear::{HEAD, write_note};
use super::warn;
use crate::shell::audio::SystemMicrophones;
use crate::shell::ear::{Ear, EarNews, EarOptions};
use crate::shell::home::Home;
use crate::signal::listen::{NoteEvent, Options};
use crate::theory::Reference;

/// Runs until `--for` is over, or for good.
pub(super) fn run(cli: &Cli, args: &HearArgs, reference: Reference) -> anyhow::Result<ExitCode> {
    let home = Home::open(cli.learner.as_deref())?;
    let microphones = SystemMicrophones {
        chosen: home.settings().microphone(),
    };
    let options = EarOptions {
        listening: Options { reference },
        ..EarOptions::default()
    };
    let (tell, told) = channel();
    let _ear = Ear::start(
        Box::new(microphones),
        options,
        Box::new(move |news| tell.send(news).is_ok()),
    );
    let mut out = std::io::stdout().lock();
    if !args.json {
        writeln!(out, "{HEAD}")?;
    }
    let until = args
        .seconds
        .map(|seconds| Duration::from_secs(u64::from(seconds)));
    let mut began: Option<Instant> = None;
    loop {
        // Time counts from when something could be heard.
        let left = match (until, began) {
            (Some(until), Some(began)) => until.saturating_sub(began.elapsed()),
            _ => Duration::from_secs(3600),
        };
        match told.recv_timeout(left) {
            Ok(EarNews::Listening { device }) => {
                warn(&format!("Listening by: {device}"));
                began.get_or_insert_with(Instant::now);
            }
            // What was never there cannot be waited for; what is lost may come back.
            Ok(EarNews::Deaf(fault)) if began.is_none() => return Err(fault.into()),
            Ok(EarNews::Deaf(fault)) => warn(&fault.to_string()),
            Ok(EarNews::Note(heard)) => {
                let since = began.unwrap_or(heard.onset);
                let seconds = |at: Instant| at.saturating_duration_since(since).as_secs_f64();
                // The stream begins anew when a device comes back; the program's clock goes on.
                let note = NoteEvent {
                    onset_s: seconds(heard.onset),
                    decided_s: seconds(heard.at),
                    ..heard.note
                };
                write_note(&mut out, &note, args.json)?;
            }
            Err(RecvTimeoutError::Timeout) if until.is_some() && began.is_some() => {
                return Ok(ExitCode::SUCCESS);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Ok(super::unfinished()),
        }
    }
}
