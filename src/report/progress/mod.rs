//! One learner's progress to show: a web page, pages of paper, a few lines for a mail.
//! In: [`Facts`], which the study of the record gives. Out: [`Section`]s, which [`html()`] and [`paper()`] set each in its way,
//! and [`week()`]'s plain text. Every figure says how it was made; nothing is compared across people.

mod chart;
mod ear;
mod html;
mod next;
mod paper;
mod sections;
mod staff;
mod week;

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::engrave::Thing;
use crate::study::{
    Answer, AnswerWay, Beside, Confusion, Course, Forecast, Gain, Item, ItemFigures, Practised,
    Reply, Stage, Threshold,
};
use crate::theory::NoteNames;

pub use html::html;
pub use paper::paper;
pub use sections::sections;
pub use week::week;

/// What a report tells of one learner.
#[derive(Debug, Clone, Copy)]
pub struct Facts<'a> {
    /// Whose it is.
    pub whose: &'a str,
    /// The practice day it is made on.
    pub day: Date,
    /// The course in use.
    pub course: &'a Course,
    /// The place of the stage whose turn it is; `None` when the course is done.
    pub stage: Option<usize>,
    /// Day marks of each stage, in the course's order.
    pub marks: &'a [u32],
    /// Practice days that count.
    pub marked: &'a [Date],
    /// Practice days with what was practised on each, whatever way it was answered, oldest first.
    pub practised: &'a [(Date, Practised)],
    /// How the answers were given that all figures rest on.
    pub way: AnswerWay,
    /// Those answers, in the order of their recording, each with its practice day.
    pub answers: &'a [(Date, Answer)],
    /// One an item, slowest first.
    pub figures: &'a [ItemFigures],
    /// What got faster, most first.
    pub gains: &'a [Gain],
    /// What was taken for what, most frequent first.
    pub confusions: &'a [Confusion],
    /// Practice days until the stage's items are settled.
    pub forecast: Option<Forecast>,
    /// The plain reaction, ms, and whether it was measured.
    pub floor: (u32, bool),
    /// Verdicts taken out of the record.
    pub taken_back: u32,
    /// What all figures rest on was only heard: the stage is one of the ear, or was asked by ear last.
    pub heard: bool,
    /// What was answered by ear, at whatever stage.
    pub by_ear: ByEar<'a>,
    /// What notes are called.
    pub names: NoteNames,
}

/// What was answered by ear, and what is heard beside what is read.
#[derive(Debug, Clone, Copy)]
pub struct ByEar<'a> {
    /// First tries with the practice day of each, oldest first, and whether they were right.
    pub tries: &'a [(Date, bool)],
    /// Notes by eye and by ear; those that were never asked by ear among them.
    pub notes: &'a BTreeMap<Item, Beside>,
    /// Tasks of the ear that stand not among the report's own figures.
    pub tasks: &'a [ItemFigures],
    /// How fine the ear is, and the day on which that was found last.
    pub threshold: Option<(Date, Threshold)>,
}

/// A part of a report.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// A short name for links.
    pub id: &'static str,
    /// Its heading.
    pub heading: String,
    /// What stands under it, in reading order.
    pub blocks: Vec<Block>,
}

/// A piece of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A paragraph.
    Words(String),
    /// Points, one after the other.
    List(Vec<String>),
    /// A table.
    Table(Table),
    /// Figures that stand side by side where there is room.
    Figures(Vec<Figure>),
}

/// A table; the first cell of a row names it.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// What stands above each column.
    pub head: Vec<String>,
    /// Row by row.
    pub rows: Vec<Vec<String>>,
    /// Columns of words, which begin at the left; those of numbers end at the right.
    pub words: Vec<usize>,
}

/// A picture, in millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it is made of.
    pub things: Vec<Thing>,
    /// Its width and height.
    pub size: (f64, f64),
    /// What it says to whoever cannot see it.
    pub says: String,
}

impl Facts<'_> {
    /// The stage whose turn it is.
    fn stage(&self) -> Option<&Stage> {
        self.course.stages.get(self.stage?)
    }

    /// What is not settled and costs most: what is often missed, the most missed first, then what is read slowest.
    fn hardest(&self) -> Vec<&ItemFigures> {
        let open = self.figures.iter().filter(|one| !one.settled());
        let (mut missed, slow): (Vec<_>, Vec<_>) = open.partition(|one| one.often_missed());
        missed.sort_by(|a, b| a.accuracy.0.total_cmp(&b.accuracy.0));
        missed.extend(slow.into_iter().filter(|one| one.morning_s().is_some()));
        missed
    }

    /// What an item is called: a note with its octave and staff, what a group does, or what the ear is asked.
    fn called(&self, item: Item) -> String {
        if let Some(task) = item.task {
            return task.in_words();
        }
        match item.in_group {
            None => {
                let name = self.short(item);
                format!("{name} {}{}", item.clef.spoken(), under(item))
            }
            Some(_) => format!("in groups: {}", group_part(item)),
        }
    }

    /// What was answered in place of `item`.
    fn answered(&self, item: Item, given: Reply) -> String {
        match given {
            Reply::Note(pitch) => self.short(Item { pitch, ..item }),
            Reply::Task(task) => task.in_words(),
        }
    }

    /// A note with its octave alone.
    fn short(&self, item: Item) -> String {
        let name = self.names.name(item.pitch.spelling(), item.key, false);
        format!("{name}{}", item.pitch.octave)
    }
}

/// What a note of a group does from the one before.
fn group_part(item: Item) -> String {
    match item.in_group {
        Some(within) if within.place > 1 => {
            crate::study::interval_in_words(i32::from(within.from_last))
        }
        _ => "first note".to_owned(),
    }
}

/// The signature an item stands under, in words.
fn under(item: Item) -> String {
    match item.key.fifths() {
        0 => String::new(),
        n => format!(
            ", {}",
            counted(
                u32::from(n.unsigned_abs()),
                if n > 0 { "sharp" } else { "flat" }
            )
        ),
    }
}

/// `1 day`, `2 days`.
fn counted(number: u32, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}

/// `20 November 2026`.
fn long_date(day: Date) -> String {
    format!("{} {} {}", day.day(), month(day), day.year())
}

/// `20 Nov`.
fn short_date(day: Date) -> String {
    let month: String = month(day).chars().take(3).collect();
    format!("{} {month}", day.day())
}

fn month(day: Date) -> &'static str {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    MONTHS[usize::from(day.month().unsigned_abs()).clamp(1, 12) - 1]
}

/// Judged first tries and the right ones among them, over all items.
fn tries(figures: &[ItemFigures]) -> (u32, u32) {
    figures.iter().fold((0, 0), |(tries, right), one| {
        (tries + one.tries, right + one.right)
    })
}

/// `91 of 100`; nothing for nothing.
fn of_hundred(right: u32, all: u32) -> String {
    if all == 0 {
        return "-".to_owned();
    }
    format!("{:.0} of 100", f64::from(right) / f64::from(all) * 100.0)
}

#[cfg(test)]
mod tests;
