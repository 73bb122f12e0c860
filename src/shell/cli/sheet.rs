//! `sheet`: pages to pin up, to cut out or to read from, as PDF or SVG.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::bail;
use clap::{Args, ValueEnum};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::args::Cli;
use super::write;
use crate::engrave::{Document, pdf_document, svg_document};
use crate::report::sheet::{Paper, StageDays, Style, cards, days, names, rows};
use crate::shell::clock;
use crate::shell::home::Home;
use crate::shell::today::called;
use crate::shell::wish::Wish;
use crate::study::{Item, PromptKind, Stage};

/// Which sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// Lines and spaces with their names, and the keyboard beside the staff.
    Names,
    /// The course as a strip to pin up, kept days filled in.
    Days,
    /// Flash cards of a stage to cut out, for printing on both sides.
    Cards,
    /// Notes of a stage in rows, with the answers on another page.
    Rows,
}

/// Size of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum PaperArg {
    /// 210 by 297 mm.
    #[default]
    A4,
    /// 8½ by 11 inches.
    Letter,
}

impl From<PaperArg> for Paper {
    fn from(arg: PaperArg) -> Paper {
        match arg {
            PaperArg::A4 => Paper::A4,
            PaperArg::Letter => Paper::Letter,
        }
    }
}

/// What `sheet` is given.
#[derive(Debug, Args)]
pub struct SheetArgs {
    /// Which sheet.
    #[arg(value_enum)]
    pub kind: Kind,
    /// Where to; its ending, .pdf or .svg, says the form.
    pub file: PathBuf,
    /// The paper.
    #[arg(long, value_enum, default_value_t)]
    pub paper: PaperArg,
    /// Large print.
    #[arg(long)]
    pub large: bool,
    /// The stage of cards and rows, by its id; the one whose turn it is unless said.
    #[arg(long)]
    pub stage: Option<String>,
    /// Draws the same rows again.
    #[arg(long)]
    pub seed: Option<u64>,
    /// Write over a file that is there.
    #[arg(long)]
    pub force: bool,
}

/// Runs the command.
pub(super) fn run(cli: &Cli, args: &SheetArgs) -> anyhow::Result<ExitCode> {
    let ending = args.file.extension().and_then(|ending| ending.to_str());
    let as_pdf = match ending.map(str::to_ascii_lowercase).as_deref() {
        Some("pdf") => true,
        Some("svg") => false,
        _ => bail!(
            "'{}' ends neither in .pdf nor in .svg: name the file by the form it is to have",
            args.file.display()
        ),
    };
    let mut whole: Option<Document> = None;
    for learner in cli.learner.each() {
        let sheet = one(args, learner)?;
        match &mut whole {
            Some(whole) => whole.pages.extend(sheet.pages),
            None => whole = Some(sheet),
        }
    }
    let Some(document) = whole else {
        bail!("there is nobody to print for: stavelark learner add NAME");
    };
    let bytes = if as_pdf {
        pdf_document(&document)?
    } else {
        svg_document(&document).into_bytes()
    };
    write::whole(&args.file, args.force, |file| file.write_all(&bytes))?;
    write::told(&args.file)?;
    Ok(ExitCode::SUCCESS)
}

fn one(args: &SheetArgs, learner: Option<&str>) -> anyhow::Result<Document> {
    let home = Home::open(learner)?;
    let style = Style {
        paper: args.paper.into(),
        large: args.large,
        names: home.names(),
    };
    let whose = called(home.learner_name()).unwrap_or_default();
    Ok(match args.kind {
        Kind::Names => {
            let today = home.today()?;
            let items: Vec<Item> = today.course.stages.iter().flat_map(Stage::items).collect();
            // Later they would keep counting alive.
            let first = today.course.enter.as_ref();
            let begins = today
                .stage
                .is_some_and(|place| place == 0 || first == Some(&today.course.stages[place].id));
            let phrases = begins.then_some(&today.course.phrases);
            names(style, whose, &items, phrases)
        }
        Kind::Days => {
            let today = home.today()?;
            let stages: Vec<StageDays> = today
                .course
                .stages
                .iter()
                .zip(&today.marks)
                .map(|(stage, kept)| StageDays {
                    stage: stage.clone(),
                    kept: *kept,
                })
                .collect();
            days(style, &today.course.name, &stages, whose)
        }
        Kind::Cards | Kind::Rows => {
            let stage = home.stage(&Wish {
                stage: args.stage.clone(),
                ..Wish::by(home.settings())
            })?;
            if stage.kind.prompt() == Some(PromptKind::Ear) {
                bail!(
                    "the stage '{}' is for the ear, and there is nothing of it to print: choose another with --stage (`stavelark course show` lists them)",
                    stage.id
                );
            }
            let now = clock::now().as_millisecond().cast_unsigned();
            let mut chance = ChaCha8Rng::seed_from_u64(args.seed.unwrap_or(now));
            if args.kind == Kind::Cards {
                cards(style, &stage, &mut chance)
            } else {
                rows(style, &stage, whose, &mut chance)
            }
        }
    })
}
