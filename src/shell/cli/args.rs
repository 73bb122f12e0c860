//! The command line as typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::study::{AnswerWay, PromptKind};

/// Daily practice in reading written music by eye and ear.
///
/// Without a command it opens the home screen: today in one sentence, Enter to begin.
#[derive(Debug, Parser)]
#[command(
    name = "stavelark",
    version,
    after_help = "Examples:\n  stavelark                       today's practice\n  stavelark --plain               the same in words, for a screen reader or a pipe\n  stavelark progress              marks, speed and the slowest notes\n  stavelark hear take.wav         what was played in a recording\n\nLoudness: start low, above all with headphones."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Whose practice it is.
    #[command(flatten)]
    pub learner: LearnerArg,
    /// Everything in words, a line at a time, for a screen reader, a Braille display or a pipe.
    #[arg(long)]
    pub plain: bool,
    /// Draw with ASCII characters alone.
    #[arg(long, global = true)]
    pub ascii: bool,
}

/// Whose practice it is.
#[derive(Debug, Args)]
pub struct LearnerArg {
    /// Whose practice it is; `sheet` takes several.
    #[arg(long = "learner", global = true, value_name = "NAME")]
    learners: Vec<String>,
}

impl LearnerArg {
    /// The one named, if one is.
    pub fn as_deref(&self) -> Option<&str> {
        self.learners.first().map(String::as_str)
    }

    /// Whether one is named.
    pub fn is_some(&self) -> bool {
        !self.learners.is_empty()
    }

    /// Whether more than one is named.
    pub fn several(&self) -> bool {
        self.learners.len() > 1
    }

    /// Everyone named; nobody named is the learner in use.
    pub fn each(&self) -> Vec<Option<&str>> {
        match self.learners.as_slice() {
            [] => vec![None],
            all => all.iter().map(|name| Some(name.as_str())).collect(),
        }
    }
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Today's sitting.
    #[command(
        after_help = "Examples:\n  stavelark practice\n  stavelark practice --answer-by piano --input take.wav --events log.jsonl\n  stavelark practice --answer-by voice\n  stavelark practice --plain --seed 1 --prompts 5"
    )]
    Practice(PracticeArgs),
    /// Marks, speed and accuracy, the slowest notes.
    #[command(
        after_help = "Examples:\n  stavelark progress\n  stavelark progress --why F#5@treble\n  stavelark progress --json\n  stavelark progress --week --learner Wren\n  stavelark progress --html wren.html --pdf wren.pdf"
    )]
    Progress(ProgressArgs),
    /// The courses: list, show, check, use, new.
    #[command(
        after_help = "Examples:\n  stavelark course list\n  stavelark course use landmarks\n  stavelark course new mine.toml && stavelark course check mine.toml"
    )]
    Course {
        /// What to do.
        #[command(subcommand)]
        command: CourseCommand,
    },
    /// What was played in a recording or is played now, as CSV.
    #[command(
        after_help = "Examples:\n  stavelark hear samples/grand/A4.wav\n  stavelark hear --frames samples/grand/A4.wav\n\nCents here are of the first instant of a note, as it is named; `stavelark tuning` reads the whole tone: believe it where the two differ."
    )]
    Hear(HearArgs),
    /// Sound notes, or render them to a file.
    Play(super::play::PlayArgs),
    /// Pages to pin up, to cut out or to read from.
    #[command(
        after_help = "Examples:\n  stavelark sheet names names.pdf\n  stavelark sheet days course.pdf --paper letter --learner Wren --learner Osric\n  stavelark sheet cards cards.pdf --stage treble\n  stavelark sheet rows rows.svg --large"
    )]
    Sheet(super::sheet::SheetArgs),
    /// How a piano is tuned: key by key at the microphone, or from recordings of its keys.
    Tuning(super::tuning::TuningArgs),
    /// Learners: add, list, use, rename, remove.
    #[command(after_help = "Examples:\n  stavelark learner add Wren\n  stavelark learner list")]
    Learner {
        /// What to do.
        #[command(subcommand)]
        command: LearnerCommand,
    },
    /// Show and set settings.
    #[command(after_help = "Examples:\n  stavelark settings\n  stavelark settings names german")]
    Settings {
        /// The setting; none shows all.
        name: Option<String>,
        /// Its new value; none shows the present one.
        value: Option<String>,
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// Sound inputs and outputs, the one in use, a sound check, the delay of the loop.
    #[command(
        after_help = "Examples:\n  stavelark devices\n  stavelark devices --use \"USB\"\n  stavelark devices --check\n  stavelark devices --loop"
    )]
    Devices(DevicesArgs),
    /// The range your voice is at ease in, found in a minute of gentle singing.
    #[command(
        after_help = "Examples:\n  stavelark voice\n  stavelark voice --input sung.wav\n  stavelark settings voice alto\n\nSing softly, never to the end of your voice; stop at once when anything hurts."
    )]
    Voice(VoiceArgs),
    /// The record: check, backup, restore, export, import.
    #[command(
        after_help = "Examples:\n  stavelark data check\n  stavelark data backup wren.sqlite3\n  stavelark data export wren.json\n  stavelark data import wren.json --name Wren"
    )]
    Data {
        /// What to do.
        #[command(subcommand)]
        command: DataCommand,
    },
}

