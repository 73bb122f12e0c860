//! The full-screen program: keys and time come in one at a time, the screen is drawn after each.

use std::io::{self, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use crossterm::event::{Event as Input, KeyEventKind, MouseButton, MouseEventKind};
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::canvas::{Canvas, canvas, whole};
use super::guard::Guard;
use super::keys::{Action, Offer, Table, action, offer, practice_foot};
use super::pixels::{self, Easel, Look};
use super::screens::progress::ProgressPage;
use super::screens::quiz::{Finding, Quiz};
use super::screens::{self, help, home, practice, progress, quiz, settings, summary, who};
use crate::drill::Typing;
use crate::shell::desk::{Desk, DeskError};
use crate::shell::ear::{EarNews, Hands, Tell};
use crate::shell::locale;
use crate::shell::settings::Shown;
use crate::shell::sound::SOON;
use crate::shell::today::Today;
use crate::shell::words::screens::foot;
use crate::study::{Item, Task};
use crate::theory::Pitch;

/// How often the clock on the screen moves while nothing happens.
const TICK: Duration = Duration::from_millis(250);

/// From one picture of a voice to the next.
const PICTURE: Duration = Duration::from_millis(50);

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
    /// The ear of the sitting at `desk`, when it is answered at a piano; it tells its news to `tell`.
    fn hands(&mut self, desk: &mut Desk, tell: Tell) -> Option<Hands>;
    /// How it goes.
    fn progress(&mut self) -> Result<ProgressPage, DeskError>;
    /// A trial of where to begin.
    fn placement(&mut self) -> Result<Quiz, DeskError>;
    /// A trial of the plain reaction, by what the learner answers with; an ear tells its news to `tell`.
    fn measure(&mut self, tell: Tell) -> Result<Quiz, DeskError>;
    /// Keeps what a trial found.
    fn keep(&mut self, finding: &Finding) -> Result<(), DeskError>;
    /// How the drawn keyboard serves.
    fn manner(&self) -> Manner;
    /// The settings.
    fn settings(&self) -> Vec<Shown>;
    /// Sets one.
    fn set(&mut self, name: &str, value: &str) -> Result<(), DeskError>;
    /// ASCII alone.
    fn ascii(&self) -> bool;
    /// How the staff is shown.
    fn look(&self) -> Look;
}

/// How the drawn keyboard serves.
#[derive(Debug, Clone, Copy)]
pub struct Manner {
    /// It always stands beside the staff.
    pub keyboard_stays: bool,
    /// A click gives the very key, not its name alone.
    pub mouse_gives_key: bool,
}

/// The page being shown.
enum Page {
    Who { names: Vec<String>, at: usize },
    Home(Box<Today>),
    Settings { shown: Vec<Shown>, at: usize },
    Practice(Box<Practice>),
    Progress(Box<ProgressPage>),
    Quiz(Box<Quiz>),
    Summary { heading: String, lines: Vec<String> },
}

impl Page {
    /// How letters and digits are read.
    fn table(&self) -> Table {
        match self {
            Page::Practice(state) if state.choosing() => Table::Choices,
            Page::Practice(state) => Table::Names(state.desk.wording().names),
            Page::Quiz(quiz) => Table::Names(quiz.names()),
            _ => Table::Pages,
        }
    }

