//! How one learner gets on, in words and as JSON: one place for the command and for the screen.

use std::collections::HashSet;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::hearing::Hearing;
use super::home::{Home, HomeError};
use super::reading::Reading;
use super::today::{Today, called};
use super::words::{Wording, plural, seconds};
use crate::report::progress::Facts;
use crate::study::{
    AnswerWay, Confusion, Course, DayTrend, Forecast, Gain, Item, ItemFigures, Practised,
    PromptKind, Stage, Verdict, came_up, confusions, figures, forecast, gains, practised_days,
    trend,
};
use crate::theory::{Clef, NoteNames};

/// Days of the trend that are shown.
const DAYS_SHOWN: usize = 14;
/// Rows of a list that is only to give an idea.
const FEW: usize = 5;

/// Everything `progress` shows.
#[derive(Debug)]
pub struct Progress {
    /// The learner's day.
    pub today: Today,
    /// Verdicts taken out of the record.
    pub taken_back: u32,
    /// One row an item, slowest first.
    pub rows: Vec<ItemFigures>,
    /// Day by day.
    pub trend: Vec<DayTrend>,
    /// What got faster.
    pub gains: Vec<Gain>,
    /// What was taken for what.
    pub confusions: Vec<Confusion>,
    /// Practice days until the stage's items are settled.
    pub forecast: Option<Forecast>,
    /// What is heard beside it.
    pub hearing: Hearing,
    reading: Reading,
    practised: Vec<(Date, Practised)>,
}

impl Progress {
    /// Reads the record and fits the model.
    pub fn of(home: &mut Home) -> Result<Progress, HomeError> {
        let today = home.today()?;
        let stage = today.stage().or(today.course.stages.last()).cloned();
        // Read once: it is the longest part of a long record.
        let answers = home.answers()?;
        let taken_back = home.withdrawn_answers()?;
        let practised = practised_days(&answers, &taken_back);
        let mut hearing = Hearing::of(home, &answers)?;
        let manner = home.manner(stage.as_ref())?;
        let reading = home.reading_among(&answers, manner, stage.as_ref())?;
        let items = stage.as_ref().map(Stage::parts).unwrap_or_default();
        let rows = figures(&reading.answers, &reading.model);
        // What the stage asks stands among its own rows.
        hearing
            .tasks
            .retain(|task| rows.iter().all(|row| row.item != task.item));
        Ok(Progress {
            rows,
            trend: trend(&reading.answers),
            gains: gains(&reading.answers),
            confusions: confusions(&reading.answers),
            forecast: forecast(&reading.model, &items, &reading.answers),
            today,
            taken_back: taken_back.len() as u32,
            hearing,
            reading,
            practised,
        })
    }

