//! A configuration file as the commands use it: read, checked, its store directory found.

use std::path::{Path, PathBuf};

use tallyhook_config::model::{Config, Tls};
use tallyhook_config::{Loaded, ProfileText};

use crate::credentials;
use crate::exit::Failure;

/// A configuration that has been checked, with the text it was made from.
pub struct SiteFile {
    /// The configuration; its store directory is absolute or relative to the working directory.
    pub config: Config,
    /// A text that says the same by itself: the file's own, or with its profiles filled in.
    pub text: String,
}

impl SiteFile {
    /// Reads and checks a file. Faults are printed to standard error.
    ///
    /// # Errors
    /// [`Failure::Usage`] when the file cannot be read, [`Failure::Reported`] when it has faults.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let bytes = std::fs::read(path).map_err(|error| {
            Failure::Usage(format!("cannot read {}: {error}; give an existing file to --config", path.display()))
        })?;
        match String::from_utf8(bytes) {
            Ok(text) => Self::check(path, text),
            // The place of what is no UTF-8 is a fault as any other.
            Err(error) => Err(match tallyhook_config::load_bytes(error.as_bytes(), &path.display().to_string()) {
                Err(faults) => {
                    eprintln!("{}", faults.report());
                    Failure::Reported
                }
                Ok(_) => Failure::Usage(format!("{}: {error}; save it as UTF-8", path.display())),
            }),
        }
    }

    /// Checks a text as if it had been read from `path`.
    ///
    /// # Errors
    /// [`Failure::Reported`] when it has faults.
    pub fn check(path: &Path, text: String) -> Result<Self, Failure> {
        // A path in the file is meant from where the file is, not from where somebody stood.
        let beside = path.parent().unwrap_or(Path::new(""));
        let profile = |named: &str| {
            let file = beside.join(named);
            let text = std::fs::read_to_string(&file).map_err(|error| error.to_string())?;
            Ok(ProfileText { file: file.display().to_string(), text })
        };
        match tallyhook_config::load_with_profiles(&text, &path.display().to_string(), &profile) {
            Ok(Loaded { mut config, text }) => {
                resolve(&mut config, beside);
                Ok(SiteFile { config, text })
            }
            Err(faults) => {
                eprintln!("{}", faults.report());
                Err(Failure::Reported)
            }
        }
    }
}