    /// What the foot offers; what stands first goes first on a narrow screen.
    fn foot(&self) -> Vec<Offer> {
        match self {
            Page::Who { .. } => vec![
                offer("Up", foot::BEFORE, Action::Up),
                offer("Down", foot::AFTER, Action::Down),
                offer("Enter", foot::GO_ON, Action::Enter),
                offer("Esc", foot::LEAVE, Action::Pause),
            ],
            Page::Home(_) => vec![
                offer("m", foot::MEASURE, Action::Measure),
                offer("r", foot::PLACEMENT, Action::Placement),
                offer("p", foot::PROGRESS, Action::Progress),
                offer("s", foot::SETTINGS, Action::Settings),
                offer("?", foot::KEYS, Action::Help),
                offer("Enter", foot::BEGIN, Action::Enter),
                offer("Esc", foot::LEAVE, Action::Pause),
            ],
            Page::Settings { .. } => vec![
                offer("Up", foot::BEFORE, Action::Up),
                offer("Down", foot::AFTER, Action::Down),
                offer("Left", foot::VALUE_BEFORE, Action::Before),
                offer("Right", foot::VALUE_AFTER, Action::After),
                offer("Esc", foot::HOME, Action::Pause),
            ],
            Page::Practice(state) if state.desk.sitting().paused() => vec![
                offer("?", foot::KEYS, Action::Help),
                offer("Enter", foot::GO_ON, Action::Enter),
                offer("Esc", foot::END, Action::Pause),
            ],
            Page::Practice(state) => practice_foot(self.table(), state.on_staff()),
            Page::Progress(page) if page.why => vec![
                offer("Up", foot::BEFORE, Action::Up),
                offer("Down", foot::AFTER, Action::Down),
                offer("Esc", foot::BACK, Action::Pause),
            ],
            Page::Progress(_) => vec![
                offer("Up", foot::BEFORE, Action::Up),
                offer("Down", foot::AFTER, Action::Down),
                offer("Tab", foot::VIEWS, Action::Keyboard),
                offer("w", foot::WHY, Action::Why),
                offer("Esc", foot::HOME, Action::Pause),
            ],
            Page::Quiz(quiz) => quiz.foot(),
            Page::Summary { .. } => vec![
                offer("Enter", foot::HOME, Action::Enter),
                offer("Esc", foot::LEAVE, Action::Pause),
            ],
        }
    }
}

/// A sitting on the screen.
pub struct Practice {
    /// The sitting.
    pub desk: Desk,
    /// What is typed of a name.
    pub typing: Typing,
    /// The drawn keyboard stays.
    pub keyboard: bool,
    /// The prompt at whose miss it was sent away.
    pub keyboard_away: Option<u32>,
    /// A click on it gives the very key.
    pub mouse_gives_key: bool,
    /// Why there is no sound, until the first answer.
    pub silent: Option<&'static str>,
    /// The ear, when it is answered at a piano or by a voice.
    pub hands: Option<Hands>,
    /// The note chosen on the staff so far, where it is only heard, and the prompt it is for.
    pub cursor: Option<(u32, Pitch)>,
}

impl Practice {
    /// The drawn keyboard stands there: for good, or by a miss that is still to be mended.
    pub fn keyboard_shown(&self) -> bool {
        let view = self.desk.view();
        let missed = view.item.is_some_and(|item| {
            let miss = practice::miss(view.feedback.as_ref(), item);
            miss.is_some() && self.keyboard_away != Some(view.number)
        });
        self.keyboard || missed
    }

    /// Sends it away where it stands, else lets it stay.
    pub fn turn_keyboard(&mut self) {
        let shown = self.keyboard_shown();
        self.keyboard = !shown;
        self.keyboard_away = shown.then(|| self.desk.view().number);
    }

    /// Only a choice answers now.
    pub fn choosing(&self) -> bool {
        let item = self.desk.view().item;
        item.is_some_and(|item| item.target().is_none())
    }

    /// The answer may be chosen on the staff.
    pub fn on_staff(&self) -> bool {
        let reaching = |item: Item| matches!(item.task, Some(Task::Reach(..)));
        self.desk.only_heard() || self.desk.view().item.is_some_and(reaching)
    }

    /// The note chosen on the staff for this prompt.
    pub fn placed(&self) -> Option<Pitch> {
        let number = self.desk.view().number;
        self.cursor
            .filter(|(of, _)| *of == number)
            .map(|(_, pitch)| pitch)
    }
}

/// What comes in.
enum Arrival {
    /// A key, the mouse, a size.
    Input(Input),
    /// Something heard.
    Ear(EarNews),
    /// What the terminal says of itself.
    Told(Vec<pixels::Heard>),
    /// The terminal is gone.
    Gone,
}

