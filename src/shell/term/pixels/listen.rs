//! The terminal's input: first its replies, told apart from keys, then keys, mouse and sizes.
//! In: standard input, on a thread of its own. Out: [`Input`]s. The first frame waits for none of it.

use std::io;
use std::time::{Duration, Instant};

use crossterm::event::{self, Event};
use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::query::{Ear, Heard};

/// How long replies are waited for. A terminal on this machine answers in a few milliseconds; one that answers nothing
/// is not asked again. Keys pass meanwhile.
const PATIENCE: Duration = Duration::from_secs(2);

/// How long an escape may be the beginning of more.
const PAUSE: Duration = Duration::from_millis(30);

/// One thing that came in.
#[derive(Debug)]
pub enum Input {
    /// A key, a click, a new size.
    Event(Event),
    /// What the terminal says of itself, all at once.
    Told(Vec<Heard>),
    /// The terminal is gone.
    Gone,
}

/// Starts to listen, and passes on what comes until `pass` refuses. Questions are expected to be asked at the start.
pub fn listen(pass: impl Fn(Input) -> bool + Send + 'static) {
    std::thread::spawn(move || {
        if replies(&pass).is_ok() {
            // Sizes that came and went while only replies were read are not told by anyone else.
            if let Ok((columns, rows)) = crossterm::terminal::size()
                && !pass(Input::Event(Event::Resize(columns, rows)))
            {
                return;
            }
            while let Ok(event) = event::read() {
                if !pass(Input::Event(event)) {
                    return;
                }
            }
        }
        let _nobody_left = pass(Input::Gone);
    });
}

/// Reads until the last reply has come, or none will. Errors: the terminal is gone.
fn replies(taken: &impl Fn(Input) -> bool) -> io::Result<()> {
    let send = |input: Input| taken(input).then_some(()).ok_or(io::ErrorKind::BrokenPipe);
    let stdin = io::stdin();
    let began = Instant::now();
    let mut ear = Ear::default();
    let mut told = Vec::new();
    let mut last = false;
    let mut bytes = [0; 1024];
    let mut pass = |things: Vec<Heard>| -> io::Result<()> {
        for thing in things {
            match thing {
                Heard::Input(event) => {
                    send(Input::Event(event))?;
                }
                thing => {
                    last |= matches!(thing, Heard::Attributes { .. });
                    told.push(thing);
                }
            }
        }
        if last {
            send(Input::Told(std::mem::take(&mut told)))?;
        }
        Ok(())
    };
    while began.elapsed() < PATIENCE {
        let wait = Timespec {
            tv_sec: 0,
            tv_nsec: PAUSE.subsec_nanos().into(),
        };
        let mut watched = [PollFd::new(&stdin, PollFlags::IN)];
        if poll(&mut watched, Some(&wait))? == 0 {
            pass(ear.silence().into_iter().collect())?;
            continue;
        }
        let count = rustix::io::read(&stdin, &mut bytes)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let things = ear.hear(&bytes[..count]);
        let done = things.iter().any(|t| matches!(t, Heard::Attributes { .. }));
        pass(things)?;
        if done {
            return Ok(());
        }
    }
    Ok(())
}
