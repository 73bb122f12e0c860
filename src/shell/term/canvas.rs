//! The terminal as what is drawn on: one whole frame after another.

use std::io::{self, Stdout};
use std::sync::{Mutex, MutexGuard, PoisonError, TryLockError};
use std::time::{Duration, Instant};

use crossterm::SynchronizedUpdate;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;

/// The terminal the screens are drawn on.
pub type Canvas = Terminal<CrosstermBackend<Stdout>>;

/// Held while a frame is drawn.
static DRAWING: Mutex<()> = Mutex::new(());
/// A frame that takes longer is not waited for: nobody reads what is written.
const LONGEST_FRAME: Duration = Duration::from_millis(300);

/// The terminal of standard output.
pub fn canvas() -> io::Result<Canvas> {
    Terminal::new(CrosstermBackend::new(io::stdout()))
}

/// What `draw` draws is shown at once when all of it has come (private mode 2026, synchronized output): nobody sees half a
/// staff beside the prompt before. Terminals that do not know the mode pass it over.
pub fn whole(
    canvas: &mut Canvas,
    draw: impl FnOnce(&mut Canvas) -> io::Result<()>,
) -> io::Result<()> {
    let _drawing = DRAWING.lock().unwrap_or_else(PoisonError::into_inner);
    io::stdout().sync_update(|_| draw(canvas))?
}

/// Waits for the frame that is being drawn; no other begins while the guard lives. None if the frame does not come to its end.
pub fn after_the_frame() -> Option<MutexGuard<'static, ()>> {
    let began = Instant::now();
    while began.elapsed() < LONGEST_FRAME {
        match DRAWING.try_lock() {
            Ok(guard) => return Some(guard),
            Err(TryLockError::Poisoned(poisoned)) => return Some(poisoned.into_inner()),
            Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(1)),
        }
    }
    None
}