/// Runs until the learner leaves. `start_now` goes to practice without the home screen.
pub fn run(host: &mut dyn Host, start_now: bool) -> Result<(), DeskError> {
    let (arrive, arrivals) = channel();
    let page = if start_now {
        begin(host, &arrive)?
    } else if let Some((names, at)) = host.who()? {
        Page::Who { names, at }
    } else {
        home_page(host)?
    };
    let guard = Guard::take()?;
    let mut terminal = canvas()?;
    inputs(arrive.clone());
    let mut easel = Easel::new(host.look());
    let result = turn_pages(host, page, &mut terminal, &mut easel, (&arrive, &arrivals));
    // A terminal that is gone shows no picture either.
    let _gone = easel.leave(&mut terminal);
    drop(guard);
    result
}

/// Draws, waits for what comes, takes it, from `page` on until the learner leaves.
fn turn_pages(
    host: &mut dyn Host,
    mut page: Page,
    terminal: &mut Canvas,
    easel: &mut Easel,
    (arrive, arrivals): (&Sender<Arrival>, &Receiver<Arrival>),
) -> Result<(), DeskError> {
    let mut asked = false;
    let mut helping = None;
    let mut pictured = Instant::now();
    let mut followed = false;
    loop {
        // A voice that is followed would have the screen drawn a hundred times a second.
        let soon = std::mem::take(&mut followed) && pictured.elapsed() < PICTURE;
        if !soon {
            pictured = Instant::now();
            easel.set_look(host.look());
            draw(terminal, &page, helping, host.ascii(), easel)?;
        }
        // The terminal is asked what it can show when the first frame stands.
        if !std::mem::replace(&mut asked, true) {
            ask(terminal, host.look())?;
        }
        if !drawn(&mut page)? {
            continue;
        }
        let stepped = match arrivals.recv_timeout(patience(&page)) {
            Ok(Arrival::Input(input)) => {
                let size = terminal.size()?;
                if let Input::Resize(columns, rows) = input {
                    easel.resized((columns, rows));
                    // Drawn anew as a whole, also at the same size: one that came and went between two frames has
                    // cut what stood there. (`clear` would ask the terminal where its cursor is, and wait.)
                    terminal.resize(Rect::new(0, 0, columns, rows))?;
                }
                step(host, page, &mut helping, &input, (size, easel), arrive)?
            }
            Ok(Arrival::Told(heard)) => {
                let size = terminal.size()?;
                easel.told(heard, (size.width, size.height));
                continue;
            }
            Ok(Arrival::Ear(news)) => {
                followed = matches!(news, EarNews::Pitch { .. });
                Some(hear(page, &news)?)
            }
            Err(RecvTimeoutError::Timeout) => continue,
            // The terminal is gone: what was answered is kept.
            Ok(Arrival::Gone) | Err(RecvTimeoutError::Disconnected) => None,
        };
        match stepped {
            Some(next) => page = next,
            None => return Ok(()),
        }
    }
}

/// The page has been drawn: response time counts from the first draw of a prompt. False where it has to be drawn again,
/// because the sound has failed.
fn drawn(page: &mut Page) -> Result<bool, DeskError> {
    match page {
        Page::Practice(state) => {
            if let Some(fault) = state.desk.sound_fault() {
                state.silent = Some(fault);
                return Ok(false);
            }
            if state.desk.attend_to_sound()? {
                return Ok(false);
            }
            if let Some(hands) = &mut state.hands {
                hands.pass_time(&mut state.desk)?;
            }
            if !state.desk.sitting().paused() {
                state.desk.drawn()?;
            }
        }
        Page::Quiz(quiz) => quiz.drawn(),
        _ => {}
    }
    Ok(true)
}

/// How long nothing need come before the page is drawn again.
fn patience(page: &Page) -> Duration {
    let about_to_sound = match page {
        Page::Practice(state) => state.desk.is_about_to_sound(),
        Page::Quiz(quiz) => quiz.is_about_to_sound(),
        _ => false,
    };
    if about_to_sound { SOON } else { TICK }
}

/// Keys, mouse and sizes from a thread of their own.
fn inputs(arrive: Sender<Arrival>) {
    pixels::listen(move |came| {
        let arrival = match came {
            pixels::Input::Event(input) => Arrival::Input(input),
            pixels::Input::Told(heard) => Arrival::Told(heard),
            pixels::Input::Gone => Arrival::Gone,
        };
        arrive.send(arrival).is_ok()
    });
}

