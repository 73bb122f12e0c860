//! Engraving: staff spaces in, marks out. One layout gives one display list; painters turn it into values.
//!
//! Ordered passes ([`layout`]) place staves, clefs, signatures, accidentals, heads and ledger lines with the measures
//! of an open music font ([`metrics`], [`font`]); [`picture`] chooses a size for the stage and paints cells.
//! Source: SMuFL, and Bravura's own metadata and outlines in `font/`.

mod block;
mod draw;
mod font;
mod grid;
mod keyboard;
mod layout;
mod list;
mod metrics;
mod music;
mod page;
mod phrase;
mod plan;
mod scene;
mod screen;

pub use draw::pdf::{PdfError, document as pdf_document};
pub use draw::pixels::{Pixels, SHARES};
pub use draw::svg::{document as svg_document, figure as svg_figure, glyphs as svg_glyphs};
pub use font::{FontError, MusicFont, Outline, Segment, music_font};
pub use grid::{Cell, CellGrid, CellStyle, Size, WHOLE};
pub use keyboard::{KeyMark, KeyboardMarks};
pub use layout::display_list;
pub use list::{DisplayList, Ink, KeyInk, Mark, Part, Point, Rect, Shape};
pub use metrics::{EngravingDefaults, Glyph, GlyphMetrics, Metrics, MetricsError};
pub use music::{Column, Music, NoteMark, Reach, Role, StageRange, Staves};
pub use page::{
    Anchor, Colour, Document, Music as PrintedMusic, Page, Stroke, Thing, Words, broken, text_width,
};
pub use phrase::{Event, NoteValue, Phrase, Sounding};
pub use plan::{Manner, TooSmall, needed};
pub use scene::{Scene, scene};
pub use screen::{phrase_picture, picture};
