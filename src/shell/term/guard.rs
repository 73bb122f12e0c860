//! The terminal as it was: whatever ends the program, raw mode, the alternate screen, the mouse and the cursor are undone.

use std::io::{self, Write};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};

use crossterm::event::{DisableMouseCapture, EnableMouseCapture};
use crossterm::terminal::{
    EndSynchronizedUpdate, EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode,
    enable_raw_mode,
};
use crossterm::{cursor, execute};
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM};
use signal_hook::iterator::Signals;
use signal_hook::low_level::emulate_default_handler;

use super::canvas::after_the_frame;

static HELD: AtomicBool = AtomicBool::new(false);
static HOOK: Once = Once::new();

/// Holds the terminal in full-screen mode; dropping it restores the terminal.
#[derive(Debug)]
pub struct Guard(());

impl Guard {
    /// Takes the terminal over. A panic on any thread restores it before the message is printed, a signal to end before it
    /// does what it does by default.
    pub fn take() -> io::Result<Guard> {
        HOOK.call_once(|| {
            let before = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |info| {
                restore();
                before(info);
            }));
            undo_on_signals();
        });
        enable_raw_mode()?;
        HELD.store(true, Ordering::SeqCst);
        execute!(
            io::stdout(),
            EnterAlternateScreen,
            EnableMouseCapture,
            cursor::Hide
        )?;
        Ok(Guard(()))
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        restore();
    }
}

/// Waits for a signal to end on a thread of its own. Whoever cannot has a terminal that `reset` mends.
fn undo_on_signals() {
    let Ok(mut signals) = Signals::new([SIGTERM, SIGHUP, SIGINT, SIGQUIT]) else {
        return;
    };
    let wait = move || {
        for signal in signals.forever() {
            // A frame drawn afterwards would hide the cursor again.
            let _no_more_frames = after_the_frame();
            restore();
            let _goes_on = emulate_default_handler(signal);
        }
    };
    let _runs = std::thread::Builder::new()
        .name("signals".to_owned())
        .spawn(wait);
}

/// Undoes what was set, once. A terminal that is gone cannot be restored; nothing is lost by that.
fn restore() {
    if HELD.swap(false, Ordering::SeqCst) {
        let mut out = io::stdout();
        let _gone = execute!(
            out,
            EndSynchronizedUpdate,
            DisableMouseCapture,
            LeaveAlternateScreen,
            cursor::Show
        );
        let _gone = out.flush();
        let _gone = disable_raw_mode();
    }
}
