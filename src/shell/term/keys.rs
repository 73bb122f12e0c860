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
    /// The same in a word or two, for the foot of the practice screen; empty when it is not shown there.
    pub foot: &'static str,
}

/// The table, in the order of the help. What stands first at the foot is the first to go when the screen is narrow.
pub const ROWS: [Row; 9] = [
    Row {
        keys: "Tab",
        does: "show or hide the drawn keyboard, which takes the mouse",
        foot: "keyboard",
    },
    Row {
        keys: "Space",
        does: "hear the note again",
        foot: "hear",
    },
    Row {
        keys: "A-G",
        does: "the name of the note",
        foot: "name",
    },
    Row {
        keys: "# -",
        does: "sharp, flat, before the letter; also the arrows up and down",
        foot: "sharp, flat",
    },
    Row {
        keys: "Backspace",
        does: "take a misheard or mistyped verdict of the last two prompts out of the record",
        foot: "undo",
    },
    Row {
        keys: "?",
        does: "these keys",
        foot: "keys",
    },
    Row {
        keys: "Esc",
        does: "rest; once more ends the sitting; leaves a page",
        foot: "rest",
    },
    Row {
        keys: "Enter",
        does: "begin, go on, choose",
        foot: "",
    },
    Row {
        keys: "Ctrl-C",
        does: "leave; what was answered is kept",
        foot: "",
    },
];

/// The foot of the practice screen in at most `width` columns.
pub fn foot(width: u16) -> String {
    let parts: Vec<String> = ROWS
        .iter()
        .filter(|row| !row.foot.is_empty())
        .map(|row| format!("{} {}", row.keys, row.foot))
        .collect();
    (0..parts.len())
        .map(|skip| parts[skip..].join("   "))
        .find(|line| line.chars().count() <= usize::from(width))
        .unwrap_or_default()
}

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
    fn the_foot_keeps_the_way_out_on_a_narrow_screen() {
        assert!(foot(79).starts_with("Space hear   A-G name"));
        for width in [79, 39, 20] {
            let line = foot(width);
            assert!(line.ends_with("Esc rest") && line.chars().count() <= usize::from(width));
        }
        assert_eq!(foot(3), "");
    }

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
