//! The points on disk while they are taken: a terminal that is closed, a line that drops or a box that loses its power
//! costs no weight that was lifted.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::fit::{Found, kept};

/// The file of one calibration. It is made with the first point that is taken, anew beside older ones.
pub(super) struct Keeper {
    dir: PathBuf,
    path: Option<PathBuf>,
    text: String,
    failed: bool,
}

impl Keeper {
    /// Keeps in `dir`.
    pub fn new(dir: &Path) -> Self {
        Keeper { dir: dir.to_owned(), path: None, text: String::new(), failed: false }
    }

    /// Writes what has been taken, where that has changed; a sentence where the person should know.
    pub fn keep(&mut self, found: &Found) -> Option<String> {
        if found.points.is_empty() && self.path.is_none() {
            return None;
        }
        let text = kept(found);
        if text == self.text {
            return None;
        }
        let first = self.path.is_none();
        match self.write(found, &text) {
            Ok(path) => {
                let said = (first || self.failed).then(|| format!("What is taken is kept in {}.", path.display()));
                self.failed = false;
                self.text = text;
                said
            }
            Err(error) => {
                let said = format!(
                    "What is taken cannot be kept in {}: {error}. It will be printed at the end only; start the command \
                     in a directory that can be written to",
                    self.dir.display()
                );
                (!std::mem::replace(&mut self.failed, true)).then_some(said)
            }
        }
    }

    fn write(&mut self, found: &Found, text: &str) -> io::Result<PathBuf> {
        let path = match &self.path {
            Some(path) => path.clone(),
            None => self.make(&found.mechanism)?,
        };
        self.path = Some(path.clone());
        // Beside it first: a power cut leaves the points of before, not half of them.
        let new = path.with_extension("new");
        let mut file = File::create(&new)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        fs::rename(&new, &path)?;
        Ok(path)
    }

    /// A file that did not exist.
    fn make(&self, mechanism: &str) -> io::Result<PathBuf> {
        // Identifiers are checked by the configuration, but a name of a file should not hang on that.
        let name: String = mechanism.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
        for n in 1..1000 {
            let path = self.dir.join(match n {
                1 => format!("calibration-{name}.toml"),
                n => format!("calibration-{name}-{n}.toml"),
            });
            match OpenOptions::new().write(true).create_new(true).open(&path) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                made => return made.map(|_| path),
            }
        }
        Err(io::Error::other("there are a thousand calibrations already; move them away"))
    }
}

#[cfg(test)]
#[path = "keep_tests.rs"]
mod tests;
