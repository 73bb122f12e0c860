//! Pictures by the kitty graphics protocol. In: [`Pixels`] and their colours. Out: escape sequences.
//! Source: the kitty graphics protocol ("Control data reference"): PNG by direct transmission, in chunks of 4,096 bytes;
//! a negative z index lies under the text.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use crate::engrave::Pixels;
use crate::shell::term::theme::Rgb;

/// Most bytes of a chunk of data. Source: the protocol.
const CHUNK: usize = 4096;

/// The picture as PNG of few colours.
fn png(pixels: &Pixels, palette: &[Rgb]) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let (width, height) = (pixels.width as u32, pixels.height as u32);
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::Fastest);
    encoder.set_palette(palette.concat());
    encoder.write_header()?.write_image_data(&pixels.places)?;
    Ok(bytes)
}

/// Shows a picture at the cursor over so many cells, in place of the one before; the cursor stays.
pub fn show(pixels: &Pixels, palette: &[Rgb], (columns, rows): (u16, u16)) -> Vec<u8> {
    // Writing to memory does not fail, and the picture has as many pixels as it says.
    let Ok(png) = png(pixels, palette) else {
        return Vec::new();
    };
    let data = STANDARD.encode(png).into_bytes();
    let mut out = Vec::with_capacity(data.len() + data.len() / 64 + 64);
    let chunks: Vec<&[u8]> = data.chunks(CHUNK).collect();
    for (at, chunk) in chunks.iter().enumerate() {
        let more = u8::from(at + 1 < chunks.len());
        out.extend_from_slice(b"\x1b_G");
        if at == 0 {
            let head = format!("a=T,f=100,q=2,i=1,p=1,z=-1,C=1,c={columns},r={rows},");
            out.extend_from_slice(head.as_bytes());
        }
        out.extend_from_slice(format!("m={more};").as_bytes());
        out.extend_from_slice(chunk);
        out.extend_from_slice(b"\x1b\\");
    }
    out
}

/// Takes the picture away.
pub const REMOVE: &[u8] = b"\x1b_Ga=d,d=I,i=1,q=2\x1b\\";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_join_to_a_png_of_the_same_pixels() {
        let pixels = Pixels {
            width: 37,
            height: 411,
            places: (0..37 * 411).map(|i| ((i * i) % 5) as u8).collect(),
        };
        let palette: Vec<Rgb> = (0..5).map(|i| [i * 50, 255 - i * 50, i]).collect();
        let out = String::from_utf8(show(&pixels, &palette, (4, 23))).unwrap();
        let mut data = String::new();
        let chunks: Vec<&str> = out.split("\x1b\\").filter(|c| !c.is_empty()).collect();
        for (at, chunk) in chunks.iter().enumerate() {
            let (head, body) = chunk
                .strip_prefix("\x1b_G")
                .unwrap()
                .split_once(';')
                .unwrap();
            let last = at + 1 == chunks.len();
            assert!(head.ends_with(if last { "m=0" } else { "m=1" }), "{head}");
            // The protocol: every chunk but the last is a multiple of four bytes, of 4,096 at most.
            assert!(body.len() <= 4096 && (last || body.len() % 4 == 0));
            data += body;
        }
        // Decoded by the png crate's own reader.
        let decoder = png::Decoder::new(std::io::Cursor::new(STANDARD.decode(data).unwrap()));
        let mut reader = decoder.read_info().unwrap();
        let mut read = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut read).unwrap();
        assert_eq!(read, pixels.places);
        assert_eq!(
            reader.info().palette.as_deref(),
            Some(palette.concat().as_slice())
        );
    }
}
