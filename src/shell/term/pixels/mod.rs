//! The staff on the screen: in cells, or as a picture once the terminal has confirmed that it shows pictures.
//! In: a phrase, its stage's range and the room. Out: cells of the frame; after the frame, the picture.

mod kitty;
mod listen;
mod query;
mod sixel;

pub use listen::{Input, listen};
pub use query::{Heard, questions};

use std::io::Write;

use ratatui::backend::Backend;
use ratatui::buffer::{Cell as ScreenCell, CellDiffOption};
use ratatui::layout::Rect;
use ratatui::{Frame, Terminal};

use super::theme::{Colours, Ground, Rgb, Theme};
use crate::engrave::{
    CellGrid, CellStyle, KeyboardMarks, Manner, Phrase, Scene, Size, StageRange, TooSmall,
    phrase_picture, scene,
};
use crate::theory::MidiNote;

/// Which pictures are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pictures {
    /// Where the terminal confirms them and no multiplexer stands between.
    #[default]
    Auto,
    /// Never.
    Cells,
    /// Wherever the terminal confirms them.
    Pixels,
}

/// How the staff is shown, as set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Look {
    /// What cells are made of.
    pub style: CellStyle,
    /// One staff as large as the window.
    pub magnified: bool,
    /// Cells or pixels.
    pub pictures: Pictures,
    /// Which colours.
    pub colours: Colours,
}

impl Look {
    /// Whether the terminal is asked about pictures: a multiplexer passes neither them nor the size of a cell.
    pub fn asks_about_pictures(self) -> bool {
        let set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        let term = std::env::var("TERM").unwrap_or_default();
        let multiplexed = ["TMUX", "STY", "ZELLIJ"].into_iter().any(set)
            || ["screen", "tmux"].iter().any(|name| term.starts_with(name));
        match self.pictures {
            _ if self.style == CellStyle::Ascii => false,
            Pictures::Cells => false,
            Pictures::Auto => !multiplexed && term != "linux",
            Pictures::Pixels => true,
        }
    }
}

/// How a terminal takes pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Protocol {
    Kitty,
    Sixel { registers: u16 },
}

/// What is to be drawn; alike requests are drawn once.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// The notes.
    pub phrase: Phrase,
    /// The stage they belong to.
    pub range: StageRange,
    /// The keyboard's marks, where it is shown.
    pub keyboard: Option<KeyboardMarks>,
}

/// The window's pixels as the system knows them: some terminals tell them there and answer no question.
fn window_pixels() -> Option<(u16, u16)> {
    let size = crossterm::terminal::window_size().ok()?;
    (size.width > 0 && size.height > 0).then_some((size.width, size.height))
}

/// Pixels of a cell in a window of so many cells, across and down. What was known stays as long as it can be true: a
/// window may have a border, and less than a cell to spare.
fn cell_in(window: (u16, u16), screen: (u16, u16), known: Option<(u16, u16)>) -> (u16, u16) {
    const BORDER: u16 = 8;
    let one = |pixels: u16, cells: u16, known: Option<u16>| {
        let cells = cells.max(1);
        let fits = |cell: &u16| {
            let least = u32::from(*cell) * u32::from(cells);
            let most = least + u32::from(*cell) + u32::from(BORDER);
            (least..most).contains(&u32::from(pixels))
        };
        known.filter(fits).unwrap_or(pixels / cells)
    };
    (
        one(window.0, screen.0, known.map(|cell| cell.0)),
        one(window.1, screen.1, known.map(|cell| cell.1)),
    )
}

#[derive(Debug)]
enum Drawn {
    Cells(CellGrid),
    Scene(Box<Scene>),
}

impl Drawn {
    fn grid(&self) -> &CellGrid {
        match self {
            Drawn::Cells(grid) => grid,
            Drawn::Scene(scene) => &scene.words,
        }
    }
}

/// Where the staff is drawn.
#[derive(Debug)]
pub struct Easel {
    look: Look,
    theme: Theme,
    /// What the terminal has told, and in how many cells.
    heard: Vec<Heard>,
    screen: (u16, u16),
    front: Option<Rgb>,
    ground: Option<Rgb>,
    protocol: Option<Protocol>,
    cell: Option<(u16, u16)>,
    window: Option<(u16, u16)>,
    /// The last request, its room, and what came of it.
    last: Option<(Request, Rect, Result<Drawn, TooSmall>)>,
    /// A picture is wanted in this frame.
    wanted: bool,
    /// A picture stands on the screen; whether it is the last request's.
    standing: Option<bool>,
}

