//! `course`: what courses there are, what is in them, and which one is in use.

use std::path::Path;
use std::process::ExitCode;

use anyhow::anyhow;
use serde_json::json;

use super::args::{Cli, CourseCommand};
use super::{say, say_row, unfinished, warn, write};
use crate::shell::home::Home;
use crate::shell::today::called;
use crate::shell::words::{fault, nearest, plural};
use crate::study::{Course, Stage};

/// Runs the command.
pub(super) fn run(cli: &Cli, command: &CourseCommand) -> anyhow::Result<ExitCode> {
    match command {
        CourseCommand::List { json } => list(cli, *json),
        CourseCommand::Show { course, json } => show(cli, course.as_deref(), *json),
        CourseCommand::New { file, force } => {
            use std::io::Write;
            let (id, text) = own(file);
            write::whole(file, *force, |out| out.write_all(text.as_bytes()))?;
            say(&format!(
                "Wrote '{}'. Change it as you like, then: stavelark course check {0}",
                file.display()
            ))?;
            if let Some(built_in) = id.strip_suffix(OWN) {
                say(&format!(
                    "Its id is '{id}': '{built_in}' is the built-in course's."
                ))?;
            }
            Ok(ExitCode::SUCCESS)
        }
        CourseCommand::Check { file } => {
            let text = read(file)?;
            match Course::read(&file.display().to_string(), &text) {
                Ok(course) => {
                    say(&format!(
                        "'{}' is in order: {}, {}.",
                        file.display(),
                        plural(course.stages.len() as u32, "stage"),
                        plural(days(&course), "day")
                    ))?;
                    Ok(ExitCode::SUCCESS)
                }
                Err(problems) => {
                    for problem in &problems {
                        warn(&problem.to_string());
                    }
                    if problems.len() > 1 {
                        warn(&plural(problems.len() as u32, "mistake"));
                    }
                    Ok(unfinished())
                }
            }
        }
        CourseCommand::Use { course } => {
            let mut home = Home::open(cli.learner.as_deref())?;
            if in_use(&home, course) {
                say(&words_in_use(&home))?;
                return Ok(ExitCode::SUCCESS);
            }
            let (text, found) = load(&mut home, course)?;
            let file = text.as_deref().map(|text| (course.as_str(), text));
            home.use_course(&found, file)?;
            say(&format!(
                "{} now follows \u{201c}{}\u{201d}: {}, {}. Marks of stages it shares with the course before stay.",
                who(&home),
                found.name,
                plural(found.stages.len() as u32, "stage"),
                plural(days(&found), "day")
            ))?;
            Ok(ExitCode::SUCCESS)
        }
    }
}

/// Added to the id of a course that is called like a built-in one.
const OWN: &str = "-own";

/// The built-in course as one of the user's own, called after its file, and its id: two courses of one name could not be
/// told apart.
fn own(file: &Path) -> (String, String) {
    let text = Course::built_in_text("groundwork").expect("groundwork is built in");
    let stem = file.file_stem().unwrap_or_default().to_string_lossy();
    let sign = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let mut id: String = stem.chars().map(sign).collect();
    let mut name = stem.trim().to_owned();
    if Course::built_in_text(&id).is_some() {
        name = format!("My {name}");
        id.push_str(OWN);
    }
    let mut first = name.chars();
    let name: String = first
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .chain(first)
        .collect();
    // A name may hold what ends a text in a file.
    let name = toml::Value::String(name);
    let lines = text.lines().map(|line| match line {
        "id = \"groundwork\"" => format!("id = \"{id}\"\n"),
        "name = \"Groundwork\"" => format!("name = {name}\n"),
        line => format!("{line}\n"),
    });
    let text = lines.collect();
    (id, text)
}

/// Whether `name` is the course in use, taken from a file that may have gone.
fn in_use(home: &Home, name: &str) -> bool {
    home.course().id == name && Course::built_in_text(name).is_none() && !Path::new(name).exists()
}

fn words_in_use(home: &Home) -> String {
    format!(
        "{} follows \u{201c}{}\u{201d} already. After a change to its file: stavelark course use FILE",
        who(home),
        home.course().name
    )
}

/// Who practises; nobody is called by a name that nobody gave.
fn who(home: &Home) -> &str {
    called(home.learner_name()).unwrap_or("Practice")
}

fn days(course: &Course) -> u32 {
    course.stages.iter().map(|stage| stage.days).sum()
}

