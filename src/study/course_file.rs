//! Reads a course file.
//! In: the file's name (for messages) and its TOML text. Out: a [`Course`], or what is wrong, where, and what to do.
//!
//! Written by hand over the spanned values of the TOML reader, because every message must name a line and a remedy.

use std::collections::HashSet;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::course::{Advance, Block, Course, LEAST_ANSWERS, MINUTES, Stage, StageKind, days_for};
use super::item::Item;
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
const MOST_ITEMS: usize = 2_000;

const COURSE_KEYS: [&str; 7] = [
    "schema", "id", "name", "days", "minutes", "answers", "stage",
];
const STAGE_KEYS: [&str; 9] = [
    "id", "name", "kind", "staves", "days", "minutes", "answers", "advance", "notes",
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
        least_answers: top.count("answers", 0..=1000)?.unwrap_or(LEAST_ANSWERS),
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
    Ok(Course { id, name, stages })
}

/// What the course says for all its stages.
struct Defaults {
    days: Option<u32>,
    minutes: u32,
    least_answers: u32,
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
    let days = fields
        .count("days", 1..=400)?
        .or(defaults.days)
        .unwrap_or_else(|| days_for(seen.len()));
    Ok(Stage {
        id,
        name,
        kind,
        blocks,
        days,
        minutes: fields.count("minutes", 1..=60)?.unwrap_or(defaults.minutes),
        least_answers: fields
            .count("answers", 0..=1000)?
            .unwrap_or(defaults.least_answers),
        advance,
    })
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
                items.push(Item { pitch, clef, key });
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
                    items.push(Item { pitch, clef, key });
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

/// The text, for places in messages.
struct Source<'a> {
    file_name: &'a str,
    text: &'a str,
}

impl Source<'_> {
    fn error(&self, span: Range<usize>, problem: String, remedy: String) -> CourseError {
        let mut start = span.start.min(self.text.len());
        while !self.text.is_char_boundary(start) {
            start -= 1;
        }
        let before = &self.text[..start];
        CourseError {
            file: self.file_name.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before.chars().rev().take_while(|c| *c != '\n').count() + 1,
            problem,
            remedy,
        }
    }

    fn one_of<T: Copy>(
        &self,
        word: &str,
        span: Range<usize>,
        what: &str,
        choices: &[(&str, T)],
    ) -> Result<T, CourseError> {
        if let Some((_, value)) = choices.iter().find(|(name, _)| *name == word) {
            return Ok(*value);
        }
        let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
        Err(self.error(
            span,
            format!("'{word}' is not {what}"),
            match nearest(word, &names) {
                Some(name) => format!("did you mean '{name}'? Possible: {}", names.join(", ")),
                None => format!("possible: {}", names.join(", ")),
            },
        ))
    }

    fn pitch(&self, word: &str, span: Range<usize>) -> Result<Pitch, CourseError> {
        word.parse().map_err(|_| {
            self.error(
                span,
                format!("'{word}' is no note"),
                "write a letter A to G, # or b if it has one, and an octave, as in \"F#5\" or \"Bb3\""
                    .to_owned(),
            )
        })
    }
}

/// The name that `word` was probably meant to be.
fn nearest<'a>(word: &str, names: &[&'a str]) -> Option<&'a str> {
    names
        .iter()
        .map(|name| (strsim::damerau_levenshtein(word, name), *name))
        .min()
        .filter(|(distance, name)| *distance * 2 <= name.chars().count().max(3))
        .map(|(_, name)| name)
}

/// A table whose keys are known.
struct Fields<'a> {
    source: &'a Source<'a>,
    table: &'a DeTable<'a>,
    span: Range<usize>,
    what: &'static str,
}

type Found<T> = (T, Range<usize>);

impl<'a> Fields<'a> {
    fn new(
        source: &'a Source<'a>,
        table: &'a DeTable<'a>,
        span: Range<usize>,
        what: &'static str,
        known: &[&'static str],
    ) -> Result<Fields<'a>, CourseError> {
        for key in table.keys() {
            let word: &str = key.get_ref();
            if !known.contains(&word) {
                return Err(source.error(
                    key.span(),
                    format!("{what} has no '{word}'"),
                    match nearest(word, known) {
                        Some(name) => format!("did you mean '{name}'?"),
                        None => format!("it may have: {}", known.join(", ")),
                    },
                ));
            }
        }
        Ok(Fields {
            source,
            table,
            span,
            what,
        })
    }

    fn value(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table
            .iter()
            .find(|(name, _)| name.get_ref() == key)
            .map(|(_, value)| value)
    }

    fn span_of(&self, key: &str) -> Range<usize> {
        self.value(key)
            .map_or_else(|| self.span.clone(), Spanned::span)
    }

    fn missing(&self, key: &str, example: &str) -> CourseError {
        self.source.error(
            self.span.clone(),
            format!("{} needs '{key}'", self.what),
            format!("add {example}"),
        )
    }

