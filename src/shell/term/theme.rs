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

    /// The style of an ink.
    pub fn style(self, ink: Ink) -> Style {
        let style = Style::new();
        if self.plain {
            return match ink {
                Ink::Dim => style.add_modifier(Modifier::DIM),
                Ink::WhiteKey(_) => style.add_modifier(Modifier::REVERSED),
                _ => style,
            };
        }
        match ink {
            Ink::Clear | Ink::Note | Ink::Text => style,
            Ink::Staff | Ink::Dim => style.add_modifier(Modifier::DIM),
            Ink::Asked => style.fg(SKY_BLUE),
            Ink::Given => style.fg(VERMILLION),
            Ink::Right => style.fg(GREEN),
            Ink::WhiteKey(key) => style.fg(EDGE).bg(key_colour(key, WHITE)),
            Ink::BlackKey(key) => style.fg(key_colour(key, BLACK)).bg(WHITE),
            Ink::KeyEdge => style.fg(EDGE).bg(WHITE),
            Ink::KeySign => style.fg(BLACK).bg(WHITE).add_modifier(Modifier::BOLD),
        }
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
