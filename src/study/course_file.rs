//! Reads a course file.
//! In: the file's name (for messages) and its TOML text. Out: a [`Course`], or what is wrong, where, and what to do.
//!
//! Written by hand over the spanned values of the TOML reader, because every message must name a line and a remedy.

use std::collections::HashSet;

use toml::de::DeTable;

use super::course::{Advance, Block, Course, MINUTES, Stage, StageKind, days_for};
use super::course_fields::{Fields, Source};
use super::course_groups::read_groups;
use super::course_tasks::read_tasks;
use super::item::Item;
use super::phrases::Phrases;
use crate::theory::{Alteration, Clef, KeySignature, Pitch, Spelling, StaffStep, ledger_lines};

/// What is wrong with a course file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}:{column}: {problem}\n  {remedy}")]
pub struct CourseError {
    /// The file, as it was named.
    pub file: String,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// What is wrong.
    pub problem: String,
    /// What to do.
    pub remedy: String,
}

/// The version of the form this program reads.
const SCHEMA: i64 = 1;
/// More than any course of notes needs; keeps a slip (a range from C-1 to B9 in all keys) from filling the memory.
const MOST_ITEMS: usize = 1_000;

const COURSE_KEYS: [&str; 9] = [
    "schema", "id", "name", "enter", "days", "minutes", "answers", "phrases", "stage",
];
const STAGE_KEYS: [&str; 22] = [
    "id",
    "name",
    "kind",
    "staves",
    "days",
    "minutes",
    "answers",
    "advance",
    "fluent-ms",
    "length",
    "same",
    "step",
    "skip",
    "leap",
    "widest-leap",
    "intervals",
    "chords",
    "degrees",
    "mode",
    "beats",
    "along",
    "notes",
];
const NOTES_KEYS: [&str; 9] = [
    "clef",
    "from",
    "to",
    "pitches",
    "ledger-above",
    "ledger-below",
    "alterations",
    "rare",
    "keys",
];

impl Course {
    /// Reads a course; `file_name` is only for messages. Errors: [`CourseError`], the first problem found.
    pub fn parse(file_name: &str, text: &str) -> Result<Course, CourseError> {
        let source = Source { file_name, text };
        let table = DeTable::parse(text).map_err(|error| {
            source.error(
                error.span().unwrap_or(0..0),
                error.message().to_owned(),
                "this is no TOML: see https://toml.io for its rules".to_owned(),
            )
        })?;
        read_course(&source, table.get_ref())
    }
}

fn read_course(source: &Source, table: &DeTable) -> Result<Course, CourseError> {
    let top = Fields::new(source, table, 0..0, "a course", &COURSE_KEYS)?;
    let schema = top.integer("schema", 1..=i64::MAX)?;
    match schema {
        Some((SCHEMA, _)) => {}
        Some((other, span)) => {
            return Err(source.error(
                span,
                format!("schema {other} is newer than this program, which reads {SCHEMA}"),
                "update Stavelark, or write the course in schema 1".to_owned(),
            ));
        }
        None => return Err(top.missing("schema", "schema = 1")),
    }
    let id = top.id()?;
    let name = top.string("name")?.map_or_else(|| id.clone(), |(n, _)| n);
    let defaults = Defaults {
        days: top.count("days", 1..=400)?,
        minutes: top.count("minutes", 1..=60)?.unwrap_or(MINUTES),
        least_answers: top.count("answers", 0..=1000)?,
    };
    let mut stages: Vec<Stage> = Vec::new();
    for (stage_table, span) in top.tables("stage")? {
        let fields = Fields::new(source, stage_table, span, "a stage", &STAGE_KEYS)?;
        let stage = read_stage(source, &fields, &defaults)?;
        if stages.iter().any(|other| other.id == stage.id) {
            return Err(source.error(
                fields.span_of("id"),
                format!("two stages have the id '{}'", stage.id),
                "give each stage its own id; marks belong to it".to_owned(),
            ));
        }
        stages.push(stage);
    }
    if stages.is_empty() {
        return Err(top.missing("stage", "[[stage]] with an id and [[stage.notes]]"));
    }
    let phrases = match top.table("phrases")? {
        Some((table, span)) => {
            let clefs = Clef::ALL.map(Clef::name);
            Phrases::read(
                source,
                &Fields::new(source, table, span, "phrases", &clefs)?,
            )?
        }
        None => Phrases::default(),
    };
    let enter = top.string("enter")?;
    if let Some((enter, span)) = &enter
        && !stages.iter().any(|stage| stage.id == *enter)
    {
        let ids: Vec<(&str, ())> = stages.iter().map(|s| (s.id.as_str(), ())).collect();
        source.one_of(enter, span.clone(), "the id of a stage", &ids)?;
    }
    Ok(Course {
        id,
        name,
        enter: enter.map(|(id, _)| id),
        phrases,
        stages,
    })
}

