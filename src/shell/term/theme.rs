//! Inks to colours: the Okabe–Ito set on the terminal's own background, words in its own foreground.
//! Source: Okabe & Ito 2008 (palette); WCAG 2.2 for the contrasts it was chosen by.

use ratatui::style::{Color, Modifier, Style};

use crate::engrave::{Cell, Ink, KeyInk, Pixels, SHARES, WHOLE};

/// Red, green and blue, 0..=255.
pub type Rgb = [u8; 3];

/// What lies behind the text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Ground {
    /// Nobody has said: colours that read on both.
    #[default]
    Unknown,
    /// Light words on a dark ground.
    Dark,
    /// Dark words on a light ground.
    Light,
}

impl Ground {
    /// By the ground's own colour.
    pub fn of(colour: Rgb) -> Ground {
        // The luminance at which black and white words contrast alike: √(1.05 · 0.05) − 0.05.
        if luminance(colour) > 0.179 {
            Ground::Light
        } else {
            Ground::Dark
        }
    }
}

/// Which colours are wished for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Colours {
    /// As the environment and the terminal tell.
    #[default]
    Auto,
    /// For a ground that is known better here.
    On(Ground),
    /// None at all.
    Without,
}

/// How much colour there may be, and on what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Theme {
    /// `NO_COLOR` is set, or the terminal has none.
    pub plain: bool,
    /// What lies behind the text.
    pub ground: Ground,
}

impl Theme {
    /// By the environment: `NO_COLOR` counts when it is not empty; `COLORFGBG` tells the ground where it is set.
    pub fn from_environment() -> Theme {
        let plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let ground = std::env::var("COLORFGBG").map_or(Ground::Unknown, |told| told_ground(&told));
        Theme { plain, ground }
    }

    /// The same as it is wished for.
    pub fn wished(self, colours: Colours) -> Theme {
        match colours {
            Colours::Auto => self,
            Colours::On(ground) => Theme { ground, ..self },
            Colours::Without => Theme {
                plain: true,
                ..self
            },
        }
    }

    /// The same on a ground the terminal has told.
    pub fn on(self, ground: Ground) -> Theme {
        Theme { ground, ..self }
    }

    /// What is written in a cell, and its style.
    pub fn cell(self, cell: &Cell) -> (char, Style) {
        let style = self.style(cell.ink, cell.ground);
        let keys = matches!(
            (cell.ink, cell.ground),
            (Ink::WhiteKey(_), Ink::WhiteKey(_)) | (Ink::BlackKey(_), Ink::BlackKey(_))
        );
        if self.plain && keys {
            // Without colour two white keys are one fill: their signs tell them apart.
            return (' ', style);
        }
        if self.plain || (cell.ink_share, cell.ground_share) == (WHOLE, WHOLE) {
            return (cell.symbol, style);
        }
        // A shaded cell paints both its halves: shares of an ink over the terminal's ground.
        let (front, back) = self.own_colours();
        let share = |ink: Ink, share: u8| {
            let full = match ink {
                Ink::Clear => back,
                Ink::Staff | Ink::Dim => mixed(back, front, DIM_SHARE),
                ink => self.colour(ink).unwrap_or(front),
            };
            let [r, g, b] = mixed(back, full, f64::from(share) / f64::from(WHOLE));
            Color::Rgb(r, g, b)
        };
        let style = Style::new().fg(share(cell.ink, cell.ink_share));
        let style = match cell.ground {
            Ink::Clear => style,
            ground => style.bg(share(ground, cell.ground_share)),
        };
        (cell.symbol, style)
    }

    /// The style of a symbol painted with `ink` on `ground`.
    pub fn style(self, ink: Ink, ground: Ink) -> Style {
        if self.plain {
            return self.without_colour(ink, ground);
        }
        let style = match ink {
            Ink::Staff | Ink::Dim => Style::new().add_modifier(Modifier::DIM),
            Ink::KeySign => Style::new().add_modifier(Modifier::BOLD),
            _ => Style::new(),
        };
        let colour = |ink| self.colour(ink).map(|[r, g, b]| Color::Rgb(r, g, b));
        let style = match colour(ink) {
            Some(colour) => style.fg(colour),
            None => style,
        };
        match colour(ground) {
            Some(colour) => style.bg(colour),
            None => style,
        }
    }

