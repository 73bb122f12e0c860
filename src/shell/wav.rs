//! Reads a WAV recording as one channel of `f32`, whole or block by block.
//! In: a path to a RIFF/WAVE file: integers of 8 to 32 bits or floats of 32 or 64, plain or extensible, 1 to 6 channels,
//! 8 to 192 kHz. Out: a [`Recording`] or a [`Reader`], channels averaged. A file that was cut off keeps the whole samples
//! it has, and says so; one whose recorder never wrote its size is read to its end.
//! Source: Microsoft's WAVEFORMATEX and WAVEFORMATEXTENSIBLE.

use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};

use super::words::fault;

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
        "cannot open '{path}': {why}. Check the name, and that the file may be read",
        path = path.display(),
        why = fault(source)
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
    let mut reader = Reader::open(path)?;
    let mut mono = Vec::new();
    while reader.next_block(&mut mono, 65_536)? > 0 {}
    if mono.is_empty() {
        return Err(reader.empty());
    }
    Ok(Recording {
        rate: reader.rate,
        mono,
        cut_off: reader.cut_off,
    })
}

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    /// Unsigned, silence at 128.
    Byte,
    /// Signed, left-justified in its bytes.
    Signed16,
    Signed24,
    Signed32,
    Float,
    Double,
}

impl Form {
    fn bytes(self) -> usize {
        match self {
            Form::Byte => 1,
            Form::Signed16 => 2,
            Form::Signed24 => 3,
            Form::Signed32 | Form::Float => 4,
            Form::Double => 8,
        }
    }

    /// Appends the frames of `bytes` to `mono`, their `channels` averaged. Not-a-number counts as silence.
    fn mix(self, bytes: &[u8], channels: usize, mono: &mut Vec<f32>) {
        // The bytes of an integer become the topmost of 32 bits; their sign is where it belongs then.
        let whole = |bytes| i32::from_le_bytes(bytes) as f32 / 2_147_483_648.0;
        match self {
            Form::Byte => average(bytes, channels, mono, |[b]| (f32::from(b) - 128.0) / 128.0),
            Form::Signed16 => average(bytes, channels, mono, |[a, b]| whole([0, 0, a, b])),
            Form::Signed24 => average(bytes, channels, mono, |[a, b, c]| whole([0, a, b, c])),
            Form::Signed32 => average(bytes, channels, mono, whole),
            Form::Float => average(bytes, channels, mono, f32::from_le_bytes),
            Form::Double => average(bytes, channels, mono, |b| f64::from_le_bytes(b) as f32),
        }
    }
}

/// Appends to `mono` the mean of each frame of `channels` samples, each of `SIZE` bytes that `sample` reads.
fn average<const SIZE: usize>(
    bytes: &[u8],
    channels: usize,
    mono: &mut Vec<f32>,
    sample: impl Fn([u8; SIZE]) -> f32,
) {
    let heard = |bytes: &[u8; SIZE]| {
        Some(sample(*bytes))
            .filter(|s| s.is_finite())
            .unwrap_or(0.0)
    };
    let samples = bytes.as_chunks::<SIZE>().0;
    if channels == 1 {
        mono.extend(samples.iter().map(heard));
    } else {
        let mean = |frame: &[[u8; SIZE]]| frame.iter().map(heard).sum::<f32>() / channels as f32;
        mono.extend(samples.chunks_exact(channels).map(mean));
    }
}

/// An open recording.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    file: BufReader<File>,
    form: Form,
    channels: usize,
    /// Bytes of sound that are promised and not yet read; none where the file does not say.
    left: Option<u64>,
    /// Samples a second.
    pub rate: u32,
    /// The file promised more samples than it holds; known at its end.
    pub cut_off: bool,
    bytes: Vec<u8>,
}

impl Reader {
    /// Opens the WAV file at `path` and reads its header. Errors: [`WavError`].
    pub fn open(path: &Path) -> Result<Reader, WavError> {
        let open = |source| WavError::Open {
            path: path.to_owned(),
            source,
        };
        let file = File::open(path).map_err(open)?;
        if file.metadata().map_err(open)?.len() == 0 {
            return Err(WavError::Empty {
                path: path.to_owned(),
            });
        }
        let mut file = BufReader::new(file);
        let header = header(&mut file).map_err(|fault| match fault {
            Fault::Not(reason) => WavError::NotWav {
                path: path.to_owned(),
                reason: reason.to_owned(),
            },
            Fault::OutOfRange(what, limit) => WavError::OutOfRange {
                path: path.to_owned(),
                what,
                limit,
            },
        })?;
        Ok(Reader {
            path: path.to_owned(),
            file,
            form: header.form,
            channels: header.channels,
            left: header.bytes,
            rate: header.rate,
            cut_off: false,
            bytes: Vec::new(),
        })
    }

    /// That there is no sound in it.
    pub fn empty(&self) -> WavError {
        WavError::Empty {
            path: self.path.clone(),
        }
    }

