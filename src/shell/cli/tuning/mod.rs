//! `tuning`: how a piano is tuned: key by key at the microphone, from recordings of its keys, or as it was found last.

mod compare;
mod guided;
mod rows;

use std::cell::RefCell;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::rc::Rc;

use anyhow::{Context, bail};
use clap::Args;
use jiff::Timestamp;

use super::args::Cli;
use super::{read, say, say_row, unfinished, warn, write};
use crate::report::tuning::{CAUTION, html, lines, plot, svg};
use crate::shell::clock;
use crate::shell::paths::Paths;
use crate::shell::store::{Store, TuningCheck};
use crate::shell::wav;
use crate::signal::tuning::{
    Instrument, KEYS, LEAST, Remark, Struck, Verdict, find_strikes, judge, name_key, read_key,
};
use crate::theory::{MidiNote, Reference, Temperament};
use compare::Earlier;

/// Keys that `--quick` is content with.
const QUICK: usize = 15;

/// Rows of the plot, and its columns where there is no terminal to ask.
const PLOT: (usize, usize) = (96, 15);

/// Check how a piano is tuned: key by key at the microphone, or from recordings of its keys.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  stavelark tuning                             play key after key; any order, as many as you like
  stavelark tuning --quick                     fifteen keys in two minutes
  stavelark tuning --input keys.wav
  stavelark tuning --input recordings/*.wav --html piano.html
  stavelark tuning --last --compare            the last check, beside those before

Each key for two seconds or more, one after the other, in any order; damp one before the next.
Strings carry high tension: tuning pins are for a qualified technician.")]
pub struct TuningArgs {
    /// Recordings of struck keys (WAV), or folders of them, any number of keys in each; without it the microphone is heard
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub input: Vec<PathBuf>,
    /// Report the last check that was kept
    #[arg(long, conflicts_with_all = ["input", "quick", "plain"])]
    pub last: bool,
    /// Take the last check out of the record
    #[arg(long, conflicts_with_all = ["input", "last", "quick", "plain"])]
    pub forget: bool,
    /// A first look: about fifteen keys spread over the keyboard
    #[arg(long)]
    pub quick: bool,
    /// At the microphone: say everything in words, a line at a time
    #[arg(long, conflicts_with = "input")]
    pub plain: bool,
    /// The frequency of A4 in hertz that cents are counted from, 390 to 470
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub reference: f64,
    /// Relative humidity of the room in percent, to be kept with the check
    #[arg(long, value_name = "PERCENT", value_parser = humidity)]
    pub humidity: Option<f64>,
    /// Keep nothing: this is not the piano you practise at
    #[arg(long)]
    pub do_not_keep: bool,
    /// Print everything as JSON, or write it to FILE beside the report in words
    #[arg(long, value_name = "FILE", num_args = 0..=1, conflicts_with = "csv")]
    pub json: Option<Option<PathBuf>>,
    /// Print a row a key as CSV, or write them to FILE beside the report in words
    #[arg(long, value_name = "FILE", num_args = 0..=1)]
    pub csv: Option<Option<PathBuf>>,
    /// Write a page to hand to a technician
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write the curve over 88 keys as a picture
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Compare with earlier checks: those kept, or files written with --json
    #[arg(long, value_name = "FILE", num_args = 0..)]
    pub compare: Option<Vec<PathBuf>>,
    /// Write over existing files
    #[arg(long)]
    pub force: bool,
}

fn humidity(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|percent| (1.0..=100.0).contains(percent))
        .ok_or_else(|| "say it in percent, 1 to 100, as the hygrometer shows it".to_owned())
}

/// A key as it was struck, and in which file; none is the microphone or the record.
struct Heard {
    struck: Struck,
    file: Option<(String, f64)>,
}

/// Makes a check and says what it shows. Exit code 1 when a technician is due, too little was read, or a recording was
/// left out.
pub(super) fn run(cli: &Cli, args: &TuningArgs) -> anyhow::Result<ExitCode> {
    let reference = Reference::new(args.reference)?;
    if args.forget {
        return forget();
    }
    // Before anybody plays 88 keys.
    for (path, option, endings) in [
        (args.html.as_ref(), "--html", &["html", "htm"][..]),
        (args.svg.as_ref(), "--svg", &["svg"]),
        (file_of(&args.json), "--json", &["json"]),
        (file_of(&args.csv), "--csv", &["csv", "txt"]),
    ] {
        if let Some(path) = path {
            write::form(path, option, endings)?;
            write::free(path, args.force)?;
        }
    }
    let earlier = match args.compare.as_deref() {
        None => Vec::new(),
        Some([]) => kept_before(args.last)?,
        Some(files) => files
            .iter()
            .map(|path| Earlier::read(path))
            .collect::<anyhow::Result<Vec<Earlier>>>()?,
    };
    let record = Rc::new(RefCell::new(Record::new(args)));
    let (at, humidity) = (clock::now(), args.humidity);
    let mut heard = Vec::new();
    let mut left_out = 0;
    let mut check = if args.last {
        last()?
    } else if args.input.is_empty() {
        let keeping = Rc::clone(&record);
        let keep = move |instrument| {
            keeping
                .borrow_mut()
                .keep_quietly(&made_now(instrument, at, humidity))
        };
        made_now(
            guided::run(cli, args, reference, Box::new(keep))?,
            at,
            humidity,
        )
    } else {
        let paths = recordings(&args.input)?;
        left_out = hear_all(&paths, reference, &mut heard)?;
        if heard.is_empty() {
            warn(
                "No struck key was recognised. Record single keys for two seconds each, near the strings.",
            );
            return Ok(unfinished());
        }
        let mut instrument = Instrument::new(reference);
        for one in &heard {
            instrument.add(one.struck.clone());
        }
        made_now(instrument, at, humidity)
    };
    if heard.is_empty() {
        let keys = check.instrument.keys.values();
        heard.extend(keys.map(|struck| Heard {
            struck: struck.clone(),
            file: None,
        }));
    }
    if args.humidity.is_some() {
        check.humidity = args.humidity;
    }
    if !args.last {
        record.borrow_mut().keep(&check);
    }
    let code = report(args, &heard, &check, &earlier)?;
    Ok(if left_out == 0 { code } else { unfinished() })
}

/// The file that `--json` or `--csv` names, if it does.
fn file_of(wish: &Option<Option<PathBuf>>) -> Option<&PathBuf> {
    wish.as_ref()?.as_ref()
}

fn made_now(instrument: Instrument, at: Timestamp, humidity: Option<f64>) -> TuningCheck {
    TuningCheck {
        at,
        offset: clock::offset(&clock::zone(), at),
        humidity,
        instrument,
    }
}

fn store() -> anyhow::Result<Store> {
    Ok(Store::open(&Paths::from_env()?)?)
}

fn last() -> anyhow::Result<TuningCheck> {
    let kept = store()?.checks(1)?;
    kept.into_iter()
        .next()
        .context("no tuning check is kept yet: make one with `stavelark tuning`")
}

fn forget() -> anyhow::Result<ExitCode> {
    if store()?.forget_check()? {
        say("The last tuning check was taken out of the record.")?;
        return Ok(ExitCode::SUCCESS);
    }
    warn("No tuning check is kept: nothing was taken out.");
    Ok(unfinished())
}

/// Earlier checks in the record; beside the last one when that is the one reported.
fn kept_before(last: bool) -> anyhow::Result<Vec<Earlier>> {
    let kept = store()?.checks(COMPARED + u32::from(last))?;
    let earlier: Vec<Earlier> = kept
        .iter()
        .skip(usize::from(last))
        .map(Earlier::of_check)
        .collect();
    if earlier.is_empty() {
        warn("No earlier check is kept: there is nothing to compare with yet.");
    }
    Ok(earlier)
}

/// Kept checks that are compared with: two years of a check a season.
const COMPARED: u32 = 8;

/// Where the check is kept for practice and comparison.
struct Record {
    wanted: bool,
    /// The check's number, once it is there.
    number: Option<i64>,
}

impl Record {
    fn new(args: &TuningArgs) -> Record {
        Record {
            wanted: !args.do_not_keep,
            number: None,
        }
    }

    /// Keeps a check as it is so far: whatever ends the sitting, what was played is not lost.
    fn keep_quietly(&mut self, check: &TuningCheck) {
        if self.wanted && check.instrument.keys.len() >= LEAST {
            // What goes wrong is told at the end.
            let _told_then = self.put(check);
        }
    }

    fn put(&mut self, check: &TuningCheck) -> anyhow::Result<()> {
        self.number = Some(store()?.keep_check(check, self.number)?);
        Ok(())
    }

    /// Keeps the check and says so. What cannot be kept can still be reported.
    fn keep(&mut self, check: &TuningCheck) {
        if !self.wanted {
            return;
        }
        if check.instrument.keys.len() < LEAST {
            warn(&format!(
                "Fewer than {LEAST} keys were read: this check is not kept."
            ));
            return;
        }
        match self.put(check) {
            Ok(()) => warn(
                "The check is kept: practice hears and sounds this piano now (--do-not-keep, --forget, or `stavelark settings \
                 own-piano off` if it should not).",
            ),
            Err(error) => warn(&format!("The check could not be kept: {error:#}")),
        }
    }
}

/// Columns for the plot.
fn columns() -> usize {
    use std::io::IsTerminal;
    if !std::io::stdout().is_terminal() {
        return PLOT.0;
    }
    crossterm::terminal::size().map_or(PLOT.0, |(columns, _)| usize::from(columns))
}

fn report(
    args: &TuningArgs,
    heard: &[Heard],
    check: &TuningCheck,
    earlier: &[Earlier],
) -> anyhow::Result<ExitCode> {
    let instrument = &check.instrument;
    let findings = instrument.findings();
    let compared: Vec<String> = earlier
        .iter()
        .map(|earlier| earlier.words(check, &findings))
        .collect();
    if let Some(path) = &args.svg {
        let text = svg(instrument, &findings);
        write::whole(path, args.force, |file| file.write_all(text.as_bytes()))?;
        warn(&format!("Wrote '{}'.", path.display()));
    }
    if let Some(path) = &args.html {
        let text = html(instrument, &findings, &compared, &made(check));
        write::whole(path, args.force, |file| file.write_all(text.as_bytes()))?;
        warn(&format!("Wrote '{}'.", path.display()));
    }
    let figures = match (&args.json, &args.csv) {
        (Some(_), _) => {
            let all = rows::document(heard, check, &findings, &compared);
            Some(serde_json::to_string_pretty(&all)?)
        }
        (None, Some(_)) => Some(rows::table(heard)),
        (None, None) => None,
    };
    let file = file_of(&args.json).or(file_of(&args.csv));
    if let (Some(figures), Some(path)) = (&figures, file) {
        write::whole(path, args.force, |file| writeln!(file, "{figures}"))?;
        warn(&format!("Wrote '{}'.", path.display()));
    }
    if let (Some(figures), None) = (&figures, file) {
        say_row(figures)?;
        warn(CAUTION);
    } else {
        for line in lines(instrument, &findings).iter().chain(&compared) {
            say(line)?;
        }
        if args.last {
            say(&made(check))?;
        }
        if findings.verdict != Verdict::TooLittle {
            say_row(&plot(instrument, &findings, (columns(), PLOT.1)))?;
        }
        if args.quick && instrument.keys.len() < QUICK {
            say(&format!(
                "A first look wants {QUICK} keys spread over the keyboard; {} were read.",
                instrument.keys.len()
            ))?;
        }
    }
    Ok(match findings.verdict {
        Verdict::Fine | Verdict::SetReference(_) => ExitCode::SUCCESS,
        Verdict::TooLittle | Verdict::Technician(_) => unfinished(),
    })
}

/// When a check was made and in which air.
fn made(check: &TuningCheck) -> String {
    let at = check.offset.to_datetime(check.at);
    let at = at.strftime("%-d %B %Y, %H:%M");
    match check.humidity {
        Some(percent) => format!("Made on {at}, at {percent:.0} % relative humidity."),
        None => format!("Made on {at}; the room's humidity was not noted."),
    }
}

/// Files as named, and the WAV files of folders, by name.
fn recordings(inputs: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    let mut all = Vec::new();
    for path in inputs {
        if !path.is_dir() {
            all.push(path.clone());
            continue;
        }
        let mut inside: Vec<PathBuf> = std::fs::read_dir(path)
            .with_context(|| format!("'{}' cannot be read: check its rights", path.display()))?
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|path| {
                path.extension()
                    .is_some_and(|ending| ending.eq_ignore_ascii_case("wav"))
            })
            .collect();
        if inside.is_empty() {
            bail!(
                "'{}' holds no WAV files: name a folder of recordings",
                path.display()
            );
        }
        inside.sort();
        all.extend(inside);
    }
    Ok(all)
}

/// Reads every key of the recordings; gives how many of them were left out, for they could not be read or hold no key.
/// Errors: none could be read.
fn hear_all(
    paths: &[PathBuf],
    reference: Reference,
    heard: &mut Vec<Heard>,
) -> anyhow::Result<usize> {
    let mut left_out = Vec::new();
    let mut silent = 0;
    for path in paths {
        match hear(path, reference, heard) {
            Ok(0) => {
                silent += 1;
                warn(&format!(
                    "Left out: no struck key is heard in '{}': it is silent, or too soft",
                    path.display()
                ));
            }
            Ok(_) => {}
            Err(error) => left_out.push(error),
        }
    }
    if left_out.len() == paths.len()
        && let Some(error) = left_out.pop()
    {
        left_out.iter().for_each(|error| warn(&error.to_string()));
        return Err(error);
    }
    for error in &left_out {
        warn(&format!("Left out: {error}"));
    }
    Ok(left_out.len() + silent)
}

/// Reads every key of one recording; gives how many strikes are heard in it.
fn hear(path: &Path, reference: Reference, heard: &mut Vec<Heard>) -> anyhow::Result<usize> {
    read::there(path)?;
    let recording = wav::read(path)?;
    let name = path.display().to_string();
    let strikes = find_strikes(&recording.mono, recording.rate);
    let count = strikes.len();
    for strike in strikes {
        let onset_s = strike.samples.start as f64 / f64::from(recording.rate);
        let samples = &recording.mono[strike.samples.clone()];
        let seconds = samples.len() as f64 / f64::from(recording.rate);
        let Some(named) = name_key(samples, recording.rate, reference) else {
            warn(&format!(
                "{name}: the sound at {onset_s:.2} s is no key that can be recognised; left out."
            ));
            continue;
        };
        let key = named.key;
        match read_key(samples, recording.rate, named) {
            Ok(reading) => {
                // Half a semitone off, a key may have been taken for its neighbour; the outermost have one neighbour only.
                let (nearest, _) = Temperament::equal().nearest(reading.first, reference);
                let key = MidiNote(nearest.0.clamp(*KEYS.start(), *KEYS.end()));
                let mut struck = judge(key, reading, reference, strike.level_db, seconds);
                if strike.clipped {
                    struck.remarks.push(Remark::Clipped);
                }
                if strike.over_another {
                    struck.remarks.push(Remark::OverAnother);
                }
                let file = Some((name.clone(), onset_s));
                heard.push(Heard { struck, file });
            }
            Err(reason) => warn(&format!(
                "{name}: {} at {onset_s:.2} s is left out: {reason}",
                key.spelled_with_sharps()
            )),
        }
    }
    Ok(count)
}
