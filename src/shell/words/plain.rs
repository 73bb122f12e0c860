//! What the text mode says beside what a sitting says.

use crate::shell::settings::Shown;

/// What may be asked for at home.
pub const MENU: &str =
    "begin, home, progress, why NOTE, settings, set NAME VALUE, place (I read already), ?, leave: ";
/// What each of them does.
pub const COMMANDS: [&str; 8] = [
    "begin, or an empty line: today's practice.",
    "home: where you stand today, and the stages.",
    "progress: days, speed, and the slowest notes.",
    "why NOTE: why a note comes, as in why F#5.",
    "settings: all settings; with a name that one alone.",
    "set NAME VALUE: another value, as in set names german.",
    "place: find where to begin, if you read already.",
    "leave: the end. What was answered is kept.",
];
/// Before the search for the place to begin.
pub const PLACE: &str = "Some notes show where this course begins for you. Nothing of it is recorded, no time is taken, and you may begin wherever \
     you like. A note you do not know: answer anything and go on. stop: leave everything as it is.";
/// After it.
pub const ENTER_THERE: &str =
    "Begin there from now on? yes, or an empty line to leave everything as it is: ";
/// What is written where answers are listed.
pub const A_CHOICE: &str = "the number of your choice, or its name";

/// What is written where a note answers.
pub fn a_name(examples: &[String]) -> String {
    let (last, others) = examples
        .split_last()
        .map_or(("", &[][..]), |(l, o)| (l.as_str(), o));
    format!("a name such as {} or {last}", others.join(", "))
}

/// How a sitting is answered: with `what`.
pub fn how_to_answer(what: &str) -> String {
    format!(
        "Answer with {what}. Empty line: hear or read it again. back: take the last verdict back. stop: end. ?: this again."
    )
}

/// None of the answers.
pub fn no_choice(text: &str) -> String {
    format!("'{text}' is none of the answers. Write the number before one of them.")
}

/// Before the first sound of a sitting.
pub const START_LOW: &str = "Sound is on: start low, above all with headphones.";

/// Who is here.
pub fn who(all: &str, last: &str) -> String {
    format!("Who is here? {all} (empty line: {last}): ")
}

/// The last four weeks.
pub fn four_weeks(marked: usize) -> String {
    let days = if marked == 1 { "day" } else { "days" };
    format!("In the last four weeks {marked} {days} counted.")
}

/// One stage; `now`: its turn is now.
pub fn stage(now: bool, name: &str, days: &str) -> String {
    format!("{name}: {days}{}", if now { ", now" } else { "" })
}

/// One setting.
pub fn setting(shown: &Shown) -> String {
    let values = shown.values.join(", ");
    format!(
        "{} = {}: {}. One of {values}.",
        shown.name, shown.value, shown.about
    )
}

/// No such note.
pub fn no_item(text: &str) -> String {
    format!(
        "'{text}' is no item of this course: write a note as in F#5, or with its staff as in F#5@treble"
    )
}

/// No such name, where `what` is to be written.
pub fn no_name(text: &str, what: &str) -> String {
    format!("'{text}' is no note name. Write {what}.")
}

/// What is not understood.
pub fn not_understood(word: &str) -> String {
    format!("'{word}' is not known here. A line with ? alone tells what is.")
}
