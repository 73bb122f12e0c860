//! One struck key: first partial, inharmonicity and unison, each with its standard error.
//! In: the sound from its onset on, and roughly where its first partial lies. Out: a [`KeyReading`].

use super::band::Stretch;
use super::line::{Line, follow};
use super::strikes::Named;
use super::string::{CENTS, Point, Roughly, StringFit, fit, partial};
use super::unison::{Unison, unison};
use crate::theory::{Cents, Hz, Reference, Temperament};

/// Partials that are looked for at most.
const PARTIALS: u32 = 40;

/// Above this a piano's strings have nothing to say, hertz.
const HIGHEST: f64 = 14_000.0;

/// So many partials missing one after the other end the search.
const MISSING: u32 = 6;

/// Sound that is used, seconds.
const LONGEST: f64 = 3.0;

/// Sound that is needed, seconds.
const SHORTEST: f64 = 0.12;

/// From this first partial on (C6 and up), hertz, strings have too few partials for the fit alone.
const TREBLE: f64 = 1_000.0;

/// From this first partial on (above D5), hertz, one that is louder than all others by so many decibels and more is what is
/// heard of the key, by so many more wholly; the nearer to the treble, the more.
const ALONE: f64 = 600.0;
const ALONE_DB: f64 = 12.0;
const WHOLLY_DB: f64 = 12.0;

/// So many of its own errors must it lie off the fit to count as off.
const SURELY: f64 = 3.0;

/// Share of the strings' distance by which one partial's mean by power misses their middle: a quarter is two
/// strings of which one is a third stronger.
const APART: f64 = 0.25;

/// From so many widths of its band on, what is near a partial's line is another line.
const RIVALS: f64 = 2.0;

/// One partial that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartialReading {
    /// Its number, from 1.
    pub number: u32,
    /// Where it lies.
    pub frequency: Hz,
    /// Standard error.
    pub se: Cents,
    /// Amplitude, dB under full scale.
    pub level_db: f64,
    /// It lies where the string's other partials say.
    pub fits: bool,
}

/// A key's string or strings.
#[derive(Debug, Clone, PartialEq)]
pub struct KeyReading {
    /// First partial, by all partials together.
    pub first: Hz,
    /// Its standard error; the clock of the sound card is not in it.
    pub first_se: Cents,
    /// Inharmonicity B.
    pub inharmonicity: f64,
    /// Its standard error.
    pub inharmonicity_se: f64,
    /// How far partials lie off the stiff string's formula beyond their own errors.
    pub scatter: Cents,
    /// Strings that disagree.
    pub unison: Option<Unison>,
    /// Partials that beat in a way that no two strings of this key would: a single string's own false beat.
    pub false_beats: Vec<u32>,
    /// Every partial found.
    pub partials: Vec<PartialReading>,
}

/// Why a key cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoReading {
    /// Too little sound.
    #[error("it sounds for {given_s:.2} s only: hold the key for two seconds or more")]
    Short {
        /// Seconds of sound given.
        given_s: f64,
    },
    /// No partial stands out.
    #[error("no string stands out of the noise: play it louder, or put the microphone nearer")]
    Nothing,
}

/// Reads the key whose sound begins with `samples` and which was `named`, its first partial within a few cents.
/// Errors: [`NoReading`].
///
/// Time is counted in the key's own periods, so that the same strings a little flat, or their recording a little slow, are
/// read over the same stretch of their sound: at a rate at which the key would lie where equal temperament has it.
pub fn read_key(samples: &[f32], rate: u32, named: Named) -> Result<KeyReading, NoReading> {
    let rate = f64::from(rate);
    let given_s = samples.len() as f64 / rate;
    if given_s < SHORTEST {
        return Err(NoReading::Short { given_s });
    }
    let usual = Temperament::equal().frequency(named.key, Reference::default());
    let pace = usual.0 / named.first.0;
    let named = Named {
        first: usual,
        ..named
    };
    let mut read = read_at(samples, pace * rate, named)?;
    read.first.0 /= pace;
    for partial in &mut read.partials {
        partial.frequency.0 /= pace;
    }
    if let Some(unison) = &mut read.unison {
        unison.beats /= pace;
    }
    Ok(read)
}

