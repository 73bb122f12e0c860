//! Temperaments as data: Scala scale files, and those that come with the program.
//! In: the text of a `.scl` file. Out: a [`Temperament`] with degree 0 on C and A at the reference.
//! Source: the Scala scale file format, Huygens-Fokker Foundation: lines that begin with `!` are comments; then a line
//! of description, the number of notes, and a line a note: cents if it holds a period, else a ratio or whole number;
//! what follows the number on its line is ignored. The first note, 1/1, is not written; the last is the octave.

use super::temperament::Temperament;

/// The temperaments of the program, by the names of options and settings. Where a file is a selection from a
/// tradition (just intonation), the file says which.
const NAMED: [(&str, &str); 6] = [
    ("equal", include_str!("temperaments/equal.scl")),
    ("just", include_str!("temperaments/just.scl")),
    ("pythagorean", include_str!("temperaments/pythagorean.scl")),
    ("meantone", include_str!("temperaments/meantone.scl")),
    (
        "werckmeister",
        include_str!("temperaments/werckmeister.scl"),
    ),
    ("vallotti", include_str!("temperaments/vallotti.scl")),
];

/// How far, in cents, a file's octave may lie from 2/1 by rounding.
const OCTAVE_ROUNDING: f64 = 0.01;

/// Bytes of the longest file that is read: comments and all, a scale of twelve notes has about one thousand.
const LONGEST: usize = 65_536;

/// A scale file that no keyboard of twelve notes can be tuned by, and the line (from 1) that shows it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("line {line}: {reason}")]
pub struct ScalaError {
    /// The line of the file, from 1; one past the last when something is missing.
    pub line: usize,
    /// What is wrong there.
    pub reason: ScalaReason,
}

/// Why a scale file is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScalaReason {
    /// The file ends before its last note.
    #[error("the scale file ends early: after the number of notes it needs a line for each note")]
    Short,
    /// Longer than any scale of twelve notes.
    #[error("the scale file goes on beyond {most} bytes: choose a file of one scale")]
    Long {
        /// The most bytes that are read.
        most: usize,
    },
    /// Not the number of notes.
    #[error(
        "'{text}' is no number of notes: the line after the description must say how many follow"
    )]
    Count {
        /// What stands there.
        text: String,
    },
    /// Not twelve notes.
    #[error("the scale has {given} notes: a keyboard needs one of 12 notes")]
    NotTwelve {
        /// Notes in the file.
        given: usize,
    },
    /// Neither cents nor a ratio.
    #[error("'{text}' is no note of a scale: write cents with a period (386.3) or a ratio (5/4)")]
    Note {
        /// What stands there.
        text: String,
    },
    /// Notes out of order.
    #[error(
        "note {degree} of the scale is not above the one before it: sort the notes from the lowest"
    )]
    NotRising {
        /// Its number, from 1.
        degree: usize,
    },
    /// The last note is no octave.
    #[error(
        "the scale ends {cents:.3} cents above its first note: a keyboard needs the octave, 2/1"
    )]
    NoOctave {
        /// Cents of the last note.
        cents: f64,
    },
}

impl Temperament {
    /// The names of the temperaments that come with the program.
    pub const NAMES: [&'static str; 6] = [
        NAMED[0].0, NAMED[1].0, NAMED[2].0, NAMED[3].0, NAMED[4].0, NAMED[5].0,
    ];

    /// The temperament of that name among [`Temperament::NAMES`].
    pub fn named(name: &str) -> Option<Temperament> {
        let (_, text) = NAMED.iter().find(|(known, _)| *known == name)?;
        Some(Temperament::from_scala(text).expect("the program's own files are read by its tests"))
    }

    /// The temperament of a Scala scale file of twelve notes to the octave; its first note is C. Errors: [`ScalaError`].
    pub fn from_scala(text: &str) -> Result<Temperament, ScalaError> {
        let wrong = |line, reason| ScalaError { line, reason };
        let last = text.lines().count() + 1;
        if text.len() > LONGEST {
            return Err(wrong(last, ScalaReason::Long { most: LONGEST }));
        }
        let mut lines = (1..)
            .zip(text.trim_start_matches('\u{feff}').lines())
            .filter(|(_, line)| !line.starts_with('!'));
        let mut next = || lines.next().ok_or_else(|| wrong(last, ScalaReason::Short));
        next()?;
        let (line, count) = next()?;
        let given: usize = count
            .split_whitespace()
            .next()
            .and_then(|number| number.parse().ok())
            .ok_or_else(|| wrong(line, ScalaReason::Count { text: shown(count) }))?;
        if given != 12 {
            return Err(wrong(line, ScalaReason::NotTwelve { given }));
        }
        // Degree 0 is 1/1; degree 12, the octave, is read into the thirteenth place.
        let mut degrees = [0.0; 13];
        for degree in 1..=12 {
            let (line, note) = next()?;
            let cents = note_cents(note)
                .ok_or_else(|| wrong(line, ScalaReason::Note { text: shown(note) }))?;
            if cents <= degrees[degree - 1] {
                return Err(wrong(line, ScalaReason::NotRising { degree }));
            }
            if degree == 12 && (cents - 1200.0).abs() > OCTAVE_ROUNDING {
                return Err(wrong(line, ScalaReason::NoOctave { cents }));
            }
            degrees[degree] = cents;
        }
        let twelve = std::array::from_fn(|degree| degrees[degree]);
        Ok(Temperament::from_degrees(twelve))
    }
}

