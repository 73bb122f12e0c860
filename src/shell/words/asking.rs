//! What a prompt says in words, and the answers that may be chosen: the same on the screen and in the text mode.

use super::Wording;
use crate::drill::Sitting;
use crate::study::{Along, Item, PromptKind, Stage, StageKind, Task};
use crate::theory::{Mode, NoteNames, home};

/// Keys that choose, in the order of the answers.
const KEYS: [char; 16] = [
    '1', '2', '3', '4', '5', '6', '7', '8', '9', '0', 'a', 'b', 'c', 'd', 'e', 'f',
];

/// One answer that may be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// The key that chooses it.
    pub key: char,
    /// What it is called.
    pub name: String,
    /// What it answers.
    pub task: Task,
}

/// The answers to `item` that may be chosen; none where only a note answers.
pub fn choices(stage: &Stage, item: Item, wording: Wording) -> Vec<Choice> {
    let choice = |key: char, task: Task| Choice {
        key,
        name: wording.task(task),
        task,
    };
    match item.task {
        None | Some(Task::Reach(..)) => Vec::new(),
        Some(Task::InTune(_)) => vec![choice('1', Task::InTune(-1)), choice('2', Task::InTune(1))],
        Some(Task::Degree(..)) => stage
            .tasks
            .iter()
            .filter_map(|task| match task {
                Task::Degree(degree, _) => {
                    Some(choice(char::from_digit(u32::from(*degree), 10)?, *task))
                }
                _ => None,
            })
            .collect(),
        Some(_) => KEYS
            .iter()
            .zip(&stage.tasks)
            .map(|(key, task)| choice(*key, *task))
            .collect(),
    }
}

/// The choice that a typed line names: its key, its name, or its short name such as `m3`.
pub fn chosen(choices: &[Choice], text: &str) -> Option<Task> {
    let text = text.trim();
    let short = |task: Task| match task {
        Task::Interval(interval, _) => interval.to_string(),
        Task::Chord(chord, _) => chord.word().to_owned(),
        _ => String::new(),
    };
    let by_key = |c: &&Choice| text.chars().eq([c.key]);
    let by_name = |c: &&Choice| c.name.eq_ignore_ascii_case(text);
    // m3 and M3 differ by the size of a letter alone. A short name that stands for two answers is none.
    let mut by_short = choices.iter().filter(|c| short(c.task) == text);
    let only = by_short.next().filter(|_| by_short.next().is_none());
    choices
        .iter()
        .find(by_key)
        .or_else(|| choices.iter().find(by_name))
        .or(only)
        .map(|choice| choice.task)
}

/// Whether the note that is asked must not be shown or told.
pub fn only_heard(sitting: &Sitting, item: Item) -> bool {
    sitting.prompt() == PromptKind::Ear && item.task.is_none()
}

/// What is asked, in words.
pub fn question(sitting: &Sitting, item: Item, group: &[Item], wording: Wording) -> String {
    let Some(task) = item.task else {
        if !only_heard(sitting, item) {
            return wording.item(item);
        }
        let tonic = wording.name(home(item.key, Mode::Major).spelling(), item.key);
        return match (sitting.kind(), item.in_group) {
            (StageKind::Find, _) => format!("{tonic} is heard first. Which note follows?"),
            (StageKind::Melodies, Some(within)) => format!(
                "A melody of {} notes after the chord of {tonic}. Note {}?",
                group.len(),
                within.place
            ),
            (_, Some(within)) => format!("Note {} of {} heard?", within.place, group.len()),
            _ => "Which note is heard?".to_owned(),
        };
    };
    match task {
        Task::Interval(..) => "Which interval is heard?".to_owned(),
        Task::Reach(interval, along) => format!(
            "{} is heard. Which note lies {} {} {}?",
            wording.pitch(item.pitch, item.key),
            with_article(&interval.in_words()),
            if along == Along::Down { "down" } else { "up" },
            "from it"
        ),
        Task::Chord(..) => "Which chord is heard?".to_owned(),
        Task::Degree(_, mode) => {
            let scale = match mode {
                Mode::Major => "scale",
                Mode::Minor => "minor scale",
            };
            match wording.names {
                NoteNames::MovableSolfege => {
                    format!("Which note of the {scale} follows the cadence?")
                }
                _ => format!(
                    "Which degree of the {scale} follows the cadence? Degree 1 is {}.",
                    wording.name(item.key.tonic(mode), item.key)
                ),
            }
        }
        Task::InTune(_) => "Is the second note lower or higher?".to_owned(),
        Task::Beats(_) => "How often do the two strings beat?".to_owned(),
    }
}

/// `a minor third`, `an octave`.
fn with_article(name: &str) -> String {
    let vowel = name.starts_with(['a', 'e', 'i', 'o']);
    format!("{} {name}", if vowel { "an" } else { "a" })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Course;

    const WORDING: Wording = Wording {
        names: NoteNames::English,
        ascii: true,
    };

    fn stage(kind: &str) -> Stage {
        let text = format!(
            "schema = 1\nid = \"mine\"\n[[stage]]\nid = \"ear\"\n{kind}\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"C4\"\nto = \"C5\"\n"
        );
        Course::parse("mine.toml", &text).unwrap().stages[0].clone()
    }

    #[test]
    fn answers_are_chosen_by_key_by_name_and_by_short_name() {
        let stage = stage("kind = \"intervals\"\nintervals = [\"m3\", \"M3\"]");
        let all = choices(&stage, stage.parts()[0], WORDING);
        let keys: String = all.iter().map(|choice| choice.key).collect();
        assert_eq!(keys, "12");
        assert_eq!(all[0].name, "minor third up");
        for text in ["2", "major third up", "M3"] {
            assert_eq!(chosen(&all, text), Some(all[1].task), "{text}");
        }
        assert_eq!(chosen(&all, "m3"), Some(all[0].task));
        assert_eq!(chosen(&all, "3"), None);
    }

    #[test]
    fn degrees_are_chosen_by_their_number_and_movable_do_names_them() {
        let stage = stage("kind = \"degrees\"\ndegrees = [1, 5]");
        let item = stage.parts()[0];
        let keys: String = choices(&stage, item, WORDING)
            .iter()
            .map(|c| c.key)
            .collect();
        assert_eq!(keys, "15");
        let movable = Wording {
            names: NoteNames::MovableSolfege,
            ..WORDING
        };
        assert_eq!(choices(&stage, item, movable)[1].name, "so");
    }

    #[test]
    fn degrees_of_minor_are_numbered_from_its_tonic_which_is_la() {
        let stage = stage("kind = \"degrees\"\nmode = \"minor\"\ndegrees = [1, 3, 5, 7]");
        let item = stage.parts()[0];
        let names = |wording| -> Vec<String> {
            let all = choices(&stage, item, wording);
            all.iter()
                .map(|c| format!("{} {}", c.key, c.name))
                .collect()
        };
        assert_eq!(
            names(WORDING),
            [
                "1 degree 1 in minor",
                "3 degree 3 in minor",
                "5 degree 5 in minor",
                "7 degree 7 in minor"
            ]
        );
        let movable = Wording {
            names: NoteNames::MovableSolfege,
            ..WORDING
        };
        // Common practice of movable do with minor from la: the leading note is the same degree.
        assert_eq!(names(movable), ["1 la", "3 do", "5 mi", "7 so or si"]);
    }
}
