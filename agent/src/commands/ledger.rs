//! A store that is asked questions: the copy of the configuration kept in it, and a reader.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::tz::TimeZone;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Config;

use super::site_file::SiteFile;
use crate::daemon::book::{Book, SiteCalendar};
use crate::daemon::site::CONFIGURATION_COPY;
use crate::exit::Failure;
use crate::figures::{self, SiteFigures};
use crate::store::{Reader, StoreError};

/// A store opened for reading; the daemon may be writing to it meanwhile.
pub struct Ledger {
    /// The configuration that the daemon last ran with.
    pub config: Config,
    /// The reader.
    pub reader: Reader,
}

impl Ledger {
    /// Opens the store in a directory.
    ///
    /// # Errors
    /// [`Failure::Usage`] when there is no store there, [`Failure::Run`] when it cannot be read.
    pub fn open(directory: &Path) -> Result<Self, Failure> {
        let reader = open_reader(directory)?;
        let copy: PathBuf = directory.join(CONFIGURATION_COPY);
        let text = std::fs::read_to_string(&copy).map_err(|error| {
            Failure::Run(format!("cannot read {}: {error}; start the daemon once, it keeps that copy", copy.display()))
        })?;
        let SiteFile { config, .. } = SiteFile::check(&copy, text)?;
        Ok(Ledger { config, reader })
    }

    /// The midnight that a day of the site begins with; `None` beyond the calendar.
    pub fn midnight(&self, day: i32) -> Option<Timestamp> {
        let date: jiff::civil::Date = figures::date_of(day).parse().ok()?;
        let midnight = date.to_zoned_datetime(self.config.time_zone.clone()).ok()?;
        Some(Timestamp::from_ms(midnight.timestamp().as_millisecond()))
    }

    /// The figures of the site as last committed.
    ///
    /// # Errors
    /// [`Failure::Run`] when the store cannot be read.
    pub fn figures(&self) -> Result<SiteFigures, Failure> {
        let calendar = SiteCalendar(self.config.time_zone.clone());
        let mut records = std::collections::BTreeMap::new();
        for (crane, mechanism) in self.config.mechanisms() {
            let left = self.reader.state(&mechanism.id).map_err(Failure::run)?.map(|s| (s.state, s.warn_crossed));
            let mut book = Book::open(crane, mechanism, calendar.clone(), left);
            book.set_history(self.reader.day_sums(&mechanism.id).map_err(Failure::run)?);
            let thinned = self.reader.thinned(&mechanism.id).map_err(Failure::run)?;
            records.insert(mechanism.id.clone(), figures::Record { thinned, ..book.record() });
        }
        let drives = Arc::new(self.reader.drives().map_err(Failure::run)?);
        let figures = figures::of_site(&self.config, |m| records.get(&m.id).cloned().unwrap_or_default());
        let messages_dropped = self.reader.lost_messages().map_err(Failure::run)?;
        Ok(SiteFigures { drives, messages_dropped, ..figures })
    }
}

/// The configuration kept in a store; `None` where there is none, or none that this program takes.
pub fn kept_configuration(directory: &Path) -> Option<Config> {
    let text = std::fs::read_to_string(directory.join(CONFIGURATION_COPY)).ok()?;
    tallyhook_config::load(&text, CONFIGURATION_COPY).ok()
}

/// How files end that are written for people and programs; none of the store's own does.
const OUTPUTS: [&str; 4] = ["csv", "parquet", "html", "json"];

/// Refuses a file to write that may be one of the store's own: the ledger, what was recorded, a copy, wherever its
/// configuration puts copies.
///
/// # Errors
/// [`Failure::Usage`] with the mend.
pub fn spares_the_store(directory: &Path, out: &Path) -> Result<(), Failure> {
    // A link counts as what it leads to; a file that is not there yet, as the directory it would be in.
    let place = out.canonicalize().or_else(|_| match out.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.canonicalize(),
        _ => Path::new(".").canonicalize(),
    });
    let Ok(place) = place else { return Ok(()) };
    let named = if place.is_dir() { out } else { &place };
    if named.extension().is_some_and(|extension| OUTPUTS.iter().any(|known| extension == *known)) {
        return Ok(());
    }
    let copies = kept_configuration(directory).and_then(|kept| kept.store.backup).map(|copies| directory.join(copies));
    for own in [Some(directory.to_path_buf()), copies].into_iter().flatten() {
        if own.canonicalize().is_ok_and(|own| place.starts_with(own)) {
            return Err(Failure::Usage(format!(
                "{} may be a file of the store, which is left as it is; give --out a file outside {}, or one that ends in .{}",
                out.display(),
                own.display(),
                OUTPUTS.join(", .")
            )));
        }
    }
    Ok(())
}