/// How an item is put.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PromptArg {
    /// Shown; its sound confirms the answer.
    Eye,
    /// Only sounded.
    Ear,
    /// Shown and sounded at once.
    Both,
}

/// What is answered with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WayArg {
    /// Names typed.
    Letters,
    /// The keys of a piano.
    Piano,
    /// Your voice.
    Voice,
}

impl From<PromptArg> for PromptKind {
    fn from(arg: PromptArg) -> PromptKind {
        match arg {
            PromptArg::Eye => PromptKind::Eye,
            PromptArg::Ear => PromptKind::Ear,
            PromptArg::Both => PromptKind::Both,
        }
    }
}

impl From<WayArg> for AnswerWay {
    fn from(arg: WayArg) -> AnswerWay {
        match arg {
            WayArg::Letters => AnswerWay::Letters,
            WayArg::Piano => AnswerWay::Piano,
            WayArg::Voice => AnswerWay::Voice,
        }
    }
}

/// Options of `practice`.
#[derive(Debug, Clone, Args)]
pub struct PracticeArgs {
    /// What is answered with; else as the setting says.
    #[arg(long, value_enum)]
    pub answer_by: Option<WayArg>,
    /// How the notes are put; else as the setting says.
    #[arg(long, value_enum)]
    pub prompt: Option<PromptArg>,
    /// The stage, by its id; else the one whose turn it is.
    #[arg(long, value_name = "ID")]
    pub stage: Option<String>,
    /// Minutes of this sitting; else the stage's own.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=120))]
    pub minutes: Option<u32>,
    /// End after this many prompts.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub prompts: Option<u32>,
    /// In words, without drawing; no time is taken.
    #[arg(long)]
    pub plain: bool,
    /// The same choice of notes again.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// A recording that stands in for the microphone; its time is the sitting's clock.
    #[arg(long, value_name = "FILE.wav")]
    pub input: Option<PathBuf>,
    /// Every prompt and answer as a line of JSON.
    #[arg(long, value_name = "FILE")]
    pub events: Option<PathBuf>,
    /// Write over an existing file.
    #[arg(long)]
    pub force: bool,
}

/// Options of `progress`.
#[derive(Debug, Args)]
pub struct ProgressArgs {
    /// Why this note comes up, and what is missing until it is settled: F#5, or F#5@treble.
    #[arg(long, value_name = "ITEM")]
    pub why: Option<String>,
    /// As JSON.
    #[arg(long)]
    pub json: bool,
    /// The last seven days in a few lines, to paste into a mail.
    #[arg(long, conflicts_with_all = ["json", "why"])]
    pub week: bool,
    /// Write a report as one web page that needs nothing else.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "why", "week"])]
    pub html: Option<PathBuf>,
    /// Write the same report for printing.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "why", "week"])]
    pub pdf: Option<PathBuf>,
    /// The paper of --pdf.
    #[arg(long, value_enum, default_value_t)]
    pub paper: super::sheet::PaperArg,
    /// Large print in --pdf.
    #[arg(long)]
    pub large: bool,
    /// Write over a file that is there.
    #[arg(long)]
    pub force: bool,
}

