//! `voice`: the range a learner sings in with ease, found in a minute of gentle singing, and kept for practice.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::ExitCode;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use anyhow::bail;
use serde_json::json;

use super::args::{Cli, VoiceArgs};
use super::{read, say, say_row, unfinished, warn};
use crate::shell::audio::SystemMicrophones;
use crate::shell::ear::{Ear, EarNews, EarOptions, listening_for};
use crate::shell::home::Home;
use crate::shell::wav;
use crate::signal::listen::{Options, PitchFrame, PitchTrack};
use crate::study::{AnswerWay, VoiceRange};
use crate::theory::{MidiNote, Reference, Temperament};

/// What is asked of the singer, with the usual caution.
const ASKED: &str = "Sing softly on \"ah\", from a note that is easy. Go down step by step as long as it stays easy, rest, and go up in the \
same way, holding each note for a moment. Never to the end of your voice: stop before it gets tight, and stop at once when \
anything hurts or you are hoarse. This is the usual caution and no medical advice.";

/// How long it listens, unless told otherwise.
const SECONDS: u32 = 60;
/// A frame of pitch stands for this much singing, ms.
const FRAME_MS: u32 = 10;
/// A frame counts when its pitch is so sure.
const SURE: f32 = 0.5;

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &VoiceArgs) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    let sung = match &args.input {
        Some(file) => recorded(file)?,
        None => live(&home, args.seconds.unwrap_or(SECONDS))?,
    };
    let Some(range) = VoiceRange::found(&sung) else {
        warn(
            "Too little was heard to tell a range: it takes notes at least a major sixth apart, and those \
             between, each held for a moment. Nothing was changed. You can also say it: stavelark settings voice alto",
        );
        return Ok(unfinished());
    };
    let (low, high) = range.keys();
    let [from, to] = [low, high].map(|key| home.settings().note(key.spelled_with_sharps()));
    home.set("voice", &format!("{from}-{to}"))?;
    if args.json {
        let kind = range.nearest_kind();
        say_row(&json!({"range": range.to_string(), "low_midi": low.0, "high_midi": high.0, "nearest_kind": kind}).to_string())?;
    } else {
        say(&format!(
            "You sing with ease from {from} to {to}; what you answer by singing is sounded there from now on. That is nearest to what is \
             called {}. `stavelark settings voice` changes it.",
            range.nearest_kind()
        ))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// How long each key was sung.
#[derive(Debug, Default)]
struct Sung(BTreeMap<i16, u32>);

impl Sung {
    /// Counts a frame; gives the key when it has just been sung for half a second in all.
    fn take(&mut self, frame: &PitchFrame) -> Option<MidiNote> {
        let hz = frame.frequency.filter(|_| frame.confidence >= SURE)?;
        let (key, _) = Temperament::equal().nearest(hz, Reference::default());
        let ms = self.0.entry(key.0).or_default();
        *ms += FRAME_MS;
        (*ms == 500).then_some(key)
    }

    fn all(&self) -> Vec<(MidiNote, u32)> {
        self.0
            .iter()
            .map(|(key, ms)| (MidiNote(*key), *ms))
            .collect()
    }
}

/// A voice is listened for, and no piano.
fn listening() -> Options {
    listening_for(AnswerWay::Voice, None, &[None; 3])
}

fn recorded(file: &Path) -> anyhow::Result<Vec<(MidiNote, u32)>> {
    read::there(file)?;
    let recording = wav::read(file)?;
    let mut track = PitchTrack::new(recording.rate, listening())?;
    let mut sung = Sung::default();
    for frame in track.push(&recording.mono) {
        sung.take(&frame);
    }
    Ok(sung.all())
}

fn live(home: &Home, seconds: u32) -> anyhow::Result<Vec<(MidiNote, u32)>> {
    say(ASKED)?;
    let (tell, told) = channel();
    let microphones = SystemMicrophones {
        chosen: home.settings().microphone(),
    };
    let options = EarOptions {
        listening: listening(),
        follow: true,
        ..EarOptions::default()
    };
    let _ear = Ear::start(
        Box::new(microphones),
        options,
        Box::new(move |news| tell.send(news).is_ok()),
    );
    let whole = Duration::from_secs(u64::from(seconds));
    let mut sung = Sung::default();
    let mut began: Option<Instant> = None;
    loop {
        let left = began.map_or(whole, |began| whole.saturating_sub(began.elapsed()));
        if left.is_zero() {
            return Ok(sung.all());
        }
        match told.recv_timeout(left) {
            Ok(EarNews::Listening { device }) => {
                warn(&format!("Listening by {device} for {seconds} s."));
                began.get_or_insert_with(Instant::now);
            }
            Ok(EarNews::Deaf(fault)) if began.is_none() => return Err(fault.into()),
            Ok(EarNews::Deaf(fault)) => warn(&fault.to_string()),
            Ok(EarNews::Pitch { frame, .. }) => {
                if let Some(key) = sung.take(&frame) {
                    let note = home.settings().note(key.spelled_with_sharps());
                    warn(&format!("  {note} is easy"));
                }
            }
            Ok(EarNews::Note(_) | EarNews::Sound { .. }) | Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => bail!("the microphone could not be heard"),
        }
    }
}
