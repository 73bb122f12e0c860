//! The ear's tasks of a stage, from a course file. In: the stage's table and its notes. Out: tasks, or what is wrong and
//! where.

use std::ops::{Range, RangeInclusive};

use super::course::{Block, StageKind};
use super::course_fields::{Fields, Source};
use super::course_file::CourseError;
use super::task::{Along, MOST_CHOICES, Task};
use crate::theory::{Chord, Interval, Mode};

/// What a stage of each kind lists, and an example of it.
fn list_of(kind: StageKind) -> Option<(&'static str, &'static str)> {
    match kind {
        StageKind::Intervals | StageKind::Reach => {
            Some(("intervals", "intervals = [\"m3\", \"M3\"]"))
        }
        StageKind::Chords => Some(("chords", "chords = [\"major\", \"minor\"]")),
        StageKind::Degrees => Some(("degrees", "degrees = [1, 3, 5]")),
        StageKind::Beats => Some(("beats", "beats = [10, 20, 40]")),
        _ => None,
    }
}

/// Beats in ten seconds: fewer cannot be counted while the strings sound, more not at all.
const BEATS: RangeInclusive<i64> = 3..=80;

/// Degrees of a scale.
const DEGREES: RangeInclusive<i64> = 1..=7;

/// Reads the tasks; an empty list for a stage that asks its notes themselves. `None` when something is wrong with them,
/// which is taken down. Without `blocks` it is not known which notes there are.
pub(super) fn read_tasks(
    source: &Source,
    fields: &Fields,
    kind: StageKind,
    blocks: Option<&[Block]>,
) -> Option<Vec<Task>> {
    let before = source.count();
    let list = list_of(kind);
    only_own_lists(source, fields, kind);
    let along = source.keep(read_along(source, fields, kind));
    let mode = source.keep(read_mode(source, fields, kind));
    let Some((key, example)) = list else {
        return (source.count() == before).then(Vec::new);
    };
    // Which notes fit is known where it is known what is asked of them.
    let blocks = blocks.filter(|_| source.count() == before);
    let along = along.filter(|along| !along.is_empty());
    let along = along.unwrap_or_else(|| vec![Along::Up]);
    let mode = mode.unwrap_or(Mode::Major);
    let mut tasks = Vec::new();
    let mut add = |task: Task, span: Range<usize>| {
        let fits = blocks.is_none_or(|blocks| {
            let mut items = blocks.iter().flat_map(|block| &block.items);
            items.any(|item| task.fits(item.pitch, item.key))
        });
        if !fits {
            source.keep::<()>(Err(source.error(
                span,
                format!("no note of this stage can be asked for {}", task.in_words()),
                "widen the notes of the stage, or take it out of the list".to_owned(),
            )));
        } else if !tasks.contains(&task) {
            tasks.push(task);
        }
    };
    match kind {
        StageKind::Degrees | StageKind::Beats => {
            let numbers = source.keep(fields.integers(key)).flatten();
            for (number, span) in numbers.unwrap_or_default() {
                if let Some(task) = source.keep(counted(source, kind, mode, number, &span)) {
                    add(task, span);
                }
            }
        }
        _ => {
            let words = source.keep(fields.strings(key)).flatten();
            for (word, span) in words.unwrap_or_default() {
                for along in &along {
                    let task = task_of(source, kind, &word, span.clone(), *along);
                    let Some(task) = source.keep(task) else { break };
                    add(task, span.clone());
                }
            }
        }
    }
    if source.count() > before {
        return None;
    }
    let wrong = |problem: String, remedy: String| {
        source.keep(Err(source.error(fields.span_of(key), problem, remedy)))
    };
    match tasks.len() {
        0 => {
            fields.lack(key, example);
            None
        }
        1 => wrong(
            "with one answer alone there is nothing to hear".to_owned(),
            format!("add another, as in {example}"),
        ),
        count if count > MOST_CHOICES && !kind.answered_by_notes() => wrong(
            format!("{count} answers to choose from are too many"),
            format!("take some out: {MOST_CHOICES} can be chosen by one key"),
        ),
        _ => Some(tasks),
    }
}