/// Asks the terminal for its colours, and what pictures it shows.
fn ask(terminal: &mut Canvas, look: Look) -> io::Result<()> {
    let questions = pixels::questions(look.asks_about_pictures());
    let out = terminal.backend_mut();
    out.write_all(questions.as_bytes())?;
    Write::flush(out)
}

/// Takes what the ear tells.
fn hear(page: Page, news: &EarNews) -> Result<Page, DeskError> {
    let mut state = match page {
        Page::Practice(state) => state,
        Page::Quiz(mut quiz) => {
            quiz.hear(news);
            return Ok(Page::Quiz(quiz));
        }
        page => return Ok(page),
    };
    if let Some(hands) = &mut state.hands {
        hands.take(news, &mut state.desk)?;
    }
    Ok(after(state))
}

fn home_page(host: &mut dyn Host) -> Result<Page, DeskError> {
    Ok(Page::Home(Box::new(host.today()?)))
}

fn begin(host: &mut dyn Host, arrive: &Sender<Arrival>) -> Result<Page, DeskError> {
    let mut desk = host.sitting()?;
    desk.begin()?;
    desk.attend_to_sound()?;
    let arrive = arrive.clone();
    let hands = host.hands(
        &mut desk,
        Box::new(move |news| arrive.send(Arrival::Ear(news)).is_ok()),
    );
    Ok(Page::Practice(Box::new(Practice {
        desk,
        typing: Typing::default(),
        keyboard: host.manner().keyboard_stays,
        keyboard_away: None,
        mouse_gives_key: host.manner().mouse_gives_key,
        silent: None,
        hands,
        cursor: None,
    })))
}

fn draw(
    terminal: &mut Canvas,
    page: &Page,
    helping: Option<usize>,
    ascii: bool,
    easel: &mut Easel,
) -> Result<(), DeskError> {
    whole(terminal, |terminal| {
        terminal.draw(|frame| paint(frame, page, helping, ascii, easel))?;
        easel.finish(terminal)
    })?;
    Ok(())
}

/// Draws one frame; pictures come after it.
fn paint(frame: &mut Frame, page: &Page, helping: Option<usize>, ascii: bool, easel: &mut Easel) {
    match (helping, page) {
        (Some(first), page) => help::draw(frame, page.table(), first),
        (None, Page::Who { names, at }) => who::draw(frame, names, *at),
        (None, Page::Home(today)) => home::draw(frame, today, ascii),
        (None, Page::Settings { shown, at }) => settings::draw(frame, shown, *at),
        (None, Page::Practice(state)) => practice::draw(frame, state, easel),
        (None, Page::Progress(page)) => progress::draw(frame, page, easel),
        (None, Page::Quiz(quiz)) => quiz::draw(frame, quiz, easel),
        (None, Page::Summary { heading, lines }) => summary::draw(frame, heading, lines),
    }
    let offers = match helping {
        Some(_) => help::offers(page.table(), frame.area().as_size()),
        None => page.foot(),
    };
    screens::foot(frame, &offers);
    if ascii {
        in_ascii(frame.buffer_mut());
    }
}

