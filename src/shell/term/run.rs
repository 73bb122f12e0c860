//! The full-screen program: keys and time come in one at a time, the screen is drawn after each.

use std::io::Write;
use std::io::{self, Stdout};
use std::sync::mpsc::RecvTimeoutError;
use std::time::Duration;

use crossterm::event::{Event as Input, KeyEventKind, MouseButton, MouseEventKind};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::buffer::Buffer;

use super::guard::Guard;
use super::keys::{Action, action};
use super::pixels::{self, Easel, Look};
use super::screens::{help, home, practice, summary, who};
use crate::drill::Typing;
use crate::shell::desk::{Desk, DeskError};
use crate::shell::locale;
use crate::shell::today::Today;

/// How often the clock on the screen moves while nothing happens.
const TICK: Duration = Duration::from_millis(250);

/// What the full-screen program needs of the rest.
pub trait Host {
    /// Everyone who may be here, when it is not clear who is, and which of them practised last.
    fn who(&mut self) -> Result<Option<(Vec<String>, usize)>, DeskError>;
    /// `name` is here.
    fn here(&mut self, name: &str) -> Result<(), DeskError>;
    /// Where the learner stands now.
    fn today(&mut self) -> Result<Today, DeskError>;
    /// A sitting, ready to begin.
    fn sitting(&mut self) -> Result<Desk, DeskError>;
    /// ASCII alone.
    fn ascii(&self) -> bool;
    /// How the staff is shown.
    fn look(&self) -> Look;
}

/// The page being shown.
enum Page {
    Who { names: Vec<String>, at: usize },
    Home(Box<Today>),
    Practice(Box<Practice>),
    Summary { heading: String, lines: Vec<String> },
}

/// A sitting on the screen.
pub struct Practice {
    /// The sitting.
    pub desk: Desk,
    /// What is typed of a name.
    pub typing: Typing,
    /// The drawn keyboard stays.
    pub keyboard: bool,
    /// Why there is no sound, until the first answer.
    pub silent: Option<&'static str>,
}

/// Runs until the learner leaves. `start_now` goes to practice without the home screen.
/// Returns whether the last sitting came to its end.
pub fn run(host: &mut dyn Host, start_now: bool) -> Result<(), DeskError> {
    let mut page = if start_now {
        begin(host)?
    } else if let Some((names, at)) = host.who()? {
        Page::Who { names, at }
    } else {
        home_page(host)?
    };
    let guard = Guard::take()?;
    let mut terminal = Terminal::new(CrosstermBackend::new(io::stdout()))?;
    let look = host.look();
    let inputs = pixels::listen(true);
    let mut easel = Easel::new(look);
    let mut asked = false;
    let mut helping = false;
    let result = loop {
        if let Err(error) = draw(&mut terminal, &page, helping, host.ascii(), &mut easel) {
            break Err(error);
        }
        // The terminal is asked what it can show when the first frame stands.
        if !std::mem::replace(&mut asked, true) {
            let questions = pixels::questions(look.asks_about_pictures());
            let out = terminal.backend_mut();
            out.write_all(questions.as_bytes())?;
            Write::flush(out)?;
        }
        if let Page::Practice(state) = &mut page
            && let Some(fault) = state.desk.sound_fault()
        {
            state.silent = Some(fault);
            continue;
        }
        // Response time counts from the first draw of a prompt.
        if let Page::Practice(state) = &mut page
            && !state.desk.sitting().paused()
            && let Err(error) = state.desk.drawn()
        {
            break Err(error);
        }
        let input = match inputs.recv_timeout(TICK) {
            Ok(pixels::Input::Event(input)) => input,
            Ok(pixels::Input::Told(heard)) => {
                let size = terminal.size()?;
                easel.told(&heard, (size.width, size.height));
                continue;
            }
            Err(RecvTimeoutError::Timeout) => continue,
            // The terminal is gone: what was answered is kept.
            Ok(pixels::Input::Gone) | Err(RecvTimeoutError::Disconnected) => break Ok(()),
        };
        if let Input::Resize(columns, rows) = input {
            easel.resized((columns, rows));
        }
        match step(host, page, &mut helping, &input, &easel) {
            Ok(Some(next)) => page = next,
            Ok(None) => break Ok(()),
            Err(error) => break Err(error),
        }
    };
    drop(guard);
    result
}

