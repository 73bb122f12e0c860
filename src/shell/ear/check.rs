//! What one loud and one soft note tell of a microphone. In: the room before, and both notes, held. Out: findings, each with
//! what still works.

use crate::signal::spectrum::{Spectrum, hann};

/// What was heard for the check: samples of one channel.
#[derive(Debug, Clone, Copy)]
pub struct Takes<'a> {
    /// Samples a second.
    pub rate: u32,
    /// The room, before anything was played: half a second or more.
    pub room: &'a [f32],
    /// From the loud note's onset on, two seconds of it held; empty when none came.
    pub loud: &'a [f32],
    /// The same of the soft note.
    pub soft: &'a [f32],
}

/// Something about the microphone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// Not a single sample differs from zero.
    Muted,
    /// Sound is there, but no note rose out of it.
    NothingHeard,
    /// The loud note's peak, dBFS.
    TooQuiet {
        /// Its peak.
        peak_db: f64,
    },
    /// The loud note is cut off at full scale.
    Clipped,
    /// The soft note hardly rises over the room.
    Noisy {
        /// By how much it does, dB.
        above_db: f64,
    },
    /// Loud and soft come out alike.
    GainControl {
        /// Their difference, dB.
        difference_db: f64,
    },
    /// A held note is cut off.
    NoiseSuppression,
    /// Nothing above this frequency comes through.
    NarrowBand {
        /// Where it ends, Hz.
        hz: u32,
    },
}

impl Finding {
    /// What it is, what still works, and what to do.
    pub fn in_words(self) -> String {
        match self {
            Finding::Muted => "The microphone is muted, or this input has nothing plugged in: only silence comes. \
                Switch it on, or choose another with `stavelark devices --use NAME`."
                .to_owned(),
            Finding::NothingHeard => "No note was heard: probably another input is the one near the piano. \
                Choose it with `stavelark devices --use NAME`, or raise its level in the system's sound settings."
                .to_owned(),
            Finding::TooQuiet { peak_db } => format!(
                "The loud note peaks at {peak_db:.0} dBFS, which is low: soft notes may be missed. \
                 Raise the input's level in the system's sound settings, or bring it nearer."
            ),
            Finding::Clipped => "The loud note is cut off: loud notes may be not sure. \
                Lower the input's level in the system's sound settings, or move it away."
                .to_owned(),
            Finding::Noisy { above_db } => format!(
                "The soft note rises only {above_db:.0} dB over the room: soft notes may be missed, loud ones are heard. \
                 Bring the microphone nearer, or make the room quieter."
            ),
            Finding::GainControl { difference_db } => format!(
                "Loud and soft come out within {difference_db:.0} dB: an automatic gain control is at work. \
                 Notes are still heard; after a loud one a soft one may be missed. Switch it off in the sound settings if you can."
            ),
            Finding::NoiseSuppression => "A held note is cut off: a noise suppression takes the piano for noise. \
                Single notes are still heard, the tuning check is not to be trusted. Switch it off in the sound settings."
                .to_owned(),
            Finding::NarrowBand { hz } => format!(
                "Nothing above {hz} Hz comes through, as by a headset in its talking profile: notes up to {} are heard, \
                 the tuning check is not to be trusted. Choose another input, or the headset's other profile.",
                if hz < 6_000 { "C6" } else { "C7" }
            ),
        }
    }

    /// Nothing can be answered by piano.
    pub fn hinders(self) -> bool {
        matches!(self, Finding::Muted | Finding::NothingHeard)
    }
}

/// A loud note ought to peak above this.
const LOW_PEAK_DB: f64 = -36.0;

/// A soft note ought to rise over the room by this.
const CLEAR_DB: f64 = 15.0;

/// Whoever is asked for loud and soft plays them further apart than this: from mezzo-forte to pianissimo a piano's level
/// changes by 20 dB and more. Common practice.
const ALIKE_DB: f64 = 4.0;

/// Full scale, nearly: some converters stop short of it.
const FULL: f32 = 0.97;

/// A held string never falls by so much within 60 ms (after its attack it loses a few dB in that time, high up more).
const CUT_DB: f64 = 20.0;

/// A level is measured over so long.
const FRAME_S: f64 = 0.02;

