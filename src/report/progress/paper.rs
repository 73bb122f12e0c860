//! The report on paper. In: [`Facts`], a paper. Out: a [`Document`]: what fits goes on a page, tables go on with their head.

use super::{Block, Facts, Figure, Section, Table, long_date, sections};
use crate::engrave::{Document, Page, Stroke, Thing, Words, broken, text_width};
use crate::report::sheet::{MARGIN, Style};

/// Height of letters, and of a line of them.
const LETTERS: f64 = 3.6;
const LINE: f64 = 1.4 * LETTERS;
/// Between the columns of a table.
const GAP: f64 = 4.0;

/// The whole report; large print sets words half as large again and notes twice as large.
pub fn paper(facts: &Facts, style: Style) -> Document {
    let title = format!("{}: progress, {}", facts.whose, long_date(facts.day));
    let mut flow = Flow {
        style,
        pages: Vec::new(),
        y: 0.0,
        scale: if style.large { 1.5 } else { 1.0 },
        foot: title.clone(),
    };
    flow.turn();
    flow.heading(1, facts.whose, 2.0);
    flow.words(&format!(
        "{} \u{b7} {}",
        facts.course.name,
        long_date(facts.day)
    ));
    for section in sections(facts) {
        flow.section(&section);
    }
    Document {
        title,
        language: "en".to_owned(),
        pages: flow.pages,
    }
}

/// Where the next thing stands.
struct Flow {
    style: Style,
    pages: Vec<Page>,
    y: f64,
    scale: f64,
    foot: String,
}

impl Flow {
    fn turn(&mut self) {
        let mut page = self.style.page();
        let number = self.pages.len() + 1;
        if number > 1 {
            let size = LETTERS * 0.9;
            let y = page.height - MARGIN * 0.6;
            let words = format!("{}, page {number}", self.foot);
            page.things
                .push(Thing::Words(Words::new(MARGIN, y, size, words)));
        }
        self.y = MARGIN;
        self.pages.push(page);
    }

    fn width(&self) -> f64 {
        self.style.paper.size().0 - 2.0 * MARGIN
    }

    /// Makes room for `height`, on the next page if need be.
    fn room(&mut self, height: f64) {
        if self.y + height > self.style.paper.size().1 - MARGIN && self.y > MARGIN {
            self.turn();
        }
    }

    fn push(&mut self, thing: Thing) {
        if let Some(page) = self.pages.last_mut() {
            page.things.push(thing);
        }
    }

    fn heading(&mut self, level: u16, text: &str, size: f64) {
        let size = LETTERS * size * self.scale;
        for line in broken(text, size, self.width()) {
            self.y += size;
            let words = Words::new(MARGIN, self.y, size, line);
            self.push(Thing::Heading(level, words));
            self.y += size * 0.4;
        }
    }

    fn words(&mut self, text: &str) {
        self.set(text, 0.0);
        self.y += LINE * 0.3;
    }

    /// Lines `indent` from the margin.
    fn set(&mut self, text: &str, indent: f64) {
        let (size, line) = (LETTERS * self.scale, LINE * self.scale);
        for text in broken(&quoted(text), size, self.width() - indent) {
            self.room(line);
            self.y += line;
            let words = Words::new(MARGIN + indent, self.y - line * 0.25, size, text);
            self.push(Thing::Words(words));
        }
    }

    fn section(&mut self, section: &Section) {
        self.y += LINE;
        // A heading keeps a few lines with it.
        self.room(6.0 * LINE * self.scale);
        self.heading(2, &section.heading, 1.35);
        for block in &section.blocks {
            match block {
                Block::Words(words) => self.words(words),
                Block::List(points) => {
                    for point in points {
                        self.room(LINE * self.scale);
                        let y = self.y + LINE * self.scale * 0.5;
                        self.push(Thing::Drawing {
                            strokes: vec![Stroke::Oval {
                                middle: (MARGIN + 1.0, y + LETTERS * 0.05),
                                radii: (0.6, 0.6),
                                fill: 1.0,
                                edge: 0.0,
                            }],
                            says: None,
                        });
                        self.set(point, 4.0);
                    }
                    self.y += LINE * 0.3;
                }
                Block::Table(table) => self.table(table),
                Block::Figures(figures) => self.figures(figures),
            }
        }
    }

