//! What stands on the screens, in one place for whoever translates it. What a sitting says is in [`super::Wording`], what
//! a setting does in the table of settings.

use super::{plural, seconds};
use crate::drill::Rest;
use crate::study::AnswerWay;
use crate::theory::{Alteration, Clef};

/// The name of the program.
pub const PROGRAM: &str = "Stavelark";
/// Over the names of everyone who practises here.
pub const WHO_IS_HERE: &str = "Who is here?";
/// Before the strip of the last four weeks.
pub const FOUR_WEEKS: &str = "Four weeks";
/// Over the settings.
pub const SETTINGS: &str = "Settings";
/// Behind a setting that nobody has set.
pub const AS_USUAL: &str = "(default)";
/// Stages that stand above those that are shown, if there are any.
pub fn stages_before(count: usize) -> Option<String> {
    (count > 0).then(|| format!("{count} more before these"))
}

/// Stages that stand below those that are shown, if there are any.
pub fn stages_after(count: usize) -> Option<String> {
    (count > 0).then(|| format!("{count} more after these"))
}

/// What a filled day means.
pub const COUNTED: &str = "counts";
/// What an open ring means.
pub const TODAY: &str = "today";
/// Where a setting is kept.
pub const KEPT_FOR_MACHINE: &str = "kept for this machine";
/// Where a setting is kept.
pub const KEPT_FOR_LEARNER: &str = "kept for this learner";
/// Over the table of keys.
pub const KEYS: &str = "Keys";
/// Under the table of keys.
pub const CAUTION: &str = "Short sittings and breaks; stop when anything hurts. Sound: start low.";
/// When a sitting has become long.
pub const TIME_FOR_A_REST: &str = "Twenty minutes: time for a rest.";
/// Before the first sound of a sitting there is time to turn it down.
const START_LOW: &str = "  Sound: start low.";

/// While a note is asked and nothing else is to be said; `sounded`: before the first sound of a sitting.
pub fn which_note(way: AnswerWay, sounded: bool) -> String {
    let asks = match way {
        AnswerWay::Letters => "Which note is this?",
        AnswerWay::Piano => "Play this note.",
        AnswerWay::Voice => "Sing this note.",
    };
    format!("{asks}{}", if sounded { START_LOW } else { "" })
}
/// At the key that was asked.
pub const ASKED: &str = "asked";
/// At the key that was given.
pub const GIVEN: &str = "given";
/// Over the reason why a note comes.
pub const WHY_IT_COMES: &str = "Why this note comes";
/// Without a single answer.
pub const NOTHING_ANSWERED: &str = "Nothing is answered yet.";
/// Over the list of notes.
pub const LIST_HEAD: &str = "Slowest first         right of first tries, half within, on a new day";
/// The same where there is little room.
pub const SHORT_LIST_HEAD: &str = "Slowest first, on a new day";
/// Over the plot of the weeks.
pub const WEEKS_HEAD: &str = "Day by day: half of the first answers came within, in seconds";
/// Without two days to draw a line between.
pub const TOO_FEW_DAYS: &str = "A line takes two days of practice.";
/// While the microphone is being opened.
pub const OPENING: &str = "The microphone is being opened.";
/// The microphone is open.
pub const HEARS: &str = "The microphone hears: play the answer.";
/// The same, where a voice answers.
pub const HEARS_VOICE: &str = "The microphone hears: sing the answer, softly.";
/// Where what is asked is only heard and nothing can be.
const UNHEARD: &str = "This is only heard, and no sound output is there: nothing is judged meanwhile. Plug one in; it goes on by itself then. Enter looks again, Esc ends the sitting.";
/// The same where sound was turned off.
const UNHEARD_BY_CHOICE: &str = "This is only heard, and sound is off: nothing can be judged. Esc ends the sitting; then turn sound on in the settings (`stavelark settings sound on`).";
/// Before the first sound of a sitting of the ear.
pub const EAR_START: &str = "Sound: start low. Space sounds it again.";
/// Over what is heard beside what is read.
pub const HEARD_AND_READ: &str = "Heard beside read";
/// Without an answer by ear.
pub const NOTHING_HEARD: &str = "Nothing is answered by ear yet.";
/// Where a sounding pitch is watched and none sounds.
pub const LONG_TONE: &str = "Sing or play a long tone.";
/// Where nothing but leaving can be done.
pub const ANY_KEY: &str = "Any key leaves";
/// No level at all.
pub const NO_SOUND: &str = "no sound";
/// Over the search for the place to begin.
pub const WHERE_TO_BEGIN: &str = "Where to begin";
/// Over the measurement of the plain reaction.
pub const PLAIN_REACTION: &str = "Plain reaction";
/// Before the search for the place to begin.
pub const BEFORE_PLACEMENT: &str = "You read already? Two minutes of notes show where this course begins for you. Nothing of it is recorded, \
     and you may begin wherever you like. A note you do not know: answer anything and go on. Enter begins.";
/// Before the measurement of the plain reaction.
pub const BEFORE_REACTION: &str = "Half a minute of names, nothing to read: type each name as soon as you see it. What that takes you is \
     taken off your reading times. It is measured with the keys you answer with. Enter begins.";
