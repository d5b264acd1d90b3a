//! How a connection that we make is secured: whom we believe, and what we show of ourselves.

use crate::credential;
use crate::model::Tls;
use crate::raw::Table;

const KEYS: [&str; 3] = ["ca_file", "certificate_file", "key_file"];

/// Reads how the connection to a web address is secured.
pub(crate) fn of_url(table: &Table<'_>, url: Option<&str>) -> Option<Tls> {
    let plain = url.is_some_and(|url| url.starts_with("http://"));
    read(table, plain.then_some(("with http://", "write https:// in `url`")))
}

/// Reads it; where the connection is not secured, `open` says by what, and what would secure it.
pub(crate) fn read(table: &Table<'_>, open: Option<(&str, &str)>) -> Option<Tls> {
    if let (Some(given), Some((why, mend))) = (KEYS.into_iter().find(|key| table.has(key)), open) {
        table.faults.wrong(
            table.place(given),
            format!("`{given}` in {} has no effect {why}", table.header()),
            format!("{mend}, or remove `{given}`"),
        );
        return None;
    }
    for (one, other) in [("certificate_file", "key_file"), ("key_file", "certificate_file")] {
        if table.has(one) && !table.has(other) {
            table.faults.missing(
                table.place(one),
                format!("`{one}` in {} is there without `{other}`", table.header()),
                format!("add `{other}`; a certificate and its key go together"),
            );
            return None;
        }
    }
    let [ca_file, certificate, key] = KEYS.map(|key| credential::file(table, key));
    Some(Tls { ca_file, client: certificate.zip(key) })
}