fn resolve(config: &mut Config, beside: &Path) {
    let Config { store, page, mqtt, influx, matrix, webhooks, .. } = config;
    for path in std::iter::once(&mut store.directory).chain(&mut page.users_file) {
        *path = beside.join(&*path);
    }
    let mut files: Vec<&mut PathBuf> = Vec::new();
    files.extend(page.tls.iter_mut().flat_map(|(certificate, key)| [certificate, key]));
    let mut secured: Vec<&mut Tls> = Vec::new();
    if let Some(broker) = mqtt {
        files.extend(&mut broker.password_file);
        secured.extend(&mut broker.tls);
    }
    if let Some(server) = influx {
        files.extend(&mut server.token_file);
        secured.push(&mut server.tls);
    }
    if let Some(room) = matrix {
        files.push(&mut room.password_file);
        secured.push(&mut room.tls);
    }
    for hook in webhooks {
        files.extend(hook.header_files.iter_mut().map(|(_, path)| path));
        secured.push(&mut hook.tls);
    }
    for tls in secured {
        files.extend(&mut tls.ca_file);
        files.extend(tls.client.iter_mut().flat_map(|(certificate, key)| [certificate, key]));
    }
    for path in files {
        *path = match tallyhook_config::credential(path) {
            Some(name) => credentials::directory().join(name),
            None => beside.join(&*path),
        };
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_config::{StarterOptions, starter};

    use super::*;

    #[test]
    fn a_file_that_is_no_utf_8_is_there_and_has_a_fault_with_its_place() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("site.toml");
        assert!(matches!(SiteFile::read(&path), Err(Failure::Usage(text)) if text.contains("existing file")));
        // An ü as older editors write it.
        let text = starter(&StarterOptions::default()).replace("Eastfield", "M\u{fc}ller");
        std::fs::write(&path, text.chars().map(|c| u8::try_from(c).unwrap_or(b'?')).collect::<Vec<u8>>()).unwrap();
        assert!(matches!(SiteFile::read(&path), Err(Failure::Reported)));
    }

    #[test]
    fn every_path_in_the_file_is_taken_from_the_files_own_directory() {
        let told = "[mqtt]\nhost = \"127.0.0.1\"\nusername = \"crane\"\npassword_file = \"password\"\n\
                    tls = true\nca_file = \"ca.pem\"\ncertificate_file = \"own.pem\"\nkey_file = \"own.key\"\n\
                    [influx]\nurl = \"http://127.0.0.1\"\norg = \"o\"\nbucket = \"b\"\ntoken_file = \"token\"\n\
                    [matrix]\nurl = \"https://127.0.0.1\"\nuser = \"u\"\npassword_file = \"m\"\nroom = \"!a:b\"\n\
                    ca_file = \"/run/ca.pem\"\n\
                    [[webhook]]\nname = \"maintenance\"\nurl = \"https://127.0.0.1/\"\n\
                    header_files = { Authorization = \"/run/token\", X-Key = \"key\", Y = \"credential:chat\" }\n\
                    certificate_file = \"own.pem\"\nkey_file = \"credential:own.key\"\n";
        let text = starter(&StarterOptions { data: "data".to_owned(), ..StarterOptions::default() }) + told;
        let text = text.replace(
            "\n[page]\n",
            "\n[page]\nusers_file = \"users\"\ncertificate_file = \"page.pem\"\nkey_file = \"/run/page.key\"\n",
        );
        let Ok(file) = SiteFile::check(Path::new("/etc/tallyhook/site.toml"), text) else { panic!("it has faults") };
        assert_eq!(file.config.store.directory, Path::new("/etc/tallyhook/data"));
        let page = file.config.page;
        assert_eq!(page.users_file.unwrap(), Path::new("/etc/tallyhook/users"));
        assert_eq!(page.tls.unwrap(), ("/etc/tallyhook/page.pem".into(), "/run/page.key".into()));
        let broker = file.config.mqtt.unwrap();
        assert_eq!(broker.password_file.unwrap(), Path::new("/etc/tallyhook/password"));
        let (tls, beside) = (broker.tls.unwrap(), Path::new("/etc/tallyhook"));
        assert_eq!(tls.ca_file.unwrap(), beside.join("ca.pem"));
        assert_eq!(tls.client.unwrap(), (beside.join("own.pem"), beside.join("own.key")));
        assert_eq!(file.config.influx.unwrap().token_file.unwrap(), beside.join("token"));
        let room = file.config.matrix.unwrap();
        assert_eq!((room.password_file, room.tls.ca_file), (beside.join("m"), Some("/run/ca.pem".into())));
        let hook = &file.config.webhooks[0];
        let credential = |name: &str| credentials::directory().join(name);
        assert_eq!(hook.tls.client, Some((beside.join("own.pem"), credential("own.key"))));
        let mut files: Vec<_> = hook.header_files.iter().map(|(_, path)| path.clone()).collect();
        files.sort();
        let mut expected = [beside.join("key"), "/run/token".into(), credential("chat")];
        expected.sort();
        assert_eq!(files, expected);
    }

    #[test]
    fn a_profile_is_read_from_beside_the_file_and_the_text_needs_no_other() {
        let place = tempfile::tempdir().unwrap();
        std::fs::create_dir(place.path().join("profiles")).unwrap();
        let profile = "[signals]\nspeed_pct = { address = 40, type = \"i16\", scale = 0.1 }\n";
        std::fs::write(place.path().join("profiles/panel.toml"), profile).unwrap();
        let text = starter(&StarterOptions::default());
        let text = text.replace("[drive.main]", "[drive.main]\nprofile = \"profiles/panel.toml\"");
        let Ok(file) = SiteFile::check(&place.path().join("site.toml"), text) else { panic!("it has faults") };
        let signals = |config: &Config| config.cranes[0].mechanisms[0].signals.clone();
        assert_eq!(signals(&file.config).len(), 4);
        let kept = tallyhook_config::load(&file.text, "configuration.toml").unwrap();
        assert_eq!(signals(&kept), signals(&file.config));
    }
}
