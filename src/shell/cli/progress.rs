//! `progress`: marks, speed and accuracy per item, days, confusions, a forecast; `--why` says why an item comes; `--html`,
//! `--pdf` and `--week` hand it on.

use std::io::Write;
use std::process::ExitCode;

use serde_json::{Value, json};

use super::args::{Cli, ProgressArgs};
use super::practice::ascii;
use super::{say, say_row, unfinished, warn, write};
use crate::engrave::pdf_document;
use crate::report::progress::{html, paper, week};
use crate::report::sheet::Style;
use crate::shell::home::Home;
use crate::shell::progress::Progress;
use crate::shell::words::{Wording, plain as words};

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &ProgressArgs) -> anyhow::Result<ExitCode> {
    // Before anything is written.
    if let Some(path) = &args.html {
        write::form(path, "--html", &["html", "htm"])?;
    }
    if let Some(path) = &args.pdf {
        write::form(path, "--pdf", &["pdf"])?;
    }
    let mut home = Home::open(cli.learner.as_deref())?;
    let wording = Wording {
        names: home.names(),
        ascii: ascii(cli, home.settings()),
    };
    let progress = Progress::of(&mut home)?;
    if let Some(text) = &args.why {
        let Some(item) = progress.find(text, wording) else {
            warn(&words::no_item(text));
            return Ok(unfinished());
        };
        if args.json {
            say_row(&progress.why_json(item).to_string())?;
        } else {
            for line in progress.why(item, wording) {
                say(&line)?;
            }
        }
        return Ok(ExitCode::SUCCESS);
    }
    if args.json {
        say_row(&whole(&progress).to_string())?;
        return Ok(ExitCode::SUCCESS);
    }
    if args.week {
        for line in week(&progress.facts(wording.names)) {
            say(&line)?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    if args.html.is_some() || args.pdf.is_some() {
        hand_on(args, &progress, wording)?;
        return Ok(ExitCode::SUCCESS);
    }
    for line in progress.lines(wording) {
        say(&line)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Writes what was asked for, the page and the paper.
fn hand_on(args: &ProgressArgs, progress: &Progress, wording: Wording) -> anyhow::Result<()> {
    let facts = progress.facts(wording.names);
    if let Some(path) = &args.html {
        let page = html(&facts);
        write::whole(path, args.force, |file| file.write_all(page.as_bytes()))?;
        write::told(path)?;
    }
    if let Some(path) = &args.pdf {
        let style = Style {
            paper: args.paper.into(),
            large: args.large,
            names: wording.names,
        };
        let bytes = pdf_document(&paper(&facts, style))?;
        write::whole(path, args.force, |file| file.write_all(&bytes))?;
        write::told(path)?;
    }
    Ok(())
}

fn whole(progress: &Progress) -> Value {
    let today = &progress.today;
    let stages: Vec<Value> = today
        .course
        .stages
        .iter()
        .zip(&today.marks)
        .map(|(stage, marks)| json!({"id": stage.id, "marks": marks, "days": stage.days}))
        .collect();
    let mut all = json!({
        "learner": today.learner,
        "course": today.course.id,
        "stage": today.stage().map(|stage| &stage.id),
        "stages": stages,
        "taken_back": progress.taken_back,
    });
    if let (Value::Object(all), Value::Object(more)) = (&mut all, progress.json()) {
        all.extend(more);
    }
    all
}
