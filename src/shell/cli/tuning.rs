//! `tuning`: how a piano is tuned, from recordings of its keys.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};
use clap::Args;
use serde_json::{Value, json};

use super::{say, warn, write};
use crate::report::tuning::{CAUTION, html, lines, plot, remarks, svg};
use crate::shell::wav;
use crate::signal::tuning::{
    CLOCK, Findings, Instrument, Remark, Struck, Verdict, find_strikes, judge, name_key, read_key,
};
use crate::theory::{Reference, Temperament};

/// Keys that `--quick` is content with.
const QUICK: usize = 15;

/// Check how a piano is tuned, from recordings of its keys.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  stavelark tuning --input keys.wav
  stavelark tuning --input recordings/*.wav --html piano.html
  stavelark tuning --input keys.wav --json > spring.json
  stavelark tuning --input later.wav --compare spring.json

Record each key for two seconds or more, one after the other, in any order; damp one before the next.")]
pub struct TuningArgs {
    /// Recordings of struck keys (WAV), or folders of them; any number of keys in each
    #[arg(long, value_name = "FILE", num_args = 1.., required = true)]
    pub input: Vec<PathBuf>,
    /// A first look: about fifteen keys spread over the keyboard
    #[arg(long)]
    pub quick: bool,
    /// The frequency of A4 in hertz that cents are counted from, 390 to 470
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub reference: f64,
    /// Print everything as JSON
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print a row a key as CSV
    #[arg(long)]
    pub csv: bool,
    /// Write a page to hand to a technician
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Write the curve over 88 keys as a picture
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Compare with earlier checks, kept with --json
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub compare: Vec<PathBuf>,
    /// Write over existing files
    #[arg(long)]
    pub force: bool,
}

/// A key as it was struck in a file.
struct Heard {
    struck: Struck,
    file: String,
    onset_s: f64,
}

/// Reads the recordings and says what they show. Exit code 1 when a technician is due or too little was read.
pub fn run(args: &TuningArgs) -> anyhow::Result<ExitCode> {
    let reference = Reference::new(args.reference)?;
    let mut heard = Vec::new();
    for path in recordings(&args.input)? {
        hear(&path, reference, &mut heard)?;
    }
    if heard.is_empty() {
        warn(
            "No struck key was recognised. Record single keys for two seconds each, near the strings.",
        );
        return Ok(super::unfinished());
    }
    let mut instrument = Instrument::new(reference);
    for one in &heard {
        instrument.add(one.struck.clone());
    }
    let findings = instrument.findings();
    let earlier = args
        .compare
        .iter()
        .map(|path| Earlier::read(path))
        .collect::<anyhow::Result<Vec<Earlier>>>()?;
    if let Some(path) = &args.svg {
        let text = svg(&instrument, &findings);
        write::whole(path, args.force, |file| file.write_all(text.as_bytes()))?;
    }
    if let Some(path) = &args.html {
        let text = html(&instrument, &findings);
        write::whole(path, args.force, |file| file.write_all(text.as_bytes()))?;
    }
    if args.json {
        let all = document(&heard, &instrument, &findings, &earlier);
        say(&serde_json::to_string_pretty(&all)?)?;
        warn(CAUTION);
    } else if args.csv {
        say(&table(&heard))?;
        warn(CAUTION);
    } else {
        for line in lines(&instrument, &findings) {
            say(&line)?;
        }
        for earlier in &earlier {
            say(&earlier.words(&instrument, &findings))?;
        }
        say(&plot(&instrument, &findings, 15))?;
        if args.quick && instrument.keys.len() < QUICK {
            say(&format!(
                "A first look wants {QUICK} keys spread over the keyboard; {} were read.",
                instrument.keys.len()
            ))?;
        }
    }
    Ok(match findings.verdict {
        Verdict::Fine | Verdict::SetReference(_) => ExitCode::SUCCESS,
        Verdict::TooLittle | Verdict::Technician(_) => super::unfinished(),
    })
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

/// Reads every key of one recording.
fn hear(path: &Path, reference: Reference, heard: &mut Vec<Heard>) -> anyhow::Result<()> {
    let recording = wav::read(path)?;
    let name = path.display().to_string();
    for strike in find_strikes(&recording.mono, recording.rate) {
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
                // Half a semitone off, a key may have been taken for its neighbour.
                let (key, _) = Temperament::equal().nearest(reading.first, reference);
                let mut struck = judge(key, reading, reference, strike.level_db, seconds);
                if strike.clipped {
                    struck.remarks.push(Remark::Clipped);
                }
                if strike.over_another {
                    struck.remarks.push(Remark::OverAnother);
                }
                heard.push(Heard {
                    struck,
                    file: name.clone(),
                    onset_s,
                });
            }
            Err(reason) => warn(&format!(
                "{name}: {} at {onset_s:.2} s is left out: {reason}",
                key.spelled_with_sharps()
            )),
        }
    }
    Ok(())
}

fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10.0_f64.powi(digits);
    (value * scale).round() / scale
}

/// One struck key as a JSON object.
fn key_object(heard: &Heard) -> Value {
    let struck = &heard.struck;
    let reading = &struck.reading;
    let first_se_hz = reading.first.0 * ((reading.first_se.0 / 1200.0).exp2() - 1.0);
    json!({
        "midi": struck.key.0,
        "name": struck.key.spelled_with_sharps().to_string(),
        "frequency_hz": rounded(reading.first.0, 6),
        "frequency_hz_se": rounded(first_se_hz, 7),
        "cents": rounded(struck.cents.0, 4),
        "cents_se": rounded(reading.first_se.0, 5),
        "inharmonicity": reading.inharmonicity,
        "inharmonicity_se": reading.inharmonicity_se,
        "unison_cents": reading.unison.map(|u| rounded(u.spread.0, 3)),
        "unison_cents_se": reading.unison.map(|u| rounded(u.spread_se.0, 3)),
        "unison_beats_per_s": reading.unison.map(|u| rounded(u.beats, 4)),
        "partials": reading.partials.len(),
        "file": heard.file,
        "onset_s": rounded(heard.onset_s, 4),
        "remarks": remarks(struck),
    })
}

fn document(
    heard: &[Heard],
    instrument: &Instrument,
    findings: &Findings,
    earlier: &[Earlier],
) -> Value {
    json!({
        "reference_hz": instrument.reference.hz().0,
        "clock": { "cents": CLOCK, "measured": false },
        "keys": heard.iter().map(key_object).collect::<Vec<_>>(),
        "summary": {
            "keys_read": instrument.keys.len(),
            "provisional": findings.provisional,
            "offset_cents": rounded(findings.offset, 3),
            "offset_cents_se": rounded(findings.offset_se, 3),
            "spread_cents": rounded(findings.spread, 3),
            "curve_cents": findings.curve.iter().map(|c| rounded(*c, 3)).collect::<Vec<_>>(),
            "worst": findings.worst.iter().map(|k| k.spelled_with_sharps().to_string()).collect::<Vec<_>>(),
            "sour": findings.sour.iter().map(|k| k.spelled_with_sharps().to_string()).collect::<Vec<_>>(),
            "words": lines(instrument, findings),
            "comparisons": earlier.iter().map(|e| e.words(instrument, findings)).collect::<Vec<_>>(),
        },
        "verdict": match &findings.verdict {
            Verdict::TooLittle => "too_little",
            Verdict::Fine => "fine",
            Verdict::SetReference(_) => "set_reference",
            Verdict::Technician(_) => "technician",
        },
        "set_reference_hz": match &findings.verdict {
            Verdict::SetReference(hz) => Some(rounded(hz.0, 2)),
            _ => None,
        },
        "caution": CAUTION,
    })
}

/// A row a key (RFC 4180), remarks in quotes.
fn table(heard: &[Heard]) -> String {
    let mut rows = vec![
        "midi,name,frequency_hz,frequency_hz_se,cents,cents_se,inharmonicity,inharmonicity_se,unison_cents,\
         unison_cents_se,file,onset_s,remarks"
            .to_owned(),
    ];
    for one in heard {
        let object = key_object(one);
        let field = |name: &str| match &object[name] {
            Value::Null => String::new(),
            Value::String(text) => quoted(text),
            other => other.to_string(),
        };
        let names = [
            "midi",
            "name",
            "frequency_hz",
            "frequency_hz_se",
            "cents",
            "cents_se",
            "inharmonicity",
            "inharmonicity_se",
            "unison_cents",
            "unison_cents_se",
            "file",
            "onset_s",
        ];
        let mut row: Vec<String> = names.into_iter().map(field).collect();
        row.push(quoted(&remarks(&one.struck).join("; ")));
        rows.push(row.join(","));
    }
    rows.join("\r\n")
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// An earlier check, as far as it is compared.
struct Earlier {
    name: String,
    reference: f64,
    offset: f64,
    cents: Vec<(i16, f64)>,
}

impl Earlier {
    fn read(path: &Path) -> anyhow::Result<Earlier> {
        let name = path.display().to_string();
        let wrong = || format!("'{name}' is no earlier check: name a file kept with tuning --json");
        let text = std::fs::read_to_string(path).with_context(wrong)?;
        let value: Value = serde_json::from_str(&text).with_context(wrong)?;
        let number = |value: &Value| value.as_f64().with_context(wrong);
        let cents = value["keys"]
            .as_array()
            .with_context(wrong)?
            .iter()
            .map(|key| {
                let midi = key["midi"].as_i64().with_context(wrong)?;
                Ok((
                    i16::try_from(midi).with_context(wrong)?,
                    number(&key["cents"])?,
                ))
            })
            .collect::<anyhow::Result<Vec<(i16, f64)>>>()?;
        Ok(Earlier {
            reference: number(&value["reference_hz"])?,
            offset: number(&value["summary"]["offset_cents"])?,
            name,
            cents,
        })
    }

    fn words(&self, instrument: &Instrument, findings: &Findings) -> String {
        // Cents were counted from another reference.
        let moved = 1200.0 * (self.reference / instrument.reference.hz().0).log2();
        let whole = findings.offset - self.offset - moved;
        let mut changes: Vec<(i16, f64)> = self
            .cents
            .iter()
            .filter_map(|(key, before)| {
                let now = instrument.keys.get(key)?.cents.0;
                Some((*key, now - before - moved - whole))
            })
            .collect();
        changes.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        let most: Vec<String> = changes
            .iter()
            .take(3)
            .map(|(key, change)| {
                let name = crate::theory::MidiNote(*key).spelled_with_sharps();
                format!("{name} {change:+.1}")
            })
            .collect();
        format!(
            "Since '{}': the whole moved by {whole:+.1} cents; most against it: {}. Wooden pianos rise in damp months and \
             fall in dry ones, the middle by several cents: compare like seasons, and keep the air between 30 and 60 % humid.",
            self.name,
            if most.is_empty() {
                "no key in common".to_owned()
            } else {
                most.join(", ")
            }
        )
    }
}
