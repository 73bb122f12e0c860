//! Coverage of dots by an outline: each dot row is sampled along 8 lines, along which coverage is exact.
//! In: polygons in staff spaces, non-zero winding. Out: coverage 0..=1 a dot.
//! What lies inside along each line is found once ([`Spans`]); moving it sideways is then cheap.

use crate::engrave::font::Outline;

/// Sample lines in a dot row. More changes no dot at 8 dots a space.
const LINES: i32 = 8;

/// The parts of sample lines that lie inside an outline whose origin is at x = 0.
#[derive(Debug, Clone)]
pub(super) struct Spans {
    /// The first dot row.
    top: i32,
    rows: usize,
    /// Leftmost and rightmost ink, in dots.
    extent: (f64, f64),
    /// Line below `top`, and from where to where, in dots.
    spans: Vec<(i32, f64, f64)>,
}

/// Coverage of the dots about an outline.
#[derive(Debug, Clone)]
pub(super) struct Coverage {
    /// Column and row of the first dot.
    left: i32,
    top: i32,
    width: usize,
    /// Row by row, `width` a row.
    dots: Vec<f32>,
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

impl Spans {
    /// Samples `outline` at `scale` dots a staff space (across and down), its origin `origin` dots below the top.
    pub(super) fn of(outline: &Outline, scale: (f64, f64), origin: f64) -> Spans {
        let place = |p: &crate::engrave::list::Point| (p.x * scale.0, origin - p.y * scale.1);
        let points = || outline.polygons.iter().flatten().map(place);
        let (left, right) =
            points().fold((f64::MAX, f64::MIN), |(a, b), (x, _)| (a.min(x), b.max(x)));
        let (high, low) =
            points().fold((f64::MAX, f64::MIN), |(a, b), (_, y)| (a.min(y), b.max(y)));
        let top = high.floor() as i32;
        let step = 1.0 / f64::from(LINES);
        let mut crossings: Vec<(i32, f64, i32)> = Vec::new();
        for polygon in &outline.polygons {
            let ends = polygon.iter().cycle().skip(1);
            for (from, to) in polygon.iter().zip(ends) {
                let (from, to) = (place(from), place(to));
                let (upper, lower, winding) = if from.1 <= to.1 {
                    (from, to, 1)
                } else {
                    (to, from, -1)
                };
                // Sample line k lies at (k + ½) / LINES below the top.
                let line_after = |y: f64| ((y - f64::from(top)) / step - 0.5).ceil() as i32;
                for k in line_after(upper.1)..line_after(lower.1) {
                    let y = f64::from(top) + (f64::from(k) + 0.5) * step;
                    let t = (y - upper.1) / (lower.1 - upper.1);
                    crossings.push((k, upper.0 + t * (lower.0 - upper.0), winding));
                }
            }
        }
        crossings.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let mut spans = Vec::with_capacity(crossings.len() / 2);
        let (mut winding, mut begin) = (0, 0.0);
        for (line, x, turn) in crossings {
            if winding == 0 {
                begin = x;
            }
            winding += turn;
            if winding == 0 {
                spans.push((line, begin, x));
            }
        }
        Spans {
            top,
            rows: (low.ceil() as i32 - top).max(0) as usize,
            extent: (left, right),
            spans,
        }
    }

    /// Coverage with the origin `x` dots from the left.
    pub(super) fn cover(&self, x: f64) -> Coverage {
        let left = (self.extent.0 + x).floor();
        let width = ((self.extent.1 + x).ceil() - left).max(1.0) as usize;
        let mut dots = vec![0.0_f32; width * self.rows];
        let shift = x - left;
        let weight = 1.0 / LINES as f32;
        for &(line, from, to) in &self.spans {
            let (from, to) = (from + shift, to + shift);
            let row = line / LINES;
            let row = &mut dots[row as usize * width..][..width];
            let (first, last) = (from as usize, (to as usize).min(width - 1));
            if first == last {
                row[first] += (to - from) as f32 * weight;
                continue;
            }
            row[first] += (first as f64 + 1.0 - from) as f32 * weight;
            for dot in &mut row[first + 1..last] {
                *dot += weight;
            }
            row[last] += (to - last as f64) as f32 * weight;
        }
        Coverage {
            left: left as i32,
            top: self.top,
            width,
            dots,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engrave::list::Point;

    fn polygon(points: &[(f64, f64)]) -> Outline {
        Outline {
            segments: Vec::new(),
            polygons: vec![points.iter().map(|&(x, y)| Point { x, y }).collect()],
        }
    }

    fn area(coverage: &Coverage) -> f32 {
        coverage.dots.iter().sum()
    }

    #[test]
    fn coverage_adds_up_to_the_area() {
        // Plane geometry: a rectangle 2.5 by 1.25 spaces, and the triangle that is half of it. At top and bottom
        // half a sample line may be out: 20 dots wide, an eighth high.
        let tolerance = 20.0 / 16.0 + 1e-3;
        let rectangle = [(0.1, 0.0), (2.6, 0.0), (2.6, 1.25), (0.1, 1.25)];
        for origin in [0.0, 7.3] {
            let spans = Spans::of(&polygon(&rectangle), (8.0, 8.0), origin + 20.0);
            let found = area(&spans.cover(origin));
            assert!((found - 200.0).abs() < tolerance, "{found}");
            let spans = Spans::of(&polygon(&rectangle[..3]), (8.0, 8.0), origin + 20.0);
            let found = area(&spans.cover(origin));
            assert!((found - 100.0).abs() < tolerance, "{found}");
        }
    }

    #[test]
    fn a_whole_dot_is_covered_once_though_two_contours_overlap_on_it() {
        let mut outline = polygon(&[(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)]);
        outline.polygons.push(outline.polygons[0].clone());
        let coverage = Spans::of(&outline, (1.0, 1.0), 5.0).cover(3.0);
        let dots: Vec<_> = coverage.iter().collect();
        assert_eq!(dots, [(3, 3, 1.0), (4, 3, 1.0), (3, 4, 1.0), (4, 4, 1.0)]);
    }
}