/// What the takes tell, the worst first; empty when all is well.
pub fn study(takes: &Takes) -> Vec<Finding> {
    let all = || takes.room.iter().chain(takes.loud).chain(takes.soft);
    if all().all(|sample| sample.abs() < 1e-7) {
        return vec![Finding::Muted];
    }
    if takes.loud.is_empty() {
        return vec![Finding::NothingHeard];
    }
    let mut findings = Vec::new();
    let levels = |sound: &[f32]| levels(sound, takes.rate);
    let room_db = median(levels(takes.room));
    let peak = takes.loud.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
    let peak_db = 20.0 * f64::from(peak).log10();
    if is_clipped(takes.loud) {
        findings.push(Finding::Clipped);
    } else if peak_db < LOW_PEAK_DB {
        findings.push(Finding::TooQuiet { peak_db });
    }
    let (loud, soft) = (levels(takes.loud), levels(takes.soft));
    let top = |levels: &[f64]| levels.iter().copied().fold(f64::MIN, f64::max);
    if !soft.is_empty() {
        let above_db = top(&soft) - room_db;
        if above_db < CLEAR_DB {
            findings.push(Finding::Noisy { above_db });
        }
        let difference_db = top(&loud) - top(&soft);
        if difference_db < ALIKE_DB {
            findings.push(Finding::GainControl { difference_db });
        }
    }
    if is_cut(&loud, room_db) || is_cut(&soft, room_db) {
        findings.push(Finding::NoiseSuppression);
    }
    if let Some(hz) = band_end(takes) {
        findings.push(Finding::NarrowBand { hz });
    }
    findings
}

/// Levels of frames of [`FRAME_S`], dBFS.
fn levels(sound: &[f32], rate: u32) -> Vec<f64> {
    let length = (FRAME_S * f64::from(rate)) as usize;
    sound
        .chunks_exact(length.max(1))
        .map(|frame| {
            let power: f32 = frame.iter().map(|x| x * x).sum::<f32>() / frame.len() as f32;
            10.0 * f64::from(power.max(1e-14)).log10()
        })
        .collect()
}

fn median(mut levels: Vec<f64>) -> f64 {
    levels.sort_by(f64::total_cmp);
    levels.get(levels.len() / 2).copied().unwrap_or(-140.0)
}

/// Several times three samples in a row lie at the same full scale.
fn is_clipped(sound: &[f32]) -> bool {
    let runs = sound
        .windows(3)
        .filter(|w| w.iter().all(|x| x.abs() >= FULL))
        .count();
    runs >= 5
}

/// A note that sounds well above the room is gone within 60 ms.
fn is_cut(levels: &[f64], room_db: f64) -> bool {
    // After the attack's own fall.
    let after = levels.len().min(10);
    levels[after..]
        .windows(4)
        .any(|w| w[0] > room_db + CUT_DB + 6.0 && w[0] - w[3] > CUT_DB)
}

/// Where the band ends, if it ends below 10 kHz.
fn band_end(takes: &Takes) -> Option<u32> {
    if takes.rate <= 16_000 {
        return Some(takes.rate / 2);
    }
    let size = 4096;
    let attack = takes.loud.get(..size)?;
    let mut spectrum = Spectrum::new(size);
    let mut power = vec![0.0; spectrum.bins()];
    spectrum.power(attack, &hann(size), &mut power);
    let density = |low: f64, high: f64| {
        let bin = |hz: f64| (hz * size as f64 / f64::from(takes.rate)) as usize;
        let bins = power.get(bin(low)..bin(high)).unwrap_or_default();
        let mean = f64::from(bins.iter().sum::<f32>()) / bins.len().max(1) as f64;
        10.0 * mean.max(1e-20).log10()
    };
    // On either side of where a telephone's and a talking headset's band end.
    if density(2_400.0, 3_200.0) - density(3_900.0, 4_700.0) > STEEP_DB {
        Some(3_400)
    } else if density(5_600.0, 6_700.0) - density(7_600.0, 9_000.0) > STEEP_DB {
        Some(7_000)
    } else {
        None
    }
}