/// The same where a piano answers.
pub const BEFORE_REACTION_PIANO: &str = "Half a minute of names, nothing to read: play each name, in any octave, as soon as you see it. What that takes \
     you is taken off your reading times at the piano. Enter or any note begins.";
/// The same where a voice answers.
pub const BEFORE_REACTION_VOICE: &str = "Half a minute of notes, nothing to read: each is named and sounded. Sing it back softly as soon as it has ended, in \
     any octave. What that takes you is taken off your reading times when you sing. Enter or any note begins.";
/// After a trial that was too short.
pub const TOO_FEW_ANSWERS: &str = "Too few answers to tell anything. Enter goes home.";

/// Something was heard that is no answer.
pub const NOT_SURE: &str = "? Heard something, but not surely enough. Once more, please.";

/// Why no prompt is there, and how to go on.
pub fn rest(rest: Rest, listening: bool) -> &'static str {
    match (rest, listening) {
        (Rest::BeforeFirst, true) => "Play any note to begin. Esc ends the sitting.",
        (Rest::BeforeFirst, false) => "Enter begins. Esc ends the sitting.",
        (Rest::Silence, true) => "A rest. Play any note, or Enter, to go on; Esc ends the sitting.",
        (Rest::Unheard, _) => UNHEARD,
        (Rest::Places, _) => "Enter goes on without them, Esc ends the sitting.",
        (Rest::Asked, _) | (Rest::Silence, false) => "A rest. Enter goes on, Esc ends the sitting.",
    }
}

/// Why a sitting of the ear rests where nothing can be heard, and how it goes on; `off`: sound was turned off.
pub fn unheard(off: bool) -> &'static str {
    if off { UNHEARD_BY_CHOICE } else { UNHEARD }
}

/// An accidental waits for its letter.
pub fn of_which_letter(waiting: Alteration) -> &'static str {
    match waiting {
        Alteration::Natural => "",
        Alteration::Sharp => "The sharp of which letter?",
        Alteration::DoubleSharp => "The double sharp of which letter?",
        Alteration::Flat => "The flat of which letter?",
        Alteration::DoubleFlat => "The double flat of which letter?",
    }
}

/// Which note of a group is asked.
pub fn note_of_group(place: u8, of: usize) -> String {
    format!("Note {place} of {of}.  ")
}

/// The window is too small to draw in.
pub fn needs_window(columns: u16, rows: u16) -> String {
    format!("To draw this the window needs {columns} columns and {rows} rows.")
}

/// How far a trial is.
pub fn trial(heading: &str, spent: f64) -> String {
    format!("{heading}   {:.0} % done", spent * 100.0)
}

/// Where a course may be entered.
pub fn enter_at(stage: &str) -> String {
    format!(
        "\u{201c}{stage}\u{201d} is a good place to begin. Enter begins there from now on, Esc leaves everything as it is."
    )
}

/// What the plain reaction is.
pub fn reaction(ms: u32) -> String {
    format!(
        "Your plain reaction is {}. Enter keeps it, Esc leaves everything as it is.",
        seconds(ms)
    )
}

/// Over a learner's progress; nobody is called by a name that nobody gave.
pub fn how_it_goes(learner: Option<&str>) -> String {
    match learner {
        Some(name) => format!("{name}, how it goes"),
        None => "How it goes".to_owned(),
    }
}

/// What a note was taken for.
pub fn taken_for(name: &str, times: u32) -> String {
    format!(
        "Taken for {name} {}, drawn beside it.",
        plural(times, "time")
    )
}

/// Over one staff of the progress page.
pub fn staff_of(clef: Clef) -> String {
    let mut name = clef.spoken().to_owned();
    if let Some(first) = name.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    format!("{name}: seconds on a new day")
}

/// What the signs at the bars mean.
pub fn bars(limit: char, settled: &str) -> String {
    format!("{limit} so far is quick reading for you   {settled} settled")
}

/// Which microphone is listened to.
pub fn listening_by(device: &str) -> String {
    format!("Listening by: {device}")
}

/// How loud it is.
pub fn level(bar: &str, figure: &str) -> String {
    format!("Level {bar} {figure}")
}

/// The guided tuning check.
pub mod tuning {
    /// Ask for another key.
    pub const NEXT: &str = "next";
    /// Back to the key before.
    pub const BEFORE: &str = "before";
    /// Keys are named by sound, and none is asked.
    pub const ANY: &str = "any order";
    /// The last strike was the key that is asked.
    pub const INSIST: &str = "it was that";
    /// Leave, and report what was read.
    pub const END: &str = "report";
    /// Where in the strip of keys the octaves begin.
    pub const STRIP_FOOT: &str = "      A0     C2    C3    C4    C5    C6    C7    C8";

    /// What the signs of the strip mean: of what was struck, and of what was not.
    pub const STRIP_SIGNS: [&str; 2] = ["* kept  x hardly sounds", "? asked  . to come"];
    /// There is nothing to insist on.
    pub const KEPT_ALREADY: &str =
        "That one is kept already: this is for a note that was taken for another key.";
    /// The same before anything was struck for the key that is asked.
    pub const NOTHING_TO_TAKE: &str =
        "Nothing was struck yet that could be that key: play it first.";