/// What `course` does.
#[derive(Debug, Subcommand)]
pub enum CourseCommand {
    /// The built-in courses and the one in use.
    List {
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// The stages of a course.
    Show {
        /// A built-in course or a file; else the one in use.
        course: Option<String>,
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// A course file to begin with.
    New {
        /// Where to write it.
        file: PathBuf,
        /// Write over an existing file.
        #[arg(long)]
        force: bool,
    },
    /// Say what is wrong with a course file, or that nothing is.
    Check {
        /// The file.
        file: PathBuf,
    },
    /// Take up a course.
    Use {
        /// A built-in course or a file.
        course: String,
    },
}

/// Options of `devices`.
#[derive(Debug, Args)]
pub struct DevicesArgs {
    /// Listen by this microphone from now on: its name, a part of its description, or `default`.
    #[arg(long = "use", value_name = "NAME")]
    pub use_input: Option<String>,
    /// Is the microphone good for a piano? Asks for one loud and one soft note.
    #[arg(long, conflicts_with = "use_input")]
    pub check: bool,
    /// Measure how long sound takes from the loudspeaker to the microphone; sounds short tones.
    #[arg(long = "loop", conflicts_with_all = ["use_input", "check"])]
    pub loop_delay: bool,
    /// Also list what cannot be opened.
    #[arg(long)]
    pub all: bool,
    /// As JSON.
    #[arg(long)]
    pub json: bool,
}

/// Options of `voice`.
#[derive(Debug, Args)]
pub struct VoiceArgs {
    /// A recording of the singing; else the microphone listens.
    #[arg(long, value_name = "FILE.wav", conflicts_with = "seconds")]
    pub input: Option<PathBuf>,
    /// Listen for so many seconds; else for a minute.
    #[arg(long = "for", value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(5..=120))]
    pub seconds: Option<u32>,
    /// As JSON.
    #[arg(long)]
    pub json: bool,
}

/// Options of `hear`.
#[derive(Debug, Args)]
pub struct HearArgs {
    /// The recording.
    pub file: Option<PathBuf>,
    /// Hear the microphone, until Ctrl-C.
    #[arg(long, conflicts_with = "file")]
    pub microphone: bool,
    /// Draw the sounding pitch of the microphone as a point on the staff.
    #[arg(long, conflicts_with_all = ["file", "frames", "json"])]
    pub watch: bool,
    /// With --watch: sound this note meanwhile, for long tones against it; needs headphones.
    #[arg(long, value_name = "NOTE", requires = "watch")]
    pub drone: Option<String>,
    /// With --microphone or --watch: end after so many seconds.
    #[arg(long = "for", value_name = "SECONDS", value_parser = clap::value_parser!(u32).range(1..))]
    pub seconds: Option<u32>,
    /// The pitch every hundredth of a second instead of the notes.
    #[arg(long)]
    pub frames: bool,
    /// A line of JSON a row.
    #[arg(long)]
    pub json: bool,
    /// The frequency of A4.
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub reference: f64,
}

/// What `learner` does.
#[derive(Debug, Subcommand)]
pub enum LearnerCommand {
    /// A new learner.
    Add {
        /// The name.
        name: String,
    },
    /// All learners.
    List {
        /// As JSON.
        #[arg(long)]
        json: bool,
    },
    /// Whose practice it is from now on.
    Use {
        /// The name.
        name: String,
    },
    /// Another name.
    Rename {
        /// The old name.
        old: String,
        /// The new name.
        new: String,
    },
    /// Take a learner and all its answers out; a backup is made first.
    Remove {
        /// The name.
        name: String,
        /// Do not ask.
        #[arg(long)]
        yes: bool,
        /// Remove the backups too: every learner's earlier copies go, the record itself stays.
        #[arg(long)]
        purge_backups: bool,
    },
}

/// What `data` does.
#[derive(Debug, Subcommand)]
pub enum DataCommand {
    /// Is the record whole?
    Check,
    /// A copy of the record.
    Backup {
        /// Where to.
        file: PathBuf,
        /// Write over an existing file.
        #[arg(long)]
        force: bool,
    },
    /// Put a backup in the record's place; the present record is kept beside it.
    Restore {
        /// The backup; else the newest.
        file: Option<PathBuf>,
    },
    /// One learner's record as JSON.
    Export {
        /// Where to.
        file: PathBuf,
        /// Write over an existing file.
        #[arg(long)]
        force: bool,
    },
    /// Take in a learner's record that was exported, from another machine perhaps.
    Import {
        /// The file.
        file: PathBuf,
        /// What the learner is called here; else as in the record.
        #[arg(long)]
        name: Option<String>,
    },
}