    /// The same for a report.
    pub fn facts(&self, names: NoteNames) -> Facts<'_> {
        Facts {
            whose: called(&self.today.learner).unwrap_or("A learner"),
            day: self.today.day,
            course: &self.today.course,
            stage: self.today.stage,
            marks: &self.today.marks,
            marked: &self.today.marked_days,
            practised: &self.practised,
            way: self.reading.way,
            answers: &self.reading.answers,
            figures: &self.rows,
            gains: &self.gains,
            confusions: &self.confusions,
            forecast: self.forecast,
            floor: (self.reading.model.floor_ms(), self.reading.floor.is_some()),
            taken_back: self.taken_back,
            heard: self.reading.prompt == PromptKind::Ear,
            by_ear: self.hearing.facts(),
            names,
        }
    }

    /// The item that `text` names: `F#5@treble`, `F#5 bass`, or a note alone, sought first in the stage whose turn it is.
    /// Its note is read as the learner names notes: of German names B4 is B flat.
    pub fn find(&self, text: &str, wording: Wording) -> Option<Item> {
        let names = wording.names;
        let (note, rest) = text.split_at(text.find('@').unwrap_or(text.len()));
        let id = names
            .pitch(note)
            .map_or_else(|_| text.to_owned(), |pitch| format!("{pitch}{rest}"));
        if let Ok(item) = id.parse::<Item>() {
            return Some(item);
        }
        let mut words = text.split(|c: char| c.is_whitespace() || c == '@');
        let (note, clef) = (words.next()?, words.next());
        let clef = match clef {
            Some(word) => Some(Clef::from_name(word)?),
            None => None,
        };
        let pitch = names.pitch(note).ok();
        let named = |item: &&Item| {
            let same = pitch == Some(item.pitch);
            let by_name = || {
                wording
                    .pitch(item.pitch, item.key)
                    .eq_ignore_ascii_case(note)
            };
            clef.is_none_or(|clef| clef == item.clef) && (same || by_name())
        };
        let of_stage = self.today.stage().map(Stage::items).unwrap_or_default();
        let of_course: Vec<Item> = course_items(&self.today.course);
        let answered: Vec<Item> = self.rows.iter().map(|row| row.item).collect();
        [of_stage, of_course, answered]
            .iter()
            .find_map(|items| items.iter().find(named).copied())
    }

    /// What the model holds about an item, why it came up, and what is missing, in sentences.
    pub fn why(&self, item: Item, wording: Wording) -> Vec<String> {
        let why = self.reading.model.why(&item);
        let item = item.part();
        let mut lines = vec![match item.in_group {
            None if item.task.is_some() => format!("By ear: {}", wording.part(item)),
            None => format!("{} ({})", wording.part(item), wording.item(item)),
            Some(_) => format!("In a group: {}", wording.part(item)),
        }];
        lines.extend(why.sentences());
        if let Some((day, reason)) = came_up(&self.reading.answers, &self.reading.model, &item) {
            lines.push(format!(
                "It came up last on {day} because {}.",
                reason.words()
            ));
        }
        if item.in_group.is_none()
            && item.task.is_none()
            && !course_items(&self.today.course).contains(&item)
        {
            lines.push("The course in use does not ask for it any more.".to_owned());
        }
        lines
    }

    /// The same as JSON.
    pub fn why_json(&self, item: Item) -> Value {
        let model = &self.reading.model;
        let item = item.part();
        let why = model.why(&item);
        let came = came_up(&self.reading.answers, model, &item);
        let criteria = why.criteria.as_ref();
        json!({
            "item": item.to_string(),
            "answers": why.answers,
            "right": why.rights,
            "days": why.days,
            "settled": criteria.is_some_and(|c| c.verdict != Verdict::Open),
            "settled_since": why.settled_since.map(|day| day.to_string()),
            "review_in_days": why.review_in_days,
            "morning_median_s": criteria.and_then(|c| c.median_s).map(|(median, _)| median),
            "fluent_s": criteria.map(|c| c.fluent_s),
            "probability_fluent": criteria.and_then(|c| c.fluent),
            "accuracy": criteria.map(|c| c.accuracy),
            "first_looks_kept": criteria.map(|c| c.looks_kept),
            "missing": why.missing.iter().map(|missing| missing.words()).collect::<Vec<_>>(),
            "came_up": came.map(|(day, reason)| json!({"day": day.to_string(), "because": reason.words()})),
        })
    }

    /// All of it but the marks, as JSON.
    pub fn json(&self) -> Value {
        let ms = |s: f64| (s * 1000.0).round();
        let items: Vec<Value> = self
            .rows
            .iter()
            .map(|row| {
                let morning = row.morning_s();
                json!({
                    "item": row.item.to_string(),
                    "tries": row.tries,
                    "right": row.right,
                    "median_ms": row.median_ms,
                    "morning_ms": morning.map(|(middle, _, _)| ms(middle)),
                    "morning_low_ms": morning.map(|(_, low, _)| ms(low)),
                    "morning_high_ms": morning.map(|(_, _, high)| ms(high)),
                    "accuracy": row.accuracy.0,
                    "accuracy_sd": row.accuracy.1,
                    "settled": row.settled(),
                })
            })
            .collect();
        let days: Vec<Value> = self
            .trend
            .iter()
            .map(|day| {
                json!({
                    "day": day.day.to_string(), "items": day.items, "right": day.right,
                    "median_ms": day.median_s.map(ms),
                    "half_from_ms": day.half_s.map(|(from, _)| ms(from)),
                    "half_to_ms": day.half_s.map(|(_, to)| ms(to)),
                })
            })
            .collect();
        let gains: Vec<Value> = self
            .gains
            .iter()
            .map(|gain| json!({"item": gain.item.to_string(), "from_ms": ms(gain.from_s), "to_ms": ms(gain.to_s)}))
            .collect();
        let confusions: Vec<Value> = self
            .confusions
            .iter()
            .map(|c| json!({"item": c.item.to_string(), "given": c.given.to_string(), "times": c.times}))
            .collect();
        json!({
            "way": self.reading.way.word(),
            "floor_ms": self.reading.model.floor_ms(),
            "floor_measured": self.reading.floor.is_some(),
            "items": items,
            "days": days,
            "improved": gains,
            "confusions": confusions,
            "group_places": self.reading.model.place_costs().iter().map(|c| json!({"place": c.place, "factor": c.factor})).collect::<Vec<_>>(),
            "forecast_days": self.forecast.map(|f| json!({"low": f.low, "likely": f.likely, "high": f.high})),
            "hearing": self.hearing.json(),
            "slips": self.reading.model.slips().map(|right| 1.0 - right),
        })
    }

    /// All of it in words.
    pub fn lines(&self, wording: Wording) -> Vec<String> {
        let mut lines = vec![self.today.sentence()];
        for (now, name, days) in self.today.stage_lines() {
            lines.push(format!("{} {name}: {days}", if now { '>' } else { ' ' }));
        }
        if self.rows.is_empty() {
            if self.hearing.is_empty() {
                let nothing = if self.practised.is_empty() {
                    "Nothing is answered yet."
                } else {
                    "Nothing of what this stage asks is answered yet."
                };
                lines.push(nothing.to_owned());
            }
            lines.extend(self.hearing.lines(wording));
            return lines;
        }
        lines.extend(self.forecast_lines());
        lines.push(String::new());
        lines.push(self.floor_line());
        lines.push(format!(
            "{}, slowest first: right of first tries; half come within; on a new day, with its likely range",
            match self.reading.prompt {
                PromptKind::Ear => "Heard",
                _ => "Notes read",
            }
        ));
        for row in &self.rows {
            lines.push(format!("  {}", row_text(row, wording)));
        }
        lines.extend(self.hearing.lines(wording));
        lines.extend(self.change_lines(wording));
        lines.extend(self.place_line());
        if self.taken_back > 0 {
            lines.push(format!(
                "{} taken out of the record.",
                plural(self.taken_back, "verdict")
            ));
        }
        lines
    }

    /// What is to come.
    pub fn forecast_lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let settled = self.rows.iter().filter(|row| row.settled());
        lines.push(format!(
            "{} of {} settled: read quickly and surely, and kept over night.",
            settled.count(),
            plural(self.rows.len() as u32, "note")
        ));
        if let Some(stage) = self.today.stage() {
            lines.push(match self.forecast {
                None => format!(
                    "When all of \u{201c}{}\u{201d} will be settled cannot be told yet: it takes three days of it, and notes that settle.",
                    stage.name
                ),
                Some(Forecast { likely: 0, .. }) => {
                    format!("All of \u{201c}{}\u{201d} is settled.", stage.name)
                }
                Some(Forecast { low, likely, high }) => format!(
                    "All of \u{201c}{}\u{201d} settled: likely in about {} of practice ({}).",
                    stage.name,
                    plural(likely, "day"),
                    match high {
                        Some(high) => format!("between {low} and {high}"),
                        None => format!("{low} at the best, many more at the worst"),
                    }
                ),
            });
        }
        if let Some(right) = self.reading.model.slips() {
            lines.push(format!(
                "About {:.0} of 100 answers slip on notes you read quickly. That is your way of answering, not a note you do not know: it is not held against any note, and you go on all the same.",
                (1.0 - right) * 100.0
            ));
        }
        lines
    }

    fn floor_line(&self) -> String {
        let ms = self.reading.model.floor_ms();
        let by = match self.reading.way {
            AnswerWay::Letters => "by letters",
            AnswerWay::Piano => "at the piano",
            AnswerWay::Voice => "by singing",
        };
        let how = match self.reading.floor {
            Some(_) => "measured",
            None => "assumed until it is measured",
        };
        format!("Answered {by}; plain reaction {} ({how}).", seconds(ms))
    }

    /// What places in a group cost, where groups were read.
    fn place_line(&self) -> Option<String> {
        let costs = self.reading.model.place_costs();
        let told: Vec<String> = costs
            .iter()
            .map(|cost| format!("note {} takes {:.2} times as long", cost.place, cost.factor))
            .collect();
        let beside = "In groups, beside the same interval at the second note";
        (!told.is_empty()).then(|| format!("\n{beside}: {}.", told.join(", ")))
    }

    fn change_lines(&self, wording: Wording) -> Vec<String> {
        let mut lines = Vec::new();
        if !self.gains.is_empty() {
            lines.push("\nMost improved:".to_owned());
            for gain in self.gains.iter().take(FEW) {
                lines.push(format!(
                    "  {:<22} {:.1} s, {:.1} s at first",
                    part_text(gain.item, wording),
                    gain.to_s,
                    gain.from_s
                ));
            }
        }
        if !self.confusions.is_empty() {
            lines.push("\nTaken for another:".to_owned());
            for confusion in self.confusions.iter().take(FEW) {
                let key = confusion.item.key;
                lines.push(format!(
                    "  {:<22} {} answered, {}",
                    part_text(confusion.item, wording),
                    wording.reply(confusion.given, key),
                    plural(confusion.times, "time")
                ));
            }
        }
        lines.push("\nDay by day, by the first answer to each note:".to_owned());
        let skip = self.trend.len().saturating_sub(DAYS_SHOWN);
        for day in &self.trend[skip..] {
            lines.push(format!("  {}", day_text(day)));
        }
        lines
    }
}

