//! What the terminal can show: questions as escape sequences, and its replies told apart from keys.
//! In: bytes from the terminal. Out: [`Heard`] facts and keys.
//! Source: ECMA-48 and DEC STD 070 (device attributes); xterm's ctlseqs (colours, sizes, colour registers);
//! the kitty graphics protocol ("Querying support and available transmission mediums").

use crossterm::event::{
    Event, KeyCode, KeyEvent, KeyModifiers, MouseButton, MouseEvent, MouseEventKind,
};

use crate::shell::term::theme::Rgb;

/// Foreground and ground, then who it is; every terminal answers the last, so that its reply ends the wait.
const COLOURS: &str = "\x1b]10;?\x1b\\\x1b]11;?\x1b\\";
/// A one-pixel picture to be looked at and not shown; colour registers; pixels of a cell and of the window.
const PICTURES: &str = "\x1b_Gi=31,s=1,v=1,a=q,t=d,f=24;AAAA\x1b\\\x1b[?1;1;0S\x1b[16t\x1b[14t";
const WHO: &str = "\x1b[c";

/// The questions to ask; about pictures only where they may be used.
pub fn questions(pictures: bool) -> String {
    let pictures = if pictures { PICTURES } else { "" };
    format!("{COLOURS}{pictures}{WHO}")
}

/// One thing a terminal sent.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// The colour of words.
    Foreground(Rgb),
    /// The colour behind them.
    Ground(Rgb),
    /// The kitty graphics protocol is understood.
    Kitty,
    /// So many colours a sixel picture may have.
    Registers(u16),
    /// Pixels of a cell, across and down.
    Cell(u16, u16),
    /// Pixels of the window, across and down.
    Window(u16, u16),
    /// Who it is: the last reply. Whether it draws sixels.
    Attributes {
        /// Attribute 4.
        sixel: bool,
    },
    /// What a person did meanwhile.
    Input(Event),
}

/// Takes the terminal's bytes apart.
#[derive(Debug, Default)]
pub struct Ear {
    waiting: Vec<u8>,
}

impl Ear {
    /// Everything that is complete with these bytes.
    pub fn hear(&mut self, bytes: &[u8]) -> Vec<Heard> {
        self.waiting.extend_from_slice(bytes);
        let mut heard = Vec::new();
        while let Some((used, thing)) = next(&self.waiting) {
            self.waiting.drain(..used);
            heard.extend(thing);
        }
        heard
    }

