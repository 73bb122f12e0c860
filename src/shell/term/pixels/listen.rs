//! The terminal's input: first its replies, told apart from keys, then keys, mouse and sizes.
//! In: standard input, on a thread of its own. Out: [`Input`]s on a channel. The first frame waits for none of it.

use std::io;
use std::sync::mpsc::{Receiver, Sender, channel};
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

/// Starts to listen; `asked` when questions have been or will be written.
pub fn listen(asked: bool) -> Receiver<Input> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        if asked && replies(&sender).is_err() {
            let _nobody_left = sender.send(Input::Gone);
            return;
        }
        while let Ok(event) = event::read() {
            if sender.send(Input::Event(event)).is_err() {
                return;
            }
        }
        let _nobody_left = sender.send(Input::Gone);
    });
    receiver
}

/// Reads until the last reply has come, or none will. Errors: the terminal is gone.
fn replies(sender: &Sender<Input>) -> io::Result<()> {
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
                    sender.send(Input::Event(event)).map_err(io::Error::other)?;
                }
                thing => {
                    last |= matches!(thing, Heard::Attributes { .. });
                    told.push(thing);
                }
            }
        }
        if last {
            sender
                .send(Input::Told(std::mem::take(&mut told)))
                .map_err(io::Error::other)?;
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
