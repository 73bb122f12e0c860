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
    /// Reads a course; `file_name` is only for messages. Errors: [`CourseError`], the first problem in the text.
    pub fn parse(file_name: &str, text: &str) -> Result<Course, CourseError> {
        Course::read(file_name, text)
            .map_err(|problems| problems.into_iter().next().expect("a refusal has a reason"))
    }

    /// Reads a course; `file_name` is only for messages. Errors: every problem there is, in the order of the text.
    pub fn read(file_name: &str, text: &str) -> Result<Course, Vec<CourseError>> {
        let source = Source::new(file_name, text);
        let table = DeTable::parse(text).map_err(|error| {
            source.error(
                error.span().unwrap_or(0..0),
                error.message().to_owned(),
                "this is no TOML: see https://toml.io for its rules".to_owned(),
            )
        });
        let course = source
            .keep(table)
            .and_then(|table| read_course(&source, table.get_ref()));
        match (course, source.into_problems()) {
            (Some(course), problems) if problems.is_empty() => Ok(course),
            (_, problems) => Err(problems),
        }
    }
}

fn read_course(source: &Source, table: &DeTable) -> Option<Course> {
    let top = Fields::new(source, table, 0..0, "a course", &COURSE_KEYS);
    match source.keep(top.integer("schema", 1..=i64::MAX)) {
        Some(Some((SCHEMA, _))) | None => {}
        Some(Some((other, span))) => {
            // What a newer form says cannot be judged.
            return source.keep(Err(source.error(
                span,
                format!("schema {other} is newer than this program, which reads {SCHEMA}"),
                "update Stavelark, or write the course in schema 1".to_owned(),
            )));
        }
        Some(None) => top.lack("schema", "schema = 1"),
    }
    let id = top.id();
    let name = source.keep(top.string("name")).flatten();
    let defaults = Defaults {
        days: source.keep(top.count("days", 1..=400)).flatten(),
        minutes: source
            .keep(top.count("minutes", 1..=60))
            .flatten()
            .unwrap_or(MINUTES),
        least_answers: source.keep(top.count("answers", 0..=1000)).flatten(),
    };
    let (stages, ids) = read_stages(source, &top, &defaults);
    let phrases = match source.keep(top.table("phrases")).flatten() {
        Some((table, span)) => {
            let clefs = Clef::ALL.map(Clef::name);
            let table = Fields::new(source, table, span, "phrases", &clefs);
            Phrases::read(source, &table)
        }
        None => Phrases::default(),
    };
    let enter = source.keep(top.string("enter")).flatten();
    if let (Some((enter, span)), Some(ids)) = (&enter, ids) {
        let ids: Vec<(&str, ())> = ids.iter().map(|id| (id.as_str(), ())).collect();
        source.keep(source.one_of(enter, span.clone(), "the id of a stage", &ids));
    }
    let (id, stages) = (id?, stages?);
    Some(Course {
        name: name.map_or_else(|| id.clone(), |(name, _)| name),
        id,
        enter: enter.map(|(id, _)| id),
        phrases,
        stages,
    })
}

/// The stages and their ids; `None` when not all of them can be read.
fn read_stages(
    source: &Source,
    top: &Fields,
    defaults: &Defaults,
) -> (Option<Vec<Stage>>, Option<Vec<String>>) {
    let Some(tables) = source.keep(top.tables("stage")) else {
        return (None, None);
    };
    if tables.is_empty() {
        top.lack("stage", "[[stage]] with an id and [[stage.notes]]");
        return (None, None);
    }
    let mut before = HashSet::new();
    let mut stages = Vec::new();
    let mut ids = Vec::new();
    for (table, span) in tables {
        let fields = Fields::new(source, table, span, "a stage", &STAGE_KEYS);
        let id = fields.id();
        if let Some(id) = &id
            && !before.insert(id.clone())
        {
            source.keep::<()>(Err(source.error(
                fields.span_of("id"),
                format!("two stages have the id '{id}'"),
                "give each stage its own id; marks belong to it".to_owned(),
            )));
        }
        ids.push(id.clone());
        stages.push(read_stage(source, &fields, id, defaults));
    }
    (
        stages.into_iter().collect(),
        ids.into_iter().collect::<Option<Vec<String>>>(),
    )
}