/// Such filters fall by more than this within half an octave, a struck string by less at any key that was tried.
const STEEP_DB: f64 = 28.0;

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 44_100;

    fn grand(name: &str, gain: f32) -> Vec<f32> {
        let path = format!("{}/samples/grand/{name}.wav", env!("CARGO_MANIFEST_DIR"));
        let mut reader = hound::WavReader::open(path).unwrap();
        let sound: Vec<f32> = reader
            .samples::<i16>()
            .map(|s| gain * f32::from(s.unwrap()) / 32_768.0)
            .collect();
        let peak = sound.iter().fold(0.0_f32, |m, x| m.max(x.abs()));
        let onset = sound.iter().position(|x| x.abs() > 0.05 * peak).unwrap();
        sound[onset..]
            .iter()
            .copied()
            .take(2 * RATE as usize)
            .collect()
    }

    fn room() -> Vec<f32> {
        let mut seed = 1_u32;
        (0..RATE)
            .map(|_| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                2e-4 * ((seed >> 8) as f32 / (1 << 24) as f32 - 0.5)
            })
            .collect()
    }

    fn with_room(mut sound: Vec<f32>) -> Vec<f32> {
        for (x, noise) in sound.iter_mut().zip(room().into_iter().cycle()) {
            *x += noise;
        }
        sound
    }

    fn found(loud: &[f32], soft: &[f32]) -> Vec<Finding> {
        study(&Takes {
            rate: RATE,
            room: &room(),
            loud,
            soft,
        })
    }

    /// Low-pass by a windowed sinc.
    fn low_pass(sound: &[f32], hz: f64) -> Vec<f32> {
        let half = 400_i32;
        let cut = hz / f64::from(RATE);
        let kernel: Vec<f32> = (-half..=half)
            .map(|i| {
                let x = std::f64::consts::PI * 2.0 * cut * f64::from(i);
                let sinc = if i == 0 { 1.0 } else { x.sin() / x };
                let window =
                    0.5 + 0.5 * (std::f64::consts::PI * f64::from(i) / f64::from(half)).cos();
                (2.0 * cut * sinc * window) as f32
            })
            .collect();
        let padded: Vec<f32> = std::iter::repeat_n(0.0, half as usize)
            .chain(sound.iter().copied())
            .chain(std::iter::repeat_n(0.0, half as usize))
            .collect();
        padded
            .windows(kernel.len())
            .map(|w| w.iter().zip(&kernel).map(|(a, b)| a * b).sum())
            .collect()
    }

    #[test]
    fn a_good_microphone_gives_nothing_to_say_on_any_key_of_a_recorded_grand() {
        for name in [
            "A1", "C2", "Fs2", "A2", "C3", "A3", "C4", "Fs4", "A4", "C5", "A5", "C6",
        ] {
            let peak = grand(name, 1.0).iter().fold(0.0_f32, |m, x| m.max(x.abs()));
            let loud = with_room(grand(name, 0.4 / peak));
            let soft = with_room(grand(name, 0.03 / peak));
            assert_eq!(found(&loud, &soft), [], "{name}");
        }
    }

    #[test]
    fn what_is_in_the_way_is_named() {
        let loud = with_room(grand("C4", 1.5));
        let soft = with_room(grand("C4", 0.1));
        let nothing: &[f32] = &[];
        assert_eq!(found(nothing, nothing), [Finding::NothingHeard]);
        let silence = Takes {
            rate: RATE,
            room: &[0.0; 1000],
            loud: nothing,
            soft: nothing,
        };
        assert_eq!(study(&silence), [Finding::Muted]);

        let clipped: Vec<f32> = loud.iter().map(|x| (x * 30.0).clamp(-1.0, 1.0)).collect();
        assert!(found(&clipped, &soft).contains(&Finding::Clipped));

        let quiet = with_room(grand("C4", 0.02));
        let found_quiet = found(&quiet, &[]);
        assert!(
            matches!(found_quiet[0], Finding::TooQuiet { .. }),
            "{found_quiet:?}"
        );

        let alike = with_room(grand("C4", 1.2));
        assert!(matches!(
            found(&loud, &alike)[..],
            [Finding::GainControl { .. }]
        ));

        // A gate that closes half a second after the attack.
        let mut cut = loud.clone();
        for (i, x) in cut.iter_mut().enumerate().skip(22_050) {
            *x *= (-(i as f32 - 22_050.0) / 300.0).exp().max(1e-3);
        }
        assert_eq!(found(&cut, &soft), [Finding::NoiseSuppression]);

        let drowned = with_room(grand("C4", 0.0004));
        assert!(matches!(
            found(&loud, &drowned)[..],
            [Finding::Noisy { .. }]
        ));
    }

    #[test]
    fn a_talking_profile_is_named_by_where_it_ends() {
        for name in ["C3", "C4", "A4"] {
            let narrow = low_pass(&grand(name, 1.5), 3_400.0);
            let wide = low_pass(&grand(name, 1.5), 7_000.0);
            let soft = with_room(grand(name, 0.1));
            assert_eq!(
                found(&narrow, &soft),
                [Finding::NarrowBand { hz: 3_400 }],
                "{name}"
            );
            assert_eq!(
                found(&wide, &soft),
                [Finding::NarrowBand { hz: 7_000 }],
                "{name}"
            );
        }
    }
}
