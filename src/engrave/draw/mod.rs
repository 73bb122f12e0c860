//! Painters: each turns a display list into values.

pub(super) mod ascii;
pub(super) mod cells;
pub(super) mod keys;
pub(super) mod pdf;
pub(super) mod pixel_keys;
pub(super) mod pixels;
mod raster;
pub(super) mod svg;
mod symbols;
