//! `play`: sounds notes, or renders them to a file.

use std::fs::OpenOptions;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};

use crate::score::{Phrase, Tone};
use crate::shell::audio::Speaker;
use crate::signal::synth::{RenderOptions, SampleRate, render};
use crate::theory::{Hz, Pitch, Reference, Temperament};

/// Longest note that may be asked for.
const LONGEST_S: f64 = 600.0;

/// Sound notes, one after the other or together.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  stavelark play C4 E4 G4
  stavelark play C4 E4 G4 --together --for 4
  stavelark play A4 --tone pure --reference 442 --wav a.wav")]
pub struct PlayArgs {
    /// Notes in scientific pitch notation, such as C4, F#5 or Bb3
    #[arg(value_name = "NOTE", required = true)]
    pub notes: Vec<String>,
    /// Sound all notes at once
    #[arg(long)]
    pub together: bool,
    /// How long each note is held
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 1.5)]
    pub seconds: f64,
    /// The sound
    #[arg(long, value_enum, default_value_t = ToneChoice::Strings)]
    pub tone: ToneChoice,
    /// How the twelve notes of an octave are sized
    #[arg(long, value_enum, default_value_t = TemperamentChoice::Equal)]
    pub temperament: TemperamentChoice,
    /// The frequency of A4 in hertz, 390 to 470
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub reference: f64,
    /// Render to a WAV file (16 bits, 48 kHz) instead of sounding
    #[arg(long, value_name = "FILE")]
    pub wav: Option<PathBuf>,
    /// Write over an existing file
    #[arg(long, requires = "wav")]
    pub force: bool,
}

/// The tones by their option words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ToneChoice {
    /// Struck strings, as of a piano
    Strings,
    /// A sung "ah"
    Vowel,
    /// A held tone near a sine
    Pure,
}

impl From<ToneChoice> for Tone {
    fn from(choice: ToneChoice) -> Tone {
        match choice {
            ToneChoice::Strings => Tone::Strings,
            ToneChoice::Vowel => Tone::Vowel,
            ToneChoice::Pure => Tone::Pure,
        }
    }
}

/// The temperaments by their option words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum TemperamentChoice {
    /// Twelve equal semitones
    Equal,
}

/// Sounds or renders what `args` ask for. Errors: a note, length or reference that is none, a file that is there
/// already, no sound device.
pub fn run(args: &PlayArgs) -> anyhow::Result<ExitCode> {
    let phrase = phrase(args)?;
    match &args.wav {
        Some(path) => write_wav(&phrase, path, args.force)?,
        None => sound(&phrase)?,
    }
    Ok(ExitCode::SUCCESS)
}

fn phrase(args: &PlayArgs) -> anyhow::Result<Phrase> {
    let reference = Reference::new(args.reference)?;
    let temperament = match args.temperament {
        TemperamentChoice::Equal => Temperament::equal(),
    };
    if !(0.05..=LONGEST_S).contains(&args.seconds) {
        bail!(
            "--for takes 0.05 to {LONGEST_S} seconds, not {}",
            args.seconds
        );
    }
    let length_ms = (args.seconds * 1000.0).round() as u32;
    let frequencies = args
        .notes
        .iter()
        .map(|text| Ok(temperament.frequency(text.parse::<Pitch>()?.midi(), reference)))
        .collect::<anyhow::Result<Vec<Hz>>>()?;
    let tone = args.tone.into();
    Ok(if args.together {
        Phrase::together(tone, frequencies, length_ms)
    } else {
        Phrase::one_after_another(tone, frequencies, length_ms)
    })
}

fn write_wav(phrase: &Phrase, path: &Path, force: bool) -> anyhow::Result<()> {
    let rate = SampleRate::STUDIO;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate.per_second(),
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let name = path.display();
    let file = OpenOptions::new()
        .write(true)
        .truncate(true)
        .create(force)
        .create_new(!force)
        .open(path)
        .with_context(|| match path.exists() && !force {
            true => format!(
                "{name} is there already: choose another name, or write over it with --force"
            ),
            false => format!("{name} cannot be written: check the folder and its rights"),
        })?;
    let failed = || format!("{name} cannot be written to its end: check the free space");
    let mut out = BufWriter::new(file);
    let mut writer = hound::WavWriter::new(&mut out, spec).with_context(failed)?;
    for sample in render(phrase, rate, RenderOptions::default()) {
        let step = (f64::from(sample) * f64::from(i16::MAX)).round() as i16;
        writer.write_sample(step).with_context(failed)?;
    }
    writer.finalize().with_context(failed)?;
    out.flush().with_context(failed)?;
    Ok(())
}

fn sound(phrase: &Phrase) -> anyhow::Result<()> {
    let mut speaker = Speaker::open()?;
    let mut stderr = std::io::stderr();
    // A closed standard error is no reason not to play.
    let _ = writeln!(
        stderr,
        "Start low: turn the volume down first, above all with headphones, and up until it is comfortable."
    );
    speaker.play(phrase)?;
    let longest = Duration::from_millis(u64::from(phrase.end_ms()) + 5_000);
    let began = Instant::now();
    while speaker.is_sounding() && began.elapsed() < longest {
        if let Some(fault) = speaker.fault() {
            return Err(fault.into());
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(())
}
