//! Which key does what, in one table that also prints the help.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::drill::Typed;
use crate::shell::words::screens::{foot, keys};
use crate::theory::{Letter, NoteNames};

/// What a key asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    /// Begin, go on.
    Enter,
    /// One key of a name.
    Name(Typed),
    /// One up in a list or on the staff; a sharp in a name.
    Up,
    /// One down in a list or on the staff; a flat in a name.
    Down,
    /// The answer that this key chooses.
    Choose(char),
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

/// The keys of the syllables of solfège.
const DO_RE_MI: &str = "d r m f s l t";

/// What letters and digits mean just now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    /// What the pages have of their own.
    Pages,
    /// Names of notes; digits choose.
    Names(NoteNames),
    /// Answers to choose from.
    Choices,
}

impl Table {
    /// What a letter or digit asks for.
    fn action(self, c: char) -> Option<Action> {
        match self {
            Table::Pages => None,
            Table::Choices => {
                let lower = c.to_ascii_lowercase();
                matches!(lower, '0'..='9' | 'a'..='f').then_some(Action::Choose(lower))
            }
            Table::Names(_) if c.is_ascii_digit() => Some(Action::Choose(c)),
            Table::Names(names) => name_key(c, names).map(Action::Name),
        }
    }

    /// The keys of the names, as written.
    pub fn name_keys(self) -> &'static str {
        match self {
            Table::Names(NoteNames::German) => "A-H",
            Table::Names(NoteNames::FixedSolfege | NoteNames::MovableSolfege) => DO_RE_MI,
            _ => "A-G",
        }
    }
}

/// The note that a key names. Solfège goes by the first letter of each syllable; si, which shares its own with sol, by t or
/// i. German H is B, and B is B flat.
pub fn name_key(c: char, names: NoteNames) -> Option<Typed> {
    let c = c.to_ascii_lowercase();
    let syllable = || {
        DO_RE_MI
            .replace(' ', "")
            .find(if c == 'i' { 't' } else { c })
    };
    match names {
        NoteNames::English => Letter::from_char(c).map(Typed::Letter),
        NoteNames::German => match c {
            'h' => Some(Typed::Letter(Letter::B)),
            'b' => Some(Typed::FlatLetter(Letter::B)),
            _ => Letter::from_char(c).map(Typed::Letter),
        },
        NoteNames::FixedSolfege => syllable().map(|n| Typed::Letter(Letter::from_index(n as i32))),
        NoteNames::MovableSolfege => syllable().map(|n| Typed::Step(n as u8)),
    }
}

