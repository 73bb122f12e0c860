//! `hear`: what was played or sung in a recording, as CSV or lines of JSON.

use std::io::Write;
use std::process::ExitCode;

use anyhow::{Context, bail};
use serde_json::json;

use super::args::{Cli, HearArgs};
use super::hear_live;
use crate::shell::wav;
use crate::shell::words::plural;
use crate::signal::listen::{Listener, NoteEvent, Options, PitchFrame, PitchTrack, Surety};
use crate::theory::Reference;

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &HearArgs) -> anyhow::Result<ExitCode> {
    let reference = Reference::new(args.reference)?;
    let Some(file) = &args.file else {
        if !args.microphone && !args.watch {
            bail!(
                "what is to be heard? A recording, as in `stavelark hear take.wav`; the microphone with --microphone, or \
                 drawn on the staff with --watch"
            );
        }
        return hear_live::run(cli, args, reference);
    };
    if args.seconds.is_some() || args.drone.is_some() {
        bail!(
            "a recording is heard to its end and without a drone: leave out --for and --drone, or listen to the microphone \
             with --microphone or --watch"
        );
    }
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
        let mut told = Told::default();
        if !args.json {
            writeln!(out, "{HEAD}")?;
        }
        while !block.is_empty() {
            told.sounded(&block);
            for note in listener.push(&block) {
                told.take(&note);
                write_note(&mut out, &note, args.json)?;
            }
            block.clear();
            recording.next_block(&mut block, BLOCK)?;
        }
        for note in listener.finish() {
            told.take(&note);
            write_note(&mut out, &note, args.json)?;
        }
        if let Some(words) = told.closing() {
            super::warn(&words);
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

/// What was told of, for whoever waits for a row that does not come.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Told {
    notes: u32,
    /// Sounds that began and were not surely a note.
    unsure: u32,
    /// The loudest sample, full scale 1; `None` where samples are not seen.
    peak: Option<f32>,
}

/// Softer than this is silence: −60 dBFS, where the noise of a quiet room lies.
const SILENCE: f32 = 0.001;

impl Told {
    /// Counts a note, or a sound that was none for sure.
    pub(super) fn take(&mut self, note: &NoteEvent) {
        match note.surety {
            Surety::Unsure => self.unsure += 1,
            _ => self.notes += 1,
        }
    }

    /// Takes samples that were listened to.
    pub(super) fn sounded(&mut self, samples: &[f32]) {
        let peak = self.peak.unwrap_or_default();
        self.peak = Some(samples.iter().fold(peak, |peak, s| peak.max(s.abs())));
    }

    /// What was heard that no row says.
    pub(super) fn closing(self) -> Option<String> {
        let why = "is told only when it is surely one note: play or sing one at a time, near the microphone";
        match (self.notes, self.unsure) {
            (0, 0) => Some(match self.peak {
                Some(peak) if peak < SILENCE => {
                    "No note is told: the recording is silent. Record again, nearer or louder."
                        .to_owned()
                }
                Some(_) => {
                    format!(
                        "No note is told: sound was heard, but no beginning of a note. What sounds {why}."
                    )
                }
                None => {
                    "No note began. `stavelark devices --check` says what the microphone hears."
                        .to_owned()
                }
            }),
            (_, 0) => None,
            (0, unsure) => Some(format!(
                "No note is told: {} began. What sounds {why}.",
                plural(unsure, "sound")
            )),
            (_, unsure) => Some(format!(
                "Not told: {} more. What sounds {why}.",
                plural(unsure, "sound")
            )),
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn told(notes: u32, unsure: u32, sample: f32) -> Option<String> {
        let mut told = Told {
            notes,
            unsure,
            ..Told::default()
        };
        told.sounded(&[0.0, -sample]);
        told.closing()
    }

    #[test]
    fn rows_that_do_not_come_are_accounted_for() {
        assert_eq!(told(3, 0, 0.5), None);
        for (notes, unsure, sample, says) in [
            (0, 0, 0.0, "is silent"),
            (0, 0, 0.5, "no beginning of a note"),
            (0, 1, 0.5, "No note is told: 1 sound began"),
            (2, 3, 0.5, "Not told: 3 sounds more"),
        ] {
            let words = told(notes, unsure, sample).unwrap();
            assert!(words.contains(says), "{words}");
        }
        let live = Told::default().closing().unwrap();
        assert!(live.contains("devices --check"), "{live}");
    }
}
