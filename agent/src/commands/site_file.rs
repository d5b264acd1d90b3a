//! A configuration file as the commands use it: read, checked, its store directory found.

use std::path::Path;

use tallyhook_config::model::Config;

use crate::exit::Failure;

/// A configuration that has been checked, with the text it was made from.
pub struct SiteFile {
    /// The configuration; its store directory is absolute or relative to the working directory.
    pub config: Config,
    /// The file's text.
    pub text: String,
}

impl SiteFile {
    /// Reads and checks a file. Faults are printed to standard error.
    ///
    /// # Errors
    /// [`Failure::Usage`] when the file cannot be read, [`Failure::Reported`] when it has faults.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let text = std::fs::read_to_string(path).map_err(|error| {
            Failure::Usage(format!("cannot read {}: {error}; give an existing file to --config", path.display()))
        })?;
        Self::check(path, text)
    }

    /// Checks a text as if it had been read from `path`.
    ///
    /// # Errors
    /// [`Failure::Reported`] when it has faults.
    pub fn check(path: &Path, text: String) -> Result<Self, Failure> {
        match tallyhook_config::load(&text, &path.display().to_string()) {
            Ok(mut config) => {
                // A directory in the file is meant from where the file is, not from where somebody stood.
                if let Some(beside) = path.parent() {
                    config.store.directory = beside.join(&config.store.directory);
                }
                Ok(SiteFile { config, text })
            }
            Err(faults) => {
                eprintln!("{}", faults.report());
                Err(Failure::Reported)
            }
        }
    }
}