    /// On a dark ground white keys are filled in the foreground's colour and black ones left out; on a light one it is
    /// the other way round. Signs alone mark a key: a filled white key would melt into the blacks.
    fn without_colour(self, ink: Ink, ground: Ink) -> Style {
        let style = Style::new();
        let filled = self.ground == Ground::Dark;
        match (ink, ground) {
            (Ink::Dim, _) => style.add_modifier(Modifier::DIM),
            (_, Ink::WhiteKey(_)) if filled => style.add_modifier(Modifier::REVERSED),
            (Ink::WhiteKey(_), Ink::BlackKey(_)) if !filled => {
                style.add_modifier(Modifier::REVERSED)
            }
            _ => style,
        }
    }

    /// The colours of a picture's places, over the terminal's `own` foreground and ground where it has told them.
    pub fn palette(self, own: Option<(Rgb, Rgb)>) -> Vec<Rgb> {
        let (front, back) = own.unwrap_or_else(|| self.own_colours());
        Pixels::inks()
            .map(|(ink, share)| {
                let full = match ink {
                    Ink::Clear => back,
                    Ink::Staff | Ink::Dim => mixed(back, front, DIM_SHARE),
                    ink if self.plain => self.plain_colour(ink, front, back),
                    ink => self.colour(ink).unwrap_or(front),
                };
                mixed(back, full, f64::from(share) / f64::from(SHARES))
            })
            .collect()
    }

    /// Keys without colours are the terminal's own two: the lighter one is white.
    fn plain_colour(self, ink: Ink, front: Rgb, back: Rgb) -> Rgb {
        let (light, dark) = if luminance(front) > luminance(back) {
            (front, back)
        } else {
            (back, front)
        };
        match ink {
            Ink::WhiteKey(_) => light,
            Ink::BlackKey(KeyInk::Plain) => dark,
            Ink::BlackKey(_) | Ink::KeyEdge => mixed(light, dark, 0.5),
            Ink::KeySign | Ink::KeyName => dark,
            _ => front,
        }
    }

    /// Foreground and ground as far as they are known.
    fn own_colours(self) -> (Rgb, Rgb) {
        match self.ground {
            Ground::Light => ([0x20, 0x20, 0x20], [0xFF, 0xFF, 0xFF]),
            _ => ([0xE4, 0xE4, 0xE4], [0x18, 0x18, 0x18]),
        }
    }

    /// The colour of an ink; `None` is the terminal's own.
    pub fn colour(self, ink: Ink) -> Option<Rgb> {
        Some(match ink {
            Ink::Clear | Ink::Note | Ink::Text | Ink::Staff | Ink::Dim => return None,
            Ink::Asked => match self.ground {
                Ground::Dark => SKY_BLUE,
                // Sky blue is too pale on white; blue is seen on both.
                Ground::Light | Ground::Unknown => BLUE,
            },
            Ink::Given => VERMILLION,
            Ink::Right => GREEN,
            Ink::Sounding => match self.ground {
                Ground::Dark => ORANGE,
                // Orange and reddish purple are too pale on white; nothing is asked for while a pitch is watched.
                Ground::Light | Ground::Unknown => BLUE,
            },
            Ink::WhiteKey(key) => key_colour(key, WHITE),
            Ink::BlackKey(key) => key_colour(key, BLACK),
            Ink::KeyEdge => EDGE,
            Ink::KeySign | Ink::KeyName => BLACK,
        })
    }
}

/// Staff lines and lesser words against the foreground, where they are mixed and not left to the terminal.
pub const DIM_SHARE: f64 = 0.6;

/// `share` (0..=1) of `over` on `under`.
pub fn mixed(under: Rgb, over: Rgb, share: f64) -> Rgb {
    std::array::from_fn(|i| {
        let (under, over) = (f64::from(under[i]), f64::from(over[i]));
        (under + (over - under) * share).round() as u8
    })
}

