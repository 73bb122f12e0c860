//! Reading tables of a course file so that every message names a place and a remedy.
//! In: spanned TOML values. Out: checked values, or a [`CourseError`].

use std::cell::RefCell;
use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::course_file::CourseError;
use crate::theory::Pitch;

/// The text, for places in messages, and what was found wrong in it so far.
pub(super) struct Source<'a> {
    file_name: &'a str,
    text: &'a str,
    problems: RefCell<Vec<CourseError>>,
}

impl<'a> Source<'a> {
    pub(super) fn new(file_name: &'a str, text: &'a str) -> Source<'a> {
        Source {
            file_name,
            text,
            problems: RefCell::default(),
        }
    }

    /// Takes down what is wrong, so that reading goes on to the next thing.
    pub(super) fn keep<T>(&self, read: Result<T, CourseError>) -> Option<T> {
        read.map_err(|problem| self.problems.borrow_mut().push(problem))
            .ok()
    }

    /// How much was wrong so far.
    pub(super) fn count(&self) -> usize {
        self.problems.borrow().len()
    }

    /// All that was wrong, in the order of the text.
    pub(super) fn into_problems(self) -> Vec<CourseError> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| (problem.line, problem.column));
        problems
    }

    pub(super) fn error(&self, span: Range<usize>, problem: String, remedy: String) -> CourseError {
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

    pub(super) fn one_of<T: Copy>(
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

    pub(super) fn pitch(&self, word: &str, span: Range<usize>) -> Result<Pitch, CourseError> {
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

/// A table of which it is known what keys it may have.
pub(super) struct Fields<'a> {
    source: &'a Source<'a>,
    table: &'a DeTable<'a>,
    pub(super) span: Range<usize>,
    what: &'static str,
    /// Keys that are not known, and what each was probably meant to be.
    strange: Vec<(String, Option<&'static str>)>,
}

/// A value and its place.
pub(super) type Found<T> = (T, Range<usize>);

impl<'a> Fields<'a> {
    /// Takes down every key that is not among `known`.
    pub(super) fn new(
        source: &'a Source<'a>,
        table: &'a DeTable<'a>,
        span: Range<usize>,
        what: &'static str,
        known: &[&'static str],
    ) -> Fields<'a> {
        let mut strange = Vec::new();
        for key in table.keys() {
            let word: &str = key.get_ref();
            if !known.contains(&word) {
                let meant = nearest(word, known);
                strange.push((word.to_owned(), meant));
                let problem = source.error(
                    key.span(),
                    format!("{what} has no '{word}'"),
                    match meant {
                        Some(name) => format!("did you mean '{name}'?"),
                        None => format!("it may have: {}", known.join(", ")),
                    },
                );
                source.problems.borrow_mut().push(problem);
            }
        }
        Fields {
            source,
            table,
            span,
            what,
            strange,
        }
    }

    /// Whether a key that is not known may be `key`, misspelled.
    pub(super) fn may_have_meant(&self, key: &str) -> bool {
        self.strange.iter().any(|(word, meant)| {
            *meant == Some(key) || word.starts_with(key) || key.starts_with(word.as_str())
        })
    }

    /// Takes down that `key` is missing; not beside one that is not known and may be the same misspelled.
    pub(super) fn lack(&self, key: &str, example: &str) {
        if !self.may_have_meant(key) {
            let problem = self.missing(key, example);
            self.source.problems.borrow_mut().push(problem);
        }
    }

    fn value(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table
            .iter()
            .find(|(name, _)| name.get_ref() == key)
            .map(|(_, value)| value)
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.value(key).is_some()
    }

    pub(super) fn span_of(&self, key: &str) -> Range<usize> {
        self.value(key)
            .map_or_else(|| self.span.clone(), Spanned::span)
    }

    pub(super) fn missing(&self, key: &str, example: &str) -> CourseError {
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

    pub(super) fn string(&self, key: &str) -> Result<Option<Found<String>>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::String(text) => Ok(Some((text.to_string(), value.span()))),
            _ => Err(self.wrong_type(value, key, "a text in quotes")),
        }
    }

    /// The id, which is typed at a command line and stored; what is wrong with it is taken down.
    pub(super) fn id(&self) -> Option<String> {
        let Some((id, span)) = self.source.keep(self.string("id"))? else {
            self.lack("id", "id = \"my-name\"");
            return None;
        };
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if id.is_empty() || id.len() > 60 || !id.chars().all(plain) {
            return self.source.keep(Err(self.source.error(
                span,
                format!("'{id}' cannot be an id"),
                "use small letters a to z, digits and -, at most 60".to_owned(),
            )));
        }
        Some(id)
    }

    fn integer_of(&self, value: &Spanned<DeValue>, key: &str) -> Result<Found<i64>, CourseError> {
        match value.get_ref() {
            DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
                .map(|n| (n, value.span()))
                .map_err(|_| self.wrong_type(value, key, "a whole number of usual size")),
            _ => Err(self.wrong_type(value, key, "a whole number")),
        }
    }

    pub(super) fn integer(
        &self,
        key: &str,
        range: RangeInclusive<i64>,
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

    pub(super) fn count(
        &self,
        key: &str,
        range: RangeInclusive<u32>,
    ) -> Result<Option<u32>, CourseError> {
        let range = i64::from(*range.start())..=i64::from(*range.end());
        Ok(self.integer(key, range)?.map(|(number, _)| number as u32))
    }

    pub(super) fn choice<T: Copy>(
        &self,
        key: &str,
        choices: &[(&str, T)],
    ) -> Result<Option<T>, CourseError> {
        self.string(key)?
            .map(|(word, span)| {
                self.source
                    .one_of(&word, span, &format!("a value of {key}"), choices)
            })
            .transpose()
    }

    pub(super) fn choice_bool(&self, key: &str) -> Result<Option<bool>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Boolean(flag) => Ok(Some(*flag)),
            _ => Err(self.wrong_type(value, key, "true or false")),
        }
    }

    pub(super) fn pitch(&self, key: &str) -> Result<Option<Found<Pitch>>, CourseError> {
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

    pub(super) fn strings(&self, key: &str) -> Result<Option<Vec<Found<String>>>, CourseError> {
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

    pub(super) fn integers(&self, key: &str) -> Result<Option<Vec<Found<i64>>>, CourseError> {
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
    pub(super) fn ledger_range(&self, key: &str) -> Result<Option<(i32, i32)>, CourseError> {
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

    pub(super) fn table(&self, key: &str) -> Result<Option<Found<&'a DeTable<'a>>>, CourseError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Table(table) => Ok(Some((table, value.span()))),
            _ => Err(self.wrong_type(value, key, "a table")),
        }
    }

    pub(super) fn tables(&self, key: &str) -> Result<Vec<Found<&'a DeTable<'a>>>, CourseError> {
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
