//! The guided parts: a loud and a soft note for the sound check, short tones for the loop.

use std::io::{self, Write};
use std::time::{Duration, Instant};

use super::check::{Finding, Takes, study};
use super::loop_delay::{LoopDelay, PERIOD, TONES, measure, tone};
use super::record::Recorder;
use crate::shell::audio::{AudioFault, InputFault, Microphones, Speaker};
use crate::shell::words::fault;

/// The room is listened to for so long before anything is asked for.
const ROOM: Duration = Duration::from_millis(800);

/// How long a note is waited for.
const PATIENCE: Duration = Duration::from_secs(15);

/// How much of a note is kept.
const NOTE: Duration = Duration::from_millis(2_000);

/// A note rises over the room by this (12 dB), and is louder than −70 dBFS.
const RISE: f32 = 16.0;
const LEAST: f32 = 1e-7;

/// What was in the way of a measurement.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// The microphone.
    #[error(transparent)]
    Input(#[from] InputFault),
    /// The loudspeaker.
    #[error(transparent)]
    Output(#[from] AudioFault),
    /// What is asked for could not be written.
    #[error("writing failed: {}", fault(.0))]
    Io(#[from] io::Error),
}

/// What a sound check found.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundCheck {
    /// The device.
    pub device: String,
    /// Samples a second.
    pub rate: u32,
    /// Level of the room, dBFS.
    pub room_db: f64,
    /// Peak of the loud and of the soft note, dBFS, where they were played.
    pub peaks_db: [Option<f64>; 2],
    /// What is in the way.
    pub findings: Vec<Finding>,
}

/// Asks on `out` for one loud and one soft note, and listens to them.
pub fn sound_check(
    microphones: &mut dyn Microphones,
    out: &mut dyn Write,
) -> Result<SoundCheck, MeasureError> {
    let mut recorder = Recorder::open(microphones)?;
    writeln!(
        out,
        "Listening by: {}. Please be quiet for a moment.",
        recorder.name()
    )?;
    recorder.record(ROOM)?;
    let rate = recorder.rate();
    // The first of a stream may click.
    let room = recorder.sound()[rate as usize / 5..].to_vec();
    let floor = room.iter().map(|x| x * x).sum::<f32>() / room.len().max(1) as f32;
    let mut takes: [Vec<f32>; 2] = [Vec::new(), Vec::new()];
    for (take, how) in takes.iter_mut().zip(["loudly", "softly"]) {
        writeln!(
            out,
            "Play one note {how}, near the middle, and hold it down."
        )?;
        out.flush()?;
        *take = note(&mut recorder, floor)?;
        if take.is_empty() {
            writeln!(out, "Nothing was heard.")?;
            break;
        }
        writeln!(out, "Thank you. Let it go.")?;
        quiet(&mut recorder, floor)?;
    }
    let [loud, soft] = &takes;
    let findings = study(&Takes {
        rate,
        room: &room,
        loud,
        soft,
    });
    let peak = |take: &Vec<f32>| {
        let peak = take.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
        (!take.is_empty()).then(|| 20.0 * f64::from(peak.max(1e-7)).log10())
    };
    Ok(SoundCheck {
        device: recorder.name().to_owned(),
        rate,
        room_db: 10.0 * f64::from(floor.max(1e-14)).log10(),
        peaks_db: [peak(loud), peak(soft)],
        findings,
    })
}

/// The next note from its onset on; empty when none comes.
fn note(recorder: &mut Recorder, floor: f32) -> Result<Vec<f32>, InputFault> {
    let frame = recorder.rate() as usize / 50;
    let mut at = recorder.sound().len();
    let mut onset = None;
    recorder.until(PATIENCE, |sound| {
        while let Some(frames) = sound.get(at..at + frame) {
            let power = frames.iter().map(|x| x * x).sum::<f32>() / frame as f32;
            if power > (floor * RISE).max(LEAST) {
                onset = Some(at);
                return true;
            }
            at += frame;
        }
        false
    })?;
    let Some(onset) = onset else {
        return Ok(Vec::new());
    };
    recorder.record(NOTE)?;
    let end = (onset + (NOTE.as_secs_f64() * f64::from(recorder.rate())) as usize)
        .min(recorder.sound().len());
    Ok(recorder.sound()[onset..end].to_vec())
}

/// Waits until the note has died away, some seconds at most.
fn quiet(recorder: &mut Recorder, floor: f32) -> Result<(), InputFault> {
    let frame = recorder.rate() as usize / 10;
    recorder.until(Duration::from_secs(6), |sound| {
        sound.len() > frame && {
            let last = &sound[sound.len() - frame..];
            last.iter().map(|x| x * x).sum::<f32>() / (frame as f32) < (floor * 4.0).max(LEAST)
        }
    })?;
    Ok(())
}

/// Sounds short tones and measures when the microphone hears them. `None` when it does not.
pub fn loop_delay(microphones: &mut dyn Microphones) -> Result<Option<LoopDelay>, MeasureError> {
    let mut recorder = Recorder::open(microphones)?;
    let mut speaker = Speaker::open()?;
    recorder.record(Duration::from_millis(500))?;
    let mut ordered = Vec::new();
    for _ in 0..TONES {
        ordered.push(Instant::now());
        speaker.play(&tone())?;
        recorder.until(PERIOD, |_| false)?;
    }
    recorder.record(Duration::from_millis(300))?;
    let seconds: Vec<f64> = ordered.iter().map(|at| recorder.second(*at)).collect();
    Ok(measure(recorder.sound(), recorder.rate(), &seconds))
}
