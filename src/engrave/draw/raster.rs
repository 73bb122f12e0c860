//! Coverage of dots by an outline: each dot row is sampled along 8 lines, along which coverage is exact.
//! In: polygons in staff spaces, non-zero winding. Out: coverage 0..=1 a dot.

use crate::engrave::font::Outline;

/// Sample lines in a dot row. More changes no dot at 8 dots a space.
const LINES: i32 = 8;

/// From staff spaces to dots; dot y grows downward.
#[derive(Debug, Clone, Copy)]
pub(super) struct Placement {
    /// Dots a staff space, across and down.
    pub(super) scale: (f64, f64),
    /// Where the outline's origin falls, in dots.
    pub(super) origin: (f64, f64),
}

/// Coverage of the dots about an outline.
#[derive(Debug, Clone)]
pub(super) struct Coverage {
    /// Column and row of the first dot.
    pub(super) left: i32,
    pub(super) top: i32,
    pub(super) width: usize,
    /// Row by row, `width` a row.
    pub(super) dots: Vec<f32>,
}

impl Coverage {
    /// Column, row and coverage of each dot.
    pub(super) fn iter(&self) -> impl Iterator<Item = (i32, i32, f32)> + '_ {
        self.dots.iter().enumerate().map(|(i, &covered)| {
            (
                self.left + (i % self.width) as i32,
                self.top + (i / self.width) as i32,
                covered,
            )
        })
    }

    /// How far the dots at or above `threshold` are from the outline: area left out or added, in dots.
    pub(super) fn loss(&self, threshold: f32) -> f32 {
        self.dots
            .iter()
            .map(|&c| if c >= threshold { 1.0 - c } else { c })
            .sum()
    }
}

/// Samples `outline` as placed.
pub(super) fn cover(outline: &Outline, placement: Placement) -> Coverage {
    let (sx, sy) = placement.scale;
    let (ox, oy) = placement.origin;
    let mut edges = Vec::new();
    let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
    for polygon in &outline.polygons {
        let points: Vec<(f64, f64)> = polygon
            .iter()
            .map(|p| (ox + p.x * sx, oy - p.y * sy))
            .collect();
        for (i, &from) in points.iter().enumerate() {
            edges.push((from, points[(i + 1) % points.len()]));
            low = (low.0.min(from.0), low.1.min(from.1));
            high = (high.0.max(from.0), high.1.max(from.1));
        }
    }
    let (left, top) = (low.0.floor() as i32, low.1.floor() as i32);
    let width = (high.0.ceil() as i32 - left).max(0) as usize;
    let rows = (high.1.ceil() as i32 - top).max(0) as usize;
    let mut dots = vec![0.0_f32; width * rows];
    let mut crossings: Vec<Vec<(f64, i32)>> = vec![Vec::new(); rows * LINES as usize];
    let step = 1.0 / f64::from(LINES);
    for (from, to) in edges {
        let (upper, lower, winding) = if from.1 <= to.1 {
            (from, to, 1)
        } else {
            (to, from, -1)
        };
        // Sample line k lies at (k + ½) / LINES below the top.
        let first = ((upper.1 - f64::from(top)) / step - 0.5).ceil() as i32;
        let last = ((lower.1 - f64::from(top)) / step - 0.5).ceil() as i32;
        for k in first..last {
            let y = f64::from(top) + (f64::from(k) + 0.5) * step;
            let t = (y - upper.1) / (lower.1 - upper.1);
            if let Some(line) = crossings.get_mut(k as usize) {
                line.push((upper.0 + t * (lower.0 - upper.0), winding));
            }
        }
    }
    for (k, line) in crossings.iter_mut().enumerate() {
        line.sort_by(|a, b| a.0.total_cmp(&b.0));
        let row = &mut dots[k / LINES as usize * width..][..width];
        let (mut winding, mut begin) = (0, 0.0);
        for &(x, w) in line.iter() {
            if winding == 0 {
                begin = x;
            }
            winding += w;
            if winding == 0 {
                span(row, begin - f64::from(left), x - f64::from(left), step);
            }
        }
    }
    Coverage {
        left,
        top,
        width: width.max(1),
        dots,
    }
}

/// Adds `weight` to the part of each dot between `from` and `to`.
fn span(row: &mut [f32], from: f64, to: f64, weight: f64) {
    let first = from.floor().max(0.0) as usize;
    let last = (to.ceil() as usize).min(row.len());
    for (x, dot) in row.iter_mut().enumerate().take(last).skip(first) {
        let covered = (to.min(x as f64 + 1.0) - from.max(x as f64)).max(0.0);
        *dot += (covered * weight) as f32;
    }
}