    fn wrong_type(&self, value: &Spanned<DeValue>, key: &str, expected: &str) -> CourseError {
        self.source.error(
            value.span(),
            format!("'{key}' is {expected}, not {}", kind_of(value.get_ref())),
            format!("write {expected}"),
        )
    }

    fn string(&self, key: &str) -> Result<Option<Found<String>>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::String(text) => Ok(Some((text.to_string(), value.span()))),
            _ => Err(self.wrong_type(value, key, "a text in quotes")),
        }
    }

    /// The id, which is typed at a command line and stored.
    fn id(&self) -> Result<String, CourseError> {
        let (id, span) = self
            .string("id")?
            .ok_or_else(|| self.missing("id", "id = \"my-name\""))?;
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if id.is_empty() || id.len() > 60 || !id.chars().all(plain) {
            return Err(self.source.error(
                span,
                format!("'{id}' cannot be an id"),
                "use small letters a to z, digits and -, at most 60".to_owned(),
            ));
        }
        Ok(id)
    }

    fn integer_of(&self, value: &Spanned<DeValue>, key: &str) -> Result<Found<i64>, CourseError> {
        match value.get_ref() {
            DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
                .map(|n| (n, value.span()))
                .map_err(|_| self.wrong_type(value, key, "a whole number of usual size")),
            _ => Err(self.wrong_type(value, key, "a whole number")),
        }
    }

    fn integer(
        &self,
        key: &str,
        range: std::ops::RangeInclusive<i64>,
    ) -> Result<Option<Found<i64>>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let (number, span) = self.integer_of(value, key)?;
        if range.contains(&number) {
            return Ok(Some((number, span)));
        }
        Err(self.source.error(
            span,
            format!("{key} = {number} is out of range"),
            format!("write {} to {}", range.start(), range.end()),
        ))
    }

    fn count(
        &self,
        key: &str,
        range: std::ops::RangeInclusive<u32>,
    ) -> Result<Option<u32>, CourseError> {
        let range = i64::from(*range.start())..=i64::from(*range.end());
        Ok(self.integer(key, range)?.map(|(number, _)| number as u32))
    }

    fn choice<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Result<Option<T>, CourseError> {
        self.string(key)?
            .map(|(word, span)| {
                self.source
                    .one_of(&word, span, &format!("a value of {key}"), choices)
            })
            .transpose()
    }

    fn choice_bool(&self, key: &str) -> Result<Option<bool>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Boolean(flag) => Ok(Some(*flag)),
            _ => Err(self.wrong_type(value, key, "true or false")),
        }
    }

    fn pitch(&self, key: &str) -> Result<Option<Found<Pitch>>, CourseError> {
        self.string(key)?
            .map(|(word, span)| Ok((self.source.pitch(&word, span.clone())?, span)))
            .transpose()
    }

    fn list(&self, key: &str) -> Result<Option<Vec<&'a Spanned<DeValue<'a>>>>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Array(values) => Ok(Some(values.iter().collect())),
            _ => Err(self.wrong_type(value, key, "a list in brackets")),
        }
    }

    fn strings(&self, key: &str) -> Result<Option<Vec<Found<String>>>, CourseError> {
        self.list(key)?
            .map(|values| {
                values
                    .into_iter()
                    .map(|value| match value.get_ref() {
                        DeValue::String(text) => Ok((text.to_string(), value.span())),
                        _ => Err(self.wrong_type(value, key, "a list of texts in quotes")),
                    })
                    .collect()
            })
            .transpose()
    }

    fn integers(&self, key: &str) -> Result<Option<Vec<Found<i64>>>, CourseError> {
        self.list(key)?
            .map(|values| {
                values
                    .into_iter()
                    .map(|value| self.integer_of(value, key))
                    .collect()
            })
            .transpose()
    }

    /// Fewest and most ledger lines, `[1, 3]`.
    fn ledger_range(&self, key: &str) -> Result<Option<(i32, i32)>, CourseError> {
        let Some(numbers) = self.integers(key)? else {
            return Ok(None);
        };
        match numbers.iter().map(|(n, _)| *n).collect::<Vec<_>>()[..] {
            [least, most] if 0 <= least && least <= most && most <= 12 => {
                Ok(Some((least as i32, most as i32)))
            }
            _ => Err(self.source.error(
                self.span_of(key),
                format!("'{key}' is the fewest and the most ledger lines, 0 to 12"),
                format!("write {key} = [1, 3]"),
            )),
        }
    }

    fn tables(&self, key: &str) -> Result<Vec<Found<&'a DeTable<'a>>>, CourseError> {
        let values = self.list(key)?.unwrap_or_default();
        values
            .into_iter()
            .map(|value| match value.get_ref() {
                DeValue::Table(table) => Ok((table, value.span())),
                _ => Err(self.wrong_type(value, key, "a list of tables")),
            })
            .collect()
    }
}

fn kind_of(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a fraction",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