/// A built-in course, one from a file, or one that was followed before.
fn load(home: &mut Home, name: &str) -> anyhow::Result<(Option<String>, Course)> {
    if let Some(text) = Course::built_in_text(name) {
        return Ok((None, Course::parse(name, text)?));
    }
    let path = Path::new(name);
    if !path.exists() {
        if let Some(text) = home.kept_course(name)? {
            let course = Course::parse(name, &text)?;
            return Ok((Some(text), course));
        }
        let own = home.own_courses()?.into_iter().map(|course| course.id);
        let ids: Vec<String> = Course::built_in_ids()
            .map(str::to_owned)
            .chain(own)
            .collect();
        return Err(anyhow!(
            "there is no course '{name}', neither built in nor as a file{}",
            nearest(name, ids.iter().map(String::as_str))
        ));
    }
    let text = read(path)?;
    let course = Course::parse(name, &text)?;
    Ok((Some(text), course))
}

fn read(path: &Path) -> anyhow::Result<String> {
    super::read::there(path)?;
    std::fs::read_to_string(path).map_err(|error| {
        anyhow!(
            "cannot read '{}' ({}): check the name, and that it is a text file",
            path.display(),
            fault(&error)
        )
    })
}

fn list(cli: &Cli, json: bool) -> anyhow::Result<ExitCode> {
    let mut home = Home::open(cli.learner.as_deref())?;
    let in_use = home.course().id.clone();
    let own = home.own_courses()?;
    let built_in = Course::built_in_ids().filter_map(Course::built_in);
    let all: Vec<Course> = built_in.chain(own.iter().cloned()).collect();
    let widest = |text: &dyn Fn(&Course) -> String| {
        let widths = all.iter().map(|course| text(course).chars().count());
        widths.max().unwrap_or(0)
    };
    let stages = |course: &Course| plural(course.stages.len() as u32, "stage");
    let [ids, names, counts] = [
        widest(&|course| course.id.clone()),
        widest(&|course| course.name.clone()),
        widest(&stages),
    ];
    for course in &all {
        let id = course.id.as_str();
        let from_file = own.iter().any(|own| own.id == id);
        if json {
            say_row(&json!({"id": id, "name": course.name, "stages": course.stages.len(), "days": days(course), "in_use": id == in_use}).to_string())?;
        } else {
            let sign = if id == in_use { '>' } else { ' ' };
            say(&format!(
                "{sign} {id:<ids$}  {:<names$}  {:>counts$}, {}{}",
                course.name,
                stages(course),
                plural(days(course), "day"),
                if from_file { ", from a file" } else { "" }
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn show(cli: &Cli, name: Option<&str>, json: bool) -> anyhow::Result<ExitCode> {
    let course = match name {
        Some(name) => {
            let mut home = Home::open(cli.learner.as_deref())?;
            if in_use(&home, name) {
                home.course().clone()
            } else {
                load(&mut home, name)?.1
            }
        }
        None => Home::open(cli.learner.as_deref())?.course().clone(),
    };
    if !json {
        say(&format!("{} ({})", course.name, course.id))?;
    }
    for stage in &course.stages {
        let items = stage.items();
        if json {
            let items: Vec<String> = items.iter().map(ToString::to_string).collect();
            let tasks: Vec<String> = stage.tasks.iter().map(ToString::to_string).collect();
            say_row(&json!({"id": stage.id, "name": stage.name, "kind": stage.kind.word(), "tasks": tasks, "days": stage.days, "minutes": stage.minutes, "least_answers": stage.least_answers, "items": items}).to_string())?;
        } else {
            say(&format!(
                "  {:<24} {}: {}, {} days, {} minutes a day",
                stage.id,
                stage.name,
                asked(stage, items.len()),
                stage.days,
                stage.minutes
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// How much a stage asks: notes, or tasks of notes.
fn asked(stage: &Stage, notes: usize) -> String {
    let by_ear = if stage.kind.prompt().is_some() {
        " by ear"
    } else {
        ""
    };
    match stage.tasks.len() {
        0 => format!("{notes} notes{by_ear}"),
        tasks => format!("{tasks} tasks{by_ear}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_course_is_called_after_its_file_and_is_in_order() {
        for (file, id, name) in [
            ("autumn.toml", "autumn", "Autumn"),
            ("my course.toml", "my-course", "My course"),
            ("a \"b\".toml", "a--b-", "A \"b\""),
            ("groundwork.toml", "groundwork-own", "My groundwork"),
        ] {
            let course = Course::parse(file, &own(Path::new(file)).1).unwrap();
            assert_eq!((course.id.as_str(), course.name.as_str()), (id, name));
            assert_eq!(
                course.stages,
                Course::built_in("groundwork").unwrap().stages
            );
        }
    }
}
