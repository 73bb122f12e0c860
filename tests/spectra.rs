//! Pictures of what the listener had before it when it missed a note: the spectrum before the stroke, in the first tenth and
//! in the first quarter second after it, with the places of the struck key's partials.
//!
//! `STAVELARK_GALLERY=folder STAVELARK_MISSES=list cargo test --test spectra` writes an SVG for each line of the file `list`:
//! a WAV file, the second of the stroke in it, and the key (`C8`), between blanks. Without them a computed string is drawn.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::path::Path;

use stavelark::shell::wav;
use stavelark::signal::listen::{Listener, Options, Surety};
use stavelark::theory::{MidiNote, Pitch, Reference, Temperament};

/// Width and height of a picture, and what is left free for the figures beside it.
const SIZE: (f64, f64) = (960.0, 420.0);
const MARGIN: (f64, f64) = (50.0, 40.0);
/// Hertz and decibels of full scale that are shown.
const HERTZ: (f64, f64) = (25.0, 10_000.0);
const DECIBELS: (f64, f64) = (-110.0, 0.0);

/// Level of `sound` at 1,200 frequencies, dB of full scale: Hann window, a sine at full scale is 0.
fn spectrum(sound: &[f32], rate: f64) -> Vec<(f64, f64)> {
    let count = sound.len() as f64;
    let shaped: Vec<f64> = sound
        .iter()
        .enumerate()
        .map(|(i, s)| f64::from(*s) * (0.5 - 0.5 * (TAU * (i as f64 + 0.5) / count).cos()))
        .collect();
    (0..1_200)
        .map(|step| {
            let hz = HERTZ.0 * (HERTZ.1 / HERTZ.0).powf(f64::from(step) / 1_199.0);
            let turn = TAU * hz / rate;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, s) in shaped.iter().enumerate() {
                let (sin, cos) = (turn * i as f64).sin_cos();
                re += s * cos;
                im -= s * sin;
            }
            (hz, 20.0 * (re.hypot(im) * 4.0 / count).max(1e-7).log10())
        })
        .collect()
}

fn place(hz: f64, db: f64) -> (f64, f64) {
    let along = (hz / HERTZ.0).ln() / (HERTZ.1 / HERTZ.0).ln();
    let up = (db.clamp(DECIBELS.0, DECIBELS.1) - DECIBELS.0) / (DECIBELS.1 - DECIBELS.0);
    (
        MARGIN.0 + along * (SIZE.0 - 2.0 * MARGIN.0),
        SIZE.1 - MARGIN.1 - up * (SIZE.1 - 2.0 * MARGIN.1),
    )
}

/// Partials of `key` up to what is shown: a stiff string (Fletcher 1964, JASA 36:203) of usual stiffness.
fn partials(key: MidiNote) -> Vec<f64> {
    let first = Temperament::equal().frequency(key, Reference::default()).0;
    let b = 10.0_f64.powf(-4.0 + 2.0 * f64::from((key.0 - 40).max(0)) / 68.0);
    (1..=40)
        .map(|n| {
            let n = f64::from(n);
            n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt()
        })
        .take_while(|hz| *hz < HERTZ.1)
        .collect()
}

/// The picture of a stroke of `key` at `at` seconds.
fn picture(title: &str, sound: &[f32], rate: u32, at: f64, key: MidiNote) -> String {
    let rate = f64::from(rate);
    let sample = |seconds: f64| ((seconds.max(0.0) * rate) as usize).min(sound.len());
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 960 420\" font-family=\"sans-serif\" font-size=\"12\">\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n<text x=\"{0}\" y=\"16\">{title}</text>\n<text x=\"{0}\" y=\"32\" fill=\"#666\">dB of full scale; grey: 0.1 s before, black: 0.1 s after, blue: 0.25 s after, yellow: the key's partials</text>\n",
        MARGIN.0
    );
    for hz in [50.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0, 5_000.0] {
        let (x, y) = place(hz, DECIBELS.0);
        writeln!(
            svg,
            "<text x=\"{x:.1}\" y=\"{:.1}\">{hz} Hz</text>",
            y + 16.0
        )
        .unwrap();
    }
    for db in [-100.0, -80.0, -60.0, -40.0, -20.0, 0.0] {
        let (x, y) = place(HERTZ.0, db);
        writeln!(svg, "<text x=\"8\" y=\"{:.1}\">{db}</text>", y + 4.0).unwrap();
        writeln!(
            svg,
            "<path d=\"M{x:.1} {y:.1}H{:.1}\" stroke=\"#ddd\"/>",
            SIZE.0 - MARGIN.0
        )
        .unwrap();
    }
    for hz in partials(key) {
        let (x, y) = place(hz, DECIBELS.0);
        writeln!(
            svg,
            "<path class=\"partial\" d=\"M{x:.1} {y:.1}V{:.1}\" stroke=\"#e3b341\"/>",
            MARGIN.1
        )
        .unwrap();
    }
    for (what, from, to, colour) in [
        ("before", at - 0.1, at, "#999999"),
        ("0.25 s", at, at + 0.25, "#1f6feb"),
        ("0.1 s", at, at + 0.1, "#000000"),
    ] {
        let points: Vec<String> = spectrum(&sound[sample(from)..sample(to)], rate)
            .into_iter()
            .map(|(hz, db)| {
                let (x, y) = place(hz, db);
                format!("{x:.1},{y:.1}")
            })
            .collect();
        writeln!(
            svg,
            "<polyline fill=\"none\" stroke=\"{colour}\" points=\"{}\"><title>{what}</title></polyline>",
            points.join(" ")
        )
        .unwrap();
    }
    svg + "</svg>\n"
}