/// The table, in the order of the help. What stands first at the foot is the first to go when the screen is narrow.
pub const ROWS: [Row; 17] = [
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
        keys: NAMES,
        does: keys::NAME,
        foot: foot::NAME,
        action: None,
    },
    Row {
        keys: SIGNS,
        does: keys::ACCIDENTALS,
        foot: foot::ACCIDENTALS,
        action: None,
    },
    Row {
        keys: "1-9 0 a-f",
        does: keys::CHOOSE,
        foot: "",
        action: None,
    },
    Row {
        keys: keys::ARROWS,
        does: keys::ON_STAFF,
        foot: "",
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
        keys: keys::SIDES,
        does: keys::VALUES,
        foot: "",
        action: None,
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

/// The rows that depend on how notes are named.
const NAMES: &str = "A-G";
const SIGNS: &str = "# -";

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

impl Offer {
    /// How much whoever looks at a narrow screen would miss it: least what is only comfort, most the way in and out; and the
    /// keys, which tell all that is left out.
    fn weight(&self) -> u8 {
        match self.action {
            Some(Action::Keyboard) if self.does == foot::KEYBOARD => 0,
            Some(Action::Measure | Action::Placement | Action::Settings) => 1,
            Some(Action::TakeBack) => 2,
            None if self.does == foot::ACCIDENTALS => 3,
            Some(Action::HearAgain) => 4,
            Some(Action::Help) => 6,
            Some(Action::Enter) => 7,
            Some(Action::Pause) => 8,
            _ => 5,
        }
    }
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

/// As much of `offers` as `width` columns hold, in their order: what weighs most first, of equals what stands last; what is
/// too long beside it makes room for what is shorter.
pub fn fitted(offers: &[Offer], width: u16) -> Vec<Offer> {
    let mut by_weight: Vec<usize> = (0..offers.len()).rev().collect();
    by_weight.sort_by_key(|at| std::cmp::Reverse(offers[*at].weight()));
    let mut kept: Vec<usize> = Vec::new();
    let offered = |kept: &[usize]| -> Vec<Offer> { kept.iter().map(|at| offers[*at]).collect() };
    for at in by_weight {
        let mut with = kept.clone();
        with.push(at);
        with.sort_unstable();
        if line(&offered(&with)).chars().count() <= usize::from(width) {
            kept = with;
        }
    }
    offered(&kept)
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

/// What names are typed with.
pub fn naming_foot(table: Table) -> Vec<Offer> {
    let mut offers = practice_foot(table, false);
    offers.retain(|offer| matches!(offer.does, foot::NAME | foot::ACCIDENTALS));
    offers
}

/// The foot of the practice screen; `on_staff`: the arrows choose a note on it.
pub fn practice_foot(table: Table, on_staff: bool) -> Vec<Offer> {
    let choosing = table == Table::Choices;
    ROWS.iter()
        .filter(|row| !row.foot.is_empty())
        .filter(|row| !(choosing && matches!(row.keys, NAMES | SIGNS | "Tab")))
        .map(|row| Offer {
            keys: if row.keys == NAMES {
                table.name_keys()
            } else {
                row.keys
            },
            does: row.foot,
            action: row.action,
        })
        .map(|offer| match offer.keys {
            SIGNS if on_staff => Offer {
                keys: keys::ARROWS_AND_ENTER,
                does: foot::ON_STAFF,
                action: None,
            },
            _ => offer,
        })
        .collect()
}

/// What `key` asks for, as letters and digits are read by `table`.
pub fn action(key: KeyEvent, table: Table) -> Option<Action> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return matches!(key.code, KeyCode::Char('c' | 'q')).then_some(Action::Quit);
    }
    if let KeyCode::Char(c) = key.code
        && let Some(action) = table.action(c)
    {
        return Some(action);
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
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENGLISH: Table = Table::Names(NoteNames::English);

    #[test]
    fn the_foot_keeps_the_way_out_on_a_narrow_screen() {
        let foot = practice_foot(ENGLISH, false);
        let shown = |width| line(&fitted(&foot, width));
        assert!(shown(79).starts_with("Space hear   A-G name"));
        for width in [79, 39, 20] {
            let line = shown(width);
            assert!(line.ends_with("Esc rest") && line.chars().count() <= usize::from(width));
        }
        // Narrower and narrower: comfort goes first, then undoing and the signs.
        assert_eq!(
            shown(60),
            "Space hear   A-G name   # - sharp, flat   ? keys   Esc rest"
        );
        assert_eq!(shown(45), "Space hear   A-G name   ? keys   Esc rest");
        assert_eq!(shown(39), "A-G name   ? keys   Esc rest");
        assert_eq!(shown(20), "? keys   Esc rest");
        assert_eq!(shown(3), "");
    }

    #[test]
    fn a_click_on_the_foot_does_what_stands_there() {
        let foot = practice_foot(ENGLISH, false);
        let foot = fitted(&foot, 79);
        let column = |word: &str| line(&foot).find(word).unwrap() as u16;
        assert_eq!(clicked(&foot, column("Space")), Some(Action::HearAgain));
        assert_eq!(clicked(&foot, column("rest")), Some(Action::Pause));
        assert_eq!(clicked(&foot, column("A-G")), None);
        assert_eq!(clicked(&foot, column("A-G") - 1), None, "a gap");
        assert_eq!(clicked(&foot, 200), None);
    }

    #[test]
    fn the_letter_b_is_never_a_flat() {
        let press = |code| action(KeyEvent::new(code, KeyModifiers::NONE), ENGLISH);
        assert_eq!(
            press(KeyCode::Char('b')),
            Some(Action::Name(Typed::Letter(Letter::B)))
        );
        assert_eq!(press(KeyCode::Char('-')), Some(Action::Name(Typed::Flat)));
        assert_eq!(press(KeyCode::Char('z')), None);
    }

    #[test]
    fn each_naming_has_keys_of_its_own() {
        let press = |c, table| action(KeyEvent::new(KeyCode::Char(c), KeyModifiers::NONE), table);
        let named = |c, names| match press(c, Table::Names(names)) {
            Some(Action::Name(typed)) => Some(typed),
            _ => None,
        };
        let letter = |letter| Some(Typed::Letter(letter));
        assert_eq!(named('h', NoteNames::German), letter(Letter::B));
        assert_eq!(
            named('b', NoteNames::German),
            Some(Typed::FlatLetter(Letter::B))
        );
        assert_eq!(named('s', NoteNames::FixedSolfege), letter(Letter::G));
        assert_eq!(named('i', NoteNames::FixedSolfege), letter(Letter::B));
        assert_eq!(named('a', NoteNames::FixedSolfege), None);
        assert_eq!(named('s', NoteNames::MovableSolfege), Some(Typed::Step(4)));
        // Where answers are listed, letters choose them; on a page of its own, `s` opens the settings.
        assert_eq!(press('B', Table::Choices), Some(Action::Choose('b')));
        assert_eq!(press('5', ENGLISH), Some(Action::Choose('5')));
        assert_eq!(press('s', Table::Pages), Some(Action::Settings));
        assert!(!line(&practice_foot(Table::Choices, false)).contains("name"));
        let solfege = Table::Names(NoteNames::FixedSolfege);
        assert!(
            line(&practice_foot(solfege, true))
                .contains("d r m f s l t name   Up Down Enter on the staff")
        );
    }
}
