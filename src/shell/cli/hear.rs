//! `hear`: what was played or sung in a recording, as CSV or lines of JSON.

use std::io::Write;
use std::process::ExitCode;

use anyhow::Context;
use serde_json::json;

use super::args::{Cli, HearArgs};
use super::hear_live;
use crate::shell::wav;
use crate::signal::listen::{Listener, NoteEvent, Options, PitchFrame, PitchTrack, Surety};
use crate::theory::Reference;

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &HearArgs) -> anyhow::Result<ExitCode> {
    let reference = Reference::new(args.reference)?;
    let Some(file) = &args.file else {
        return hear_live::run(cli, args, reference);
    };
    super::read::there(file)?;
    let mut recording = wav::Reader::open(file)?;
    let mut block = Vec::with_capacity(BLOCK);
    if recording.next_block(&mut block, BLOCK)? == 0 {
        return Err(recording.empty().into());
    }
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let options = Options {
        reference,
        ..Options::default()
    };
    let deaf = || format!("cannot listen to '{}'", file.display());
    if args.frames {
        let mut track = PitchTrack::new(recording.rate, options).with_context(deaf)?;
        if !args.json {
            writeln!(out, "time_s,frequency_hz,confidence")?;
        }
        while !block.is_empty() {
            for frame in track.push(&block) {
                write_frame(&mut out, &frame, args.json)?;
            }
            block.clear();
            recording.next_block(&mut block, BLOCK)?;
        }
        if let Some(frame) = track.finish() {
            write_frame(&mut out, &frame, args.json)?;
        }
    } else {
        let mut listener = Listener::new(recording.rate, options).with_context(deaf)?;
        if !args.json {
            writeln!(out, "{HEAD}")?;
        }
        while !block.is_empty() {
            for note in listener.push(&block) {
                write_note(&mut out, &note, args.json)?;
            }
            block.clear();
            recording.next_block(&mut block, BLOCK)?;
        }
        for note in listener.finish() {
            write_note(&mut out, &note, args.json)?;
        }
    }
    out.flush()?;
    if recording.cut_off {
        super::warn(&format!(
            "'{}' was cut off: it was heard as far as it goes",
            file.display()
        ));
    }
    Ok(ExitCode::SUCCESS)
}

/// The columns.
pub(super) const HEAD: &str = "onset_s,decided_s,midi,name,frequency_hz,cents,confidence";

/// The columns of `--frames`.
pub(super) const FRAMES_HEAD: &str = "time_s,frequency_hz,confidence";

/// Samples handed on at a time: what a sound card would give.
const BLOCK: usize = 1024;

pub(super) fn write_frame(
    out: &mut impl Write,
    frame: &PitchFrame,
    json: bool,
) -> std::io::Result<()> {
    let hz = frame.frequency.map(|hz| hz.0);
    if json {
        let row = json!({
            "time_s": rounded(frame.time_s, 4), "frequency_hz": hz.map(|hz| rounded(hz, 3)),
            "confidence": rounded(f64::from(frame.confidence), 3),
        });
        writeln!(out, "{row}")
    } else {
        let hz = hz.map(|hz| format!("{hz:.3}")).unwrap_or_default();
        writeln!(out, "{:.4},{hz},{:.3}", frame.time_s, frame.confidence)
    }
}

pub(super) fn write_note(
    out: &mut impl Write,
    note: &NoteEvent,
    json: bool,
) -> std::io::Result<()> {
    if note.surety == Surety::Unsure {
        return Ok(());
    }
    let name = note.key.spelled_with_sharps().to_string();
    if json {
        writeln!(
            out,
            "{}",
            json!({
                "onset_s": rounded(note.onset_s, 4), "decided_s": rounded(note.decided_s, 4), "midi": note.key.0, "name": name,
                "frequency_hz": rounded(note.frequency.0, 3), "cents": rounded(note.cents.0, 2), "confidence": note.confidence,
            })
        )?;
    } else {
        writeln!(
            out,
            "{:.4},{:.4},{},{name},{:.3},{:.2},{:.3}",
            note.onset_s,
            note.decided_s,
            note.key.0,
            note.frequency.0,
            note.cents.0,
            note.confidence
        )?;
    }
    // A note is known as soon as it is decided, also to a reader of a pipe.
    out.flush()
}

fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    (value * scale).round() / scale
}