    /// Appends up to `count` samples to `mono`; gives how many, 0 at the end. Errors: [`WavError::NotWav`] if the disk
    /// fails.
    pub fn next_block(&mut self, mono: &mut Vec<f32>, count: usize) -> Result<usize, WavError> {
        let frame = self.form.bytes() * self.channels;
        let wanted = (count * frame) as u64;
        // An odd size that does not fill a frame is the file's fault, not sound.
        let promised = self.left.map_or(wanted, |left| left - left % frame as u64);
        let wanted = wanted.min(promised) as usize;
        self.bytes.resize(wanted, 0);
        let mut got = 0;
        while got < wanted {
            match self.file.read(&mut self.bytes[got..]) {
                Ok(0) => break,
                Ok(read) => got += read,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => {
                    return Err(WavError::NotWav {
                        path: self.path.clone(),
                        reason: e.to_string(),
                    });
                }
            }
        }
        self.cut_off |= got < wanted && self.left.is_some();
        if let Some(left) = &mut self.left {
            *left -= got as u64;
            if got < wanted {
                *left = 0;
            }
        }
        let whole = got / frame;
        self.form
            .mix(&self.bytes[..whole * frame], self.channels, mono);
        Ok(whole)
    }
}

#[derive(Debug)]
struct Header {
    form: Form,
    channels: usize,
    rate: u32,
    bytes: Option<u64>,
}

enum Fault {
    Not(&'static str),
    OutOfRange(String, &'static str),
}

/// Reads up to the first sample.
fn header(file: &mut impl Read) -> Result<Header, Fault> {
    let cut = |_| Fault::Not("its header is cut off");
    let mut riff = [0; 12];
    file.read_exact(&mut riff).map_err(cut)?;
    match (&riff[..4], &riff[8..]) {
        (b"RIFF", b"WAVE") => {}
        (b"RF64" | b"RIFX" | b"BW64", _) => return Err(Fault::Not("it is of a rarer kind of WAV")),
        _ => return Err(Fault::Not("no RIFF header")),
    }
    let mut format = None;
    loop {
        let mut chunk = [0; 8];
        file.read_exact(&mut chunk)
            .map_err(|_| Fault::Not("it has no sound chunk"))?;
        let size = u32::from_le_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]);
        match &chunk[..4] {
            b"data" => {
                let (form, channels, rate) = format.ok_or(Fault::Not("its format is missing"))?;
                // A recorder that was stopped hard leaves 0 or all ones here.
                let bytes = (size != 0 && size != u32::MAX).then_some(u64::from(size));
                return Ok(Header {
                    form,
                    channels,
                    rate,
                    bytes,
                });
            }
            b"fmt " => {
                if !(16..=4_096).contains(&size) {
                    return Err(Fault::Not("its format chunk has a wrong size"));
                }
                // Chunks are padded to an even length.
                let mut body = vec![0; size as usize + size as usize % 2];
                file.read_exact(&mut body).map_err(cut)?;
                format = Some(read_format(&body)?);
            }
            _ => {
                let skip = u64::from(size) + u64::from(size % 2);
                std::io::copy(&mut file.by_ref().take(skip), &mut std::io::sink()).map_err(cut)?;
            }
        }
    }
}

/// Form, channels and rate from a format chunk.
fn read_format(body: &[u8]) -> Result<(Form, usize, u32), Fault> {
    let short = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
    let channels = short(2);
    let rate = u32::from_le_bytes([body[4], body[5], body[6], body[7]]);
    let (block, bits) = (short(12), short(14));
    let mut tag = short(0);
    if tag == 0xFFFE {
        if body.len() < 40 {
            return Err(Fault::Not("its extensible format chunk is too short"));
        }
        // The subtype begins with the plain tag.
        tag = short(24);
    }
    if !(8_000..=192_000).contains(&rate) {
        let what = format!("{rate} samples a second");
        return Err(Fault::OutOfRange(what, "8,000 to 192,000"));
    }
    if !(1..=6).contains(&channels) {
        return Err(Fault::OutOfRange(format!("{channels} channels"), "1 to 6"));
    }
    // Samples of 12 or 20 bits lie left-justified in whole bytes.
    let container = usize::from(bits).div_ceil(8);
    let form = match (tag, container) {
        (1, 1) => Form::Byte,
        (1, 2) => Form::Signed16,
        (1, 3) => Form::Signed24,
        (1, 4) => Form::Signed32,
        (3, 4) => Form::Float,
        (3, 8) => Form::Double,
        (1 | 3, _) => {
            return Err(Fault::OutOfRange(
                format!("samples of {bits} bits"),
                "8 to 32 bits",
            ));
        }
        _ => return Err(Fault::Not("its sound is compressed")),
    };
    if usize::from(block) != container * usize::from(channels) {
        return Err(Fault::Not("the sizes in its header contradict each other"));
    }
    Ok((form, usize::from(channels), rate))
}

#[cfg(test)]
mod tests {
    use super::*;
    use hound::{SampleFormat, WavSpec, WavWriter};

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