#[cfg(test)]
#[path = "goldens.rs"]
mod goldens;

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
    helping: &mut Option<usize>,
    input: &Input,
    (size, easel): (ratatui::layout::Size, &Easel),
    arrive: &Sender<Arrival>,
) -> Result<Option<Page>, DeskError> {
    let pressed = match input {
        // Presses only: some terminals report the release as well.
        Input::Key(key) if key.kind != KeyEventKind::Release => action(*key, page.table()),
        Input::Mouse(mouse) if mouse.kind == MouseEventKind::Down(MouseButton::Left) => {
            let foot = match *helping {
                Some(_) => help::offers(page.table(), size),
                None => page.foot(),
            };
            if mouse.row + 1 == size.height {
                screens::foot_clicked(&foot, mouse.column, size.width)
            } else if helping.is_some() {
                None
            } else {
                return click(host, page, (size, easel), mouse.column, mouse.row).map(Some);
            }
        }
        _ => None,
    };
    let Some(pressed) = pressed else {
        return Ok(Some(page));
    };
    if let Some(first) = *helping {
        *helping = help::moved(first, page.table(), size, pressed);
        return Ok((pressed != Action::Quit).then_some(page));
    }
    match (page, pressed) {
        (_, Action::Quit) => Ok(None),
        (page, Action::Help) => {
            *helping = Some(0);
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
        (Page::Home(_), Action::Settings) => Ok(Some(Page::Settings {
            shown: host.settings(),
            at: 0,
        })),
        (Page::Home(_), Action::Progress) => Ok(Some(Page::Progress(Box::new(host.progress()?)))),
        (Page::Home(_), Action::Placement) => Ok(Some(Page::Quiz(Box::new(host.placement()?)))),
        (Page::Home(_), Action::Measure) => {
            let arrive = arrive.clone();
            let tell = Box::new(move |news| arrive.send(Arrival::Ear(news)).is_ok());
            Ok(Some(Page::Quiz(Box::new(host.measure(tell)?))))
        }
        (Page::Progress(mut shown), pressed) => {
            if shown.act(pressed) {
                Ok(Some(Page::Progress(shown)))
            } else {
                home_page(host).map(Some)
            }
        }
        (Page::Quiz(mut quiz), pressed) => match quiz.act(pressed) {
            None => Ok(Some(Page::Quiz(quiz))),
            Some(finding) => {
                host.keep(&finding)?;
                home_page(host).map(Some)
            }
        },
        (Page::Settings { .. }, Action::Pause) => home_page(host).map(Some),
        (Page::Settings { shown, at }, Action::Up | Action::Down) => {
            let at = who::moved(at, shown.len(), pressed);
            Ok(Some(Page::Settings { shown, at }))
        }
        (Page::Settings { shown, at }, Action::Before) => change(host, &shown, at, -1).map(Some),
        (Page::Settings { shown, at }, Action::After | Action::Enter) => {
            change(host, &shown, at, 1).map(Some)
        }
        (Page::Home(_), Action::Enter) => begin(host, arrive).map(Some),
        (Page::Home(_), Action::Pause) => Ok(None),
        (Page::Summary { .. }, Action::Enter) => home_page(host).map(Some),
        (Page::Summary { .. }, Action::Pause) => Ok(None),
        (Page::Practice(mut state), pressed) => {
            practice::act(&mut state, pressed)?;
            Ok(Some(after(state)))
        }
        (page, _) => Ok(Some(page)),
    }
}

/// Moves a setting on to another value.
fn change(host: &mut dyn Host, shown: &[Shown], at: usize, by: isize) -> Result<Page, DeskError> {
    if let Some(setting) = shown.get(at) {
        host.set(setting.name, setting.moved(by))?;
    }
    Ok(Page::Settings {
        shown: host.settings(),
        at,
    })
}

/// Takes a click above the foot.
fn click(
    host: &mut dyn Host,
    page: Page,
    (size, easel): (ratatui::layout::Size, &Easel),
    column: u16,
    row: u16,
) -> Result<Page, DeskError> {
    match page {
        Page::Practice(mut state) => {
            practice::click(&mut state, easel, (column, row), size)?;
            Ok(after(state))
        }
        Page::Who { names, at } => match who::at_row(at, names.len(), row, size.height) {
            Some(chosen) => {
                host.here(&names[chosen])?;
                home_page(host)
            }
            None => Ok(Page::Who { names, at }),
        },
        Page::Settings { shown, at } => match settings::at_row((&shown, at), row, size) {
            Some(chosen) if chosen == at => change(host, &shown, at, 1),
            Some(at) => Ok(Page::Settings { shown, at }),
            None => Ok(Page::Settings { shown, at }),
        },
        page => Ok(page),
    }
}

/// Goes on, or shows the summary when the sitting is over.
fn after(state: Box<Practice>) -> Page {
    match state.desk.view().summary.clone() {
        Some(summary) => Page::Summary {
            heading: state.desk.heading(),
            lines: state.desk.closing_lines(&summary),
        },
        None => Page::Practice(state),
    }
}
