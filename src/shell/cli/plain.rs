//! Practice in words: a line out, a line in. For a screen reader, a Braille display, or a pipe; no time is taken.

use std::io::{BufRead, Write};
use std::time::{Duration, Instant};

use crate::drill::{Event, Summary, Typed, Typing};
use crate::shell::desk::{Desk, DeskError};
use crate::shell::sound::SOON;
use crate::shell::term::keys::name_key;
use crate::shell::words::{asking, plain as words};
use crate::theory::{KeySignature, NoteNames, Spelling};

/// How long the sound may take to open before the first prompt is put without it.
const OPENING: Duration = Duration::from_secs(2);

/// Runs the sitting on `input` and `output`. `None` when the input ran out before the end.
pub fn run(
    desk: &mut Desk,
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> Result<Option<Summary>, DeskError> {
    let how = words::how_to_answer(&how_to_answer(desk));
    writeln!(output, "{}\n{how}", desk.heading())?;
    output.flush()?;
    // That there is sound is not said before it is known.
    let began = Instant::now();
    while desk.sound_is_opening() && began.elapsed() < OPENING {
        std::thread::sleep(SOON);
    }
    if desk.sound_is_on() {
        writeln!(output, "{}", words::START_LOW)?;
    }
    desk.begin()?;
    let mut told = 0;
    loop {
        desk.attend_to_sound()?;
        if let Some(fault) = desk.sound_fault() {
            writeln!(output, "{fault}")?;
        }
        told = tell(desk, told, output)?;
        if let Some(summary) = desk.view().summary.clone() {
            for line in desk.closing_lines(&summary) {
                writeln!(output, "{line}")?;
            }
            return Ok(Some(summary));
        }
        match (desk.unheard(), put(desk)) {
            (Some(unheard), _) => {
                writeln!(output, "{}", without_keys(unheard))?;
                output.flush()?;
            }
            (None, Some(question)) => {
                write!(output, "{question}: ")?;
                output.flush()?;
            }
            (None, None) => {}
        }
        // No line is read before its prompt has begun to sound.
        while desk.is_about_to_sound() {
            std::thread::sleep(SOON);
            if let Some(fault) = desk.sound_fault() {
                writeln!(output, "{fault}")?;
            }
        }
        desk.drawn()?;
        let mut line = String::new();
        if input.read_line(&mut line)? == 0 {
            writeln!(output)?;
            desk.on(Event::Stop)?;
            return Ok(None);
        }
        match line.trim() {
            "" if desk.unheard().is_some() => look_again(desk)?,
            line => take(desk, line, output)?,
        }
    }
}

/// Looks for a sound output, and waits until it is known whether there is one.
fn look_again(desk: &mut Desk) -> Result<(), DeskError> {
    desk.go_on()?;
    let began = Instant::now();
    while desk.sound_is_opening() && began.elapsed() < OPENING {
        std::thread::sleep(SOON);
    }
    Ok(())
}

/// The words of a screen's rest where lines are written: there is no key to go on or to leave with.
pub(super) fn without_keys(words: &str) -> String {
    words
        .replace(
            "it goes on by itself then. Enter looks again",
            "an empty line looks again",
        )
        .replace("Esc ends", "stop ends")
}

/// What is to be written to answer, by an example.
fn how_to_answer(desk: &Desk) -> String {
    if !desk.stage().kind.answered_by_notes() {
        return words::A_CHOICE.to_owned();
    }
    examples(desk.wording().names)
}

/// Some names, as they may be written.
pub(super) fn examples(names: NoteNames) -> String {
    let some = ["F", "F#", "Bb"]
        .iter()
        .filter_map(|name| name.parse().ok());
    let some: Vec<String> = some
        .map(|note| names.name(note, KeySignature::NONE, true))
        .collect();
    words::a_name(&some)
}

/// The prompt with its number, and what may be chosen.
pub(super) fn put(desk: &Desk) -> Option<String> {
    let question = desk.question()?;
    let choices: Vec<String> = desk
        .choices()
        .iter()
        .map(|choice| format!("{} {}", choice.key, choice.name))
        .collect();
    let among = if choices.is_empty() {
        String::new()
    } else {
        format!(" {}", choices.join(", "))
    };
    Some(format!("{}. {question}{among}", desk.view().number))
}

/// Writes what was told since `told` and gives what is told now.
pub(super) fn tell(desk: &Desk, told: u32, output: &mut dyn Write) -> Result<u32, DeskError> {
    let view = desk.view();
    if let Some(feedback) = view.feedback.as_ref().filter(|_| view.told > told) {
        writeln!(output, "{}", desk.wording().feedback(feedback))?;
    }
    Ok(view.told)
}

/// Does what a line asks for.
pub(super) fn take(desk: &mut Desk, line: &str, output: &mut dyn Write) -> Result<(), DeskError> {
    match line {
        "" => desk.sound_again(),
        "stop" | "quit" => desk.on(Event::Stop)?,
        "back" => desk.on(Event::TakeBack)?,
        "?" | "help" => writeln!(output, "{}", words::how_to_answer(&how_to_answer(desk)))?,
        text => answer(desk, text, output)?,
    }
    Ok(())
}

fn answer(desk: &mut Desk, text: &str, output: &mut dyn Write) -> Result<(), DeskError> {
    let choices = desk.choices();
    if let Some(task) = asking::chosen(&choices, text) {
        return desk.chosen(task);
    }
    let Some(item) = desk.view().item else {
        return Ok(());
    };
    if item.target().is_none() {
        writeln!(output, "{}", words::no_choice(text))?;
        return Ok(());
    }
    match parse(text, desk.wording().names, item.key) {
        Some(name) => desk.named(name)?,
        None => writeln!(output, "{}", words::no_name(text, &how_to_answer(desk)))?,
    }
    Ok(())
}

/// A name as a person types it: `F#`, `f sharp`, `Bb`, `b flat`; or in the learner's own naming. The sign may stand before
/// the letter, as on the screen: `#f`, `-b`, `sharp f`.
pub(super) fn parse(text: &str, names: NoteNames, key: KeySignature) -> Option<Spelling> {
    let text = text.to_lowercase();
    let (signs, name) = signs_before(text.trim());
    let compact = format!("{name}{signs}")
        .replace("sharp", "#")
        .replace("flat", "b")
        .replace("natural", "")
        .replace(' ', "");
    if matches!(names, NoteNames::FixedSolfege | NoteNames::MovableSolfege)
        && let Some(note) = by_first_letter(&compact, names, key)
    {
        return Some(note);
    }
    if names != NoteNames::English {
        let of = |note: &Spelling| names.name(*note, key, true).to_lowercase() == compact;
        if let Some(note) = Spelling::all().find(of) {
            return Some(note);
        }
    }
    compact.parse().ok()
}

/// Solfège by a syllable's first letter, as the keys of the screen take it, and signs behind it.
fn by_first_letter(text: &str, names: NoteNames, key: KeySignature) -> Option<Spelling> {
    let mut chars = text.chars();
    let syllable = name_key(chars.next()?, names)?;
    let mut typing = Typing::default();
    for sign in chars {
        let sign = match sign {
            '#' => Typed::Sharp,
            'b' => Typed::Flat,
            _ => return None,
        };
        typing.key(sign, key);
    }
    typing.key(syllable, key)
}

/// The signs that stand before a name, in letters as they are written behind it, and the name.
fn signs_before(text: &str) -> (String, &str) {
    let (mut signs, mut name) = (String::new(), text);
    loop {
        let before = [
            ("#", "#"),
            ("+", "#"),
            ("-", "b"),
            ("sharp ", "#"),
            ("flat ", "b"),
        ];
        let Some((rest, sign)) = before
            .iter()
            .find_map(|(word, sign)| Some((name.strip_prefix(word)?, sign)))
        else {
            return (signs, name);
        };
        signs.push_str(sign);
        name = rest.trim_start();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_as_people_type_them() {
        let read =
            |text, names| parse(text, names, KeySignature::NONE).map(|note| note.to_string());
        for text in ["f#", "F#", "F sharp", "#f", "# F", "+f", "sharp f"] {
            assert_eq!(read(text, NoteNames::English).as_deref(), Some("F#"));
        }
        assert_eq!(read("b flat", NoteNames::English).as_deref(), Some("Bb"));
        assert_eq!(read("b", NoteNames::English).as_deref(), Some("B"));
        for text in ["-b", "flat b", "- B"] {
            assert_eq!(read(text, NoteNames::English).as_deref(), Some("Bb"));
        }
        assert_eq!(read("##c", NoteNames::English).as_deref(), Some("C##"));
        assert_eq!(read("-e", NoteNames::German).as_deref(), Some("Eb"));
        assert_eq!(read("#", NoteNames::English), None);
        assert_eq!(read("B", NoteNames::German).as_deref(), Some("Bb"));
        assert_eq!(read("H", NoteNames::German).as_deref(), Some("B"));
        assert_eq!(read("sol#", NoteNames::FixedSolfege).as_deref(), Some("G#"));
        // By the first letter of each syllable, as on the screen.
        for (text, note) in [
            ("d", "C"),
            ("s", "G"),
            ("t", "B"),
            ("i", "B"),
            ("#f", "F#"),
            ("l flat", "Ab"),
        ] {
            assert_eq!(
                read(text, NoteNames::FixedSolfege).as_deref(),
                Some(note),
                "{text}"
            );
        }
        assert_eq!(read("H", NoteNames::English), None);
        // Common practice: in D major (two sharps) mi is F sharp.
        let d_major = KeySignature::new(2).unwrap();
        let mi = parse("m", NoteNames::MovableSolfege, d_major).map(|note| note.to_string());
        assert_eq!(mi.as_deref(), Some("F#"));
        let read = |text| parse(text, NoteNames::MovableSolfege, d_major);
        assert_eq!(read("mi"), "F#".parse().ok());
        assert_eq!(read("fi"), "G#".parse().ok());
    }
}