fn home_page(host: &mut dyn Host) -> Result<Page, DeskError> {
    Ok(Page::Home(Box::new(host.today()?)))
}

fn begin(host: &mut dyn Host) -> Result<Page, DeskError> {
    let mut desk = host.sitting()?;
    desk.begin()?;
    Ok(Page::Practice(Box::new(Practice {
        desk,
        typing: Typing::default(),
        keyboard: false,
        silent: None,
    })))
}

fn draw(
    terminal: &mut Terminal<CrosstermBackend<Stdout>>,
    page: &Page,
    helping: bool,
    ascii: bool,
    easel: &mut Easel,
) -> Result<(), DeskError> {
    terminal.draw(|frame| {
        match page {
            _ if helping => help::draw(frame),
            Page::Who { names, at } => who::draw(frame, names, *at, ascii),
            Page::Home(today) => home::draw(frame, today, ascii),
            Page::Practice(state) => practice::draw(frame, state, easel),
            Page::Summary { heading, lines } => summary::draw(frame, heading, lines),
        }
        if ascii {
            in_ascii(frame.buffer_mut());
        }
    })?;
    easel.finish(terminal)?;
    Ok(())
}

/// Writes what is left of typographic signs in ASCII; one cell is one character.
fn in_ascii(buffer: &mut Buffer) {
    for cell in &mut buffer.content {
        if !cell.symbol().is_ascii() {
            let ascii = locale::in_ascii(cell.symbol()).into_owned();
            cell.set_symbol(ascii.get(..1).unwrap_or(&ascii));
        }
    }
}

/// Takes one input; `None` leaves the program.
fn step(
    host: &mut dyn Host,
    page: Page,
    helping: &mut bool,
    input: &Input,
    easel: &Easel,
) -> Result<Option<Page>, DeskError> {
    let pressed = match input {
        // Presses only: some terminals report the release as well.
        Input::Key(key) if key.kind != KeyEventKind::Release => action(*key),
        Input::Mouse(mouse) if mouse.kind == MouseEventKind::Down(MouseButton::Left) => {
            if let Page::Practice(mut state) = page {
                practice::click(&mut state, easel, mouse.column, mouse.row)?;
                return after(state);
            }
            return Ok(Some(page));
        }
        _ => None,
    };
    let Some(pressed) = pressed else {
        return Ok(Some(page));
    };
    if std::mem::take(helping) {
        return Ok((pressed != Action::Quit).then_some(page));
    }
    match (page, pressed) {
        (_, Action::Quit) => Ok(None),
        (page, Action::Help) => {
            *helping = true;
            Ok(Some(page))
        }
        (Page::Who { names, at }, Action::Enter) => {
            host.here(&names[at])?;
            home_page(host).map(Some)
        }
        (Page::Who { .. }, Action::Pause) => Ok(None),
        (Page::Who { names, at }, pressed) => {
            let at = who::moved(at, names.len(), pressed);
            Ok(Some(Page::Who { names, at }))
        }
        (Page::Home(_), Action::Enter) => begin(host).map(Some),
        (Page::Home(_), Action::Pause) => Ok(None),
        (Page::Summary { .. }, Action::Enter) => home_page(host).map(Some),
        (Page::Summary { .. }, Action::Pause) => Ok(None),
        (Page::Practice(mut state), pressed) => {
            practice::act(&mut state, pressed)?;
            after(state)
        }
        (page, _) => Ok(Some(page)),
    }
}

/// Goes on, or shows the summary when the sitting is over.
fn after(state: Box<Practice>) -> Result<Option<Page>, DeskError> {
    if let Some(summary) = state.desk.view().summary.clone() {
        return Ok(Some(Page::Summary {
            heading: state.desk.heading(),
            lines: state.desk.closing_lines(&summary),
        }));
    }
    Ok(Some(Page::Practice(state)))
}
