//! What the system says of files, in plain words and without its numbers.

use std::io::{Error, ErrorKind};

/// Why the system refused, as it follows a colon or stands in brackets.
pub fn fault(error: &Error) -> String {
    let known = match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder",
        ErrorKind::PermissionDenied => "its rights do not allow it",
        ErrorKind::AlreadyExists => "it is there already",
        ErrorKind::NotADirectory => "a part of its path is no folder",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "no room is left on the disk",
        ErrorKind::ReadOnlyFilesystem => "the disk is read-only",
        ErrorKind::FileTooLarge => "it is too large for the disk",
        ErrorKind::InvalidFilename => "the disk allows no such name",
        ErrorKind::InvalidData => "it is no text in UTF-8",
        ErrorKind::UnexpectedEof => "it ends too soon",
        ErrorKind::ResourceBusy => "another program holds it",
        _ => return without_number(&error.to_string()).to_owned(),
    };
    known.to_owned()
}

/// Without the system's number at the end.
fn without_number(text: &str) -> &str {
    match text.rfind(" (os error ") {
        Some(at) if text.ends_with(')') => &text[..at],
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_systems_own_words_and_numbers_are_not_shown() {
        // POSIX: ENOENT 2, EACCES 13, ENOSPC 28, EROFS 30; ESRCH 3 has no words here.
        for (number, says) in [
            (2, "no such file"),
            (13, "rights"),
            (28, "no room"),
            (30, "read-only"),
            (3, ""),
        ] {
            let words = fault(&Error::from_raw_os_error(number));
            assert!(
                words.contains(says) && !words.contains("os error"),
                "{words}"
            );
        }
    }
}