/// What the course says for all its stages.
struct Defaults {
    days: Option<u32>,
    minutes: u32,
    least_answers: Option<u32>,
}

fn read_stage(
    source: &Source,
    fields: &Fields,
    id: Option<String>,
    defaults: &Defaults,
) -> Option<Stage> {
    let count = |key, range| source.keep(fields.count(key, range)).flatten();
    let name = source.keep(fields.string("name")).flatten();
    let advance = source.keep(fields.choice("advance", &Advance::ALL.map(|a| (a.word(), a))));
    let alone = source.keep(fields.choice("staves", &[("together", false), ("alone", true)]));
    let minutes = count("minutes", 1..=60);
    let least_answers = count("answers", 0..=1000);
    let fluent_ms = count("fluent-ms", 200..=5000);
    let days = count("days", 1..=400);
    let blocks = read_blocks(source, fields, alone.flatten().unwrap_or(false));
    // What else a stage has depends on its kind.
    let kind = source.keep(fields.choice("kind", &StageKind::ALL.map(|k| (k.word(), k))))?;
    let kind = kind.unwrap_or(StageKind::Notes);
    let groups = read_groups(source, fields, kind);
    let tasks = read_tasks(source, fields, kind, blocks.as_deref());
    let id = id?;
    let mut stage = Stage {
        name: name.map_or_else(|| id.clone(), |(name, _)| name),
        id,
        kind,
        blocks: blocks?,
        days: 0,
        minutes: minutes.unwrap_or(defaults.minutes),
        least_answers: least_answers
            .or(defaults.least_answers)
            .unwrap_or(kind.least_answers()),
        advance: advance?.unwrap_or_default(),
        groups: groups?,
        tasks: tasks?,
        fluent_ms: fluent_ms.unwrap_or(kind.fluent_ms()),
    };
    stage.days = days
        .or(defaults.days)
        .unwrap_or_else(|| days_for(stage.parts().len()));
    Some(stage)
}

/// The notes of a stage, of each staff by itself where they are taken `alone`; `None` when not all of them can be read.
fn read_blocks(source: &Source, fields: &Fields, alone: bool) -> Option<Vec<Block>> {
    let before = source.count();
    let mut by_clef: Vec<(Clef, Vec<Item>)> = Vec::new();
    let mut seen = HashSet::new();
    for (table, span) in source.keep(fields.tables("notes"))? {
        let notes = Fields::new(source, table, span, "a list of notes", &NOTES_KEYS);
        let clef = source.keep(notes.choice("clef", &Clef::ALL.map(|c| (c.name(), c))));
        if clef == Some(None) {
            notes.lack("clef", "clef = \"treble\"");
        }
        let clef = clef.flatten();
        // Without its clef a list is read for its other mistakes.
        let items = read_notes(source, &notes, clef.unwrap_or(Clef::Treble));
        let (Some(clef), Some(items)) = (clef, items) else {
            continue;
        };
        let place = by_clef.iter().position(|(c, _)| *c == clef);
        let place = place.unwrap_or_else(|| {
            by_clef.push((clef, Vec::new()));
            by_clef.len() - 1
        });
        by_clef[place]
            .1
            .extend(items.into_iter().filter(|item| seen.insert(*item)));
        if seen.len() > MOST_ITEMS {
            return source.keep(Err(source.error(
                notes.span.clone(),
                format!("this stage has more than {MOST_ITEMS} items"),
                "split it, or narrow its ranges and keys".to_owned(),
            )));
        }
    }
    if source.count() > before {
        return None;
    }
    if seen.is_empty() {
        fields.lack("notes", "[[stage.notes]] with a clef, from and to");
        return None;
    }
    Some(if alone {
        by_clef
            .into_iter()
            .map(|(_, items)| Block { items })
            .collect()
    } else {
        let items = by_clef.into_iter().flat_map(|(_, items)| items).collect();
        vec![Block { items }]
    })
}