/// What the course says for all its stages.
struct Defaults {
    days: Option<u32>,
    minutes: u32,
    least_answers: Option<u32>,
}

fn read_stage(source: &Source, fields: &Fields, defaults: &Defaults) -> Result<Stage, CourseError> {
    let id = fields.id()?;
    let name = fields
        .string("name")?
        .map_or_else(|| id.clone(), |(n, _)| n);
    let kind = fields
        .choice("kind", &StageKind::ALL.map(|k| (k.word(), k)))?
        .unwrap_or(StageKind::Notes);
    let advance = fields
        .choice("advance", &Advance::ALL.map(|a| (a.word(), a)))?
        .unwrap_or_default();
    let groups = read_groups(source, fields, kind)?;
    let alone = fields
        .choice("staves", &[("together", false), ("alone", true)])?
        .unwrap_or(false);

    let mut by_clef: Vec<(Clef, Vec<Item>)> = Vec::new();
    let mut seen = HashSet::new();
    for (table, span) in fields.tables("notes")? {
        let notes = Fields::new(source, table, span, "a list of notes", &NOTES_KEYS)?;
        let clef = notes
            .choice("clef", &Clef::ALL.map(|c| (c.name(), c)))?
            .ok_or_else(|| notes.missing("clef", "clef = \"treble\""))?;
        let items = read_notes(source, &notes, clef)?;
        let place = by_clef.iter().position(|(c, _)| *c == clef);
        let place = place.unwrap_or_else(|| {
            by_clef.push((clef, Vec::new()));
            by_clef.len() - 1
        });
        by_clef[place]
            .1
            .extend(items.into_iter().filter(|item| seen.insert(*item)));
        if seen.len() > MOST_ITEMS {
            return Err(source.error(
                notes.span.clone(),
                format!("this stage has more than {MOST_ITEMS} items"),
                "split it, or narrow its ranges and keys".to_owned(),
            ));
        }
    }
    if seen.is_empty() {
        return Err(fields.missing("notes", "[[stage.notes]] with a clef, from and to"));
    }
    let blocks = if alone {
        by_clef
            .into_iter()
            .map(|(_, items)| Block { items })
            .collect()
    } else {
        let items = by_clef.into_iter().flat_map(|(_, items)| items).collect();
        vec![Block { items }]
    };
    let tasks = read_tasks(source, fields, kind, &blocks)?;
    let mut stage = Stage {
        id,
        name,
        kind,
        blocks,
        days: 0,
        minutes: fields.count("minutes", 1..=60)?.unwrap_or(defaults.minutes),
        least_answers: fields
            .count("answers", 0..=1000)?
            .or(defaults.least_answers)
            .unwrap_or(kind.least_answers()),
        advance,
        groups,
        tasks,
        fluent_ms: fields
            .count("fluent-ms", 200..=5000)?
            .unwrap_or(kind.fluent_ms()),
    };
    stage.days = fields
        .count("days", 1..=400)?
        .or(defaults.days)
        .unwrap_or_else(|| days_for(stage.parts().len()));
    Ok(stage)
}

