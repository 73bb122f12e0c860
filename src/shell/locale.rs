//! What the locale can show.

use std::borrow::Cow;
use std::io::{self, Write};

/// Whether the locale's character set is UTF-8, by the variables in their POSIX order.
pub fn is_utf8() -> bool {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|value| !value.is_empty()))
        .unwrap_or_default()
        .to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

/// The text with typographic signs written in ASCII. Letters stay: a name is a name.
pub fn in_ascii(text: &str) -> Cow<'_, str> {
    if text.is_ascii() {
        return Cow::Borrowed(text);
    }
    text.chars()
        .map(|sign| match sign {
            '\u{201c}' | '\u{201d}' | '\u{201e}' => "\"".into(),
            '\u{2018}' | '\u{2019}' => "'".into(),
            '·' | '–' | '—' | '−' => "-".into(),
            '…' => "...".into(),
            '≤' => "<=".into(),
            '×' => "x".into(),
            '±' => "+-".into(),
            '✓' => "+".into(),
            '✗' => "x".into(),
            '♯' => "#".into(),
            '♭' => "b".into(),
            other => other.to_string(),
        })
        .collect::<String>()
        .into()
}

/// The text as this locale can show it.
pub fn shown(text: &str) -> Cow<'_, str> {
    if is_utf8() {
        Cow::Borrowed(text)
    } else {
        in_ascii(text)
    }
}

/// Writes text through [`in_ascii`]. Each piece written is whole text, as `write!` gives it.
pub struct Ascii<W>(pub W);

impl<W: Write> Write for Ascii<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(bytes);
        self.0.write_all(in_ascii(&text).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_are_written_in_ascii_and_names_keep_their_letters() {
        assert_eq!(
            in_ascii("Zoë, \u{201c}Treble staff\u{201d} · 2 × F♯ …"),
            "Zoë, \"Treble staff\" - 2 x F# ..."
        );
    }
}
