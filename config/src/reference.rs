//! `reference.md`, written from the table of keys.

use std::fmt::Write as _;

use crate::keys;

/// The reference of all keys as Markdown: what `reference.md` of this crate holds.
pub fn reference() -> String {
    let mut out = String::from(
        "# The configuration, key by key\n\n\
         One TOML file. `tallyhook init` prints a commented one to start from, `tallyhook check` names all faults of \
         one at once.\nTimes are texts with a unit (`\"100ms\"`, `\"2s\"`, `\"5min\"`, `\"1h\"`) or bare seconds. \
         Relative paths are taken from the file's\ndirectory. A file with what is secret can also be \
         `credential:NAME`, a credential of the service manager; `deploy/install.md` says\nhow. Written from the program's own table of keys; a test keeps \
         the two the same.\n",
    );
    for group in keys::ALL {
        let title = if group.header.starts_with('[') { format!("`{}`", group.header) } else { capital(group.header) };
        // Writing to a `String` does not fail.
        let _ = write!(out, "\n## {title}\n\n{}\n\n| key | meaning | unit and range | when absent |\n", group.what);
        out.push_str("| --- | --- | --- | --- |\n");
        for key in group.keys {
            let absent = match key.absent {
                keys::Absent::Fault => "must be given".to_owned(),
                keys::Absent::Default("") => "empty".to_owned(),
                keys::Absent::Default(value) => format!("`{value}`"),
                keys::Absent::Means(words) => words.to_owned(),
            };
            let _ = writeln!(out, "| `{}` | {} | {} | {absent} |", key.name, key.what, key.form.range());
        }
    }
    out
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With `TALLYHOOK_WRITE_REFERENCE` set the file is written instead.
    #[test]
    fn the_reference_holds_exactly_the_keys_the_program_knows() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/reference.md");
        if std::env::var_os("TALLYHOOK_WRITE_REFERENCE").is_some() {
            std::fs::write(path, reference()).unwrap();
        }
        let written = std::fs::read_to_string(path).unwrap();
        assert!(written == reference(), "run this test with TALLYHOOK_WRITE_REFERENCE=1 and look at the difference");
    }
}
