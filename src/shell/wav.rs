//! Reads a WAV recording as one channel of `f32`.
//! In: a path to a RIFF/WAVE file: 8, 16, 24 or 32-bit integers or 32-bit floats, 1 to 6 channels, 8 to 192 kHz.
//! Out: a [`Recording`], channels averaged. A file that was cut off keeps the whole samples it has, and says so.

use std::fs::File;
use std::io::{BufReader, ErrorKind};
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavReader};

/// Sound of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// Samples a second.
    pub rate: u32,
    /// Samples, full scale ±1.
    pub mono: Vec<f32>,
    /// The file promised more samples than it holds.
    pub cut_off: bool,
}

impl Recording {
    /// Its length in seconds.
    pub fn seconds(&self) -> f64 {
        self.mono.len() as f64 / f64::from(self.rate)
    }
}

/// Why a recording could not be read.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum WavError {
    #[error(
        "cannot open '{path}': {source}. Check the name, and that the file may be read",
        path = path.display()
    )]
    Open {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error(
        "'{path}' is empty (no sound in it). Record again, or name another file",
        path = path.display()
    )]
    Empty { path: PathBuf },
    #[error(
        "'{path}' is no WAV file that can be read ({reason}). Export it as WAV, 16 or 24 bit",
        path = path.display()
    )]
    NotWav { path: PathBuf, reason: String },
    #[error(
        "'{path}' has {what}; {limit} are read. Export it as WAV, mono or stereo, 44.1 or 48 kHz",
        path = path.display()
    )]
    OutOfRange {
        path: PathBuf,
        what: String,
        limit: &'static str,
    },
}

/// Reads the WAV file at `path` and averages its channels.
///
/// Errors: [`WavError`], each with the file's name and what to do.
pub fn read(path: &Path) -> Result<Recording, WavError> {
    let file = File::open(path).map_err(|source| WavError::Open {
        path: path.to_owned(),
        source,
    })?;
    let size = file.metadata().map(|m| m.len()).unwrap_or(u64::MAX);
    if size == 0 {
        return Err(WavError::Empty {
            path: path.to_owned(),
        });
    }
    let reader = WavReader::new(BufReader::new(file)).map_err(|e| not_wav(path, &e))?;
    let spec = reader.spec();
    let out_of_range = |what: String, limit| WavError::OutOfRange {
        path: path.to_owned(),
        what,
        limit,
    };
    if !(8_000..=192_000).contains(&spec.sample_rate) {
        let what = format!("{} samples a second", spec.sample_rate);
        return Err(out_of_range(what, "8,000 to 192,000"));
    }
    if !(1..=6).contains(&spec.channels) {
        let what = format!("{} channels", spec.channels);
        return Err(out_of_range(what, "1 to 6"));
    }
    let expected = reader.len() as usize;
    let (samples, cut_off) = match spec.sample_format {
        SampleFormat::Float => collect(reader.into_samples::<f32>(), expected),
        SampleFormat::Int => {
            let scale = 1.0 / (1_u64 << (spec.bits_per_sample - 1)) as f32;
            let samples = reader.into_samples::<i32>();
            collect(samples.map(|s| s.map(|v| v as f32 * scale)), expected)
        }
    }
    .map_err(|e| not_wav(path, &e))?;
    let channels = usize::from(spec.channels);
    let mono: Vec<f32> = samples
        .chunks_exact(channels)
        .map(|frame| frame.iter().sum::<f32>() / channels as f32)
        .collect();
    if mono.is_empty() {
        return Err(WavError::Empty {
            path: path.to_owned(),
        });
    }
    Ok(Recording {
        rate: spec.sample_rate,
        mono,
        cut_off,
    })
}

fn not_wav(path: &Path, error: &hound::Error) -> WavError {
    WavError::NotWav {
        path: path.to_owned(),
        reason: error.to_string(),
    }
}

/// The samples up to the end of the file, and whether some are missing. Not-a-number counts as silence.
fn collect(
    samples: impl Iterator<Item = hound::Result<f32>>,
    expected: usize,
) -> hound::Result<(Vec<f32>, bool)> {
    // A damaged header may promise anything: trust it for a minute at most.
    let mut kept = Vec::with_capacity(expected.min(60 * 48_000));
    for sample in samples {
        match sample {
            Ok(value) => kept.push(if value.is_finite() { value } else { 0.0 }),
            // The reader answers a short file with an error of its own kind.
            Err(hound::Error::IoError(e))
                if matches!(e.kind(), ErrorKind::UnexpectedEof | ErrorKind::Other) =>
            {
                return Ok((kept, true));
            }
            Err(error) => return Err(error),
        }
    }
    let cut_off = kept.len() < expected;
    Ok((kept, cut_off))
}