/// The beginning of a line, fit to be shown: a hostile file may hold anything.
fn shown(line: &str) -> String {
    line.trim()
        .chars()
        .map(|c| if c.is_control() { '?' } else { c })
        .take(40)
        .collect()
}

/// Cents of a note's line, `None` if it is no note.
fn note_cents(line: &str) -> Option<f64> {
    let word = line.split_whitespace().next()?;
    let whole = |text: &str| text.parse::<u64>().ok().filter(|number| *number > 0);
    let cents: f64 = if word.contains('.') {
        word.parse().ok()?
    } else {
        let (over, under) = word.split_once('/').unwrap_or((word, "1"));
        let (over, under) = whole(over).zip(whole(under))?;
        1200.0 * (over as f64 / under as f64).log2()
    };
    cents.is_finite().then_some(cents)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::{Hz, MidiNote, Reference};

    /// Commas from their ratios.
    fn pythagorean_comma() -> f64 {
        1200.0 * (531_441.0_f64 / 524_288.0).log2()
    }

    fn hz(temperament: &Temperament, key: i16) -> Hz {
        temperament.frequency(MidiNote(key), Reference::default())
    }

    /// Cents of the interval from pitch class `from` up to `to`, less than an octave.
    fn interval(temperament: &Temperament, from: i16, to: i16) -> f64 {
        let to = if to < from { to + 12 } else { to };
        hz(temperament, 60 + to)
            .cents_above(hz(temperament, 60 + from))
            .0
    }

    /// Checks the fifths up from the pitch classes of `sizes`; the twelfth is what is left.
    fn fifths(name: &str, sizes: [f64; 12]) {
        let temperament = Temperament::named(name).unwrap();
        for (from, size) in (0..).zip(sizes) {
            let ours = interval(&temperament, from, (from + 7) % 12);
            assert!(
                (ours - size).abs() < 1e-4,
                "{name}: fifth on {from} is {ours}, not {size}"
            );
        }
    }

    #[test]
    fn fifths_are_what_the_temperaments_are_defined_by() {
        let pure = 1200.0 * 1.5_f64.log2();
        let comma = pythagorean_comma();
        fifths("equal", [700.0; 12]);

        let mut pythagorean = [pure; 12];
        pythagorean[8] = pure - comma;
        fifths("pythagorean", pythagorean);

        // A quarter of the syntonic comma narrow, 5^(1/4); the wolf from G sharp to E flat is left.
        let narrow = 1200.0 * 5.0_f64.powf(0.25).log2();
        let mut meantone = [narrow; 12];
        meantone[8] = 7.0 * 1200.0 - 11.0 * narrow;
        fifths("meantone", meantone);

        let mut werckmeister = [pure; 12];
        for from in [0, 7, 2, 11] {
            werckmeister[from] = pure - comma / 4.0;
        }
        fifths("werckmeister", werckmeister);

        let mut vallotti = [pure; 12];
        for from in [5, 0, 7, 2, 9, 4] {
            vallotti[from] = pure - comma / 6.0;
        }
        fifths("vallotti", vallotti);
    }

    #[test]
    fn just_intonation_has_the_published_ratios() {
        // Cents of the just intervals, computed from their ratios in the ratio table of interval theory.
        let just = Temperament::named("just").unwrap();
        for (to, cents) in [
            (1, 111.731),
            (2, 203.910),
            (3, 315.641),
            (4, 386.314),
            (5, 498.045),
            (6, 590.224),
            (7, 701.955),
            (8, 813.686),
            (9, 884.359),
            (10, 1017.596),
            (11, 1088.269),
        ] {
            assert!((interval(&just, 0, to) - cents).abs() < 6e-4, "{to}");
        }
    }

    #[test]
    fn every_named_temperament_keeps_a_at_the_reference_and_the_octave_pure() {
        for name in Temperament::NAMES {
            let temperament = Temperament::named(name).unwrap();
            assert!((hz(&temperament, 69).0 - 440.0).abs() < 1e-9, "{name}");
            assert!((hz(&temperament, 72).0 / hz(&temperament, 60).0 - 2.0).abs() < 1e-12);
        }
        assert_eq!(Temperament::named("nobody"), None);
    }

    #[test]
    fn the_formats_liberties_are_read() {
        // Comments anywhere, an empty description, remarks behind numbers, cents without decimals, whole numbers.
        let text = "! liberties.scl\n!\n\n  12 notes\n! from here\n 100.0 cents\n\t9/8 D\n300.\n 81/64\n498.045\n\
                    600.0 cents\n 3/2\n800.0\n 900.0\n1000.0\n 243/128 B\n!\n 2\n! end";
        let read = Temperament::from_scala(text).unwrap();
        assert!((interval(&read, 0, 4) - 407.820).abs() < 5e-4);
        assert!((interval(&read, 0, 3) - 300.0).abs() < 1e-9);
        let windows = text.replace('\n', "\r\n");
        assert_eq!(Temperament::from_scala(&windows).unwrap(), read);
    }

    #[test]
    fn a_published_archives_worked_values_come_out() {
        // Two files of an archive of scales with their sources (PyPI scale-library 1.3.0, "mailing-lists"): in
        // sparschuhPiano.scl C is 261.5 Hz and A, says a remark, 442.5 Hz, so that the notes over 523 are half their
        // numerators; E and B flat stand over 1058, against their own remarks, and are left out here.
        let text = "!sparschuhPiano.scl\n!\nfrom Andreas Sparschuh's violin strings\n12\n!\n558/523 ! C#\n598/523 ! D\n\
                    628/523 ! Eb\n1323/1058 ! E = 661.5/523\n706/523 ! F\n724/523 ! F#\n792/523 ! G\n837/523 ! G#\n\
                    885/523 ! A absolute 442.5Hz\n1883/1058 ! Bb = 941.5/523\n992/523 ! B\n2/1\n!\n";
        let piano = Temperament::from_scala(text).unwrap();
        let reference = Reference::new(442.5).unwrap();
        for (key, hz) in [
            (60, 261.5),
            (61, 279.0),
            (62, 299.0),
            (63, 314.0),
            (65, 353.0),
            (66, 362.0),
            (67, 396.0),
            (68, 418.5),
            (69, 442.5),
            (71, 496.0),
        ] {
            let ours = piano.frequency(MidiNote(key), reference).0;
            assert!((ours - hz).abs() < 1e-9, "{key}: {ours}");
        }
        // lumma.scl gives two of its ratios in cents as well: 5/3 is 884.3587, 7/4 is 968.8259.
        let text = "lumma\n12\n115.5870 ! 16/15\n200.0542\n268.7988\n384.3858\n499.9729\n584.4401\n700.0271\n\
                    815.6142\n5/3 ! 884.3587c\n7/4 ! 968.8259c\n1084.4130\n2/1\n";
        let lumma = Temperament::from_scala(text).unwrap();
        assert!((interval(&lumma, 0, 9) - 884.3587).abs() < 1e-4);
        assert!((interval(&lumma, 0, 10) - 968.8259).abs() < 1e-4);
        assert!((interval(&lumma, 0, 4) - 384.3858).abs() < 1e-9);
    }

    #[test]
    fn what_no_keyboard_can_have_is_refused_with_line_and_reason() {
        let scale = |notes: &str| Temperament::from_scala(&format!("! c\nd\n12\n{notes}"));
        let refused = |notes: &str| {
            let error = scale(notes).unwrap_err();
            (error.line, error.reason)
        };
        let rising =
            "100.0\n200.0\n300.0\n400.0\n500.0\n600.0\n700.0\n800.0\n900.0\n1000.0\n1100.0\n";
        assert!(scale(&format!("{rising}2/1")).is_ok());
        let empty = Temperament::from_scala("").unwrap_err();
        assert_eq!((empty.line, empty.reason), (1, ScalaReason::Short));
        assert_eq!(refused(rising), (15, ScalaReason::Short));
        let seven = Temperament::from_scala("d\n7\n9/8").unwrap_err();
        assert_eq!(
            (seven.line, seven.reason),
            (2, ScalaReason::NotTwelve { given: 7 })
        );
        let many = Temperament::from_scala("d\nmany\n").unwrap_err();
        assert!(many.line == 2 && matches!(many.reason, ScalaReason::Count { .. }));
        for bad in [
            "-3/2",
            "0/1",
            "3/0",
            "x",
            " ",
            "nan.",
            "1e999.0",
            "1.2.3",
            "99999999999999999999/3",
            "\u{1b}[2J",
        ] {
            let (line, reason) = refused(&format!("100.0\n! remark\n{bad}"));
            assert_eq!(line, 6, "{bad}");
            let ScalaReason::Note { text } = reason else {
                panic!("{bad}: {reason}")
            };
            assert!(!text.contains('\u{1b}'));
        }
        assert_eq!(
            refused("200.0\n100.0"),
            (5, ScalaReason::NotRising { degree: 2 })
        );
        let (line, reason) = refused(&format!("{rising}3/1"));
        assert!(line == 15 && matches!(reason, ScalaReason::NoOctave { .. }));
        let long = Temperament::from_scala(&"9".repeat(LONGEST + 1)).unwrap_err();
        assert!(matches!(long.reason, ScalaReason::Long { .. }));
        assert_eq!(
            scale("200.0\n100.0").unwrap_err().to_string(),
            "line 5: note 2 of the scale is not above the one before it: sort the notes from the lowest"
        );
    }
}
