//! `play`: sounds notes, or renders them to a file.

use std::cell::OnceCell;
use std::fs::{File, OpenOptions};
use std::io::{BufWriter, ErrorKind, Read, Write};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::{Context, anyhow, bail};
use clap::{Args, ValueEnum};

use super::args::Cli;
use crate::score::{Phrase, SoundingNote, Tone};
use crate::shell::audio::Speaker;
use crate::shell::home::names_of;
use crate::shell::paths::Paths;
use crate::shell::store::Store;
use crate::shell::words::fault;
use crate::signal::synth::{LOOK_AHEAD_S, RenderOptions, SampleRate, render};
use crate::signal::tuning::PianoTuning;
use crate::theory::{Alteration, Letter, NoteNames, Pitch, Reference, Temperament};

/// First partials that are sounded, in hertz.
const SOUNDED: RangeInclusive<f64> = 16.0..=12_000.0;

/// Longest scale file that is looked at: what goes on beyond is refused as too long.
const SCALE_BYTES: u64 = 1 << 20;

/// Longest note that may be asked for.
const LONGEST_S: f64 = 600.0;

/// Sound notes, one after the other or together.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  stavelark play C4 E4 G4
  stavelark play C4 E4 G4 --together --for 4
  stavelark play C3+E4+G4 B2+F4+G4 C3+E4+C5 --temperament just
  stavelark play D3+A3 --tone vowel --for 300 --temperament just --tonic D
  stavelark play C3 C4 C5 --own-piano
  stavelark play A4 --tone pure --reference 442 --wav a.wav")]
pub struct PlayArgs {
    /// Notes in scientific pitch notation, such as C4, F#5 or Bb3, or as your settings name them, such as Fis5 or do4; joined
    /// by + they sound together, as in C4+E4
    #[arg(value_name = "NOTE", required = true)]
    pub notes: Vec<String>,
    /// Sound all notes at once
    #[arg(long)]
    pub together: bool,
    /// How long each note is held
    #[arg(long = "for", value_name = "SECONDS", default_value_t = 1.5)]
    pub seconds: f64,
    /// How hard notes are played, 1 to 127 as on a MIDI keyboard
    #[arg(long, value_name = "N", default_value_t = 76)]
    pub velocity: u32,
    /// The sound
    #[arg(long, value_enum, default_value_t = ToneChoice::Strings)]
    pub tone: ToneChoice,
    /// How the twelve notes of an octave are sized: equal, just, pythagorean, meantone, werckmeister, vallotti, or a
    /// Scala scale file (FILE.scl)
    #[arg(long, value_name = "NAME|FILE.scl", default_value = "equal")]
    pub temperament: String,
    /// Sound as on the piano of the last tuning check: its own pitch, stretch and stiffness, key by key
    #[arg(long, conflicts_with_all = ["temperament", "tonic", "reference"])]
    pub own_piano: bool,
    /// The note that an unequal temperament is built on
    #[arg(long, value_name = "NOTE", default_value = "C")]
    pub tonic: String,
    /// The frequency of A4 in hertz, 390 to 470
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub reference: f64,
    /// Render to a WAV file (16 bits, 48 kHz) instead of sounding
    #[arg(long, value_name = "FILE")]
    pub wav: Option<PathBuf>,
    /// Render in 32-bit floating point
    #[arg(long, requires = "wav")]
    pub float: bool,
    /// Say how long the first sample took to come out of the program, for measuring a machine
    #[arg(long, hide = true, conflicts_with = "wav")]
    pub timing: bool,
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
    /// A short wooden click, as for the beat
    Click,
}

impl From<ToneChoice> for Tone {
    fn from(choice: ToneChoice) -> Tone {
        match choice {
            ToneChoice::Strings => Tone::Strings,
            ToneChoice::Vowel => Tone::Vowel,
            ToneChoice::Pure => Tone::Pure,
            ToneChoice::Click => Tone::Click,
        }
    }
}

/// Sounds or renders what `args` ask for. Errors: a note, length or reference that is none, a file that is there
/// already, no sound device.
pub fn run(cli: &Cli, args: &PlayArgs) -> anyhow::Result<ExitCode> {
    sound_or_render(args, &Names::of(cli.learner.as_deref()))
}

