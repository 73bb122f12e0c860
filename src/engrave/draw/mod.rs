//! Painters: each turns a display list into values.

pub(super) mod ascii;
pub(super) mod cells;
pub(super) mod keys;
mod raster;
mod symbols;
