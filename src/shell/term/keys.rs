//! Which key does what, in one table that also prints the help.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::drill::Typed;
use crate::theory::Letter;

/// What a key asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// Begin, go on.
    Enter,
    /// One key of a name.
    Name(Typed),
    /// Sound the item again.
    HearAgain,
    /// Show or hide the drawn keyboard.
    Keyboard,
    /// Take the last verdict out of the record.
    TakeBack,
    /// Pause and go on; leave a page.
    Pause,
    /// The keys.
    Help,
    /// Leave.
    Quit,
}

/// One row of the help.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    /// The keys as written.
    pub keys: &'static str,
    /// What they do, in a few words.
    pub does: &'static str,
    /// Whether the foot of the practice screen shows it.
    pub at_foot: bool,
}

/// The table, in the order of the help.
pub const ROWS: [Row; 9] = [
    Row {
        keys: "A–G",
        does: "name",
        at_foot: true,
    },
    Row {
        keys: "↑ ↓",
        does: "sharp, flat (before the letter; also # and -)",
        at_foot: true,
    },
    Row {
        keys: "Space",
        does: "hear it",
        at_foot: true,
    },
    Row {
        keys: "Tab",
        does: "keyboard",
        at_foot: true,
    },
    Row {
        keys: "Backspace",
        does: "take back a misheard or mistyped verdict",
        at_foot: false,
    },
    Row {
        keys: "?",
        does: "keys",
        at_foot: true,
    },
    Row {
        keys: "Esc",
        does: "pause",
        at_foot: true,
    },
    Row {
        keys: "Enter",
        does: "begin, go on",
        at_foot: false,
    },
    Row {
        keys: "Ctrl-C",
        does: "leave; what was answered is kept",
        at_foot: false,
    },
];

/// What `key` asks for.
pub fn action(key: KeyEvent) -> Option<Action> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return matches!(key.code, KeyCode::Char('c' | 'q')).then_some(Action::Quit);
    }
    Some(match key.code {
        KeyCode::Enter => Action::Enter,
        KeyCode::Up | KeyCode::Char('#' | '+') => Action::Name(Typed::Sharp),
        KeyCode::Down | KeyCode::Char('-') => Action::Name(Typed::Flat),
        KeyCode::Char(' ') => Action::HearAgain,
        KeyCode::Tab => Action::Keyboard,
        KeyCode::Backspace => Action::TakeBack,
        KeyCode::Char('?') => Action::Help,
        KeyCode::Esc => Action::Pause,
        KeyCode::Char(c) => Action::Name(Typed::Letter(Letter::from_char(c)?)),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_letter_b_is_never_a_flat() {
        let press = |code| action(KeyEvent::new(code, KeyModifiers::NONE));
        assert_eq!(
            press(KeyCode::Char('b')),
            Some(Action::Name(Typed::Letter(Letter::B)))
        );
        assert_eq!(press(KeyCode::Down), Some(Action::Name(Typed::Flat)));
        assert_eq!(press(KeyCode::Char('z')), None);
    }
}