fn sound_or_render(args: &PlayArgs, names: &Names) -> anyhow::Result<ExitCode> {
    let phrase = phrase(args, names)?;
    match &args.wav {
        Some(path) => {
            other_form(path)?;
            write_wav(&phrase, path, args)?;
            super::write::told(path)?;
        }
        None => sound(&phrase, args.timing)?,
    }
    Ok(ExitCode::SUCCESS)
}

fn phrase(args: &PlayArgs, names: &Names) -> anyhow::Result<Phrase> {
    let reference = Reference::new(args.reference)?;
    let temperament = temperament(&args.temperament)?.on_tonic(tonic(&args.tonic, names)?);
    if !(0.05..=LONGEST_S).contains(&args.seconds) {
        bail!(
            "--for takes 0.05 to {LONGEST_S} seconds, not {}",
            args.seconds
        );
    }
    if !(1..=127).contains(&args.velocity) {
        bail!(
            "--velocity takes 1 (softest) to 127 (hardest), not {}: leave it out for 76",
            args.velocity
        );
    }
    let length_ms = (args.seconds * 1000.0).round() as u32;
    let mut phrase = Phrase::new(args.tone.into());
    let piano = args.own_piano.then(own_piano).transpose()?;
    for (place, chord) in (0_u32..).zip(&args.notes) {
        let start_ms = if args.together {
            0
        } else {
            place.saturating_mul(length_ms)
        };
        for text in chord.split('+') {
            let key = names.pitch(text)?.midi();
            if !key.on_piano() && args.tone == ToneChoice::Strings {
                super::warn(&format!(
                    "{text} lies beyond a piano's keyboard, A0 to C8: it is sounded as a string would sound there."
                ));
            }
            let (first, stiffness) = match &piano {
                Some(piano) => (piano.first(key), piano.stiffness(key)),
                None => (None, None),
            };
            let frequency = first.unwrap_or_else(|| temperament.frequency(key, reference));
            if !SOUNDED.contains(&frequency.0) {
                bail!(
                    "{text} has {:.1} Hz: choose a note between 16 Hz and 12 kHz, C0 to F9",
                    frequency.0
                );
            }
            let note = SoundingNote::new(start_ms, length_ms, frequency);
            phrase.notes.push(note.on_string(stiffness));
        }
    }
    Ok(phrase.with_velocity(args.velocity as f32 / 127.0))
}

/// Reads notes as the learner names them.
struct Names<'a> {
    learner: Option<&'a str>,
    known: OnceCell<NoteNames>,
}

impl Names<'_> {
    fn of(learner: Option<&str>) -> Names<'_> {
        let known = OnceCell::new();
        Names { learner, known }
    }

    /// The record is looked into only for what could mean another note, or none: B, and what is no scientific name.
    fn pitch(&self, text: &str) -> anyhow::Result<Pitch> {
        let scientific = text.parse::<Pitch>();
        if let Ok(pitch) = scientific
            && (pitch.letter, pitch.alteration) != (Letter::B, Alteration::Natural)
        {
            return Ok(pitch);
        }
        if let Some(names) = self.known.get() {
            return Ok(names.pitch(text)?);
        }
        let names = names_of(self.learner)?;
        Ok(self.known.get_or_init(|| names).pitch(text)?)
    }
}

/// The piano of the last tuning check.
fn own_piano() -> anyhow::Result<PianoTuning> {
    let last = Store::open(&Paths::from_env()?)?.checks(1)?;
    let piano = last
        .first()
        .and_then(|check| PianoTuning::of_instrument(&check.instrument));
    piano.ok_or_else(|| {
        anyhow!("no tuning check is kept yet: make one with `stavelark tuning`, then sound as on that piano")
    })
}

/// The pitch class of a note's name without octave.
fn tonic(name: &str, names: &Names) -> anyhow::Result<i32> {
    let pitch = names.pitch(&format!("{name}4")).map_err(|_| {
        anyhow!("'{name}' is no tonic: name a note without octave, as in C, F# or Bb")
    })?;
    Ok(pitch.midi().pitch_class())
}