impl Easel {
    /// An easel for a terminal that has told nothing yet.
    pub fn new(look: Look) -> Easel {
        Easel {
            look,
            theme: Theme::from_environment().wished(look.colours),
            heard: Vec::new(),
            screen: (0, 0),
            front: None,
            ground: None,
            protocol: None,
            cell: None,
            window: None,
            last: None,
            wanted: false,
            standing: None,
        }
    }

    /// The colours of this terminal.
    pub fn theme(&self) -> Theme {
        self.theme
    }

    /// Shows the staff otherwise from now on.
    pub fn set_look(&mut self, look: Look) {
        if look != self.look {
            self.look = look;
            self.theme = Theme::from_environment();
            let heard = std::mem::take(&mut self.heard);
            self.told(heard, self.screen);
        }
    }

    /// Takes in what the terminal says of itself; `screen` is its size in cells.
    pub fn told(&mut self, heard: Vec<Heard>, screen: (u16, u16)) {
        let (mut kitty, mut sixel, mut registers) = (false, false, None);
        for thing in &heard {
            match thing {
                Heard::Foreground(colour) => self.front = Some(*colour),
                Heard::Ground(colour) => self.ground = Some(*colour),
                Heard::Kitty => kitty = true,
                Heard::Registers(count) => registers = Some(*count),
                Heard::Cell(width, height) => self.cell = Some((*width, *height)),
                Heard::Window(width, height) => self.window = Some((*width, *height)),
                Heard::Attributes { sixel: drawn } => sixel = *drawn,
                Heard::Input(_) => {}
            }
        }
        if let Some(ground) = self.ground {
            self.theme = self.theme.on(Ground::of(ground));
        }
        self.theme = self.theme.wished(self.look.colours);
        if self.cell.is_none() {
            let window = self.window.or_else(window_pixels);
            self.cell = window.map(|window| cell_in(window, screen, None));
        }
        // Without the size of a cell nothing can stand level with the words.
        let sized = self
            .cell
            .is_some_and(|(width, height)| width >= 4 && height >= 8);
        self.protocol = match (sized && self.look.asks_about_pictures(), kitty, sixel) {
            (true, true, _) => Some(Protocol::Kitty),
            (true, false, true) => Some(Protocol::Sixel {
                // The VT340 had sixteen.
                registers: registers.unwrap_or(16).clamp(2, 256),
            }),
            _ => None,
        };
        self.last = None;
        (self.heard, self.screen) = (heard, screen);
    }

    /// The screen has another size, and was cleared; letters may be of another size as well.
    pub fn resized(&mut self, screen: (u16, u16)) {
        self.standing = None;
        if let Some(window) = window_pixels() {
            self.cell = Some(cell_in(window, screen, self.cell));
        }
    }

    /// Draws into `area` of the frame. Errors: [`TooSmall`].
    pub fn draw(
        &mut self,
        frame: &mut Frame,
        area: Rect,
        request: Request,
    ) -> Result<(), TooSmall> {
        let area = area.intersection(frame.area());
        let same = matches!(&self.last, Some((last, room, _)) if *last == request && *room == area);
        if !same {
            let made = self.make(&request, area);
            self.last = Some((request, area, made));
            if self.standing.is_some() {
                self.standing = Some(false);
            }
        }
        let Some((_, _, made)) = &self.last else {
            return Ok(());
        };
        let drawn = made.as_ref().map_err(|small| *small)?;
        let grid = drawn.grid();
        let covered = match drawn {
            Drawn::Cells(_) => 0..0,
            Drawn::Scene(scene) => scene.columns(),
        };
        self.wanted = !covered.is_empty();
        let buffer = frame.buffer_mut();
        for (index, cell) in grid.cells.iter().enumerate() {
            let column = (index % usize::from(grid.width)) as u16;
            let row = (index / usize::from(grid.width)) as u16;
            if let Some(target) = buffer.cell_mut((area.x + column, area.y + row)) {
                let (symbol, style) = self.theme.cell(cell);
                target.set_char(symbol);
                target.set_style(style);
                // The picture is not written over; its words follow it.
                if covered.contains(&column) {
                    target.set_diff_option(CellDiffOption::Skip);
                }
            }
        }
        Ok(())
    }

    fn make(&self, request: &Request, area: Rect) -> Result<Drawn, TooSmall> {
        let size = Size {
            columns: area.width,
            rows: area.height,
        };
        let (phrase, range, keyboard) =
            (&request.phrase, &request.range, request.keyboard.as_ref());
        if self.protocol.is_some() {
            let scene = scene(phrase, range, size, self.look.magnified, keyboard)?;
            return Ok(Drawn::Scene(Box::new(scene)));
        }
        let manner = Manner {
            style: self.look.style,
            magnified: self.look.magnified,
            pixels: false,
        };
        phrase_picture(phrase, range, size, manner, keyboard).map(Drawn::Cells)
    }