/// What the listener says of the stroke at `at` seconds.
fn heard(sound: &[f32], rate: u32, at: f64) -> String {
    let mut listener = Listener::new(rate, Options::default()).unwrap();
    let mut notes = listener.push(sound);
    notes.extend(listener.finish());
    let told: Vec<String> = notes
        .iter()
        .filter(|note| (note.onset_s - at).abs() < 0.05)
        .map(|note| {
            let name = note.key.spelled_with_sharps();
            let surety = if note.surety == Surety::Sure {
                ""
            } else {
                ", not sure"
            };
            let after = 1e3 * (note.decided_s - at);
            format!("{name} after {after:.0} ms{surety}")
        })
        .collect();
    if told.is_empty() {
        "nothing".to_owned()
    } else {
        told.join(", ")
    }
}

#[test]
fn a_computed_string_has_its_lines_where_its_partials_are_marked() {
    let (rate, at) = (44_100_u32, 0.3);
    let key = MidiNote(57);
    let lines = partials(key);
    let sound: Vec<f32> = (0..rate)
        .map(|i| {
            let t = f64::from(i) / f64::from(rate) - at;
            let sum: f64 = lines.iter().take(6).map(|hz| (TAU * hz * t).sin()).sum();
            if t < 0.0 {
                0.0
            } else {
                (0.05 * sum * (-3.0 * t).exp()) as f32
            }
        })
        .collect();
    let from = (at * f64::from(rate)) as usize;
    let drawn = spectrum(&sound[from..from + 11_025], f64::from(rate));
    let level = |hz: f64| {
        let near = |a: &&(f64, f64), b: &&(f64, f64)| (a.0 - hz).abs().total_cmp(&(b.0 - hz).abs());
        drawn.iter().min_by(near).unwrap().1
    };
    for pair in lines[..6].windows(2) {
        let between = level((pair[0] + pair[1]) / 2.0);
        assert!(level(pair[0]) > between + 20.0, "{pair:?}");
        assert!(level(pair[0]) > -35.0 && level(pair[0]) < -20.0, "{pair:?}");
    }
    let svg = picture("computed", &sound, rate, at, key);
    assert_eq!(svg.matches("<polyline").count(), 3);
    assert_eq!(svg.matches("class=\"partial\"").count(), lines.len());
    assert!(heard(&sound, rate, at).starts_with("A3 after"));
}

#[test]
fn misses_named_in_a_list_are_drawn() {
    let (Some(folder), Some(list)) = (
        std::env::var_os("STAVELARK_GALLERY"),
        std::env::var_os("STAVELARK_MISSES"),
    ) else {
        return;
    };
    std::fs::create_dir_all(&folder).unwrap();
    for line in std::fs::read_to_string(&list).unwrap().lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let [file, at, key] = words[..] else {
            panic!("not a file, a second and a key: {line}");
        };
        let (at, key): (f64, Pitch) = (at.parse().unwrap(), key.parse().unwrap());
        let sound = wav::read(Path::new(file)).unwrap();
        let said = heard(&sound.mono, sound.rate, at);
        let title = format!("{file} at {at} s, {}: heard {said}", words[2]);
        println!("{title}");
        let svg = picture(&title, &sound.mono, sound.rate, at, key.midi());
        let parts: Vec<_> = Path::new(file)
            .with_extension("")
            .iter()
            .rev()
            .take(2)
            .map(|p| p.to_string_lossy().into_owned())
            .collect();
        let name = format!(
            "{}-{at}-{}.svg",
            parts.iter().rev().cloned().collect::<Vec<_>>().join("-"),
            words[2]
        );
        std::fs::write(Path::new(&folder).join(name), svg).unwrap();
    }
}