/// Reads one `[[stage.notes]]`: places on the staff, then what each carries.
fn read_notes(source: &Source, notes: &Fields, clef: Clef) -> Result<Vec<Item>, CourseError> {
    let alterations: Vec<Alteration> = notes
        .strings("alterations")?
        .map(|words| {
            words
                .into_iter()
                .map(|(word, span)| source.one_of(&word, span, "an alteration", &ALTERATIONS))
                .collect::<Result<_, _>>()
        })
        .transpose()?
        .unwrap_or_else(|| vec![Alteration::Natural]);
    let rare = notes.choice_bool("rare")?.unwrap_or(false);
    let keys: Vec<KeySignature> = match notes.integers("keys")? {
        None => vec![KeySignature::NONE],
        Some(list) => list
            .into_iter()
            .map(|(fifths, span)| {
                i8::try_from(fifths)
                    .ok()
                    .and_then(KeySignature::new)
                    .ok_or_else(|| {
                        source.error(
                            span,
                            format!("no key signature has {fifths} signs"),
                            "write sharps as 1 to 7 and flats as -1 to -7".to_owned(),
                        )
                    })
            })
            .collect::<Result<_, _>>()?,
    };

    let mut items = Vec::new();
    for (pitch, explicit) in read_places(source, notes, clef)? {
        for &key in &keys {
            if explicit {
                items.push(Item {
                    key,
                    ..Item::note(pitch, clef)
                });
                continue;
            }
            for &alteration in &alterations {
                // Under a signature, "natural" means the plain note without a sign of its own.
                let pitch = if alteration == Alteration::Natural {
                    key.apply(pitch)
                } else {
                    pitch.with(alteration)
                };
                let by_key = alteration == Alteration::Natural;
                if by_key || rare || !is_rare(pitch.spelling()) {
                    items.push(Item {
                        key,
                        ..Item::note(pitch, clef)
                    });
                }
            }
        }
    }
    if items.is_empty() {
        return Err(source.error(
            notes.span.clone(),
            "this list holds no note".to_owned(),
            "add a range with from and to, ledger-above, ledger-below, or pitches; E#, B#, Cb and Fb need rare = true"
                .to_owned(),
        ));
    }
    Ok(items)
}

/// The places a list of notes names: natural pitches of a range, or pitches spelled out (`true`).
fn read_places(
    source: &Source,
    notes: &Fields,
    clef: Clef,
) -> Result<Vec<(Pitch, bool)>, CourseError> {
    let mut places = Vec::new();
    match (notes.pitch("from")?, notes.pitch("to")?) {
        (None, None) => {}
        (Some(_), None) => return Err(notes.missing("to", "to = \"G5\"")),
        (None, Some(_)) => return Err(notes.missing("from", "from = \"C4\"")),
        (Some((from, span)), Some((to, _))) => {
            if from.diatonic() > to.diatonic() {
                return Err(source.error(
                    span,
                    format!("the range from {from} to {to} is empty"),
                    "write the lower note first".to_owned(),
                ));
            }
            places.extend(
                (from.diatonic()..=to.diatonic()).map(|d| (Pitch::from_diatonic(d), false)),
            );
        }
    }
    for (field, above) in [("ledger-above", true), ("ledger-below", false)] {
        let Some((least, most)) = notes.ledger_range(field)? else {
            continue;
        };
        for distance in 1..=2 * most + 1 {
            let step = StaffStep(if above { 8 + distance } else { -distance });
            if (least..=most).contains(&(ledger_lines(step) as i32)) {
                places.push((step.pitch(clef), false));
            }
        }
    }
    if let Some(words) = notes.strings("pitches")? {
        for (word, span) in words {
            places.push((source.pitch(&word, span)?, true));
        }
    }
    Ok(places)
}

const ALTERATIONS: [(&str, Alteration); 5] = [
    ("natural", Alteration::Natural),
    ("sharp", Alteration::Sharp),
    ("flat", Alteration::Flat),
    ("double-sharp", Alteration::DoubleSharp),
    ("double-flat", Alteration::DoubleFlat),
];

