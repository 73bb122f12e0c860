//! `hear --microphone`: the rows of `hear`, each as soon as its note is decided; `--watch` draws the pitch instead.

use std::io::Write;
use std::process::ExitCode;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use anyhow::bail;

use super::args::{Cli, HearArgs};
use super::hear::{FRAMES_HEAD, HEAD, Told, write_frame, write_note};
use super::practice::{ascii, no_screen};
use super::warn;
use crate::shell::audio::{Quiet, SystemMicrophones};
use crate::shell::ear::{Ear, EarNews, EarOptions};
use crate::shell::home::Home;
use crate::shell::term::{self, Watch};
use crate::signal::listen::{NoteEvent, Options};
use crate::theory::{Reference, Temperament};

/// Runs until `--for` is over, or for good.
pub(super) fn run(cli: &Cli, args: &HearArgs, reference: Reference) -> anyhow::Result<ExitCode> {
    let home = Home::open(cli.learner.as_deref())?;
    let microphones = SystemMicrophones {
        chosen: home.settings().microphone(),
    };
    let options = EarOptions {
        listening: Options {
            reference,
            ..Options::default()
        },
        follow: args.frames || args.watch,
        ..EarOptions::default()
    };
    if args.watch {
        let seconds = args.seconds;
        return watch(cli, &home, args, microphones, options, seconds);
    }
    let (tell, told) = channel();
    let ear = Ear::start(
        Box::new(microphones),
        options,
        Box::new(move |news| tell.send(news).is_ok()),
    );
    let mut out = std::io::stdout().lock();
    if !args.json {
        writeln!(out, "{}", if args.frames { FRAMES_HEAD } else { HEAD })?;
    }
    let until = args
        .seconds
        .map(|seconds| Duration::from_secs(u64::from(seconds)));
    let mut began: Option<Instant> = None;
    let mut told_of = Told::default();
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
            Ok(EarNews::Pitch { frame, .. }) => {
                write_frame(&mut out, &frame, args.json)?;
                out.flush()?;
            }
            Ok(EarNews::Note(_)) if args.frames => {}
            Ok(EarNews::Sound { .. }) => {}
            Ok(EarNews::Note(heard)) => {
                let since = began.unwrap_or(heard.onset);
                let seconds = |at: Instant| at.saturating_duration_since(since).as_secs_f64();
                // The stream begins anew when a device comes back; the program's clock goes on.
                let note = NoteEvent {
                    onset_s: seconds(heard.onset),
                    decided_s: seconds(heard.at),
                    ..heard.note
                };
                told_of.take(&note);
                write_note(&mut out, &note, args.json)?;
            }
            Err(RecvTimeoutError::Timeout) if until.is_some() && began.is_some() => {
                if ear.losses() > 0 {
                    warn(&format!("Sound was lost {} times.", ear.losses()));
                }
                if let Some(words) = told_of.closing().filter(|_| !args.frames) {
                    warn(&words);
                }
                return Ok(ExitCode::SUCCESS);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Ok(super::unfinished()),
        }
    }
}

fn watch(
    cli: &Cli,
    home: &Home,
    args: &HearArgs,
    microphones: SystemMicrophones,
    options: EarOptions,
    seconds: Option<u32>,
) -> anyhow::Result<ExitCode> {
    let names = home.names();
    let drone = args.drone.as_ref().map(|note| names.pitch(note));
    let drone = drone.transpose()?.map(|pitch| {
        let reference = options.listening.reference;
        Temperament::equal().frequency(pitch.midi(), reference)
    });
    if let Some(why) = no_screen() {
        bail!("{why}: nothing can be drawn. Hear in words with: stavelark hear --microphone");
    }
    // The drone would be heard as the singer.
    if drone.is_some() && !home.settings().headphones() {
        bail!(
            "a drone at loudspeakers would be taken for the voice: put headphones on, say so with \
             `stavelark settings headphones on`, and start low"
        );
    }
    let _quiet = Quiet::new(None).ok();
    let watch = Watch {
        names,
        ascii: ascii(cli, home.settings()),
        reference: options.listening.reference,
        drone,
        seconds,
    };
    term::watch(&watch, |tell| {
        Ear::start(Box::new(microphones), options, tell)
    })?;
    Ok(ExitCode::SUCCESS)
}