/// The temperament of that name, or of the Scala file of that name.
fn temperament(name: &str) -> anyhow::Result<Temperament> {
    if let Some(named) = Temperament::named(name) {
        return Ok(named);
    }
    let path = Path::new(name);
    if !path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("scl"))
    {
        bail!(
            "'{name}' is no temperament: choose one of {}, or a Scala scale file whose name ends in .scl",
            Temperament::NAMES.join(", ")
        );
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(SCALE_BYTES).read_to_end(&mut bytes))
        .map_err(|error| {
            anyhow!(
                "{name} cannot be read ({}): check the name and its rights",
                fault(&error)
            )
        })?;
    // Old files are in Latin-1; only their descriptions have letters beyond ASCII.
    Temperament::from_scala(&String::from_utf8_lossy(&bytes))
        .map_err(|error| anyhow!("{name}: {error}"))
}

/// Refuses a name that promises another form than WAV.
fn other_form(path: &Path) -> anyhow::Result<()> {
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    if ["", "wav", "wave"].contains(&ending.to_ascii_lowercase().as_str()) {
        return Ok(());
    }
    bail!(
        "'{}' ends in .{ending}, and only WAV is written: name it '{}'",
        path.display(),
        path.with_extension("wav").display()
    )
}

fn write_wav(phrase: &Phrase, path: &Path, args: &PlayArgs) -> anyhow::Result<()> {
    let (float, force) = (args.float, args.force);
    let rate = SampleRate::STUDIO;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate.per_second(),
        bits_per_sample: if float { 32 } else { 16 },
        sample_format: if float {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let name = path.display();
    let file = OpenOptions::new()
        .write(true)
        .truncate(true)
        .create(force)
        .create_new(!force)
        .open(path)
        .map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => anyhow!(
                "{name} is there already: choose another name, or write over it with --force"
            ),
            _ => anyhow!(
                "{name} cannot be written ({}): check the folder and its rights",
                fault(&error)
            ),
        })?;
    let failed = || format!("{name} cannot be written to its end: check the free space");
    let mut out = BufWriter::new(file);
    let mut writer = hound::WavWriter::new(&mut out, spec).with_context(failed)?;
    for sample in render(phrase, rate, RenderOptions::default()) {
        if float {
            writer.write_sample(sample).with_context(failed)?;
            continue;
        }
        let step = (f64::from(sample) * f64::from(i16::MAX)).round() as i16;
        writer.write_sample(step).with_context(failed)?;
    }
    writer.finalize().with_context(failed)?;
    out.flush().with_context(failed)?;
    Ok(())
}

