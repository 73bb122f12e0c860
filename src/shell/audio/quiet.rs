//! Keeps C libraries off the terminal: while a [`Quiet`] lives, descriptor 2 points elsewhere.
//!
//! ALSA writes about 2 KB to standard error from C when there is no device, which would tear up a screen.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::fd::OwnedFd;
use std::path::Path;
use std::sync::Mutex;

/// The real standard error while it is covered, and how many guards cover it.
static COVERED: Mutex<Option<(OwnedFd, usize)>> = Mutex::new(None);

/// While one lives, whatever is written to descriptor 2 goes to a file or nowhere. Guards may overlap; the last one to
/// go puts standard error back.
#[derive(Debug)]
pub struct Quiet(());

impl Quiet {
    /// Sends standard error to `log`, or to nowhere. Errors if the file or a descriptor cannot be had.
    pub fn new(log: Option<&Path>) -> io::Result<Quiet> {
        let mut covered = COVERED.lock().unwrap_or_else(|held| held.into_inner());
        if let Some((_, guards)) = covered.as_mut() {
            *guards += 1;
            return Ok(Quiet(()));
        }
        let target: File = OpenOptions::new()
            .append(true)
            .create(log.is_some())
            .open(log.unwrap_or(Path::new("/dev/null")))?;
        let kept = rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stderr(), 3)?;
        rustix::stdio::dup2_stderr(&target)?;
        *covered = Some((kept, 1));
        Ok(Quiet(()))
    }
}

/// Writes to the real standard error, also while it is covered.
pub fn tell(text: &str) -> io::Result<()> {
    let covered = COVERED.lock().unwrap_or_else(|held| held.into_inner());
    match covered.as_ref() {
        Some((kept, _)) => File::from(kept.try_clone()?).write_all(text.as_bytes()),
        None => io::stderr().write_all(text.as_bytes()),
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        let mut covered = COVERED.lock().unwrap_or_else(|held| held.into_inner());
        match covered.take() {
            Some((kept, 1)) => {
                // Nothing more can be done if the descriptor is gone.
                let _ = rustix::stdio::dup2_stderr(&kept);
            }
            Some((kept, guards)) => *covered = Some((kept, guards - 1)),
            None => {}
        }
    }
}