/// Takes down every list that belongs to a stage of another kind.
fn only_own_lists(source: &Source, fields: &Fields, kind: StageKind) {
    let own = list_of(kind).map(|(own, _)| own);
    for key in ["intervals", "chords", "degrees", "beats"] {
        if !fields.has(key) || own == Some(key) {
            continue;
        }
        let kinds: Vec<&str> = StageKind::ALL
            .into_iter()
            .filter(|kind| list_of(*kind).is_some_and(|(own, _)| own == key))
            .map(StageKind::word)
            .collect();
        source.keep::<()>(Err(source.error(
            fields.span_of(key),
            format!("a stage of kind {} has no '{key}'", kind.word()),
            format!(
                "add kind = \"{}\" to this stage, or take the line out",
                kinds.join("\" or \"")
            ),
        )));
    }
}

/// A degree of the scale, or a rate of beats.
fn counted(
    source: &Source,
    kind: StageKind,
    mode: Mode,
    number: i64,
    span: &Range<usize>,
) -> Result<Task, CourseError> {
    let (task, problem, range) = if kind == StageKind::Degrees {
        let degree = u8::try_from(number).unwrap_or_default();
        (
            Task::Degree(degree, mode),
            format!("a scale has no degree {number}"),
            DEGREES,
        )
    } else {
        let beats = u16::try_from(number).unwrap_or_default();
        let problem = format!("{number} beats in ten seconds cannot be counted");
        (Task::Beats(beats), problem, BEATS)
    };
    if range.contains(&number) {
        return Ok(task);
    }
    let remedy = format!("write {} to {}", range.start(), range.end());
    Err(source.error(span.clone(), problem, remedy))
}

fn task_of(
    source: &Source,
    kind: StageKind,
    word: &str,
    span: Range<usize>,
    along: Along,
) -> Result<Task, CourseError> {
    if kind == StageKind::Chords {
        let chords = Chord::ALL.map(|chord| (chord.word(), chord));
        let chord = source.one_of(word, span, "a quality of chords", &chords)?;
        return Ok(Task::Chord(chord, along));
    }
    let interval: Interval = word.parse().map_err(|_| {
        source.error(
            span,
            format!("'{word}' is no interval"),
            "write P, M, m, A or d and a number, as in \"m3\", \"P5\" or \"A4\"".to_owned(),
        )
    })?;
    Ok(match kind {
        StageKind::Reach => Task::Reach(interval, along),
        _ => Task::Interval(interval, along),
    })
}

/// The scale that degrees are of: major, unless it is said.
fn read_mode(source: &Source, fields: &Fields, kind: StageKind) -> Result<Mode, CourseError> {
    let modes = [("major", Mode::Major), ("minor", Mode::Minor)];
    let mode = fields.choice("mode", &modes)?;
    if mode.is_some() && kind != StageKind::Degrees {
        return Err(source.error(
            fields.span_of("mode"),
            format!("a stage of kind {} has no 'mode'", kind.word()),
            "degrees have it: take the line out".to_owned(),
        ));
    }
    Ok(mode.unwrap_or(Mode::Major))
}

/// How the notes follow each other: unless it is said, intervals go up and chords sound together.
fn read_along(
    source: &Source,
    fields: &Fields,
    kind: StageKind,
) -> Result<Vec<Along>, CourseError> {
    let possible: &[Along] = match kind {
        StageKind::Intervals | StageKind::Chords => &Along::ALL,
        StageKind::Reach => &[Along::Up, Along::Down],
        _ => &[],
    };
    let Some(words) = fields.strings("along")? else {
        return Ok(match kind {
            StageKind::Chords => vec![Along::Together],
            _ => vec![Along::Up],
        });
    };
    if possible.is_empty() {
        return Err(source.error(
            fields.span_of("along"),
            format!("a stage of kind {} has no 'along'", kind.word()),
            "intervals, reach and chords have it: take the line out".to_owned(),
        ));
    }
    let choices: Vec<(&str, Along)> = possible
        .iter()
        .map(|along| (along.word(), *along))
        .collect();
    let one = |(word, span): (String, Range<usize>)| {
        source.keep(source.one_of(&word, span, "a way along the notes", &choices))
    };
    Ok(words.into_iter().filter_map(one).collect())
}

