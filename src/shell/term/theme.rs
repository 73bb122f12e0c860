//! Inks to colours: the Okabe–Ito set on the terminal's own background, words in its own foreground.
//! Source: Okabe & Ito 2008 (palette); WCAG 2.2 for the contrasts it was chosen by.

use ratatui::style::{Color, Modifier, Style};

use crate::engrave::{Ink, KeyInk};

/// How much colour there may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    /// `NO_COLOR` is set, or the terminal has none.
    pub plain: bool,
}

impl Theme {
    /// By the environment: `NO_COLOR` counts when it is not empty.
    pub fn from_environment() -> Theme {
        Theme {
            plain: std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty()),
        }
    }

    /// The style of a cell: what its symbol is painted with, and what lies behind it.
    pub fn style(self, ink: Ink, ground: Ink) -> Style {
        if self.plain {
            return self.without_colour(ink, ground);
        }
        let style = match ink {
            Ink::Staff | Ink::Dim => Style::new().add_modifier(Modifier::DIM),
            Ink::KeySign => Style::new().add_modifier(Modifier::BOLD),
            _ => Style::new(),
        };
        let style = match colour(ink) {
            Some(colour) => style.fg(colour),
            None => style,
        };
        match colour(ground) {
            Some(colour) => style.bg(colour),
            None => style,
        }
    }

    /// White keys are filled in the foreground's colour, black ones left out; signs alone mark a key.
    fn without_colour(self, ink: Ink, ground: Ink) -> Style {
        let style = Style::new();
        match (ink, ground) {
            (Ink::Dim, _) => style.add_modifier(Modifier::DIM),
            (_, Ink::WhiteKey(_)) => style.add_modifier(Modifier::REVERSED),
            _ => style,
        }
    }
}

/// The colour of an ink; `None` is the terminal's own.
fn colour(ink: Ink) -> Option<Color> {
    match ink {
        Ink::Clear | Ink::Note | Ink::Text | Ink::Staff | Ink::Dim => None,
        Ink::Asked => Some(SKY_BLUE),
        Ink::Given => Some(VERMILLION),
        Ink::Right => Some(GREEN),
        Ink::WhiteKey(key) => Some(key_colour(key, WHITE)),
        Ink::BlackKey(key) => Some(key_colour(key, BLACK)),
        Ink::KeyEdge => Some(EDGE),
        Ink::KeySign | Ink::KeyName => Some(BLACK),
    }
}

fn key_colour(key: KeyInk, plain: Color) -> Color {
    match key {
        KeyInk::Plain => plain,
        KeyInk::Asked => SKY_BLUE,
        KeyInk::Given => VERMILLION,
        KeyInk::Right => GREEN,
    }
}

const SKY_BLUE: Color = Color::Rgb(0x56, 0xB4, 0xE9);
const VERMILLION: Color = Color::Rgb(0xD5, 0x5E, 0x00);
const GREEN: Color = Color::Rgb(0x00, 0x9E, 0x73);
const WHITE: Color = Color::Rgb(0xEE, 0xEE, 0xEE);
const BLACK: Color = Color::Rgb(0x26, 0x26, 0x26);
const EDGE: Color = Color::Rgb(0x80, 0x80, 0x80);