/// One item's row in words.
pub fn row_text(row: &ItemFigures, wording: Wording) -> String {
    let morning = row
        .morning_s()
        .map_or(String::new(), |(middle, low, high)| {
            format!("{middle:.1} s ({low:.1} to {high:.1})")
        });
    format!(
        "{:<22} {:>3} of {:<4} {:>6}   {morning:<19} {}",
        part_text(row.item, wording),
        row.right,
        row.tries,
        row.median_ms.map_or("-".to_owned(), seconds),
        if row.settled() { "settled" } else { "" },
    )
    .trim_end()
    .to_owned()
}

/// The same in half the width: what it takes of a morning.
pub fn short_row_text(row: &ItemFigures, wording: Wording) -> String {
    let morning = row
        .morning_s()
        .map_or("-".to_owned(), |(middle, ..)| format!("{middle:.1} s"));
    let settled = if row.settled() { "settled" } else { "" };
    format!(
        "{:<14} {morning:>6} {settled}",
        part_text(row.item, wording)
    )
    .trim_end()
    .to_owned()
}

/// What is learned, with its staff.
pub fn part_text(part: Item, wording: Wording) -> String {
    if part.task.is_some() {
        return wording.part(part);
    }
    match part.in_group {
        None => format!("{:<6} {}", wording.part(part), part.clef.spoken()),
        Some(_) => format!("group: {}", wording.part(part)),
    }
}

/// One day in words: each note's first answer of it.
pub fn day_text(day: &DayTrend) -> String {
    let within = day
        .median_s
        .map_or(String::new(), |s| format!(", half within {s:.1} s"));
    format!(
        "{}  first looks at {}: {} right{within}",
        day.day,
        plural(day.items, "note"),
        day.right
    )
}

fn course_items(course: &Course) -> Vec<Item> {
    let mut seen = HashSet::new();
    let items = course.stages.iter().flat_map(Stage::items);
    items.filter(|item| seen.insert(*item)).collect()
}
