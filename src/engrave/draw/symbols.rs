//! Characters made of dots. In: a style and which dots of a cell are set. Out: the character.
//! Source: the Unicode 16 code charts (Braille Patterns, Block Elements, Symbols for Legacy Computing and its Supplement).

use crate::engrave::grid::CellStyle;

/// Dots of a cell, across and down.
pub(super) fn dots_of(style: CellStyle) -> (usize, usize) {
    match style {
        CellStyle::Braille | CellStyle::Octants => (2, 4),
        CellStyle::Sextants => (2, 3),
        CellStyle::Quadrants => (2, 2),
        CellStyle::HalfBlocks | CellStyle::Ascii => (1, 2),
    }
}

/// The character whose dots are `bits` (bit x + y · dots across).
pub(super) fn symbol(style: CellStyle, bits: u8) -> char {
    match style {
        CellStyle::Braille => {
            // Unicode numbers the dots 1–3 down the left, 4–6 down the right, then 7 and 8 below.
            const ORDER: [u32; 8] = [0, 3, 1, 4, 2, 5, 6, 7];
            let dots: u32 = (0..8)
                .filter(|i| bits & (1 << i) != 0)
                .map(|i| 1 << ORDER[i as usize])
                .sum();
            // A space is written for no dots: some terminals draw U+2800 with faint rings.
            match dots {
                0 => ' ',
                dots => char::from_u32(0x2800 + dots).unwrap_or(' '),
            }
        }
        CellStyle::Octants => octant(bits),
        CellStyle::Sextants => sextant(bits & 63),
        CellStyle::Quadrants => quadrant(bits & 15),
        CellStyle::HalfBlocks | CellStyle::Ascii => [' ', '▀', '▄', '█'][usize::from(bits & 3)],
    }
}

fn quadrant(bits: u8) -> char {
    [
        ' ', '▘', '▝', '▀', '▖', '▌', '▞', '▛', '▗', '▚', '▐', '▜', '▄', '▙', '▟', '█',
    ][usize::from(bits)]
}

/// Sextants are coded in the order of their bits, without the four that are older characters.
fn sextant(bits: u8) -> char {
    match bits {
        0 => ' ',
        21 => '▌',
        42 => '▐',
        63 => '█',
        bits => {
            let older = 1 + u32::from(bits > 21) + u32::from(bits > 42);
            char::from_u32(0x1FB00 + u32::from(bits) - older).unwrap_or(' ')
        }
    }
}

/// Octants of other blocks: quadrants, quarters of the height, and single corners and sides.
const OLDER_OCTANTS: [(u8, char); 26] = [
    (0, ' '),
    (1, '\u{1CEA8}'),
    (2, '\u{1CEAB}'),
    (3, '\u{1FB82}'),
    (5, '▘'),
    (10, '▝'),
    (15, '▀'),
    (20, '\u{1FBE6}'),
    (40, '\u{1FBE7}'),
    (63, '\u{1FB85}'),
    (64, '\u{1CEA3}'),
    (80, '▖'),
    (85, '▌'),
    (90, '▞'),
    (95, '▛'),
    (128, '\u{1CEA0}'),
    (160, '▗'),
    (165, '▚'),
    (170, '▐'),
    (175, '▜'),
    (192, '▂'),
    (240, '▄'),
    (245, '▙'),
    (250, '▟'),
    (252, '▆'),
    (255, '█'),
];

/// Octants are coded in the order of their bits, without those that are older characters.
fn octant(bits: u8) -> char {
    match OLDER_OCTANTS.binary_search_by_key(&bits, |(bits, _)| *bits) {
        Ok(at) => OLDER_OCTANTS[at].1,
        Err(older) => char::from_u32(0x1CD00 + u32::from(bits) - older as u32).unwrap_or(' '),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pattern_has_a_character_of_its_own() {
        for style in [
            CellStyle::Braille,
            CellStyle::Octants,
            CellStyle::Sextants,
            CellStyle::Quadrants,
            CellStyle::HalfBlocks,
        ] {
            let (across, down) = dots_of(style);
            let patterns = 1_usize << (across * down);
            let mut symbols: Vec<char> = (0..patterns)
                .map(|bits| symbol(style, bits as u8))
                .collect();
            symbols.sort_unstable();
            symbols.dedup();
            assert_eq!(symbols.len(), patterns, "{style:?}");
        }
    }

    #[test]
    fn names_of_the_code_charts_tell_the_pieces() {
        // Unicode 16 names: U+1FB00 SEXTANT-1, U+1FB13 -135's neighbours -35 and -235 about LEFT HALF BLOCK,
        // U+1FB3B -23456; U+1CD00 OCTANT-3, U+1CD03 -4, U+1CD09 -5, U+1CDE5 -2345678; U+28FF all eight Braille dots.
        assert_eq!(symbol(CellStyle::Sextants, 0b00_0001), '\u{1FB00}');
        assert_eq!(symbol(CellStyle::Sextants, 0b01_0100), '\u{1FB13}');
        assert_eq!(symbol(CellStyle::Sextants, 0b01_0110), '\u{1FB14}');
        assert_eq!(symbol(CellStyle::Sextants, 0b11_1110), '\u{1FB3B}');
        assert_eq!(symbol(CellStyle::Octants, 0b0000_0100), '\u{1CD00}');
        assert_eq!(symbol(CellStyle::Octants, 0b0000_1000), '\u{1CD03}');
        assert_eq!(symbol(CellStyle::Octants, 0b0001_0000), '\u{1CD09}');
        assert_eq!(symbol(CellStyle::Octants, 0b1111_1110), '\u{1CDE5}');
        assert_eq!(symbol(CellStyle::Braille, 0b1111_1111), '⣿');
        assert_eq!(symbol(CellStyle::Braille, 0b0000_0010), '⠈');
    }
}