/// Reads one `[[stage.notes]]`: places on the staff, then what each carries. `None` when something is wrong with it.
fn read_notes(source: &Source, notes: &Fields, clef: Clef) -> Option<Vec<Item>> {
    let before = source.count();
    let alterations = match source.keep(notes.strings("alterations")).flatten() {
        None => vec![Alteration::Natural],
        Some(words) => words
            .into_iter()
            .filter_map(|(word, span)| {
                source.keep(source.one_of(&word, span, "an alteration", &ALTERATIONS))
            })
            .collect(),
    };
    let rare = source.keep(notes.choice_bool("rare")).flatten();
    let rare = rare.unwrap_or(false);
    let keys = match source.keep(notes.integers("keys")).flatten() {
        None => vec![KeySignature::NONE],
        Some(list) => list
            .into_iter()
            .filter_map(|(fifths, span)| {
                let key = i8::try_from(fifths).ok().and_then(KeySignature::new);
                source.keep(key.ok_or_else(|| {
                    source.error(
                        span,
                        format!("no key signature has {fifths} signs"),
                        "write sharps as 1 to 7 and flats as -1 to -7".to_owned(),
                    )
                }))
            })
            .collect(),
    };
    let places = read_places(source, notes, clef);
    if source.count() > before {
        return None;
    }

    let mut items = Vec::new();
    for (pitch, explicit) in places {
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
    let named = ["from", "to", "pitches", "ledger-above", "ledger-below"];
    if items.is_empty() && !named.iter().any(|key| notes.may_have_meant(key)) {
        return source.keep(Err(source.error(
            notes.span.clone(),
            "this list holds no note".to_owned(),
            "add a range with from and to, ledger-above, ledger-below, or pitches; E#, B#, Cb and Fb need rare = true"
                .to_owned(),
        )));
    }
    Some(items)
}

/// The places a list of notes names: natural pitches of a range, or pitches spelled out (`true`). What is wrong is taken
/// down.
fn read_places(source: &Source, notes: &Fields, clef: Clef) -> Vec<(Pitch, bool)> {
    let mut places = Vec::new();
    match (
        source.keep(notes.pitch("from")),
        source.keep(notes.pitch("to")),
    ) {
        (Some(Some(_)), Some(None)) => notes.lack("to", "to = \"G5\""),
        (Some(None), Some(Some(_))) => notes.lack("from", "from = \"C4\""),
        (Some(Some((from, span))), Some(Some((to, _)))) => {
            if from.diatonic() > to.diatonic() {
                source.keep::<()>(Err(source.error(
                    span,
                    format!("the range from {from} to {to} is empty"),
                    "write the lower note first".to_owned(),
                )));
            }
            places.extend(
                (from.diatonic()..=to.diatonic()).map(|d| (Pitch::from_diatonic(d), false)),
            );
        }
        _ => {}
    }
    for (field, above) in [("ledger-above", true), ("ledger-below", false)] {
        let Some((least, most)) = source.keep(notes.ledger_range(field)).flatten() else {
            continue;
        };
        for distance in 1..=2 * most + 1 {
            let step = StaffStep(if above { 8 + distance } else { -distance });
            if (least..=most).contains(&(ledger_lines(step) as i32)) {
                places.push((step.pitch(clef), false));
            }
        }
    }
    let words = source.keep(notes.strings("pitches")).flatten();
    for (word, span) in words.unwrap_or_default() {
        let pitch = source.keep(source.pitch(&word, span));
        places.extend(pitch.map(|pitch| (pitch, true)));
    }
    places
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
mod tests;
