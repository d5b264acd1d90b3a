//! What a destination needs and nobody else may know: read from its file at each use, so that a change needs no restart,
//! and told to nobody. An error names the file and the key of the configuration, never a part of what is in it.

use std::path::Path;

use super::http::Why;
use crate::credentials;

/// A secret of one line, without the newline at its end.
///
/// # Errors
/// When the file cannot be read, or does not hold one line of text.
pub async fn read(path: &Path, key: &str, header: &str) -> Result<String, Why> {
    let said = |why: &str| unusable(path, why, key, header);
    let mut text = String::from_utf8(bytes(path, key, header).await?).map_err(|_| said("it is no text"))?;
    text.truncate(text.trim_end_matches(['\r', '\n']).len());
    if text.is_empty() {
        return Err(said("it is empty"));
    }
    if text.chars().any(char::is_control) {
        return Err(said("it holds more than one line"));
    }
    Ok(text)
}

/// What a file holds.
///
/// # Errors
/// When it cannot be read.
pub async fn bytes(path: &Path, key: &str, header: &str) -> Result<Vec<u8>, Why> {
    tokio::fs::read(path).await.map_err(|error| unusable(path, &error.to_string(), key, header))
}

/// A file that does not serve.
pub fn unusable(path: &Path, why: &str, key: &str, header: &str) -> Why {
    let what = format!("the file {} cannot be used: {why}", path.display());
    let mend = match credentials::name(path) {
        Some(name) => format!(
            "check `{key}` in {header}, and that `LoadCredential={name}:` in the unit names a file that fits (systemctl \
             edit tallyhook, then restart)"
        ),
        None => format!("check `{key}` in {header}, that the file fits and that the daemon may read it"),
    };
    Why::new(what, mend)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_secret_is_one_line_and_an_error_tells_nothing_of_it() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("password");
        for (held, expected) in [
            (&b"pa ss\n"[..], Ok("pa ss")),
            (b"pass\r\n", Ok("pass")),
            (b"pass", Ok("pass")),
            (b"\n", Err("it is empty")),
            (b"pass\nmore\n", Err("more than one line")),
            (b"pass\xff", Err("it is no text")),
        ] {
            std::fs::write(&path, held).unwrap();
            let read = read(&path, "password_file", "[mqtt]").await;
            match (read, expected) {
                (Ok(read), Ok(expected)) => assert_eq!(read, expected),
                (Err(why), Err(expected)) => {
                    assert!(why.what.contains(expected) && why.what.contains("/password"), "{why:?}");
                    assert!(why.mend.contains("`password_file` in [mqtt]"), "{why:?}");
                    assert!(!why.what.replace("/password", "").contains("pass"), "{why:?}");
                }
                (read, expected) => panic!("{read:?} instead of {expected:?}"),
            }
        }
    }

    #[tokio::test]
    async fn a_credential_that_is_missing_is_mended_in_the_unit() {
        let path = credentials::directory().join("broker");
        let why = read(&path, "password_file", "[mqtt]").await.unwrap_err();
        assert!(why.what.contains("/broker cannot be used"), "{why:?}");
        assert!(why.mend.contains("`LoadCredential=broker:` in the unit"), "{why:?}");
    }
}