/// Reads a key near where `named` has it.
fn read_at(samples: &[f32], rate: f64, named: Named) -> Result<KeyReading, NoReading> {
    let near = named.first;
    let used = samples.len().min((LONGEST * rate) as usize);
    let stretch = Stretch::new(&samples[..used], rate);
    let found = search(&stretch, named);
    let mut points: Vec<Point> = found.iter().map(Found::point).collect();
    let string = fit(&points, near.0, named.inharmonicity).ok_or(NoReading::Nothing)?;
    let lines: Vec<(u32, &Line)> = found.iter().map(|found| (found.n, &found.line)).collect();
    let (unison, false_beats) = unison(&lines, band_width(near.0), string.first);
    let mut string = string;
    if let Some(unison) = unison {
        // The strongest string leads the phase; what the key sounds at is the middle of its strings by their power,
        // which each partial misses by a share of their distance.
        let unsure = APART * unison.spread.0.min(1.0) / CENTS;
        for (point, found) in points.iter_mut().zip(&found) {
            point.hz = found.line.sustained_hz;
            point.se = point.se.hypot(unsure * point.hz);
        }
        string = fit(&points, string.first, named.inharmonicity).unwrap_or(string);
    }
    lean_on_the_first(&mut string, &points, loudness_of_the_first(&found));
    if let Some(unison) = unison {
        // All partials miss the middle alike, too.
        string.first_se = string.first_se.hypot(APART * unison.spread.0);
    }
    Ok(reading(&found, string, unison, false_beats))
}

/// By how much the first partial that was found is louder than every other, decibels.
fn loudness_of_the_first(found: &[Found]) -> f64 {
    let loudest = |of: &[Found]| of.iter().map(|f| f.line.amplitude).fold(1e-9, f64::max);
    let (first, others) = found.split_at(found.len().min(1));
    20.0 * (loudest(first) / loudest(others)).log10()
}

/// High strings have few partials, and these scatter by cents: there the first one's own place counts as much as it is
/// surer than the scatter. Without scatter the fit is the best there is. Somewhat lower it counts where it is by `over_db`
/// louder than all others, or many faint partials of a hard stroke would move the key, and few of a soft one not.
fn lean_on_the_first(string: &mut StringFit, points: &[Point], over_db: f64) {
    let Some((first, used)) = points.first().zip(string.used.first().copied()) else {
        return;
    };
    let treble = string.first > TREBLE;
    if first.n != 1 || treble && !used {
        return;
    }
    let own_se = CENTS * first.se / first.hz;
    let off = CENTS * (first.hz / string.first).ln();
    let (most, off_by, own) = if treble {
        (1.0, string.scatter, own_se)
    } else {
        let high = (string.first / ALONE).ln() / (TREBLE / ALONE).ln();
        let alone = (over_db - ALONE_DB) / WHOLLY_DB;
        let most = high.clamp(0.0, 1.0) * alone.clamp(0.0, 1.0);
        (most, off, SURELY * own_se)
    };
    let share = most * off_by.powi(2) / (off_by.powi(2) + own.powi(2)).max(f64::MIN_POSITIVE);
    string.first *= (share * off / CENTS).exp();
    string.first_se = ((1.0 - share) * string.first_se).hypot(share * own_se);
}

fn reading(
    found: &[Found],
    string: StringFit,
    unison: Option<Unison>,
    false_beats: Vec<u32>,
) -> KeyReading {
    let partials = found
        .iter()
        .zip(&string.used)
        .map(|(found, used)| PartialReading {
            number: found.n,
            frequency: Hz(found.line.hz),
            se: Cents(CENTS * found.line.se / found.line.hz),
            level_db: 20.0 * found.line.amplitude.max(1e-9).log10(),
            fits: *used,
        })
        .collect();
    KeyReading {
        first: Hz(string.first),
        first_se: Cents(string.first_se),
        inharmonicity: string.b,
        inharmonicity_se: string.b_se,
        scatter: Cents(string.scatter),
        unison,
        false_beats,
        partials,
    }
}

/// A partial that was found.
struct Found {
    n: u32,
    line: Line,
}

impl Found {
    fn point(&self) -> Point {
        Point {
            n: self.n,
            hz: self.line.hz,
            se: self.line.se,
            counts: self.line.certainty,
        }
    }
}

