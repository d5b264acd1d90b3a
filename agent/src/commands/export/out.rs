//! The file that an export goes to.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// The file to write. What is in it stays until the first bytes arrive, so an export that fails before has changed
/// nothing. It is not written beside and renamed: it may be a device or a pipe, or lie where there is no room for two.
#[derive(Debug)]
pub struct OutFile {
    path: PathBuf,
    /// `None` until the first bytes where there was no such file.
    file: Option<File>,
    begun: bool,
}

/// The file cannot be opened for writing.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {}: {cause}; give another file to --out", path.display())]
pub struct Unopened {
    path: PathBuf,
    cause: io::Error,
}

impl OutFile {
    /// The file at a place.
    ///
    /// # Errors
    /// When there is one that cannot be written.
    pub fn at(path: &Path) -> Result<Self, Unopened> {
        let file = match OpenOptions::new().write(true).open(path) {
            Ok(file) => Some(file),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(cause) => return Err(Unopened { path: path.to_owned(), cause }),
        };
        Ok(OutFile { path: path.to_owned(), file, begun: false })
    }

    fn begin(&mut self) -> io::Result<&mut File> {
        let file = match self.file.take() {
            Some(file) => {
                // A device or a pipe has no length.
                if !self.begun && file.metadata()?.is_file() {
                    file.set_len(0)?;
                }
                file
            }
            None => File::create(&self.path)
                .map_err(|cause| io::Error::other(Unopened { path: self.path.clone(), cause }))?,
        };
        self.begun = true;
        Ok(self.file.insert(file))
    }
}

impl Write for OutFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.begin()?.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.as_mut().map_or(Ok(()), File::flush)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_as_it_was_until_the_first_bytes_arrive() {
        let place = tempfile::tempdir().unwrap();
        let (old, new) = (place.path().join("old.csv"), place.path().join("new.csv"));
        std::fs::write(&old, "of last year").unwrap();
        drop((OutFile::at(&old).unwrap(), OutFile::at(&new).unwrap()));
        assert_eq!(std::fs::read_to_string(&old).unwrap(), "of last year");
        assert!(!new.exists());
        for path in [&old, &new] {
            let mut file = OutFile::at(path).unwrap();
            file.write_all(b"a,").unwrap();
            file.write_all(b"b\n").unwrap();
            assert_eq!(std::fs::read_to_string(path).unwrap(), "a,b\n");
        }
        assert!(OutFile::at(place.path()).unwrap_err().to_string().ends_with("give another file to --out"));
        let mut nowhere = OutFile::at(&place.path().join("none/new.csv")).unwrap();
        let refused = nowhere.write(b"a").unwrap_err();
        assert!(refused.get_ref().is_some_and(|cause| cause.is::<Unopened>()), "{refused}");
    }
}