fn sound(phrase: &Phrase, timing: bool) -> anyhow::Result<()> {
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
        if let Some(fault) = speaker.fault(Instant::now()) {
            return Err(fault.into());
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let state = speaker.state();
    if timing {
        let after = state.last_wait().as_secs_f64() + LOOK_AHEAD_S;
        let _ = writeln!(stderr, "first sample after {:.1} ms", 1000.0 * after);
    }
    let xruns = state.xruns();
    if xruns > 0 {
        let _ = writeln!(
            stderr,
            "The sound broke off {xruns} times because the machine was busy: close other programs and play it again."
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::Hz;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        play: PlayArgs,
    }

    /// Names that no record has to say.
    fn english() -> Names<'static> {
        Names {
            learner: None,
            known: OnceCell::from(NoteNames::English),
        }
    }

    fn run(args: &PlayArgs) -> anyhow::Result<ExitCode> {
        sound_or_render(args, &english())
    }

    fn phrase(args: &PlayArgs) -> anyhow::Result<Phrase> {
        super::phrase(args, &english())
    }

    fn args(line: &[&str]) -> PlayArgs {
        Line::try_parse_from(std::iter::once(&"play").chain(line))
            .map(|line| line.play)
            .unwrap_or_else(|error| panic!("{error}"))
    }

    #[test]
    fn a_file_is_rendered_once_and_never_written_over_unasked() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("c4.wav");
        let name = file.to_str().unwrap();
        run(&args(&["C4", "E4", "--for", "0.5", "--wav", name])).unwrap();
        let reader = hound::WavReader::open(&file).unwrap();
        let spec = reader.spec();
        assert_eq!(
            (spec.channels, spec.sample_rate, spec.bits_per_sample),
            (1, 48_000, 16)
        );
        // Two notes of half a second, and the last one's release of 80 ms.
        assert_eq!(reader.duration(), 48_000 + 3_840);
        let before = std::fs::read(&file).unwrap();

        let refusal = run(&args(&["A4", "--wav", name])).unwrap_err();
        assert!(refusal.to_string().contains("--force"), "{refusal}");
        assert_eq!(std::fs::read(&file).unwrap(), before);
        run(&args(&["A4", "--for", "0.1", "--wav", name, "--force"])).unwrap();
        assert!(std::fs::read(&file).unwrap().len() < before.len());
    }

    #[test]
    fn a_float_file_holds_the_samples_as_they_are() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.wav");
        let line = [
            "A3",
            "--for",
            "0.2",
            "--float",
            "--wav",
            file.to_str().unwrap(),
        ];
        run(&args(&line)).unwrap();
        let mut reader = hound::WavReader::open(&file).unwrap();
        assert_eq!(reader.spec().bits_per_sample, 32);
        let samples: Vec<f32> = reader.samples().map(Result::unwrap).collect();
        let phrase = phrase(&args(&line)).unwrap();
        assert_eq!(
            samples,
            render(&phrase, SampleRate::STUDIO, RenderOptions::default())
        );
    }

    #[test]
    fn chords_follow_each_other_and_a_tonic_carries_the_temperament() {
        let cadence = phrase(&args(&["C4+E4", "D4", "F4+A4+C5", "--for", "0.5"])).unwrap();
        let starts: Vec<u32> = cadence.notes.iter().map(|note| note.start_ms).collect();
        assert_eq!(starts, [0, 0, 500, 1000, 1000, 1000]);
        let line = [
            "D4+F#4",
            "--temperament",
            "just",
            "--tonic",
            "D",
            "--velocity",
            "127",
        ];
        let third = phrase(&args(&line)).unwrap();
        // A pure major third is 5/4.
        assert!((third.notes[1].frequency.0 / third.notes[0].frequency.0 - 1.25).abs() < 1e-12);
        assert_eq!(third.notes[0].velocity(), 1.0);
    }

    #[test]
    fn together_and_reference_reach_the_phrase() {
        let chord = phrase(&args(&["A4", "A5", "--together", "--reference", "442"])).unwrap();
        assert!(chord.notes.iter().all(|note| note.start_ms == 0));
        assert_eq!(chord.notes[0].frequency, Hz(442.0));
        assert_eq!(chord.notes[1].frequency, Hz(884.0));
    }

    #[test]
    fn a_scala_file_is_a_temperament() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pure fifth.SCL");
        let notes = "100.0 200.0 300.0 400.0 500.0 600.0 3/2 800.0 900.0 1000.0 1100.0 2/1";
        let latin1 = [b"d\xe9crit\n12\n", notes.replace(' ', "\n").as_bytes()].concat();
        std::fs::write(&file, latin1).unwrap();
        let name = file.to_str().unwrap();
        let played = phrase(&args(&["C4", "G4", "--temperament", name])).unwrap();
        let ratio = played.notes[1].frequency.0 / played.notes[0].frequency.0;
        assert!((ratio - 1.5).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_sounded_says_what_to_write() {
        for (line, remedy) in [
            (vec!["H4"], "as in F#5"),
            (vec!["A4", "--reference", "500"], "390 to 470"),
            (
                vec!["A4", "--temperament", "wolf"],
                "werckmeister, vallotti",
            ),
            (
                vec!["A4", "--temperament", "/no/such.scl"],
                "check the name",
            ),
            (vec!["A4", "--tonic", "H"], "without octave"),
            (vec!["A4", "--velocity", "0"], "1 (softest) to 127"),
            (vec!["A4", "--velocity", "300"], "1 (softest) to 127"),
            (vec!["A4", "--wav", "a.mp3"], "name it 'a.wav'"),
            (vec!["C-1"], "between 16 Hz"),
            (vec!["A4", "--for", "0"], "0.05 to 600"),
            (vec!["A4", "--for", "NaN"], "0.05 to 600"),
        ] {
            let error = run(&args(&line)).unwrap_err();
            assert!(error.to_string().contains(remedy), "{line:?}: {error}");
        }
        let error = run(&args(&["A4", "--wav", "/no/such/folder/a.wav"])).unwrap_err();
        assert!(error.to_string().contains("check the folder"), "{error}");
    }
}
