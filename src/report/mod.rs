//! Rows to pages: what is printed, kept or handed on.

pub mod tuning;