/// A marked key keeps one fill on every ground: its neighbours are white and black on both.
fn key_colour(key: KeyInk, plain: Rgb) -> Rgb {
    match key {
        KeyInk::Plain => plain,
        KeyInk::Asked => SKY_BLUE,
        KeyInk::Given => VERMILLION,
        KeyInk::Right => GREEN,
    }
}

const SKY_BLUE: Rgb = [0x56, 0xB4, 0xE9];
const BLUE: Rgb = [0x00, 0x72, 0xB2];
const VERMILLION: Rgb = [0xD5, 0x5E, 0x00];
const GREEN: Rgb = [0x00, 0x9E, 0x73];
const ORANGE: Rgb = [0xE6, 0x9F, 0x00];
/// Key colours of our own: clear of pure white and black, so that keys stand off either ground.
const WHITE: Rgb = [0xEE, 0xEE, 0xEE];
const BLACK: Rgb = [0x26, 0x26, 0x26];
const EDGE: Rgb = [0x80, 0x80, 0x80];

/// Relative luminance, 0..=1. Source: WCAG 2.2.
pub fn luminance(colour: Rgb) -> f64 {
    let [r, g, b] = colour.map(|part| {
        let part = f64::from(part) / 255.0;
        if part <= 0.04045 {
            part / 12.92
        } else {
            ((part + 0.055) / 1.055).powf(2.4)
        }
    });
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

/// `COLORFGBG` names two of the sixteen colours, the ground last; 7 and 15 are the light ones.
fn told_ground(told: &str) -> Ground {
    match told.rsplit(';').next().map(str::parse::<u8>) {
        Some(Ok(7 | 15)) => Ground::Light,
        Some(Ok(0..=15)) => Ground::Dark,
        _ => Ground::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast of two colours, 1..=21. Source: WCAG 2.2.
    fn contrast(a: Rgb, b: Rgb) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        f64::max(a / b, b / a)
    }

    #[test]
    fn marks_stand_out_on_their_ground() {
        // WCAG 2.2, 1.4.11: three to one for what is needed to understand a picture.
        let dark = [[0x00; 3], [0x1E; 3], [0x28, 0x2A, 0x36]];
        let light = [[0xFF; 3], [0xFA; 3], [0xFD, 0xF6, 0xE3]];
        let inks = [Ink::Asked, Ink::Given, Ink::Right, Ink::Sounding];
        for (ground, behind) in [
            (Ground::Dark, dark.to_vec()),
            (Ground::Light, light.to_vec()),
            (Ground::Unknown, [dark[0], light[0]].to_vec()),
        ] {
            let theme = Theme::default().on(ground);
            for ink in inks {
                for behind in &behind {
                    let found = contrast(theme.colour(ink).unwrap(), *behind);
                    assert!(found >= 3.0, "{ink:?} on {ground:?} {behind:?}: {found:.2}");
                }
            }
        }
    }

    #[test]
    fn signs_read_on_every_key() {
        // WCAG 2.2, 1.4.11.
        for key in [KeyInk::Asked, KeyInk::Given, KeyInk::Right] {
            let theme = Theme::default();
            let fill = theme.colour(Ink::WhiteKey(key)).unwrap();
            let found = contrast(theme.colour(Ink::KeySign).unwrap(), fill);
            assert!(found >= 3.0, "{key:?}: {found:.2}");
        }
    }

    #[test]
    fn the_ground_is_known_by_its_colour_or_by_the_environment() {
        assert_eq!(Ground::of([0x1C; 3]), Ground::Dark);
        assert_eq!(Ground::of([0xFD, 0xF6, 0xE3]), Ground::Light);
        assert_eq!(told_ground("15;0"), Ground::Dark);
        assert_eq!(told_ground("0;default;15"), Ground::Light);
        assert_eq!(told_ground("default"), Ground::Unknown);
    }

    #[test]
    fn without_colour_nothing_is_coloured() {
        let theme = Theme {
            plain: true,
            ground: Ground::Dark,
        };
        for ink in [Ink::Asked, Ink::Given, Ink::KeyEdge] {
            let style = theme.style(ink, Ink::WhiteKey(KeyInk::Asked));
            assert_eq!((style.fg, style.bg), (None, None));
        }
    }
}