#[cfg(test)]
mod tests {
    use crate::study::{Course, CourseError};

    fn read(stage: &str) -> Result<Course, CourseError> {
        let text = format!(
            "schema = 1\nid = \"mine\"\n[[stage]]\nid = \"ear\"\n{stage}\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"C4\"\nto = \"C5\"\n"
        );
        Course::parse("mine.toml", &text)
    }

    #[test]
    fn a_stage_of_the_ear_lists_what_may_be_asked() {
        let tasks = |stage: &str| {
            let course = read(stage).unwrap();
            let parts = course.stages[0].parts();
            parts.iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        assert_eq!(
            tasks("kind = \"intervals\"\nintervals = [\"m3\", \"M3\"]\nalong = [\"up\", \"down\"]"),
            [
                "C4@treble!interval-m3-up",
                "C4@treble!interval-m3-down",
                "C4@treble!interval-M3-up",
                "C4@treble!interval-M3-down"
            ]
        );
        assert_eq!(
            tasks("kind = \"chords\"\nchords = [\"major\", \"minor\"]"),
            [
                "C4@treble!chord-major-together",
                "C4@treble!chord-minor-together"
            ]
        );
        assert_eq!(tasks("kind = \"degrees\"\ndegrees = [1, 5]").len(), 2);
        let minor = "kind = \"degrees\"\nmode = \"minor\"\ndegrees = [1, 5]";
        assert_eq!(
            tasks(minor),
            ["C4@treble!degree-1-minor", "C4@treble!degree-5-minor"]
        );
        assert_eq!(tasks("kind = \"in-tune\""), [""; 0]);
        assert_eq!(tasks("kind = \"find\"").len(), 8);
        let course = read("kind = \"beats\"\nbeats = [10, 20]").unwrap();
        let stage = &course.stages[0];
        assert_eq!(
            (stage.least_answers, stage.kind.active_cap_ms()),
            (10, 20_000)
        );
    }

    #[test]
    fn every_mistake_in_a_list_names_its_line_and_a_remedy() {
        for (stage, line, says) in [
            (
                "intervals = [\"m3\"]",
                5,
                "kind = \"intervals\" or \"reach\"",
            ),
            ("kind = \"intervals\"", 3, "add intervals"),
            (
                "kind = \"intervals\"\nintervals = [\"m3\"]",
                6,
                "add another",
            ),
            (
                "kind = \"intervals\"\nintervals = [\"M5\", \"m3\"]",
                6,
                "no interval",
            ),
            (
                "kind = \"chords\"\nchords = [\"majr\", \"minor\"]",
                6,
                "did you mean 'major'?",
            ),
            ("kind = \"degrees\"\ndegrees = [0, 1]", 6, "1 to 7"),
            (
                "kind = \"degrees\"\nmode = \"dorian\"\ndegrees = [1, 5]",
                6,
                "possible: major, minor",
            ),
            ("kind = \"find\"\nmode = \"minor\"", 6, "degrees have it"),
            ("kind = \"beats\"\nbeats = [1, 20]", 6, "3 to 80"),
            ("kind = \"find\"\nalong = [\"up\"]", 6, "take the line out"),
            (
                "kind = \"reach\"\nintervals = [\"m3\", \"M3\"]\nalong = [\"together\"]",
                7,
                "up, down",
            ),
        ] {
            let error = read(stage).unwrap_err();
            let text = error.to_string();
            assert_eq!(error.line, line, "{text}");
            assert!(text.contains(says), "{text}");
        }
        let narrow = "schema = 1\nid = \"mine\"\n[[stage]]\nid = \"ear\"\nkind = \"degrees\"\ndegrees = [1, 7]\n[[stage.notes]]\nclef = \"treble\"\nfrom = \"C4\"\nto = \"E4\"\n";
        let error = Course::parse("mine.toml", narrow).unwrap_err();
        assert!(error.problem.contains("degree 7"), "{error}");
    }
}