    /// The key drawn at a place of the screen.
    pub fn key_at(&self, column: u16, row: u16) -> Option<MidiNote> {
        let (_, area, made) = self.last.as_ref()?;
        let grid = made.as_ref().ok()?.grid();
        grid.key_at(column.checked_sub(area.x)?, row.checked_sub(area.y)?)
    }

    /// After the frame: puts the picture up, or takes it away when the frame had none.
    pub fn finish<B: Backend + Write>(
        &mut self,
        terminal: &mut Terminal<B>,
    ) -> std::io::Result<()> {
        let wanted = std::mem::take(&mut self.wanted);
        let (Some(protocol), Some(cell)) = (self.protocol, self.cell) else {
            return Ok(());
        };
        let out = terminal.backend_mut();
        if !wanted {
            if self.standing.take().is_some() && protocol == Protocol::Kitty {
                out.write_all(kitty::REMOVE)?;
                Write::flush(out)?;
            }
            return Ok(());
        }
        if self.standing == Some(true) {
            return Ok(());
        }
        let Some((_, area, Ok(Drawn::Scene(scene)))) = &self.last else {
            return Ok(());
        };
        let own = self.front.zip(self.ground);
        let palette = self.theme.palette(own);
        let pixels = scene.paint(cell);
        let columns = scene.columns();
        let picture = match protocol {
            Protocol::Kitty => kitty::show(&pixels, &palette, (columns.len() as u16, area.height)),
            Protocol::Sixel { registers } => sixel::show(&pixels, &palette, registers),
        };
        write!(
            out,
            "\x1b[0m\x1b[{};{}H",
            area.y + 1,
            area.x + columns.start + 1
        )?;
        out.write_all(&picture)?;
        let words = self.words(scene, *area);
        let placed = words.iter().map(|(x, y, cell)| (*x, *y, cell));
        out.draw(placed)
            .map_err(|error| std::io::Error::other(error.to_string()))?;
        Write::flush(out)?;
        self.standing = Some(true);
        Ok(())
    }

    /// Takes the picture away for good.
    pub fn leave<B: Backend + Write>(&mut self, terminal: &mut Terminal<B>) -> std::io::Result<()> {
        self.wanted = false;
        self.finish(terminal)
    }

    /// The words that lie over the picture.
    fn words(&self, scene: &Scene, area: Rect) -> Vec<(u16, u16, ScreenCell)> {
        let grid = &scene.words;
        let columns = scene.columns();
        let written = (0..area.height)
            .flat_map(|row| columns.clone().map(move |column| (column, row)))
            .filter_map(|(column, row)| Some((column, row, grid.cell(column, row)?)));
        written
            .filter(|(_, _, cell)| cell.symbol != ' ')
            .map(|(column, row, cell)| {
                let (symbol, style) = self.theme.cell(cell);
                let mut target = ScreenCell::default();
                target.set_char(symbol);
                target.set_style(style);
                (area.x + column, area.y + row, target)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_keeps_its_size_while_the_window_allows_it() {
        // As xterm tells them: 55 by 13 cells of 9 by 19 pixels in a window of 500 by 260.
        assert_eq!(cell_in((724, 460), (80, 24), None), (9, 19));
        assert_eq!(cell_in((500, 260), (55, 13), Some((9, 19))), (9, 19));
        // Larger letters.
        assert_eq!(cell_in((960, 576), (80, 24), Some((9, 19))), (12, 24));
    }

    #[test]
    fn a_picture_waits_for_a_terminal_that_confirms_it() {
        let look = Look::default();
        let asks = look.asks_about_pictures();
        let sized = vec![Heard::Cell(9, 18), Heard::Attributes { sixel: true }];
        let mut easel = Easel::new(look);
        assert_eq!(easel.protocol, None);
        easel.told(sized.clone(), (80, 24));
        assert_eq!(easel.protocol.is_some(), asks);
        // Sixels without the size of a cell, and a terminal that has neither protocol.
        let mut easel = Easel::new(look);
        easel.told(
            vec![Heard::Cell(9, 18), Heard::Attributes { sixel: false }],
            (80, 24),
        );
        assert_eq!(easel.protocol, None);
        let pictures = Pictures::Cells;
        let mut easel = Easel::new(Look { pictures, ..look });
        easel.told(sized, (80, 24));
        assert_eq!(easel.protocol, None);
    }
}