/// Opens the store in a directory for reading, and says so where the newest is missing.
///
/// # Errors
/// [`Failure::Usage`] when there is no store there, [`Failure::Run`] when it cannot be read.
pub fn open_reader(directory: &Path) -> Result<Reader, Failure> {
    let reader = Reader::open(directory).map_err(|error| match error {
        StoreError::Missing { .. } => Failure::usage(error),
        _ => Failure::run(error),
    })?;
    say_if_behind(reader.is_behind());
    Ok(reader)
}

/// Says what a ledger that is behind lacks; see [`Reader::is_behind`].
pub fn say_if_behind(is_behind: bool) {
    if is_behind {
        eprintln!(
            "Up to an hour of what was counted last is missing here: the daemon has not brought it into the ledger. If that \
             stays so, the daemon's log says why."
        );
    }
}

/// The beginning and the end of a time, as they are given with `--from` and `--to`: RFC 3339, or days of the site.
///
/// # Errors
/// [`Failure::Usage`] with the two forms, or when nothing lies between the two.
pub fn instants(from: Option<&str>, to: Option<&str>, zone: &TimeZone) -> Result<Between<Timestamp>, Failure> {
    between(instant("--from", from, zone)?, instant("--to", to, zone)?)
}

/// As [`instants`], as day numbers of the site: the first day, and the one after the last.
///
/// # Errors
/// As [`instants`].
pub fn site_days(from: Option<&str>, to: Option<&str>, zone: &TimeZone) -> Result<Between<i32>, Failure> {
    between(site_day("--from", from, zone)?, site_day("--to", to, zone)?)
}

/// Where something begins, and the first place after it; `None` where it is open.
pub type Between<T> = (Option<T>, Option<T>);

/// The two as they are, where something lies between them.
///
/// # Errors
/// [`Failure::Usage`] where nothing does.
pub fn between<T: PartialOrd>(from: Option<T>, to: Option<T>) -> Result<Between<T>, Failure> {
    match (&from, &to) {
        (Some(first), Some(end)) if end <= first => Err(Failure::Usage(
            "--to is not after --from, so nothing lies between them; give an earlier --from or a later --to".to_owned(),
        )),
        _ => Ok((from, to)),
    }
}

/// An instant given on the command line: RFC 3339, or a date, which is the site's midnight that it begins with.
///
/// # Errors
/// [`Failure::Usage`] with the two forms.
fn instant(option: &str, text: Option<&str>, zone: &TimeZone) -> Result<Option<Timestamp>, Failure> {
    let Some(text) = text else { return Ok(None) };
    let stamp = text.parse::<jiff::Timestamp>().ok().or_else(|| {
        let date: jiff::civil::Date = text.parse().ok()?;
        date.to_zoned_datetime(zone.clone()).ok().map(|z| z.timestamp())
    });
    match stamp {
        Some(stamp) => Ok(Some(Timestamp::from_ms(stamp.as_millisecond()))),
        None => Err(Failure::Usage(format!(
            "{option} is `{text}`; give a date such as 2026-03-01, or an instant such as 2026-03-01T06:00:00Z"
        ))),
    }
}

/// A day of the site given on the command line, as a day number: a date, or the day that contains an instant.
///
/// # Errors
/// [`Failure::Usage`] with the two forms.
pub fn site_day(option: &str, text: Option<&str>, zone: &TimeZone) -> Result<Option<i32>, Failure> {
    let Some(text) = text else { return Ok(None) };
    if let Ok(instant) = text.parse::<jiff::Timestamp>() {
        return Ok(Some(figures::day_number(instant.to_zoned_datetime(zone.clone()).date())));
    }
    match text.parse::<jiff::civil::Date>() {
        Ok(date) => Ok(Some(figures::day_number(date))),
        Err(_) => Err(Failure::Usage(format!(
            "{option} is `{text}`; give a date such as 2026-03-01, or an instant such as 2026-03-01T06:00:00Z"
        ))),
    }
}
