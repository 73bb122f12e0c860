//! Practice in words at a live piano: lines out, notes in; a line typed still answers, and alone does when nothing is heard.

use std::io::{self, BufRead, Write};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::plain::{put, take, tell, without_keys};
use crate::drill::{Event, Rest, Summary};
use crate::shell::desk::{Desk, DeskError};
use crate::shell::ear::{EarNews, Hands, Tell};
use crate::shell::sound::SOON;
use crate::shell::words::place_in_words;
use crate::study::AnswerWay;

/// How often time is looked at while nothing happens.
const TICK: Duration = Duration::from_millis(250);

enum Arrival {
    Line(String),
    Ear(EarNews),
    /// No more lines will come.
    NoMoreLines,
}

/// Runs the sitting on standard input, `output` and the ear that `start` begins. `None` when neither lines nor notes can
/// come any more.
pub(super) fn run(
    desk: &mut Desk,
    start: impl FnOnce(&mut Desk, Tell) -> Hands,
    output: &mut dyn Write,
) -> Result<Option<Summary>, DeskError> {
    writeln!(
        output,
        "{}\n{} the answer, or write it. Empty line: hear or read it again. back: take the last verdict back. stop: end.",
        desk.heading(),
        match desk.sitting().way() {
            AnswerWay::Voice => "Sing",
            _ => "Play",
        }
    )?;
    desk.begin()?;
    let (arrive, arrivals) = channel();
    let from_ear = arrive.clone();
    let mut hands = start(
        desk,
        Box::new(move |news| from_ear.send(Arrival::Ear(news)).is_ok()),
    );
    std::thread::spawn(move || lines(&arrive));
    let mut told = Told::default();
    let mut lines = true;
    loop {
        hands.pass_time(desk)?;
        desk.attend_to_sound()?;
        told.news(desk, &hands, output)?;
        if let Some(summary) = desk.view().summary.clone() {
            for line in desk.closing_lines(&summary) {
                writeln!(output, "{line}")?;
            }
            return Ok(Some(summary));
        }
        told.prompt(desk, &hands, output)?;
        if !desk.sitting().paused() {
            desk.drawn()?;
        }
        let tick = if desk.is_about_to_sound() { SOON } else { TICK };
        match arrivals.recv_timeout(tick) {
            Ok(Arrival::Ear(news)) => hands.take(&news, desk)?,
            Ok(Arrival::Line(line)) => match line.trim() {
                "" if desk.sitting().paused() => desk.go_on()?,
                line => take(desk, line, output)?,
            },
            Ok(Arrival::NoMoreLines) => lines = false,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => lines = false,
        }
        if !lines && hands.deaf() {
            desk.on(Event::Stop)?;
            return Ok(None);
        }
    }
}

/// What was written last, so that nothing is written twice.
#[derive(Default)]
struct Told {
    verdicts: u32,
    said: Option<&'static str>,
    notice: Option<String>,
    shown: Option<Shown>,
}

/// What is there to be answered: a rest or a prompt, once more after each verdict; whether it is listened to, and the key
/// that is asked by its place.
type Shown = (Option<Rest>, u32, u32, bool, Option<usize>);

impl Told {
    /// Writes what has happened.
    fn news(
        &mut self,
        desk: &mut Desk,
        hands: &Hands,
        output: &mut dyn Write,
    ) -> Result<(), DeskError> {
        if let Some(fault) = desk.sound_fault() {
            writeln!(output, "{fault}")?;
        }
        let says = hands.says(desk);
        if says != self.said {
            self.said = says;
            if let Some(says) = says {
                writeln!(output, "{says}")?;
            }
        }
        self.verdicts = tell(desk, self.verdicts, output)?;
        if desk.view().notice != self.notice {
            self.notice.clone_from(&desk.view().notice);
            if let Some(notice) = &self.notice {
                writeln!(output, "{notice}")?;
            }
        }
        Ok(())
    }

    /// Writes what is there to be answered.
    fn prompt(
        &mut self,
        desk: &Desk,
        hands: &Hands,
        output: &mut dyn Write,
    ) -> Result<(), DeskError> {
        let rest = desk.sitting().rest();
        let place = desk.place_asked();
        let now = (
            rest,
            desk.view().number,
            self.verdicts,
            hands.listening(),
            place,
        );
        if self.shown.replace(now) == Some(now) {
            return Ok(());
        }
        for line in place.into_iter().flat_map(place_in_words) {
            writeln!(output, "{line}")?;
        }
        match (rest, desk.view().item) {
            (Some(rest), _) => {
                let unheard = desk.unheard().map(without_keys);
                let words = unheard.unwrap_or_else(|| without_keys(&hands.rest_in_words(rest)));
                writeln!(output, "{words}")?;
            }
            (None, Some(_)) => writeln!(output, "{}", put(desk).unwrap_or_default())?,
            (None, None) => {}
        }
        output.flush()?;
        Ok(())
    }
}

fn lines(arrive: &Sender<Arrival>) {
    for line in io::stdin().lock().lines() {
        let Ok(line) = line else { break };
        if arrive.send(Arrival::Line(line)).is_err() {
            return;
        }
    }
    let _nobody_left = arrive.send(Arrival::NoMoreLines);
}