    /// Side by side while they fit; in large print one by one, as wide as the paper.
    fn figures(&mut self, figures: &[Figure]) {
        let scale = |figure: &Figure| {
            if self.style.large {
                (self.width() / figure.size.0).clamp(1.0, 2.0)
            } else {
                1.0
            }
        };
        let scales: Vec<f64> = figures.iter().map(scale).collect();
        let mut next = 0;
        while next < figures.len() {
            let wide = |n: usize| figures[n].size.0 * scales[n];
            let mut end = next + 1;
            let mut width = wide(next);
            while end < figures.len() && width + wide(end) <= self.width() + 0.01 {
                width += wide(end);
                end += 1;
            }
            let height = (next..end).map(|n| figures[n].size.1 * scales[n]);
            let height = height.fold(0.0, f64::max);
            self.room(height + LETTERS);
            let gap = (self.width() - width) / (end - next).max(2).saturating_sub(1) as f64;
            let mut x = MARGIN;
            for n in next..end {
                self.figure(&figures[n], scales[n], x);
                x += wide(n) + gap;
            }
            self.y += height + LETTERS;
            next = end;
        }
    }

    /// One part of a figure says what the whole shows; the others are decoration.
    fn figure(&mut self, figure: &Figure, scale: f64, left: f64) {
        let corner = (left, self.y);
        let by_music = has_spoken_music(figure);
        let mut said = Some(figure.says.clone());
        for thing in &figure.things {
            let mut thing = thing.clone().placed(scale, corner);
            match &mut thing {
                Thing::Music(music) if !music.says.is_empty() => {
                    music.says = said.take().unwrap_or_default();
                }
                Thing::Drawing { says, .. } if !by_music => *says = said.take(),
                _ => {}
            }
            self.push(thing);
        }
    }

    fn table(&mut self, table: &Table) {
        let size = LETTERS * self.scale * 0.95;
        let line = LINE * self.scale;
        let widths: Vec<f64> = (0..table.head.len())
            .map(|column| {
                let cells = table.rows.iter().filter_map(|row| row.get(column));
                cells
                    .chain(table.head.get(column))
                    .map(|cell| text_width(cell, size))
                    .fold(0.0, f64::max)
            })
            .collect();
        let all: f64 = widths.iter().sum::<f64>() + GAP * (widths.len().max(1) - 1) as f64;
        // What is wider than the paper is set in smaller letters.
        let shrink = (self.width() / all.max(1.0)).min(1.0);
        let (size, gap) = (size * shrink, GAP * shrink);
        let widths: Vec<f64> = widths.into_iter().map(|width| width * shrink).collect();
        self.room(4.0 * line);
        self.y += line;
        let caption = Words::new(
            MARGIN,
            self.y - line * 0.25,
            LETTERS * self.scale,
            &table.caption,
        );
        self.push(Thing::Heading(3, caption));
        let mut rest = table.rows.as_slice();
        loop {
            let left = self.style.paper.size().1 - MARGIN - self.y;
            let fit = ((left / line) as usize).saturating_sub(1).min(rest.len());
            let (rows, after) = rest.split_at(fit);
            if !rows.is_empty() || table.rows.is_empty() {
                let mut place = |cells: &[String]| {
                    self.y += line;
                    let words = cells_at(cells, table, &widths, gap, (self.y - line * 0.32, size));
                    let rule = Stroke::Line {
                        from: (MARGIN, self.y),
                        to: (MARGIN + (all * shrink), self.y),
                        weight: 0.1,
                        dashed: false,
                    };
                    self.push(Thing::Drawing {
                        strokes: vec![rule],
                        says: None,
                    });
                    words
                };
                let head = place(&table.head);
                let rows = rows.iter().map(|row| place(row)).collect();
                self.push(Thing::Table { head, rows });
            }
            rest = after;
            if rest.is_empty() {
                break;
            }
            self.turn();
        }
        self.y += LINE * 0.6;
    }
}

/// Commands, which stand between backquotes, in quotes.
pub(super) fn quoted(text: &str) -> String {
    let mut open = false;
    text.chars()
        .map(|letter| match letter {
            '`' => {
                open = !open;
                if open { '\u{201c}' } else { '\u{201d}' }
            }
            letter => letter,
        })
        .collect()
}

fn has_spoken_music(figure: &Figure) -> bool {
    let spoken = |thing: &Thing| matches!(thing, Thing::Music(music) if !music.says.is_empty());
    figure.things.iter().any(spoken)
}

fn cells_at(
    cells: &[String],
    table: &Table,
    widths: &[f64],
    gap: f64,
    (y, size): (f64, f64),
) -> Vec<Words> {
    let mut left = MARGIN;
    let mut placed = Vec::new();
    for (column, (cell, width)) in cells.iter().zip(widths).enumerate() {
        let words = if table.words.contains(&column) {
            Words::new(left, y, size, cell)
        } else {
            Words::new(left + width, y, size, cell).ending()
        };
        placed.push(words);
        left += width + gap;
    }
    placed
}
