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
mod tests;