    /// Whether a sequence has begun that is not complete.
    pub fn is_in_the_midst(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// Nothing has followed for a while: an escape alone is the key.
    pub fn silence(&mut self) -> Option<Heard> {
        (self.waiting == [0x1b]).then(|| {
            self.waiting.clear();
            key(KeyCode::Esc, KeyModifiers::NONE)
        })
    }
}

fn key(code: KeyCode, modifiers: KeyModifiers) -> Heard {
    Heard::Input(Event::Key(KeyEvent::new(code, modifiers)))
}

/// Bytes used and what they are; `None` while a sequence is incomplete.
fn next(bytes: &[u8]) -> Option<(usize, Option<Heard>)> {
    let plain = KeyModifiers::NONE;
    match *bytes {
        [] | [0x1b] => None,
        [0x1b, b'[', ..] => control(bytes),
        [0x1b, b']', ..] => string(bytes, colour),
        [0x1b, b'_', ..] => string(bytes, |body| {
            // `Gi=31;OK`: any other reply is a refusal.
            (body.starts_with(b"Gi=31") && body.ends_with(b";OK")).then_some(Heard::Kitty)
        }),
        [0x1b, b'P' | b'X' | b'^', ..] => string(bytes, |_| None),
        [0x1b, b'O', arrow, ..] => Some((3, arrow_key(arrow))),
        [0x1b, b'O'] => None,
        // Pressed twice in haste.
        [0x1b, 0x1b, ..] => Some((1, Some(key(KeyCode::Esc, plain)))),
        [0x1b, ..] => Some((2, None)),
        [b'\r' | b'\n', ..] => Some((1, Some(key(KeyCode::Enter, plain)))),
        [b'\t', ..] => Some((1, Some(key(KeyCode::Tab, plain)))),
        [0x7f | 0x08, ..] => Some((1, Some(key(KeyCode::Backspace, plain)))),
        [control @ 1..0x1b, ..] => {
            let letter = char::from(control + b'a' - 1);
            Some((1, Some(key(KeyCode::Char(letter), KeyModifiers::CONTROL))))
        }
        [first, ..] => {
            let length = match first {
                ..0xC0 => 1,
                0xC0..0xE0 => 2,
                0xE0..0xF0 => 3,
                _ => 4,
            };
            let letter = bytes.get(..length)?;
            let letter = std::str::from_utf8(letter)
                .ok()
                .and_then(|s| s.chars().next());
            let heard = letter
                .filter(|letter| !letter.is_control())
                .map(|letter| key(KeyCode::Char(letter), plain));
            Some((length, heard))
        }
    }
}

fn arrow_key(letter: u8) -> Option<Heard> {
    let code = match letter {
        b'A' => KeyCode::Up,
        b'B' => KeyCode::Down,
        b'C' => KeyCode::Right,
        b'D' => KeyCode::Left,
        _ => return None,
    };
    Some(key(code, KeyModifiers::NONE))
}

/// A string sequence, ended by ST or BEL.
fn string(bytes: &[u8], read: impl Fn(&[u8]) -> Option<Heard>) -> Option<(usize, Option<Heard>)> {
    let body = &bytes[2..];
    let end = body.iter().enumerate().find_map(|(at, &byte)| match byte {
        0x07 => Some((at, 1)),
        0x1b if body.get(at + 1) == Some(&b'\\') => Some((at, 2)),
        _ => None,
    });
    // Nothing a terminal answers is longer: what comes is no string, and its start is dropped.
    const LONGEST: usize = 4096;
    match end {
        Some((at, terminator)) => Some((2 + at + terminator, read(&body[..at]))),
        None if body.len() > LONGEST => Some((2, None)),
        None => None,
    }
}

/// `10;rgb:ffff/ffff/ffff`: one to four hexadecimal digits a part.
fn colour(body: &[u8]) -> Option<Heard> {
    let body = std::str::from_utf8(body).ok()?;
    let (which, colour) = body.split_once(';')?;
    let colour = colour
        .strip_prefix("rgb:")
        .or_else(|| colour.strip_prefix("rgba:"))?;
    let mut parts = colour.split('/').map(|part| {
        let most = 16_u32.checked_pow(u32::try_from(part.len()).ok()?)? - 1;
        let value = u32::from_str_radix(part, 16).ok()?;
        u8::try_from((value * 255 + most / 2).checked_div(most)?).ok()
    });
    let mut part = || parts.next().flatten();
    let colour = [part()?, part()?, part()?];
    match which {
        "10" => Some(Heard::Foreground(colour)),
        "11" => Some(Heard::Ground(colour)),
        _ => None,
    }
}

/// A control sequence: parameters, then one letter.
fn control(bytes: &[u8]) -> Option<(usize, Option<Heard>)> {
    let end = bytes[2..]
        .iter()
        .position(|byte| (0x40..=0x7e).contains(byte))?;
    let parameters = std::str::from_utf8(&bytes[2..2 + end]).unwrap_or_default();
    let letter = bytes[2 + end];
    let (mark, numbers) = match parameters.chars().next() {
        Some(mark @ ('?' | '<' | '>' | '=')) => (mark, &parameters[1..]),
        _ => (' ', parameters),
    };
    let numbers: Vec<u16> = numbers
        .split(';')
        .map(|number| number.parse().unwrap_or(0))
        .collect();
    let heard = match (mark, letter, numbers.as_slice()) {
        ('?', b'c', attributes) => Some(Heard::Attributes {
            sixel: attributes[1..].contains(&4),
        }),
        // Item 1 is the colour registers, status 0 is success.
        ('?', b'S', [1, 0, registers, ..]) => Some(Heard::Registers(*registers)),
        (' ', b't', [6, height, width, ..]) => Some(Heard::Cell(*width, *height)),
        (' ', b't', [4, height, width, ..]) => Some(Heard::Window(*width, *height)),
        ('<', b'M', [0, column, row]) => Some(Heard::Input(Event::Mouse(MouseEvent {
            kind: MouseEventKind::Down(MouseButton::Left),
            column: column.saturating_sub(1),
            row: row.saturating_sub(1),
            modifiers: KeyModifiers::NONE,
        }))),
        (' ', arrow, _) => arrow_key(arrow),
        _ => None,
    };
    Some((2 + end + 1, heard))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn letter(letter: char) -> Heard {
        key(KeyCode::Char(letter), KeyModifiers::NONE)
    }

    #[test]
    fn replies_are_told_apart_from_keys_typed_meanwhile() {
        // Replies as xterm 379 and the kitty protocol's description give them.
        let stream =
            b"f\x1b]10;rgb:e4e4/e4e4/e4e4\x1b\\\x1b]11;rgb:1c/1c/1c\x07#\x1b_Gi=31;OK\x1b\\g\
            \x1b[?1;0;16S\x1b[6;18;9t\x1b[4;432;720t\x1b[A\x1b[<0;12;7M\x1b[?63;1;2;4;6;9;15;22c\r";
        let expected = vec![
            letter('f'),
            Heard::Foreground([0xE4; 3]),
            Heard::Ground([0x1C; 3]),
            letter('#'),
            Heard::Kitty,
            letter('g'),
            Heard::Registers(16),
            Heard::Cell(9, 18),
            Heard::Window(720, 432),
            key(KeyCode::Up, KeyModifiers::NONE),
            Heard::Input(Event::Mouse(MouseEvent {
                kind: MouseEventKind::Down(MouseButton::Left),
                column: 11,
                row: 6,
                modifiers: KeyModifiers::NONE,
            })),
            Heard::Attributes { sixel: true },
            key(KeyCode::Enter, KeyModifiers::NONE),
        ];
        // However the bytes arrive.
        for size in [1, 2, 7, stream.len()] {
            let mut ear = Ear::default();
            let heard: Vec<Heard> = stream
                .chunks(size)
                .flat_map(|part| ear.hear(part))
                .collect();
            assert_eq!(heard, expected, "by {size}");
        }
    }

    #[test]
    fn a_refusal_and_attributes_without_sixel_promise_nothing() {
        let mut ear = Ear::default();
        let heard = ear.hear(b"\x1b_Gi=31;EINVAL:no\x1b\\\x1b[?1;3;0S\x1b[?64;1;2;22c");
        assert_eq!(heard, [Heard::Attributes { sixel: false }]);
    }

    #[test]
    fn escape_alone_is_a_key_once_nothing_follows() {
        let mut ear = Ear::default();
        assert_eq!(ear.hear(b"\x1b"), []);
        assert_eq!(ear.silence(), Some(key(KeyCode::Esc, KeyModifiers::NONE)));
        assert_eq!(ear.silence(), None);
        // Nor does one just before a reply swallow it.
        assert_eq!(
            ear.hear(b"\x1b\x1b[?64;4c"),
            [
                key(KeyCode::Esc, KeyModifiers::NONE),
                Heard::Attributes { sixel: true }
            ]
        );
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_taken_apart(bytes in proptest::collection::vec(0..=255_u8, 0..80)) {
            let mut ear = Ear::default();
            let _whatever_it_is = ear.hear(&bytes);
            proptest::prop_assert!(ear.waiting.len() <= bytes.len());
        }
    }
}