    /// Where a note is written that lies beyond the staves: `octaves` lower than it sounds, or higher if negative.
    pub fn written(octaves: i16) -> String {
        match octaves {
            0 => String::new(),
            1 => ", written an octave lower".to_owned(),
            -1 => ", written an octave higher".to_owned(),
            more if more > 0 => format!(", written {more} octaves lower"),
            less => format!(", written {} octaves higher", -less),
        }
    }

    /// What is asked: a key, any key, or nothing more; and how many are kept.
    pub fn asks(key: Option<&str>, free: bool, kept: usize, all: usize) -> String {
        let asked = match key {
            Some(key) => format!("Play {key} and hold it."),
            None if free => "Play any key and hold it.".to_owned(),
            None => "All is played.".to_owned(),
        };
        format!("{asked}   {kept} of {all} kept")
    }

    /// The device runs at another rate than it said.
    pub fn other_rate(rate: u32) -> String {
        format!(
            "The device runs at {rate} samples a second, and said otherwise: it is read at {rate}."
        )
    }
}

/// What the feet of the screens offer, in a word or two each.
pub mod foot {
    /// One up in a list.
    pub const BEFORE: &str = "before";
    /// One down in a list.
    pub const AFTER: &str = "after";
    /// The value before.
    pub const VALUE_BEFORE: &str = "value before";
    /// The value after.
    pub const VALUE_AFTER: &str = "value after";
    /// Go on.
    pub const GO_ON: &str = "go on";
    /// End the sitting.
    pub const END: &str = "end";
    /// Keep what was found.
    pub const KEEP: &str = "keep it";
    /// Leave the program.
    pub const LEAVE: &str = "leave";
    /// To the page before.
    pub const BACK: &str = "back";
    /// To the home screen.
    pub const HOME: &str = "home";
    /// Begin the sitting.
    pub const BEGIN: &str = "begin";
    /// Measure the plain reaction.
    pub const MEASURE: &str = "measure reaction";
    /// Find where to begin.
    pub const PLACEMENT: &str = "I read already";
    /// How it goes.
    pub const PROGRESS: &str = "progress";
    /// The settings.
    pub const SETTINGS: &str = "settings";
    /// The keys.
    pub const KEYS: &str = "keys";
    /// Why a note comes.
    pub const WHY: &str = "why";
    /// The other views of the progress.
    pub const VIEWS: &str = "staff, list, weeks, ear";
    /// The drawn keyboard.
    pub const KEYBOARD: &str = "keyboard";
    /// Hear the note.
    pub const HEAR: &str = "hear";
    /// The name of a note.
    pub const NAME: &str = "name";
    /// Accidentals.
    pub const ACCIDENTALS: &str = "sharp, flat";
    /// A note chosen on the staff.
    pub const ON_STAFF: &str = "on the staff";
    /// Take a verdict back.
    pub const UNDO: &str = "undo";
    /// Rest.
    pub const REST: &str = "rest";
}

/// What the keys do, a line each.
pub mod keys {
    /// Tab.
    pub const KEYBOARD: &str = "show or hide the drawn keyboard, which takes the mouse; on the progress screen staff, list, weeks, ear";
    /// Space.
    pub const HEAR: &str = "hear the note again";
    /// Letters.
    pub const NAME: &str = "the name of the note";
    /// Answers that are listed.
    pub const CHOOSE: &str = "choose a listed answer";
    /// The arrows, as they are written.
    pub const ARROWS: &str = "Up Down";
    /// The arrows and the key that gives what they chose.
    pub const ARROWS_AND_ENTER: &str = "Up Down Enter";
    /// The arrows on the staff.
    pub const ON_STAFF: &str = "choose a heard note on the staff; Enter gives it";
    /// Accidentals.
    pub const ACCIDENTALS: &str = "sharp, flat, before the letter; also the arrows up and down";
    /// Backspace.
    pub const UNDO: &str =
        "take a misheard or mistyped verdict of the last two prompts out of the record";
    /// The table itself.
    pub const KEYS: &str = "these keys";
    /// Escape.
    pub const REST: &str = "rest; once more ends the sitting; leaves a page";
    /// The arrows to the sides, as they are written.
    pub const SIDES: &str = "Left Right";
    /// The arrows to the sides.
    pub const VALUES: &str = "another value of the chosen setting";
    /// Settings.
    pub const SETTINGS: &str = "settings, from the home screen";
    /// Progress.
    pub const PROGRESS: &str = "progress, from the home screen";
    /// Why.
    pub const WHY: &str = "why the chosen note comes, on the progress screen";
    /// Placement.
    pub const PLACEMENT: &str = "find where to begin if you read already, from the home screen";
    /// Reaction.
    pub const MEASURE: &str = "measure your plain reaction, from the home screen";
    /// Enter.
    pub const ENTER: &str = "begin, go on, choose";
    /// Leave.
    pub const QUIT: &str = "leave; what was answered is kept";
}
