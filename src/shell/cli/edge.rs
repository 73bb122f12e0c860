//! Lines at the edge of a terminal: broken between words, where the terminal itself would break within them.
//! In: text. Out: the same, with line breaks; nothing is changed where nobody looks at a terminal.

use std::borrow::Cow;
use std::io::{self, IsTerminal, Write};

/// A terminal narrower than this has no room for words.
const NARROWEST: usize = 20;

/// Columns of the terminal behind `stream`; `None` where there is none, or none with room.
pub(super) fn columns(stream: &impl IsTerminal) -> Option<usize> {
    if !stream.is_terminal() {
        return None;
    }
    let (columns, _) = crossterm::terminal::size().ok()?;
    Some(usize::from(columns)).filter(|columns| *columns >= NARROWEST)
}

/// `text` in lines of `columns` at most, as far as its words allow; a line goes on below its own beginning.
pub(super) fn broken(text: &str, columns: Option<usize>) -> Cow<'_, str> {
    let Some(columns) = columns else {
        return Cow::Borrowed(text);
    };
    let fits = |line: &str| line.chars().count() <= columns;
    if text.split('\n').all(fits) {
        return Cow::Borrowed(text);
    }
    let lines: Vec<Cow<str>> = text
        .split('\n')
        .map(|line| match fits(line) {
            true => Cow::Borrowed(line),
            false => Cow::Owned(broken_line(line, columns)),
        })
        .collect();
    Cow::Owned(lines.join("\n"))
}

fn broken_line(line: &str, columns: usize) -> String {
    let begins = line.chars().take_while(|c| *c == ' ').count();
    let begins = if begins < columns / 2 { begins } else { 0 };
    let mut out = String::new();
    let mut at = 0;
    for piece in line.split_inclusive(' ') {
        let word = piece.trim_end().chars().count();
        if at + word > columns && at > begins {
            out.truncate(out.trim_end().len());
            out.push('\n');
            out.push_str(&" ".repeat(begins));
            at = begins;
        }
        out.push_str(piece);
        at += piece.chars().count();
    }
    out
}

/// Writes text through [`broken`], a line at a time, or what stands before an answer is waited for.
pub(super) struct Edge<W: Write> {
    inner: W,
    columns: Option<usize>,
    /// What is not written yet: a line without its end.
    line: Vec<u8>,
}

impl<W: Write> Edge<W> {
    /// For a terminal of so many columns.
    pub(super) fn new(inner: W, columns: Option<usize>) -> Edge<W> {
        Edge {
            inner,
            columns,
            line: Vec::new(),
        }
    }

    fn write_out(&mut self, to: usize) -> io::Result<()> {
        let text: Vec<u8> = self.line.drain(..to).collect();
        let text = String::from_utf8_lossy(&text);
        self.inner.write_all(broken(&text, self.columns).as_bytes())
    }
}

impl<W: Write> Write for Edge<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.line.extend_from_slice(bytes);
        if let Some(last) = self.line.iter().rposition(|byte| *byte == b'\n') {
            self.write_out(last + 1)?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.write_out(self.line.len())?;
        self.inner.flush()
    }
}

impl<W: Write> Drop for Edge<W> {
    fn drop(&mut self) {
        // A reader that is gone misses nothing.
        let _gone = self.flush();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_broken_between_words_and_go_on_below_their_beginning() {
        let text =
            "there is no learner 'Wrn': did you mean 'Wren'?\n  `stavelark learner list` shows all";
        assert_eq!(
            broken(text, Some(24)),
            "there is no learner\n'Wrn': did you mean\n'Wren'?\n  `stavelark learner\n  list` shows all"
        );
        for columns in 20..60 {
            let lines = broken(text, Some(columns));
            assert!(lines.lines().all(|line| line.chars().count() <= columns));
            let words = |text: &str| {
                text.split_whitespace()
                    .map(str::to_owned)
                    .collect::<Vec<_>>()
            };
            assert_eq!(words(&lines), words(text));
        }
        assert_eq!(broken(text, None), text);
        // What no blank parts stays whole; what fits keeps its columns.
        assert_eq!(
            broken("/a/very/long/path/without/end", Some(20)),
            "/a/very/long/path/without/end"
        );
        assert_eq!(broken("C4   0.8 s", Some(20)), "C4   0.8 s");
    }

    #[test]
    fn a_line_comes_as_soon_as_it_is_whole_or_an_answer_is_waited_for() {
        let mut out = Vec::new();
        let mut edge = Edge::new(&mut out, Some(20));
        write!(edge, "one two three ").unwrap();
        writeln!(edge, "four five six").unwrap();
        write!(edge, "Who is here? ").unwrap();
        edge.flush().unwrap();
        write!(edge, "the end").unwrap();
        drop(edge);
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text, "one two three four\nfive six\nWho is here? the end");
    }
}
