//! Home, progress, settings and the way into a course in words: a line out, a line in.

use std::io::{BufRead, Write};

use super::plain;
use crate::shell::desk::DeskError;
use crate::shell::home::Home;
use crate::shell::progress::Progress;
use crate::shell::settings::definition;
use crate::shell::sound::Sound;
use crate::shell::store::StoreError;
use crate::shell::term::screens::quiz::{Finding, Quiz};
use crate::shell::wish::Wish;
use crate::shell::words::{Wording, plain as words};

/// What the home screen needs beside the learner.
pub struct House<'a> {
    /// How notes are written.
    pub wording: &'a dyn Fn(&Home) -> Wording,
    /// The sound of a sitting.
    pub sound: &'a dyn Fn(&Home) -> Result<Sound, StoreError>,
    /// Nobody has said whose practice it is.
    pub ask_who: bool,
}

/// Runs until the learner leaves or the input ends.
pub fn run(
    home: &mut Home,
    house: &House,
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> Result<(), DeskError> {
    let names = home.learners()?;
    if house.ask_who && names.len() > 1 {
        let all = names.join(", ");
        loop {
            let Some(name) = ask(&words::who(&all, home.learner_name()), input, output)? else {
                return Ok(());
            };
            if name.is_empty() {
                break;
            }
            match home.turn_to(&name) {
                Ok(()) => break,
                Err(error) => writeln!(output, "{error}")?,
            }
        }
    }
    here(home, output)?;
    loop {
        let Some(line) = ask(words::MENU, input, output)? else {
            return Ok(());
        };
        let (first, rest) = line.split_once(' ').unwrap_or((&line, ""));
        match (first, rest.trim()) {
            ("" | "begin", _) => {
                let mut wish = Wish::by(home.settings());
                wish.timed = false;
                let sound = (house.sound)(home)?;
                let mut desk = home.sitting(&wish, (house.wording)(home), None, sound)?;
                if plain::run(&mut desk, input, output)?.is_none() {
                    return Ok(());
                }
            }
            ("home", _) => here(home, output)?,
            ("progress", _) => {
                for line in Progress::of(home)?.lines((house.wording)(home)) {
                    writeln!(output, "{line}")?;
                }
            }
            ("why", note) => {
                let progress = Progress::of(home)?;
                match progress.find(note, (house.wording)(home)) {
                    Some(item) => {
                        for line in progress.why(item, (house.wording)(home)) {
                            writeln!(output, "{line}")?;
                        }
                    }
                    None => writeln!(output, "{}", words::no_item(note))?,
                }
            }
            ("settings" | "set", pair) => set(home, pair, output)?,
            ("?" | "help", _) => {
                for line in words::COMMANDS {
                    writeln!(output, "{line}")?;
                }
            }
            ("place", _) => {
                let quiz = home.placement((house.wording)(home))?;
                if !place(home, quiz, input, output)? {
                    return Ok(());
                }
            }
            ("leave" | "quit" | "stop", _) => return Ok(()),
            (other, _) => writeln!(output, "{}", words::not_understood(other))?,
        }
    }
}

/// Sets what `pair` says, `NAME VALUE`; shows the one setting that is named alone, or all.
fn set(home: &mut Home, pair: &str, output: &mut dyn Write) -> Result<(), DeskError> {
    if let Some((name, value)) = pair.split_once(' ') {
        match home.set(name, value.trim()) {
            Ok(()) => writeln!(output, "{name} = {}", value.trim())?,
            Err(refused) => writeln!(output, "{refused}")?,
        }
        return Ok(());
    }
    let wanted = match pair {
        "" => None,
        name => match definition(name) {
            Ok(definition) => Some(definition.name),
            Err(refused) => {
                writeln!(output, "{refused}")?;
                return Ok(());
            }
        },
    };
    for shown in home.settings().shown() {
        if wanted.is_none_or(|wanted| wanted == shown.name) {
            writeln!(output, "{}", words::setting(&shown))?;
        }
    }
    Ok(())
}

/// Where the learner stands.
fn here(home: &mut Home, output: &mut dyn Write) -> Result<(), DeskError> {
    let today = home.today()?;
    writeln!(output, "{}", today.sentence())?;
    let marked = today.four_weeks().into_iter().filter(|day| *day).count();
    writeln!(output, "{}", words::four_weeks(marked))?;
    for (now, name, days) in today.stage_lines() {
        writeln!(output, "{}", words::stage(now, &name, &days))?;
    }
    Ok(())
}

/// Where someone who reads already may enter; `false` when the input ended.
fn place(
    home: &mut Home,
    mut quiz: Quiz,
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> Result<bool, DeskError> {
    writeln!(output, "{}", words::PLACE)?;
    quiz.begin();
    while let Some(asked) = quiz.asked_in_words() {
        let Some(line) = ask(&format!("{asked}: "), input, output)? else {
            return Ok(false);
        };
        if line == "stop" {
            return Ok(true);
        }
        match plain::parse(&line, home.names(), quiz.key()) {
            Some(name) => writeln!(output, "{}", quiz.named_untimed(name))?,
            None => {
                let names = plain::examples(home.names());
                writeln!(output, "{}", words::no_name(&line, &names))?;
            }
        }
    }
    writeln!(output, "{}", quiz.after())?;
    let Some(line) = ask(words::ENTER_THERE, input, output)? else {
        return Ok(false);
    };
    let finding = match line.as_str() {
        "yes" => quiz.finding(),
        _ => Finding::Nothing,
    };
    home.keep(&finding)?;
    Ok(true)
}

/// Asks; `None` when the input has ended.
fn ask(
    question: &str,
    input: &mut dyn BufRead,
    output: &mut dyn Write,
) -> Result<Option<String>, DeskError> {
    write!(output, "{question}")?;
    output.flush()?;
    let mut line = String::new();
    if input.read_line(&mut line)? == 0 {
        writeln!(output)?;
        return Ok(None);
    }
    Ok(Some(line.trim().to_owned()))
}
