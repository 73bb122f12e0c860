//! The terminal's input: first its replies, told apart from keys, then keys, mouse and sizes.
//! In: standard input, on a thread of its own. Out: [`Input`]s. The first frame waits for none of it.

use std::io;
use std::os::fd::AsFd;
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
        if replies(&io::stdin(), PATIENCE, &pass).is_ok() {
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

/// Reads `source` until the last reply has come, or `patience` is over and nothing is half read. Errors: the terminal is
/// gone.
fn replies(
    source: &impl AsFd,
    patience: Duration,
    taken: &impl Fn(Input) -> bool,
) -> io::Result<()> {
    let send = |input: Input| taken(input).then_some(()).ok_or(io::ErrorKind::BrokenPipe);
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
    loop {
        let over = began.elapsed() >= patience;
        let wait = Timespec {
            tv_sec: 0,
            tv_nsec: PAUSE.subsec_nanos().into(),
        };
        let mut watched = [PollFd::new(source, PollFlags::IN)];
        if poll(&mut watched, Some(&wait))? == 0 {
            pass(ear.silence().into_iter().collect())?;
            if over {
                return Ok(());
            }
            continue;
        }
        let count = rustix::io::read(source, &mut bytes)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let things = ear.hear(&bytes[..count]);
        let done = things.iter().any(|t| matches!(t, Heard::Attributes { .. }));
        pass(things)?;
        if done || (over && !ear.is_in_the_midst()) {
            return Ok(());
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::sync::mpsc::channel;

    use crossterm::event::KeyCode;

    use super::*;

    #[test]
    fn a_key_pressed_when_the_wait_for_replies_ends_is_not_lost() {
        let (source, mut terminal) = io::pipe().unwrap();
        terminal.write_all(b"\x1b").unwrap();
        let (send, heard) = channel();
        replies(&source, Duration::ZERO, &|input| send.send(input).is_ok()).unwrap();
        let pressed = heard.try_recv().unwrap();
        assert!(
            matches!(pressed, Input::Event(Event::Key(key)) if key.code == KeyCode::Esc),
            "{pressed:?}"
        );
    }
}
