//! The first partial of a sound whose place is roughly known, measured on all its low partials.
//! In: a power spectrum, a rough first partial and stiffness. Out: the first partial in hertz.
//! Source: partials of a stiff string (Fletcher 1964, JASA 36:203): ln(fₙ/n) = ln f₁ + ½ ln((1 + B·n²)/(1 + B)), for small
//! B·n² a straight line in n².

/// Partials that are measured.
const MOST: usize = 8;
/// How far a partial may lie from its expected place, as a share.
const REACH: f64 = 0.02;
/// How sure the expected stiffness is, as a weight beside the partials': it counts where they tell nothing, at most so much.
const BELIEF: f64 = 0.15;
/// Error of a clear line's place, bins, and of the expected B, as a share: high up, lines tell more than what is expected.
const LINE_ERROR: f64 = 0.05;
const STIFFNESS_ERROR: f64 = 0.6;

/// The first partial near `first` of a sound with `count` partials and inharmonicity near `b`, in `power` with bins of
/// `bin` hertz; `first` itself where no partial stands out.
pub(super) fn first_partial(power: &[f32], bin: f64, first: f64, b: f64, count: usize) -> f64 {
    let mut points: [(f64, f64, f64); MOST] = [(0.0, 0.0, 0.0); MOST];
    let mut strongest = 0.0_f64;
    for n in 1..=count.min(MOST) {
        let number = n as f64;
        let expected = number * first * ((1.0 + b * number * number) / (1.0 + b)).sqrt();
        let low = ((expected * (1.0 - REACH) / bin) as usize).max(1);
        let high =
            ((expected * (1.0 + REACH) / bin).ceil() as usize).min(power.len().saturating_sub(2));
        if low >= high {
            continue;
        }
        let Some(top) = (low..=high).max_by(|a, b| power[*a].total_cmp(&power[*b])) else {
            continue;
        };
        let log = |at: usize| f64::from(power[at].max(1e-20).ln());
        let (l, c, r) = (log(top - 1), log(top), log(top + 1));
        let curve = l - 2.0 * c + r;
        // The edge of the search is no peak.
        if curve > -1e-9 || l > c || r > c {
            continue;
        }
        let between = (0.5 * (l - r) / curve).clamp(-0.5, 0.5);
        let measured = ((top as f64 + between) * bin / number).ln();
        let amplitude = f64::from(power[top]).sqrt();
        strongest = strongest.max(amplitude);
        points[n - 1] = (number * number, measured, amplitude);
    }
    if strongest <= 0.0 {
        return first;
    }
    // An error of some hertz weighs less on a higher partial; a line 40 dB down is mostly its neighbours' skirts.
    let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (x, y, amplitude) in points {
        let share = amplitude / strongest;
        if share < 0.01 {
            continue;
        }
        let weight = share.sqrt() * x;
        w += weight;
        wx += weight * x;
        wy += weight * y;
        wxx += weight * x * x;
        wxy += weight * x * y;
    }
    let (mean_x, mean_y) = (wx / w, wy / w);
    let spread = wxx - w * mean_x * mean_x;
    let cross = wxy - w * mean_x * mean_y;
    // The slope is B/2; what is known of it counts as one more partial far up.
    let trust = LINE_ERROR * bin / first / (0.5 * STIFFNESS_ERROR * b.max(1e-5));
    let belief = (BELIEF * (MOST * MOST) as f64 * w).min(trust * trust);
    let slope = ((cross + belief * 0.5 * b) / (spread + belief)).clamp(0.0, 2.0 * b.max(1e-5));
    (mean_y + slope * (1.0 - mean_x)).exp()
}

#[cfg(test)]
mod tests {
    use super::super::super::spectrum::{Spectrum, hann};
    use super::*;

    #[test]
    fn the_first_partial_of_a_stiff_string_is_found_within_two_cents() {
        let rate = 22_050.0;
        let length = 5_512;
        let mut spectrum = Spectrum::new(8_192);
        let window = hann(length);
        let mut power = vec![0.0; spectrum.bins()];
        for (first, b) in [(55.0, 2e-4), (110.0, 1.5e-4), (261.63, 4e-4), (880.0, 2e-3)] {
            let sound: Vec<f32> = (0..length)
                .map(|i| {
                    let t = i as f64 / rate;
                    (1..=8)
                        .map(|n| {
                            let n = f64::from(n);
                            let f = n * first * ((1.0 + b * n * n) / (1.0 + b)).sqrt();
                            (std::f64::consts::TAU * f * t + n).sin() / n
                        })
                        .sum::<f64>() as f32
                })
                .collect();
            spectrum.power(&sound, &window, &mut power);
            let bin = rate / 8_192.0;
            for guess in [-8.0, 8.0] {
                let rough = first * (f64::exp2(guess / 1200.0));
                let got = first_partial(&power, bin, rough, 0.7 * b, 8);
                let cents = 1200.0 * (got / first).log2();
                assert!(cents.abs() < 2.0, "{first} {guess}: {cents}");
            }
        }
    }
}
