//! The terminal as what is drawn on: one whole frame after another.

use std::io::{self, Stdout};

use crossterm::SynchronizedUpdate;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;

/// The terminal the screens are drawn on.
pub type Canvas = Terminal<CrosstermBackend<Stdout>>;

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
    io::stdout().sync_update(|_| draw(canvas))?
}