#[cfg(test)]
mod tests {
    use super::*;
    use hound::{WavSpec, WavWriter};

    fn spec(channels: u16, bits: u16, format: SampleFormat) -> WavSpec {
        WavSpec {
            channels,
            sample_rate: 48_000,
            bits_per_sample: bits,
            sample_format: format,
        }
    }

    /// A file with the ramp 0, 0.25, 0.5, 0.75 on each channel but the last, which is its negative where there are two.
    fn written(dir: &Path, spec: WavSpec) -> PathBuf {
        let path = dir.join(format!("{}-{}.wav", spec.channels, spec.bits_per_sample));
        let mut writer = WavWriter::create(&path, spec).unwrap();
        for i in 0..400 {
            let value = f64::from(i % 4) * 0.25;
            for _ in 0..spec.channels {
                match spec.sample_format {
                    SampleFormat::Float => writer.write_sample(value as f32).unwrap(),
                    SampleFormat::Int => {
                        let full = (1_u64 << (spec.bits_per_sample - 1)) as f64;
                        writer.write_sample((value * full) as i32).unwrap();
                    }
                }
            }
        }
        writer.finalize().unwrap();
        path
    }

    #[test]
    fn every_width_and_channel_count_reads_as_the_same_sound() {
        let dir = tempfile::tempdir().unwrap();
        for channels in 1..=6 {
            for (bits, format) in [
                (8, SampleFormat::Int),
                (16, SampleFormat::Int),
                (24, SampleFormat::Int),
                (32, SampleFormat::Int),
                (32, SampleFormat::Float),
            ] {
                let path = written(dir.path(), spec(channels, bits, format));
                let got = read(&path).unwrap();
                assert_eq!(
                    (got.rate, got.mono.len(), got.cut_off),
                    (48_000, 400, false)
                );
                for (i, sample) in got.mono.iter().enumerate() {
                    let want = (i % 4) as f32 * 0.25;
                    assert!((sample - want).abs() < 1e-6, "{channels} {bits} {i}");
                }
            }
        }
    }

    #[test]
    fn a_file_that_was_cut_off_keeps_what_it_has() {
        let dir = tempfile::tempdir().unwrap();
        let path = written(dir.path(), spec(2, 16, SampleFormat::Int));
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() - 803]).unwrap();
        let got = read(&path).unwrap();
        assert!(got.cut_off);
        assert_eq!(got.mono.len(), 199);
    }

    #[test]
    fn what_cannot_be_read_is_named_with_the_remedy() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str, bytes: &[u8]| {
            let path = dir.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            read(&path).unwrap_err().to_string()
        };
        let empty = at("none.wav", b"");
        assert!(empty.contains("none.wav") && empty.contains("Record again"));
        let text = at("notes.wav", b"this is a letter to a friend, not a sound");
        assert!(text.contains("notes.wav") && text.contains("Export it as WAV"));
        let path = written(dir.path(), spec(1, 16, SampleFormat::Int));
        let bytes = std::fs::read(&path).unwrap();
        let header = at("header.wav", &bytes[..bytes.len() - 800]);
        assert!(header.contains("header.wav") && header.contains("empty"));
        let half = at("half.wav", &bytes[..20]);
        assert!(half.contains("half.wav") && half.contains("Export it as WAV"));
        let missing = read(&dir.path().join("gone.wav")).unwrap_err().to_string();
        assert!(missing.contains("gone.wav") && missing.contains("Check the name"));
    }

    #[test]
    fn rates_and_channels_out_of_range_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let mut odd = spec(7, 16, SampleFormat::Int);
        let many = read(&written(dir.path(), odd)).unwrap_err().to_string();
        assert!(many.contains("7 channels") && many.contains("1 to 6"));
        odd.channels = 1;
        odd.sample_rate = 4_000;
        let slow = read(&written(dir.path(), odd)).unwrap_err().to_string();
        assert!(slow.contains("4000 samples a second"));
    }
}
