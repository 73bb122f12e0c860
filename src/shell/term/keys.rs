//! Which key does what, in one table that also prints the help.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::drill::Typed;
use crate::shell::words::screens::{foot, keys};
use crate::theory::Letter;

/// What a key asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// Begin, go on.
    Enter,
    /// One key of a name.
    Name(Typed),
    /// One up in a list; a sharp in a name.
    Up,
    /// One down in a list; a flat in a name.
    Down,
    /// The value before.
    Before,
    /// The value after.
    After,
    /// Sound the item again.
    HearAgain,
    /// Show or hide the drawn keyboard.
    Keyboard,
    /// Take the last verdict out of the record.
    TakeBack,
    /// Pause and go on; leave a page.
    Pause,
    /// The settings.
    Settings,
    /// How it goes.
    Progress,
    /// Why the chosen note comes.
    Why,
    /// Where someone who reads already begins.
    Placement,
    /// Measure the plain reaction.
    Measure,
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
    /// What a click on it does.
    pub action: Option<Action>,
}

/// The table, in the order of the help. What stands first at the foot is the first to go when the screen is narrow.
pub const ROWS: [Row; 14] = [
    Row {
        keys: "Tab",
        does: keys::KEYBOARD,
        foot: foot::KEYBOARD,
        action: Some(Action::Keyboard),
    },
    Row {
        keys: "Space",
        does: keys::HEAR,
        foot: foot::HEAR,
        action: Some(Action::HearAgain),
    },
    Row {
        keys: "A-G",
        does: keys::NAME,
        foot: foot::NAME,
        action: None,
    },
    Row {
        keys: "# -",
        does: keys::ACCIDENTALS,
        foot: foot::ACCIDENTALS,
        action: None,
    },
    Row {
        keys: "Backspace",
        does: keys::UNDO,
        foot: foot::UNDO,
        action: Some(Action::TakeBack),
    },
    Row {
        keys: "?",
        does: keys::KEYS,
        foot: foot::KEYS,
        action: Some(Action::Help),
    },
    Row {
        keys: "Esc",
        does: keys::REST,
        foot: foot::REST,
        action: Some(Action::Pause),
    },
    Row {
        keys: "s",
        does: keys::SETTINGS,
        foot: "",
        action: Some(Action::Settings),
    },
    Row {
        keys: "p",
        does: keys::PROGRESS,
        foot: "",
        action: Some(Action::Progress),
    },
    Row {
        keys: "w",
        does: keys::WHY,
        foot: "",
        action: Some(Action::Why),
    },
    Row {
        keys: "r",
        does: keys::PLACEMENT,
        foot: "",
        action: Some(Action::Placement),
    },
    Row {
        keys: "m",
        does: keys::MEASURE,
        foot: "",
        action: Some(Action::Measure),
    },
    Row {
        keys: "Enter",
        does: keys::ENTER,
        foot: "",
        action: Some(Action::Enter),
    },
    Row {
        keys: "Ctrl-C",
        does: keys::QUIT,
        foot: "",
        action: Some(Action::Quit),
    },
];

/// One thing a foot line offers, by key or by a click on it.
#[derive(Debug, Clone, Copy)]
pub struct Offer {
    /// The key as written.
    pub keys: &'static str,
    /// What it does, in a word or two.
    pub does: &'static str,
    /// What a click does.
    pub action: Option<Action>,
}

/// An offer whose click does what its key does.
pub const fn offer(keys: &'static str, does: &'static str, action: Action) -> Offer {
    Offer {
        keys,
        does,
        action: Some(action),
    }
}

/// Between two offers.
const GAP: &str = "   ";

/// As much of `offers` as `width` columns hold, the first ones going first.
pub fn fitted(offers: &[Offer], width: u16) -> &[Offer] {
    (0..offers.len())
        .map(|skip| &offers[skip..])
        .find(|rest| line(rest).chars().count() <= usize::from(width))
        .unwrap_or_default()
}

/// The foot line.
pub fn line(offers: &[Offer]) -> String {
    let parts: Vec<String> = offers
        .iter()
        .map(|offer| format!("{} {}", offer.keys, offer.does))
        .collect();
    parts.join(GAP)
}

/// What a click on `column` of the foot line does.
pub fn clicked(offers: &[Offer], column: u16) -> Option<Action> {
    let mut from = 0;
    for offer in offers {
        let to = from + line(std::slice::from_ref(offer)).chars().count();
        if (from..to).contains(&usize::from(column)) {
            return offer.action;
        }
        from = to + GAP.len();
    }
    None
}

/// The foot of the practice screen.
pub fn practice_foot() -> Vec<Offer> {
    ROWS.iter()
        .filter(|row| !row.foot.is_empty())
        .map(|row| Offer {
            keys: row.keys,
            does: row.foot,
            action: row.action,
        })
        .collect()
}

/// What `key` asks for.
pub fn action(key: KeyEvent) -> Option<Action> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return matches!(key.code, KeyCode::Char('c' | 'q')).then_some(Action::Quit);
    }
    Some(match key.code {
        KeyCode::Enter => Action::Enter,
        KeyCode::Up => Action::Up,
        KeyCode::Down => Action::Down,
        KeyCode::Left => Action::Before,
        KeyCode::Right => Action::After,
        KeyCode::Char('#' | '+') => Action::Name(Typed::Sharp),
        KeyCode::Char('-') => Action::Name(Typed::Flat),
        KeyCode::Char('s') => Action::Settings,
        KeyCode::Char('p') => Action::Progress,
        KeyCode::Char('w') => Action::Why,
        KeyCode::Char('r') => Action::Placement,
        KeyCode::Char('m') => Action::Measure,
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
        let foot = practice_foot();
        let shown = |width| line(fitted(&foot, width));
        assert!(shown(79).starts_with("Space hear   A-G name"));
        for width in [79, 39, 20] {
            let line = shown(width);
            assert!(line.ends_with("Esc rest") && line.chars().count() <= usize::from(width));
        }
        assert_eq!(shown(3), "");
    }

    #[test]
    fn a_click_on_the_foot_does_what_stands_there() {
        let foot = practice_foot();
        let foot = fitted(&foot, 79);
        let column = |word: &str| line(foot).find(word).unwrap() as u16;
        assert_eq!(clicked(foot, column("Space")), Some(Action::HearAgain));
        assert_eq!(clicked(foot, column("rest")), Some(Action::Pause));
        assert_eq!(clicked(foot, column("A-G")), None);
        assert_eq!(clicked(foot, column("A-G") - 1), None, "a gap");
        assert_eq!(clicked(foot, 200), None);
    }

    #[test]
    fn the_letter_b_is_never_a_flat() {
        let press = |code| action(KeyEvent::new(code, KeyModifiers::NONE));
        assert_eq!(
            press(KeyCode::Char('b')),
            Some(Action::Name(Typed::Letter(Letter::B)))
        );
        assert_eq!(press(KeyCode::Char('-')), Some(Action::Name(Typed::Flat)));
        assert_eq!(press(KeyCode::Char('z')), None);
    }
}