    /// A file of `data` with a format chunk of `fields` (tag, channels, rate, block, bits) and what follows them.
    fn chunked(
        fields: (u16, u16, u32, u16, u16),
        more: &[u8],
        before: &[u8],
        size: u32,
        data: &[u8],
    ) -> Vec<u8> {
        let (tag, channels, rate, block, bits) = fields;
        let mut format = Vec::new();
        format.extend(tag.to_le_bytes());
        format.extend(channels.to_le_bytes());
        format.extend(rate.to_le_bytes());
        format.extend((rate * u32::from(block)).to_le_bytes());
        format.extend(block.to_le_bytes());
        format.extend(bits.to_le_bytes());
        format.extend(more);
        let mut file = b"RIFF\xff\xff\xff\xffWAVEfmt ".to_vec();
        file.extend((format.len() as u32).to_le_bytes());
        file.extend(format);
        file.extend(before);
        file.extend(b"data");
        file.extend(size.to_le_bytes());
        file.extend(data);
        file
    }

    /// cbSize 22, valid bits, speaker mask, subtype with the plain tag in front (WAVEFORMATEXTENSIBLE).
    fn extension(valid: u16, tag: u16) -> Vec<u8> {
        let mut more = 22_u16.to_le_bytes().to_vec();
        more.extend(valid.to_le_bytes());
        more.extend(4_u32.to_le_bytes());
        more.extend(tag.to_le_bytes());
        more.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        more
    }

    #[test]
    fn extensible_rare_widths_odd_sizes_and_unwritten_sizes_are_read() {
        let dir = tempfile::tempdir().unwrap();
        let got = |bytes: Vec<u8>| {
            let path = dir.path().join("a.wav");
            std::fs::write(&path, bytes).unwrap();
            read(&path).map(|r| (r.rate, r.mono, r.cut_off))
        };
        let quarter24 = [0, 0, 0x20, 0, 0, 0xe0];
        let both = vec![0.25, -0.25];
        // 24 bits, and 20 valid bits in 24.
        for valid in [24, 20] {
            let file = chunked(
                (0xFFFE, 1, 96_000, 3, 24),
                &extension(valid, 1),
                b"",
                6,
                &quarter24,
            );
            assert_eq!(got(file).unwrap(), (96_000, both.clone(), false));
        }
        let floats: Vec<u8> = [0.25_f32, -0.25]
            .iter()
            .flat_map(|v| v.to_le_bytes())
            .collect();
        let file = chunked(
            (0xFFFE, 1, 192_000, 4, 32),
            &extension(32, 3),
            b"",
            8,
            &floats,
        );
        assert_eq!(got(file).unwrap(), (192_000, both.clone(), false));
        let doubles: Vec<u8> = [0.25_f64, -0.25]
            .iter()
            .flat_map(|v| v.to_le_bytes())
            .collect();
        assert_eq!(
            got(chunked((3, 1, 8_000, 8, 64), b"", b"", 16, &doubles)).unwrap(),
            (8_000, both.clone(), false)
        );
        // 12 bits lie in 16; a byte is unsigned.
        let twelve = [0, 0x20, 0, 0xe0];
        assert_eq!(
            got(chunked((1, 1, 44_100, 2, 12), b"", b"", 4, &twelve))
                .unwrap()
                .1,
            both
        );
        assert_eq!(
            got(chunked((1, 1, 44_100, 1, 8), b"", b"", 2, &[160, 96]))
                .unwrap()
                .1,
            both
        );
        // A chunk of odd length before the sound is padded; a last half frame is no sound.
        let list = b"LIST\x03\x00\x00\x00abc\x00";
        let file = chunked(
            (1, 1, 44_100, 2, 16),
            b"",
            list,
            5,
            &[0, 0x20, 0, 0xe0, 7, 0],
        );
        assert_eq!(got(file).unwrap(), (44_100, both.clone(), false));
        // Sizes that were never written.
        for size in [0, u32::MAX] {
            let file = chunked((1, 1, 44_100, 2, 16), b"", b"", size, &[0, 0x20, 0, 0xe0]);
            assert_eq!(got(file).unwrap(), (44_100, both.clone(), false));
        }
    }

    #[test]
    fn what_is_no_plain_sound_is_refused_with_its_reason() {
        let dir = tempfile::tempdir().unwrap();
        let why = |bytes: Vec<u8>| {
            let path = dir.path().join("a.wav");
            std::fs::write(&path, bytes).unwrap();
            read(&path).unwrap_err().to_string()
        };
        let compressed = why(chunked((85, 2, 44_100, 1, 0), b"", b"", 4, &[1; 4]));
        assert!(compressed.contains("compressed") && compressed.contains("Export it as WAV"));
        let contradiction = why(chunked((1, 2, 44_100, 2, 16), b"", b"", 4, &[1; 4]));
        assert!(contradiction.contains("contradict"));
        let wide = why(chunked((1, 1, 44_100, 8, 64), b"", b"", 8, &[1; 8]));
        assert!(wide.contains("64 bits"));
        let mut big = chunked((1, 1, 44_100, 2, 16), b"", b"", 4, &[1; 4]);
        big[..4].copy_from_slice(b"RF64");
        assert!(why(big).contains("rarer kind"));
        let short = why(chunked((0xFFFE, 1, 44_100, 2, 16), b"", b"", 4, &[1; 4]));
        assert!(short.contains("too short"));
    }
}
