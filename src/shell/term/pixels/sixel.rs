//! Pictures as sixels. In: [`Pixels`], their colours, and how many colours the terminal has. Out: an escape sequence.
//! Source: DEC, VT330/VT340 Programmer Reference Manual, volume 2, chapter 14 (raster attributes, colour
//! introducer in percent, repeat introducer, `$` and `-`).

use crate::engrave::Pixels;
use crate::shell::term::theme::Rgb;

/// Pixels of a band.
const BAND: usize = 6;

/// Which places stand for which when there are only `registers` colours: the most used stay, others go to the nearest.
fn merged(pixels: &Pixels, palette: &[Rgb], registers: usize) -> Vec<u8> {
    let mut counts = vec![0_usize; palette.len()];
    for place in &pixels.places {
        counts[usize::from(*place)] += 1;
    }
    let mut used: Vec<usize> = (0..palette.len()).filter(|p| counts[*p] > 0).collect();
    used.sort_by_key(|place| std::cmp::Reverse(counts[*place]));
    let kept: Vec<usize> = used.iter().copied().take(registers.max(2)).collect();
    let distance = |a: usize, b: usize| -> u32 {
        let apart = |i: usize| u32::from(palette[a][i].abs_diff(palette[b][i])).pow(2);
        apart(0) + apart(1) + apart(2)
    };
    (0..palette.len())
        .map(|place| {
            let nearest = kept.iter().min_by_key(|kept| distance(place, **kept));
            nearest.map_or(0, |nearest| *nearest as u8)
        })
        .collect()
}

fn run(out: &mut Vec<u8>, sixel: u8, count: usize) {
    // A repeat takes at least three bytes.
    if count > 3 {
        out.extend_from_slice(format!("!{count}").as_bytes());
        out.push(sixel + b'?');
    } else {
        out.extend(std::iter::repeat_n(sixel + b'?', count));
    }
}

/// Draws a picture at the cursor.
pub fn show(pixels: &Pixels, palette: &[Rgb], registers: u16) -> Vec<u8> {
    let merged = merged(pixels, palette, usize::from(registers));
    let mut defined: Vec<u8> = pixels
        .places
        .iter()
        .map(|p| merged[usize::from(*p)])
        .collect();
    let places = defined.clone();
    defined.sort_unstable();
    defined.dedup();
    // Registers are numbered as they are met: a terminal of sixteen has no seventeenth.
    let mut register = vec![0; palette.len()];
    let mut out = Vec::with_capacity(pixels.places.len() / 8);
    out.extend_from_slice(b"\x1bP0;1;0q");
    out.extend_from_slice(format!("\"1;1;{};{}", pixels.width, pixels.height).as_bytes());
    for (number, place) in defined.iter().enumerate() {
        register[usize::from(*place)] = number;
        let percent = palette[usize::from(*place)].map(|part| (u32::from(part) * 100 + 127) / 255);
        let [r, g, b] = percent;
        out.extend_from_slice(format!("#{number};2;{r};{g};{b}").as_bytes());
    }
    let mut sixels = vec![0_u8; pixels.width];
    for band in places.chunks(pixels.width * BAND) {
        let mut met = [false; 256];
        for place in band {
            met[usize::from(*place)] = true;
        }
        let mut first = true;
        for place in (0..=255_u8).filter(|place| met[usize::from(*place)]) {
            sixels.fill(0);
            for (row, line) in band.chunks(pixels.width).enumerate() {
                for (sixel, pixel) in sixels.iter_mut().zip(line) {
                    *sixel |= u8::from(*pixel == place) << row;
                }
            }
            if !first {
                out.push(b'$');
            }
            first = false;
            out.extend_from_slice(format!("#{}", register[usize::from(place)]).as_bytes());
            let (mut last, mut count) = (sixels[0], 0);
            for sixel in &sixels {
                if *sixel == last {
                    count += 1;
                } else {
                    run(&mut out, last, count);
                    (last, count) = (*sixel, 1);
                }
            }
            // What is empty to the end of the line need not be written.
            if last != 0 {
                run(&mut out, last, count);
            }
        }
        out.push(b'-');
    }
    out.extend_from_slice(b"\x1b\\");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads what the manual describes: `None` where nothing was painted.
    fn read(bytes: &[u8]) -> (usize, usize, Vec<Option<[u32; 3]>>) {
        let text = std::str::from_utf8(bytes).unwrap();
        let body = text
            .strip_prefix("\x1bP0;1;0q")
            .unwrap()
            .strip_suffix("\x1b\\")
            .unwrap();
        let mut at = body.chars().peekable();
        let number = |at: &mut std::iter::Peekable<std::str::Chars<'_>>| -> u32 {
            let mut n = 0;
            while let Some(digit) = at.peek().and_then(|c| c.to_digit(10)) {
                n = n * 10 + digit;
                at.next();
            }
            n
        };
        let numbers = |at: &mut std::iter::Peekable<std::str::Chars<'_>>| -> Vec<u32> {
            let mut all = vec![number(at)];
            while at.peek() == Some(&';') {
                at.next();
                all.push(number(at));
            }
            all
        };
        assert_eq!(at.next(), Some('"'));
        let size = numbers(&mut at);
        let (width, height) = (size[2] as usize, size[3] as usize);
        let mut image = vec![None; width * height];
        let mut colours = std::collections::HashMap::new();
        let (mut x, mut top, mut colour) = (0, 0, 0);
        let mut repeat = 1;
        while let Some(symbol) = at.next() {
            match symbol {
                '#' => {
                    let given = numbers(&mut at);
                    if let [which, 2, r, g, b] = given[..] {
                        colours.insert(which, [r, g, b]);
                    }
                    colour = given[0];
                }
                '!' => repeat = numbers(&mut at)[0] as usize,
                '$' => x = 0,
                '-' => (x, top) = (0, top + BAND),
                sixel => {
                    for _ in 0..std::mem::replace(&mut repeat, 1) {
                        for row in 0..BAND {
                            if (sixel as u32 - 63) & (1 << row) != 0 {
                                image[(top + row) * width + x] = Some(colours[&colour]);
                            }
                        }
                        x += 1;
                    }
                }
            }
        }
        (width, height, image)
    }

    fn sample() -> (Pixels, Vec<Rgb>) {
        let pixels = Pixels {
            width: 41,
            height: 20,
            places: (0..41 * 20)
                .map(|i| ((i / 5 + i / 41) % 30) as u8)
                .collect(),
        };
        let palette = (0..30).map(|i| [i * 8, 255 - i * 8, 51]).collect();
        (pixels, palette)
    }

    #[test]
    fn sixels_read_back_as_the_picture() {
        let (pixels, palette) = sample();
        let (width, height, image) = read(&show(&pixels, &palette, 256));
        assert_eq!((width, height), (41, 20));
        for (place, found) in pixels.places.iter().zip(image) {
            let [r, g, b] = palette[usize::from(*place)].map(|p| (u32::from(p) * 100 + 127) / 255);
            assert_eq!(found, Some([r, g, b]));
        }
    }

    #[test]
    fn no_more_colours_are_defined_than_there_are_registers() {
        let (pixels, palette) = sample();
        let out = String::from_utf8(show(&pixels, &palette, 16)).unwrap();
        assert_eq!(out.matches(";2;").count(), 16);
        assert!(read(out.as_bytes()).2.iter().all(Option::is_some));
    }
}