/// E♯, B♯, C♭ and F♭: white keys by another name, which a course has to ask for.
fn is_rare(spelling: Spelling) -> bool {
    use crate::theory::Letter::{B, C, E, F};
    matches!(
        (spelling.letter, spelling.alteration),
        (E | B, Alteration::Sharp) | (C | F, Alteration::Flat)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "schema = 1
id = \"mine\"
[[stage]]
id = \"first\"
[[stage.notes]]
clef = \"treble\"
from = \"C4\"
to = \"G4\"
";

    fn items(notes: &str) -> Vec<String> {
        let text =
            format!("schema = 1\nid = \"mine\"\n[[stage]]\nid = \"s\"\n[[stage.notes]]\n{notes}");
        let course = Course::parse("mine.toml", &text).unwrap();
        course.stages[0]
            .items()
            .iter()
            .map(Item::to_string)
            .collect()
    }

    #[test]
    fn what_a_file_leaves_out_has_its_default() {
        let course = Course::parse("mine.toml", GOOD).unwrap();
        let stage = &course.stages[0];
        assert_eq!(
            (course.name.as_str(), stage.name.as_str()),
            ("mine", "first")
        );
        assert_eq!(
            (stage.days, stage.minutes, stage.least_answers),
            (days_for(5), 3, 30)
        );
        assert_eq!(stage.advance, Advance::Days);
        let names: Vec<String> = stage.items().iter().map(Item::to_string).collect();
        assert_eq!(
            names,
            [
                "C4@treble",
                "D4@treble",
                "E4@treble",
                "F4@treble",
                "G4@treble"
            ]
        );
    }

    #[test]
    fn lists_of_notes_spell_out_what_they_name() {
        // Common practice: C4 stands on the first ledger line below the treble staff, B3 hangs from it, A5 is the first above.
        assert_eq!(
            items("clef = \"treble\"\nledger-above = [1, 1]\nledger-below = [1, 1]"),
            ["A5@treble", "B5@treble", "C4@treble", "B3@treble"]
        );
        assert_eq!(
            items(
                "clef = \"bass\"\nfrom = \"E3\"\nto = \"F3\"\nalterations = [\"sharp\", \"flat\"]"
            ),
            ["Eb3@bass", "F#3@bass"]
        );
        assert_eq!(
            items(
                "clef = \"bass\"\nfrom = \"E3\"\nto = \"F3\"\nalterations = [\"sharp\"]\nrare = true"
            ),
            ["E#3@bass", "F#3@bass"]
        );
        assert_eq!(
            items("clef = \"treble\"\nfrom = \"F4\"\nto = \"G4\"\nkeys = [1, -1]"),
            [
                "F#4@treble@1",
                "F4@treble@-1",
                "G4@treble@1",
                "G4@treble@-1"
            ]
        );
        assert_eq!(
            items("clef = \"alto\"\npitches = [\"Cb4\", \"F##4\", \"Cb4\"]"),
            ["Cb4@alto", "F##4@alto"]
        );
    }

    #[test]
    fn staves_taken_alone_are_blocks_that_change_places_by_day() {
        let course = Course::built_in("groundwork").unwrap();
        let stage = course.stage("accidentals").unwrap();
        let first = |day: i8| {
            let day = jiff::civil::date(2026, 3, day);
            stage.blocks_on(day)[0].items[0].clef
        };
        assert_eq!(stage.blocks.len(), 2);
        assert_ne!(first(2), first(3));
        assert_eq!(first(2), first(4));
        assert_eq!(course.stage("both").unwrap().blocks.len(), 1);
    }

    #[test]
    fn every_mistake_is_shown_with_its_place_and_remedy() {
        // Each: what is replaced in the good file, by what, then line, column, problem, remedy.
        for (from, to, line, column, problem, remedy) in [
            ("schema = 1", "schema = 2", 1, 10, "newer", "update"),
            ("schema = 1\n", "", 1, 1, "needs 'schema'", "schema = 1"),
            (
                "schema = 1",
                "schema = \"1\"",
                1,
                10,
                "not a text",
                "whole number",
            ),
            ("schema = 1", "schema 1", 1, 8, "", "TOML"),
            (
                "id = \"mine\"",
                "id = \"My Course\"",
                2,
                6,
                "cannot be an id",
                "small letters",
            ),
            (
                "id = \"first\"",
                "ident = \"first\"",
                4,
                1,
                "has no 'ident'",
                "may have: id",
            ),
            (
                "id = \"first\"",
                "id = \"first\"\nminuts = 3",
                5,
                1,
                "has no 'minuts'",
                "did you mean 'minutes'?",
            ),
            (
                "id = \"first\"",
                "id = \"first\"\nminutes = 0",
                5,
                11,
                "out of range",
                "1 to 60",
            ),
            (
                "id = \"first\"",
                "id = \"first\"\nminutes = 2.5",
                5,
                11,
                "not a fraction",
                "whole number",
            ),
            (
                "id = \"first\"",
                "id = \"first\"\nkind = \"note\"",
                5,
                8,
                "'note' is not",
                "did you mean 'notes'?",
            ),
            (
                "id = \"first\"",
                "id = \"first\"\nadvance = \"settled\"",
                5,
                11,
                "'settled' is not",
                "days-and-settled",
            ),
            (
                "\"treble\"",
                "\"trebel\"",
                6,
                8,
                "'trebel' is not",
                "did you mean 'treble'?",
            ),
            (
                "clef = \"treble\"\n",
                "",
                5,
                1,
                "needs 'clef'",
                "clef = \"treble\"",
            ),
            ("\"C4\"", "\"H4\"", 7, 8, "'H4' is no note", "A to G"),
            (
                "\"C4\"",
                "\"C5\"",
                7,
                8,
                "from C5 to G4 is empty",
                "lower note first",
            ),
            ("to = \"G4\"", "", 5, 1, "needs 'to'", "add to"),
            (
                "to = \"G4\"",
                "to = \"G4\"\nalterations = [\"shap\"]",
                9,
                16,
                "'shap' is not",
                "did you mean 'sharp'?",
            ),
            (
                "to = \"G4\"",
                "to = \"G4\"\nkeys = [9]",
                9,
                9,
                "9 signs",
                "1 to 7",
            ),
            (
                "to = \"G4\"",
                "to = \"G4\"\nledger-above = [3, 1]",
                9,
                16,
                "fewest and the most",
                "[1, 3]",
            ),
            (
                "to = \"G4\"",
                "to = \"G4\"\n[[stage]]\nid = \"first\"\n[[stage.notes]]\nclef = \"bass\"\npitches = [\"C3\"]",
                10,
                6,
                "two stages",
                "its own id",
            ),
            (
                "from = \"C4\"\nto = \"G4\"\n",
                "",
                5,
                1,
                "no note",
                "from and to",
            ),
        ] {
            assert!(GOOD.contains(from));
            let text = GOOD.replacen(from, to, 1);
            let error = Course::parse("mine.toml", &text).unwrap_err();
            let shown = error.to_string();
            assert_eq!((error.line, error.column), (line, column), "{to}: {shown}");
            assert!(error.problem.contains(problem), "{to}: {shown}");
            assert!(error.remedy.contains(remedy), "{to}: {shown}");
            assert!(
                shown.starts_with(&format!("mine.toml:{line}:{column}: ")),
                "{shown}"
            );
        }
    }

    #[test]
    fn a_slip_that_asks_for_thousands_of_items_is_refused() {
        let everything = "from = \"C-1\"\nto = \"B9\"\nalterations = [\"natural\", \"sharp\"]\nkeys = [1, 2, 3, 4, 5, 6, 7, -1, -2, -3, -4, -5, -6, -7]\n";
        let text = GOOD.replace("from = \"C4\"\nto = \"G4\"\n", everything);
        let error = Course::parse("mine.toml", &text).unwrap_err();
        assert!(error.problem.contains("1000"), "{error}");
    }

    #[test]
    fn columns_count_characters_and_a_byte_order_mark_or_crlf_does_no_harm() {
        let text = GOOD.replace(
            "\"first\"",
            "\"first\"\nname = \"Flöten ♭\"\nkind = { ä = 1 }",
        );
        let error = Course::parse("mine.toml", &text).unwrap_err();
        assert!(error.line == 6, "{error}");
        let windows = format!("\u{feff}{}", GOOD.replace('\n', "\r\n"));
        Course::parse("mine.toml", &windows).unwrap();
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_read_or_refused_with_a_place(text in "(schema|id|stage|notes|clef|from|\\[|\\]|=|\"| |\n|1|C4|ä|#){0,40}") {
            if let Err(error) = Course::parse("x", &text) {
                let lines = text.matches('\n').count() + 1;
                proptest::prop_assert!((1..=lines).contains(&error.line));
                proptest::prop_assert!(!error.remedy.is_empty());
            }
        }

        #[test]
        fn a_damaged_course_never_breaks_the_reader(cut in 0..2000_usize, put in "\\PC{0,3}") {
            let text = Course::built_in_text("groundwork").unwrap();
            let mut cut = cut.min(text.len());
            while !text.is_char_boundary(cut) { cut -= 1; }
            let damaged = format!("{}{put}{}", &text[..cut], &text[cut..]);
            if let Err(error) = Course::parse("x", &damaged) {
                proptest::prop_assert!(error.line >= 1 && error.column >= 1);
            }
        }
    }
}