/// Width of the band that holds one partial and not its neighbours: these are 90 dB down. High strings, which die
/// soon, get a wide one, which is quick.
fn band_width(first: f64) -> f64 {
    (first / 4.5).min(14.0 + first / 60.0)
}

/// Partials one after the other, each sought where those before it say.
fn search(stretch: &Stretch, named: Named) -> Vec<Found> {
    let mut found: Vec<Found> = Vec::new();
    let mut points: Vec<Point> = Vec::new();
    let mut string = Roughly::new(named.first.0, named.inharmonicity);
    let mut missing = 0;
    for n in 1..=PARTIALS {
        let Roughly { first, b, .. } = string;
        let expected = partial(first, b, n);
        if expected > HIGHEST.min(0.95 * stretch.highest()) || missing >= MISSING {
            break;
        }
        // Cents the string may lie off: its tuning, and as long as few partials are known, its stiffness.
        let stiffness = 865.6 * b * f64::from(n * n) * if found.len() < 3 { 0.6 } else { 0.06 };
        let tuning = if found.is_empty() { 15.0 } else { 4.0 };
        let reach = (expected * (tuning + stiffness) / CENTS)
            .max(2.0 * stretch.bin_hz())
            .min(0.35 * first);
        match find(stretch, first, expected, reach, n) {
            Some(line) => {
                missing = 0;
                let partial = Found { n, line };
                points.push(partial.point());
                found.push(partial);
                string = string
                    .nearer(&points, named.inharmonicity)
                    .unwrap_or(string);
            }
            None => missing += 1,
        }
    }
    found
}

/// The line within `reach` of `expected`.
fn find(stretch: &Stretch, first: f64, expected: f64, reach: f64, n: u32) -> Option<Line> {
    let bin = stretch.bin_hz();
    let from = ((expected - reach) / bin).floor().max(1.0) as usize;
    let to = ((expected + reach) / bin).ceil() as usize;
    let peak = (from..=to).max_by(|a, b| stretch.size_at(*a).total_cmp(&stretch.size_at(*b)))?;
    let centre = peak as f64 * bin;
    let below = stretch.noise(
        centre - 0.5 * first,
        if n == 1 { 0.5 * first } else { first },
    );
    let above = stretch.noise(centre + 0.5 * first, first);
    let noise = match (below, above) {
        (Some(below), Some(above)) => 0.5 * (below + above),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => return None,
    };
    let width = band_width(first);
    let mut line = follow(&stretch.band(centre, width), noise)?;
    // Another line there that is as strong might be the one as well.
    let apart = (RIVALS * width / bin) as usize;
    let rival = (from..=to)
        .filter(|k| k.abs_diff(peak) > apart)
        .map(|k| stretch.size_at(k))
        .fold(0.0, f64::max);
    line.certainty *= 1.0 - (rival / stretch.size_at(peak)).powi(2);
    // What drifts out of the place where it was sought is another string.
    ((line.hz - expected).abs() < 1.5 * reach + bin).then_some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A string at `hz` whose first partial lies two cents above what its eleven others say, and by how many cents the key
    /// is moved where the first is `over_db` louder than they are.
    fn moved(hz: f64, over_db: f64) -> f64 {
        let b = super::super::string::expected_b(hz);
        let points: Vec<Point> = (1..=12)
            .map(|n| {
                let off = if n == 1 { 2.0 } else { 0.0 };
                let hz = partial(hz, b, n) * (off / CENTS).exp();
                Point {
                    n,
                    hz,
                    se: 0.1 * hz / CENTS,
                    counts: 1.0,
                }
            })
            .collect();
        let mut string = fit(&points, hz, b).unwrap();
        let before = string.first;
        lean_on_the_first(&mut string, &points, over_db);
        CENTS * (string.first / before).ln()
    }

    #[test]
    fn a_first_partial_that_is_heard_alone_carries_a_high_key() {
        assert!(
            (1.2..1.7).contains(&moved(880.0, 30.0)),
            "{}",
            moved(880.0, 30.0)
        );
        let part = moved(700.0, 30.0);
        assert!((0.2..1.0).contains(&part), "{part}");
        for (hz, over_db) in [(880.0, 6.0), (523.0, 30.0), (110.0, 30.0)] {
            assert!(moved(hz, over_db).abs() < 1e-9, "{hz} {over_db}");
        }
    }
}
