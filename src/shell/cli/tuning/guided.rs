//! The guided check: on the screen, or in words a line at a time.

use std::io::{BufRead, Write};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

use anyhow::bail;

use super::TuningArgs;
use crate::report::tuning::{CAUTION_SHORT, beating};
use crate::shell::audio::{Quiet, SystemMicrophones};
use crate::shell::cli::args::Cli;
use crate::shell::cli::practice::{ascii, no_screen, shown};
use crate::shell::home::Home;
use crate::shell::term::{self, TuningView};
use crate::shell::tuner::{Keeping, Tuner, TunerNews, TuningSitting};
use crate::signal::tuning::{Guided, Instrument};
use crate::theory::Reference;

/// How long nothing may happen before time is looked at.
const TICK: Duration = Duration::from_millis(250);

/// Runs the guided check; gives what was read. `keeping` has it after each key.
pub(super) fn run(
    cli: &Cli,
    args: &TuningArgs,
    reference: Reference,
    keeping: Keeping,
) -> anyhow::Result<Instrument> {
    let home = Home::open(cli.learner.as_deref())?;
    let plain = args.plain || cli.plain;
    if !plain && let Some(why) = no_screen() {
        bail!(
            "{why}: nothing can be drawn. Check in words with `stavelark tuning --plain`, or recordings with --input"
        );
    }
    let view = TuningView {
        names: home.names(),
        ascii: ascii(cli, home.settings()),
        reference,
    };
    let microphones = Box::new(SystemMicrophones {
        chosen: home.settings().microphone(),
    });
    let sitting = TuningSitting::new(Guided::new(reference, args.quick), keeping);
    let sitting = if plain {
        let start = |tell: Tell| Tuner::start(microphones, reference, tell);
        in_words(&view, sitting, start, &mut *shown())?
    } else {
        let _quiet = Quiet::new(None).ok();
        term::tuning(&view, sitting, |tell| {
            Tuner::start(microphones, reference, tell)
        })?
    };
    Ok(sitting.instrument())
}

type Tell = Box<dyn FnMut(TunerNews) -> bool + Send>;

enum Arrival {
    Line(String),
    Tuner(Box<TunerNews>),
    /// No more lines will come.
    NoMoreLines,
}

/// The sitting as lines: what is asked, what came; a line typed goes on, back or ends.
fn in_words(
    view: &TuningView,
    mut sitting: TuningSitting,
    start: impl FnOnce(Tell) -> Tuner,
    output: &mut dyn Write,
) -> std::io::Result<TuningSitting> {
    writeln!(
        output,
        "Play what is asked and hold it for two seconds. Lines you can type: next, back, any (in any order), keep (it was \
         that key), stop.\n{CAUTION_SHORT}"
    )?;
    let (arrive, arrivals) = channel();
    let from_tuner = arrive.clone();
    let tuner = start(Box::new(move |news| {
        from_tuner.send(Arrival::Tuner(Box::new(news))).is_ok()
    }));
    std::thread::spawn(move || typed(&arrive));
    let (mut device, mut asked, mut told) = (String::new(), String::new(), 0);
    let mut by_lines = true;
    while !sitting.guided.is_complete() {
        if sitting.device != device {
            device.clone_from(&sitting.device);
            writeln!(output, "{device}")?;
        }
        if sitting.told != told {
            told = sitting.told;
            let said = sitting.says(|key| view.name(key));
            let beats = sitting.glimpse.as_ref().map(beating).unwrap_or_default();
            writeln!(output, "{said} {beats}")?;
            asked.clear();
        }
        let asks = sitting.asks(|key| view.name(key));
        if asks != asked {
            writeln!(output, "{asks}")?;
            asked = asks;
        }
        output.flush()?;
        // Nobody can end it and nothing can be heard.
        if !by_lines && sitting.is_deaf() {
            break;
        }
        match arrivals.recv_timeout(TICK) {
            Ok(Arrival::Tuner(news)) => sitting.take(*news),
            Ok(Arrival::Line(line)) => match line.trim() {
                "" | "next" => sitting.pass(false),
                "back" => sitting.pass(true),
                "any" => sitting.turn_order(),
                "keep" => sitting.insist(),
                "stop" => break,
                _ => writeln!(output, "Type next, back, any, keep or stop.")?,
            },
            Ok(Arrival::NoMoreLines) => by_lines = false,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
    }
    drop(tuner);
    Ok(sitting)
}

fn typed(arrive: &Sender<Arrival>) {
    for line in std::io::stdin().lock().lines() {
        let Ok(line) = line else { break };
        if arrive.send(Arrival::Line(line)).is_err() {
            return;
        }
    }
    let _nobody_left = arrive.send(Arrival::NoMoreLines);
}
